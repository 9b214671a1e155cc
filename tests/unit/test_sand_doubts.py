"""Which readings look wrong: a slipped decimal point is asked about, sound readings are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.flow import flow_directions, upstream_cells
from washgrade.sand.doubts import doubtful_readings
from washgrade.sand.layers import Samples


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


def test_poor_fixes_make_slow_to_doubt(channels, samples, monkeypatch):
    grade = samples.grade.copy()
    grade[6] *= 3.0
    poor = replace(samples, grade=grade, accuracy_m=np.full(len(grade), 60.0))
    assert doubtful_readings(channels, poor) == []
    grade[6] *= 10.0 / 3.0
    assert [doubt.sample_ids for doubt in doubtful_readings(channels, replace(poor, grade=grade))] == [
        ("s06",)
    ]
    # The wrong twin takes every place as sure.
    monkeypatch.setattr("washgrade.sand.doubts.along_doubt", lambda process, along_sd_m: 0.0)
    grade[6] *= 3.0 / 10.0
    assert [doubt.sample_ids for doubt in doubtful_readings(channels, replace(poor, grade=grade))] == [
        ("s06",)
    ]
