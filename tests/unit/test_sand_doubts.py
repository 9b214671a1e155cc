"""Which readings look wrong: a slipped decimal point is asked about, sound readings are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.sand.doubts import doubtful_readings, doubts_of
from washgrade.sand.layers import Samples
from washgrade.sand.weighed import weigh


@pytest.fixture(scope="module")
def channels():
    """One straight wash of 200 cells of 5 m."""
    row, col = np.mgrid[0:9, 0:201]
    heights = (300 - 0.1 * col + 2.0 * abs(row - 4)).astype(np.float32)
    dem = Dem(elevation_m=heights, cell_m=5, west_m=0, north_m=45, crs="EPSG:25830")
    ways = flow_directions(heights)
    return delineate(dem, heights, ways, upstream_cells(ways), channel_area_m2=1500)


@pytest.fixture
def samples(channels):
    nodes = channels.nodes
    place = np.arange(10, 150, 10)
    count = len(place)
    return Samples(
        sample_id=np.array([f"s{k:02d}" for k in range(count)]),
        easting_m=nodes.easting_m[place],
        northing_m=nodes.northing_m[place],
        accuracy_m=np.full(count, 3.0),
        depth_top_m=np.zeros(count),
        depth_bottom_m=np.full(count, 0.1),
        dry_mass_kg=np.full(count, 1.0),
        grade=0.05 * np.exp(0.15 * np.sin(np.arange(count))),
        trace=np.zeros(count, dtype=bool),
        day=np.full(count, np.datetime64("2025-03-04")),
        place=np.array([""] * count),
    )


def test_sound_readings_are_not_asked_about(channels, samples):
    assert doubtful_readings(channels, samples) == []


@pytest.mark.parametrize(("factor", "side"), [(10.0, "above"), (0.1, "below")])
def test_a_slipped_decimal_point_is_asked_about(channels, samples, factor, side):
    grade = samples.grade.copy()
    grade[6] *= factor
    doubts = doubtful_readings(channels, replace(samples, grade=grade))
    assert [doubt.sample_ids for doubt in doubts] == [("s06",)]
    assert doubts[0].slipped
    assert f"is {side} the" in doubts[0].sentence
    assert "Did a decimal point slip?" in doubts[0].sentence
    assert (doubts[0].z_score > 0) == (factor > 1)


def test_two_readings_cannot_judge_each_other(channels, samples):
    few = Samples(**{name: getattr(samples, name)[:2] for name in samples.__dataclass_fields__})
    assert doubtful_readings(channels, replace(few, grade=np.array([0.001, 0.9]))) == []


@pytest.mark.parametrize(
    ("mend", "question"),
    [
        (lambda grade: 1 - grade, "Are the magnetics and the rest swapped?"),
        (lambda grade: grade / 100, "Was a percentage divided by 100 twice?"),
        (lambda grade: grade / 28.3495, "Are both masses in one unit (grams, ounces)?"),
        (lambda grade: grade * 2.20462, "Are both masses in one unit (kilograms, pounds)?"),
    ],
)
def test_what_would_explain_it_is_asked_first(channels, samples, mend, question):
    # The sharper the others agree, the surer what would explain the odd one out.
    grade = 0.3 * np.exp(0.02 * np.sin(np.arange(len(samples))))
    grade[6] = mend(grade[6])
    weighed = weigh(channels, replace(samples, grade=grade))
    (doubt,) = doubts_of(channels, replace(samples, grade=grade), weighed)
    assert doubt.sample_ids == ("s06",)
    assert doubt.explanations[0] == question
    assert question in doubt.sentence


def test_a_trace_among_rich_sand_is_asked_about(channels, samples):
    trace = np.zeros(len(samples), dtype=bool)
    trace[6] = True
    grade = np.where(trace, np.nan, 3 * samples.grade)
    (doubt,) = doubtful_readings(channels, replace(samples, grade=grade, trace=trace))
    assert doubt.sample_ids == ("s06",)
    assert doubt.trace
    assert doubt.sentence.startswith("Sample s06: a trace is below the ")
    # Among poor sand it is not.
    assert doubtful_readings(channels, replace(samples, grade=grade / 60, trace=trace)) == []


def test_two_scoops_at_odds_are_told_apart_from_a_wrong_place(channels, samples):
    extra = [*range(len(samples)), 6]
    parts = {name: getattr(samples, name)[extra] for name in samples.__dataclass_fields__}
    parts["sample_id"] = np.array([*samples.sample_id.tolist(), "twin"])
    odd = parts["grade"].copy()
    odd[-1] *= 12.0
    doubts = doubtful_readings(channels, Samples(**{**parts, "grade": odd}))
    assert ("twin",) in [doubt.sample_ids for doubt in doubts]
    assert all(doubt.sample_ids in {("twin",), ("s06",)} for doubt in doubts)
    # Both scoops off alike vouch for each other, but the other places do not vouch for them.
    both = odd.copy()
    both[6] *= 12.0
    doubts = doubtful_readings(channels, Samples(**{**parts, "grade": both}))
    assert {doubt.sample_ids for doubt in doubts} == {("twin",), ("s06",)}
    assert not any(doubt.against_own for doubt in doubts)


@pytest.fixture(scope="module")
def two_washes():
    """Two straight washes 40 m apart that meet at the foot of the slope."""
    row, col = np.mgrid[0:33, 0:201]
    heights = 300 - 0.1 * col + 1.0 * np.minimum(abs(row - 12), abs(row - 20))
    heights[:, 195:] = 270 - 0.1 * col[:, 195:] + 0.5 * abs(row[:, 195:] - 16)
    dem = Dem(elevation_m=heights.astype(np.float32), cell_m=5, west_m=0, north_m=165, crs="EPSG:25830")
    ways = flow_directions(dem.elevation_m)
    return delineate(dem, dem.elevation_m, ways, upstream_cells(ways), channel_area_m2=1500)


def test_where_it_would_fit_is_said(two_washes):
    nodes = two_washes.nodes
    upper = np.flatnonzero((abs(nodes.northing_m - 102.5) < 3) & (nodes.easting_m < 900))[8::14]
    lower = np.flatnonzero((abs(nodes.northing_m - 62.5) < 3) & (nodes.easting_m < 900))[8::14]
    place = np.concatenate([upper, lower])
    count = len(place)
    grade = np.where(np.arange(count) < len(upper), 0.2, 0.01) * np.exp(0.1 * np.cos(np.arange(count)))
    odd = len(upper) + 5
    grade[odd] = 0.2
    found = Samples(
        sample_id=np.array([f"s{k:02d}" for k in range(count)]),
        easting_m=nodes.easting_m[place],
        northing_m=nodes.northing_m[place],
        accuracy_m=np.full(count, 3.0),
        depth_top_m=np.zeros(count),
        depth_bottom_m=np.full(count, 0.1),
        dry_mass_kg=np.full(count, 1.0),
        grade=grade,
        trace=np.zeros(count, dtype=bool),
        day=np.full(count, np.datetime64("2025-03-04")),
        place=np.array([""] * count),
    )
    (doubt,) = doubtful_readings(two_washes, found)
    assert doubt.sample_ids == (f"s{odd:02d}",)
    other = two_washes.nodes.reach[upper]
    assert doubt.elsewhere.reach in two_washes.reaches.reach_id[other]
    assert doubt.elsewhere.side == "north"
    assert doubt.elsewhere.distance_m == pytest.approx(40.0)
    name = doubt.elsewhere.reach
    assert f"Is it in the right place? On reach {name}, 40 m to the north, it would fit." in doubt.sentence
    assert f"On reach {name}, 131 ft to the north, it would fit." in doubt.told("us")
    # A grade that fits neither wash is not sent to the other one.
    grade[odd] = 0.9
    (doubt,) = doubtful_readings(two_washes, replace(found, grade=grade))
    assert doubt.elsewhere is None
