"""What is told of the shape of a reach."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from washgrade.land.reachshape import ReachShape
from washgrade.survey.traps import traps


def plain_reach(**changes):
    """One straight reach that shows nothing."""
    shape = {
        "width_m": 3.0,
        "confinement": 6.0,
        "width_from": 1,
        "curvature_per_m": 0.0,
        "radius_over_width": np.inf,
        "inner_side": 0,
        "slope_break": 0.0,
        "expansion": 0.0,
        "below_confluence_m": np.inf,
        "area_ratio": 0.0,
        "stream_power_w_m2_per_m3_s": 100.0,
    }
    assert set(shape) == {field.name for field in fields(ReachShape)}
    return ReachShape(**{name: np.array([value]) for name, value in (shape | changes).items()})


def test_a_plain_reach_shows_nothing():
    assert traps(plain_reach(), 0) == []
    unknown = plain_reach(slope_break=np.nan, expansion=np.nan, confinement=np.nan, radius_over_width=np.nan)
    assert traps(unknown, 0) == []


@pytest.mark.parametrize(
    ("below", "beyond", "sentence"),
    [
        (
            {"radius_over_width": 5.1, "inner_side": 1},
            {"radius_over_width": 4.9, "inner_side": 1},
            "Inside of a bend: look along the right bank (facing downstream).",
        ),
        (
            {"radius_over_width": 2.0, "inner_side": 0},
            {"radius_over_width": 2.0, "inner_side": -1},
            "Inside of a sharp bend: look along the left bank (facing downstream).",
        ),
        (
            {"slope_break": np.log(0.75)},
            {"slope_break": np.log(0.65)},
            "The bed flattens here: water slows and drops its load.",
        ),
        (
            {"expansion": np.log(1.25)},
            {"expansion": np.log(1.35)},
            "The bed widens here: look at the head of the wide part.",
        ),
        (
            {"below_confluence_m": 61.0, "area_ratio": 0.3},
            {"below_confluence_m": 59.0, "area_ratio": 0.3},
            "Just below a side wash: look along the bar between the two.",
        ),
        (
            {"below_confluence_m": 10.0, "area_ratio": 0.09},
            {"below_confluence_m": 10.0, "area_ratio": 0.9},
            "Just below a large side wash: look along the bar between the two.",
        ),
        (
            {"confinement": 2.1},
            {"confinement": 1.9},
            "Hemmed in by its sides: floods scour deep here; look where it opens again.",
        ),
    ],
)
def test_each_trap_is_told_beyond_its_limit_only(below, beyond, sentence):
    assert traps(plain_reach(**below), 0) == []
    assert traps(plain_reach(**beyond), 0) == [sentence]
