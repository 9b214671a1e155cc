"""Daylight and the carrying limit against printed numbers.

Allen, R. G., Pereira, L. S., Raes, D., Smith, M. (1998), Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56, examples 8 and 9: 20 degrees south on 3 September (day 246): sunset hour angle 1.527 rad, 11.7 h.
Tolerance: the rounding of the print. The rest are identities of the geometry.

NIOSH (Waters, Putz-Anderson and Garg 1994, Applications manual for the revised lifting equation, publication
94-110): the load constant is 23 kg or 51 lb.
"""

from __future__ import annotations

import math

import pytest

from washgrade.dig.daylight import daylight_hours
from washgrade.dig.haul import HaulRule
from washgrade.errors import InputError


def test_the_worked_example_of_the_source():
    found = daylight_hours(latitude_deg=-20.0, day_of_year=246, sun_height_deg=0.0)
    assert found == pytest.approx(11.7, abs=0.05)
    assert found * math.pi / 24.0 == pytest.approx(1.527, abs=0.0005)
    # Twins on purpose wrong: the other half of the earth, and twilight taken for sunset.
    assert daylight_hours(latitude_deg=20.0, day_of_year=246, sun_height_deg=0.0) > 12.2
    assert daylight_hours(latitude_deg=-20.0, day_of_year=246) > 12.3


def test_the_equator_and_the_ends_of_the_earth():
    for day in (1, 80, 172, 266, 355):
        assert daylight_hours(latitude_deg=0.0, day_of_year=day, sun_height_deg=0.0) == pytest.approx(12.0)
        both = [
            daylight_hours(latitude_deg=way * 50.0, day_of_year=day, sun_height_deg=0.0) for way in (-1, 1)
        ]
        assert sum(both) == pytest.approx(24.0)
    assert daylight_hours(latitude_deg=80.0, day_of_year=172) == 24.0
    assert daylight_hours(latitude_deg=80.0, day_of_year=355) == 0.0


def test_civil_twilight_adds_what_the_sun_needs_to_sink():
    # At the equator at an equinox the sun sinks straight down, 15 degrees an hour: twice 6/15 h.
    day = 81
    longer = daylight_hours(latitude_deg=0.0, day_of_year=day) - 12.0
    assert longer == pytest.approx(2 * 6 / 15, rel=0.01)


def test_a_place_off_the_earth_is_refused():
    with pytest.raises(InputError, match=r"^Invalid 'latitude_deg' of 91\.0"):
        daylight_hours(latitude_deg=91.0, day_of_year=1)


def test_the_carrying_limit_is_the_load_constant():
    assert HaulRule().carry_limit_kg == 23.0
    assert HaulRule().carry_limit_kg / 0.45359237 == pytest.approx(51.0, abs=0.5)
