"""Mixture density and load mass against handbook numbers.

Sources: mixture rule 1/(w/rho_m + (1-w)/rho_q), evaluated for 20 % magnetite (2936 kg/m3, bulk 1776 kg/m3 at
porosity 0.395); bulk density of dry sand 1602 kg/m3 and of wet sand 1922 kg/m3 (handbook bulk-density table);
specific gravities quartz 2.65, magnetite 5.18 (Klein & Dutrow, Manual of Mineral Science). Tolerances are the
rounding of the printed values.
"""

import numpy as np
import pytest

from washgrade.dig.load import Shovel, bulk_density_kg_m3, load_magnetics_kg
from washgrade.sand.sample import grain_density_kg_m3

FIFTH = np.array([0.2])


def test_grain_density_of_a_sand_with_a_fifth_magnetite():
    found = grain_density_kg_m3(FIFTH, light_density_kg_m3=2650, heavy_density_kg_m3=5180)
    assert found[0] == pytest.approx(2936, rel=1e-3)


def test_mixing_masses_instead_of_volumes_is_caught():
    wrong = 0.2 * 5180 + 0.8 * 2650
    assert wrong != pytest.approx(2936, rel=1e-3)


def test_bulk_density_at_the_porosity_that_dry_sand_implies():
    shovel = Shovel(porosity=0.395)
    assert bulk_density_kg_m3(FIFTH, shovel)[0] == pytest.approx(1776, rel=1e-3)
    assert bulk_density_kg_m3(np.array([0.0]), shovel)[0] == pytest.approx(1602, rel=2e-3)


def test_a_level_four_litre_load_of_dry_sand_weighs_six_point_four_kilograms():
    shovel = Shovel(porosity=1 - 1602 / 2650)
    pure = load_magnetics_kg(np.array([1.0]), shovel)[0]
    dry = bulk_density_kg_m3(np.array([0.0]), shovel)[0] * 0.004
    assert dry == pytest.approx(6.408, rel=1e-6)
    assert pure == pytest.approx(dry * 5180 / 2650, rel=1e-12)
