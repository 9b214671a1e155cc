"""Walking with a load, against printed values.

* Pandolf, Givoni & Goldman (1977), J. Appl. Physiol. 43:577-581: a person of 180 lb with a pack of 30 lb at
  3.5 mph on the level, terrain factor 1: 477.7 W, 410.9 kcal/h, as printed on secondary pages that work the
  equation (the pounds and miles rounded there; 0.5 %).
* Soule & Goldman (1972), J. Appl. Physiol. 32:706-708: terrain factors.
* Looney et al. (2019), Med. Sci. Sports Exerc. 51:826: walking without a load at 0.894 m/s up 15.15 % takes
  8.04 W/kg, at 0.477 m/s up 13.25 % 5.00 W/kg. Another relation, fitted to other data: the two agree within
  20 % there, which is all that is asked.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from washgrade.dig.load_walk import TERRAIN, effort_w, speed_factor_with_load
from washgrade.errors import InputError

POUND_KG = 0.45359237
MILE_H_M_S = 0.44704


def test_the_worked_example() -> None:
    found_w = effort_w(3.5 * MILE_H_M_S, load_kg=30 * POUND_KG, body_kg=180 * POUND_KG, terrain_factor=1.0)
    assert found_w == pytest.approx(477.7, rel=0.005)
    assert found_w / 4184.0 * 3600.0 == pytest.approx(410.9, rel=0.005)


def test_pounds_taken_for_kilograms_would_not_match() -> None:
    wrong_w = effort_w(3.5 * MILE_H_M_S, load_kg=30.0, body_kg=180.0, terrain_factor=1.0)
    assert wrong_w != pytest.approx(477.7, rel=0.5)


def test_terrain_factors() -> None:
    assert TERRAIN == {
        "blacktop": 1.0, "dirt road": 1.1, "light brush": 1.2, "heavy brush": 1.5, "bog": 1.8,
        "loose sand": 2.1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("speed_m_s", "slope", "per_kg_w"), [(0.89408, 0.1515, 8.042), (0.47684, 0.1325, 5.002)]
)
def test_another_relation_agrees_uphill(speed_m_s: float, slope: float, per_kg_w: float) -> None:
    found = effort_w(speed_m_s, load_kg=0.0, body_kg=75.0, slope=slope, terrain_factor=1.0) / 75.0
    assert found == pytest.approx(per_kg_w, rel=0.2)
    # A slope not turned into percent would.
    flat = effort_w(speed_m_s, load_kg=0.0, body_kg=75.0, slope=slope / 100, terrain_factor=1.0) / 75.0
    assert flat != pytest.approx(per_kg_w, rel=0.4)


def test_the_slower_walk_takes_the_same_effort() -> None:
    for slope in (0.0, 0.1):
        for load_kg in (3.0, 10.0, 18.0):
            factor = float(speed_factor_with_load(load_kg, speed_m_s=0.9, body_kg=70.0, slope=slope))
            assert 0 < factor < 1
            light_w = effort_w(0.9, load_kg=0.0, body_kg=70.0, slope=slope)
            assert effort_w(0.9 * factor, load_kg=load_kg, body_kg=70.0, slope=slope) == pytest.approx(
                light_w
            )
            # At the speed kept, the effort would be greater.
            assert effort_w(0.9, load_kg=load_kg, body_kg=70.0, slope=slope) > 1.02 * light_w


def test_more_load_is_never_faster_and_too_much_is_refused() -> None:
    factor = speed_factor_with_load(np.linspace(0, 30, 31), speed_m_s=0.84)
    assert factor[0] == 1.0
    assert np.all(np.diff(factor) < 0)
    sentence = (
        "Invalid 'load_kg' of 70. Standing under it takes 365 W, walking without it 279 W. "
        "It must be lighter."
    )
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        speed_factor_with_load(70.0, speed_m_s=0.84)
