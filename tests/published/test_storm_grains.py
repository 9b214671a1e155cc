"""Settling, motion and equivalence of grains.

Sources: Ferguson and Church (2004), J. Sediment. Res. 74, 933-937, eq. 4 (evaluated); FHWA HDS-6 (2001) chart
value of .0338 m/s for .255 mm; Soulsby (1997), Dynamics of marine sands, worked values of D* and critical
Shields numbers (s 2.5854, nu 1.05e-6); Wilcock and Crowe (2003), eq. 4; Rubey (1933) limits of equivalence
1.592 and 2.533; an encyclopaedia's pair (magnetite .2 mm with quartz .5 mm); Rittenhouse (1943): magnetite
one phi finer; Lamb and others (2008) applied: 700 Pa for .961 m at .045. Tolerance: rounding of the printed
values.
"""

from __future__ import annotations

import pytest

from washgrade.storm.grains import (
    BEDS,
    MAGNETITE_KG_M3,
    critical_shields,
    critical_stress_pa,
    equivalent_size_m,
    hiding_exponent,
    settling_m_s,
    sorting_window_pa,
)


@pytest.mark.parametrize(
    ("size_mm", "density", "speed"),
    [
        (0.125, 2650, 0.01106),
        (0.25, 2650, 0.03184),
        (0.5, 2650, 0.07105),
        (1.0, 2650, 0.1263),
        (0.125, 5180, 0.02488),
        (0.25, 5180, 0.0642),
    ],
)
def test_ferguson_and_church(size_mm, density, speed):
    assert settling_m_s(size_mm / 1000, density) == pytest.approx(speed, rel=0.001)
    # Smooth spheres (C2 = 0.4) fall faster.
    assert settling_m_s(size_mm / 1000, density, sphere=True) != pytest.approx(speed, rel=0.01)


def test_handbook_chart():
    assert settling_m_s(0.000255) == pytest.approx(0.0338, rel=0.15)
    assert settling_m_s(0.00255) != pytest.approx(0.0338, rel=0.5)


@pytest.mark.parametrize(("size_mm", "shields"), [(0.1, 0.0795), (0.2, 0.0492), (10, 0.0556)])
def test_soulsby(size_mm, shields):
    found = critical_shields(size_mm / 1000, 2585.4, viscosity_m2_s=1.05e-6)
    assert found == pytest.approx(shields, rel=0.012)
    # In a fluid ten times as thick it is another number.
    assert critical_shields(size_mm / 1000, 2585.4, viscosity_m2_s=1.05e-5) != pytest.approx(
        shields, rel=0.012
    )


@pytest.mark.parametrize(("ratio", "exponent"), [(1, 0.2529), (0, 0.1222), (20, 0.67)])
def test_wilcock_and_crowe_hiding(ratio, exponent):
    assert hiding_exponent(ratio) == pytest.approx(exponent, rel=0.002)
    assert hiding_exponent(ratio + 2) != pytest.approx(exponent, rel=0.002) or ratio == 20


def test_equivalence_has_its_limits():
    """Stokes 1.592 for dust, 2.533 in fully turbulent settling; between them for sand, 1.6 to 2.0."""

    def ratio(magnetite_mm):
        quartz = equivalent_size_m([magnetite_mm / 1000], from_kg_m3=5180, to_kg_m3=2650)[0]
        return quartz / (magnetite_mm / 1000)

    assert ratio(0.001) == pytest.approx(1.592, rel=0.005)
    assert ratio(900.0) == pytest.approx(2.533, rel=0.005)
    assert 1.6 < ratio(0.06) < ratio(0.5) < 2.05
    # The turbulent limit is wrong for black sand.
    assert ratio(0.2) != pytest.approx(2.533, rel=0.2)


def test_rittenhouse_and_the_encyclopaedia():
    # One phi finer is half the size; .2 mm magnetite lies with .5 mm quartz (a rough, printed pair).
    quartz_mm = 1000 * equivalent_size_m([0.0002], from_kg_m3=5180, to_kg_m3=2650)[0]
    assert quartz_mm / 0.2 == pytest.approx(2.0, rel=0.15)
    assert quartz_mm == pytest.approx(0.5, rel=0.35)
    assert quartz_mm != pytest.approx(0.2, rel=0.35)


def test_equivalent_grains_settle_together():
    sizes = [0.0001, 0.0005, 0.002]
    heavy = equivalent_size_m(sizes)
    assert settling_m_s(heavy, MAGNETITE_KG_M3) == pytest.approx(settling_m_s(sizes), rel=1e-9)


def test_critical_stress_of_a_boulder():
    """Shields .045: 700 Pa for .961 m. Soulsby's coarse limit is .055: stress in proportion."""
    found = critical_stress_pa(0.961, median_m=0.961)
    assert found == pytest.approx(700 * 0.055 / 0.045, rel=0.002)
    assert found != pytest.approx(700, rel=0.1)


@pytest.mark.parametrize("name", list(BEDS))
def test_there_is_a_window_in_which_light_leaves_and_heavy_stays(name):
    light, heavy = sorting_window_pa(BEDS[name])
    # Submerged densities 4.18 and 1.65: were hiding complete, the ratio would be 2.53; it cannot be more.
    assert 1.5 < heavy / light < 4.18 / 1.65
