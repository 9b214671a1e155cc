"""Even points against the general library that has them too."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from washgrade.errors import InputError
from washgrade.sand.even import MOST_DIMENSIONS, even_points


@pytest.mark.parametrize("size", range(1, MOST_DIMENSIONS + 1))
def test_even_points_are_those_of_scipy(size: int) -> None:
    # scipy.stats.qmc.Sobol takes its direction numbers from the same table (Joe & Kuo 2008).
    for bits in (0, 1, 2, 5, 11):
        expected = qmc.Sobol(d=size, scramble=False).random_base2(bits) + 0.5 / 2**bits
        assert np.array_equal(even_points(bits, size), expected)


def test_even_points_say_what_is_wrong() -> None:
    with pytest.raises(InputError, match=r"^Invalid 'size' of 10\. It must be at most 9\.$"):
        even_points(3, 10)
    with pytest.raises(InputError, match=r"^Invalid 'count_log2' of 31\. It must be at most 30\.$"):
        even_points(31, 2)
