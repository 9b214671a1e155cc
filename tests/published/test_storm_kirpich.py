"""Kirpich's time of concentration.

Source: Kirpich, Z. P. (1940), Civil Engineering 10(6), 362: 0.0078 L^0.77 S^-0.385 minutes in feet, 0.0195 in
metres. 1000 m at 1 %: 23.44 min. 2000 ft at 4 %: 9.38 min, for which a calculator on the web prints 13.7.
"""

from __future__ import annotations

import pytest

from washgrade.storm.concentration import kirpich_h


def test_metres():
    assert 60 * kirpich_h(path_m=1000, path_slope=0.01) == pytest.approx(23.44, rel=0.002)
    # Slope in percent, or the constant for feet, fail.
    assert 60 * kirpich_h(path_m=1000, path_slope=1.0) != pytest.approx(23.44, rel=0.5)
    assert pytest.approx(23.44, rel=0.5) != 0.0078 * 1000**0.77 * 0.01**-0.385


def test_feet():
    assert 60 * kirpich_h(path_m=2000 * 0.3048, path_slope=0.04) == pytest.approx(9.38, rel=0.01)
    assert 60 * kirpich_h(path_m=2000 * 0.3048, path_slope=0.04) != pytest.approx(13.7, rel=0.1)


def test_the_constants_are_one():
    # 0.0078 for feet is 0.0195 for metres to 0.2 %.
    assert pytest.approx(0.0195, rel=0.003) == 0.0078 * (1 / 0.3048) ** 0.77
