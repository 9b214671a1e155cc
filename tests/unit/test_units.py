"""Customary units shown and refused."""

import copy
import math
import re

import pytest

from washgrade.errors import GroundError, InputError
from washgrade.units import show_area, show_depth, show_grade, show_length, show_mass, show_volume


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (show_length(0.3048, "us"), "1 ft"),
        (show_length(1609.344, "us"), "1 mi"),
        (show_length(999.9, "metric"), "1 km"),
        (show_length(1234.5, "metric"), "1.2 km"),
        (show_length(-0.01, "metric"), "0 m"),
        (show_length(2_000_000.0, "metric"), "2,000 km"),
        (show_depth(0.3048, "us"), "12 in"),
        (show_depth(0.155, "metric"), "15.5 cm"),
        (show_mass(0.45359237, "us"), "1 lb"),
        (show_mass(0.1, "us"), "3.5 oz"),
        (show_mass(150.0, "metric"), "150 kg"),
        (show_area(929.03, "us"), "10,000 sq ft"),
        (show_area(50.0, "us"), "538 sq ft"),
        (show_area(1e6, "metric"), "1 km²"),
        (show_volume(0.0037854, "us"), "1 gal"),
        (show_volume(2.0, "metric"), "2 m³"),
        (show_grade(0.5), "50 %"),
        (show_grade(0.0), "0 %"),
        (show_grade(0.0005), "0.05 %"),
        (show_mass(math.nan, "us"), "–"),
        (show_grade(math.nan), "–"),
    ],
)
def test_values_are_shown_short_with_their_unit(shown, expected):
    assert shown == expected


@pytest.mark.parametrize("show", [show_area, show_depth, show_grade, show_length, show_mass, show_volume])
def test_an_unknown_system_of_units_is_refused(show):
    sentence = "Invalid 'units' of 'imperial'. It must be one of 'us', 'metric'."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        show(1.0, "imperial")


def test_a_fault_of_the_ground_is_told_in_either_unit_and_crosses_to_another_process():
    error = GroundError(lambda units: f"The line is {show_length(90, units)} long.")
    assert str(error) == error.sentence("metric") == "The line is 90 m long."
    assert error.sentence("us") == "The line is 295 ft long."
    # The desk works in another process: a copy is made as on the way there, and a function could not go.
    back = copy.copy(error)
    assert type(back) is GroundError
    assert str(back) == "The line is 90 m long."
    assert GroundError("Plain.").sentence("us") == "Plain."
