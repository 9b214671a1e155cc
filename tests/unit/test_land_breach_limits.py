"""Banks open, quarries stay: limits of depth, kept dams, sinks, and the report of it all."""

import re

import numpy as np
import pytest
from scipy import ndimage

from washgrade.errors import GroundError
from washgrade.land.breach import breach
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route, default_breach_depth_m
from washgrade.land.flow import OUTLET
from washgrade.land.marks import keep_cells, sink_cells

SIDE = 101
ROW, COL = np.mgrid[0:SIDE, 0:SIDE]
VALLEY = 0.15 * np.abs(COL - 50) + 0.05 * (SIDE - ROW)
BANK = VALLEY + 3.0 * np.isin(ROW, [60, 61, 62, 63])


def ground(heights):
    return Dem(
        elevation_m=np.asarray(heights, np.float32), cell_m=5, west_m=0, north_m=SIDE * 5, crs="EPSG:25830"
    )


def crest():
    return [[(0.0, (SIDE - 61.5) * 5), (SIDE * 5.0, (SIDE - 61.5) * 5)]]


def test_a_culvert_opens_and_is_told_with_its_place():
    drained = condition_and_route(ground(BANK))
    assert len(drained.hollow_report) == 0
    report = drained.cut_report
    assert len(report) == 1
    assert report.depth_m[0] == pytest.approx(3.0, abs=0.3)
    assert report.length_m[0] == 25.0
    assert (report.easting_m[0], report.northing_m[0]) == (252.5, (SIDE - 61.5) * 5)
    assert report.name == ("cut-252-198",)
    assert report.from_northing_m[0] > report.northing_m[0] > report.to_northing_m[0]
    # All that lies above the bank, and what its own crest drains to the cut.
    assert report.upstream_area_m2[0] >= 60 * SIDE * 25
    line = slice(report.start[0], report.start[1])
    np.testing.assert_array_equal(report.line_easting_m[line], 252.5)
    assert report.length_m[0] == pytest.approx(25, abs=0.5)
    assert 2.0 <= report.depth_m[0] < 3.0


def test_a_kept_dam_is_not_cut_and_its_pond_is_told():
    dem = ground(BANK)
    keep = keep_cells(dem, lines_m=crest())
    drained = condition_and_route(dem, keep=keep)
    assert (drained.conditioned_m[keep] >= dem.elevation_m[keep]).all()
    assert len(drained.cut_report) == 0
    assert drained.hollow_report.why == ("kept as told",)
    assert drained.hollow_report.depth_m[0] == pytest.approx(3.0, abs=0.3)
    pond_m3 = np.maximum(BANK[60, 50] - BANK, 0)[:60].sum() * 25
    assert drained.hollow_report.volume_m3[0] == pytest.approx(pond_m3, rel=0.05)


def test_no_cut_slips_through_a_kept_line_at_any_angle():
    dem = ground(BANK)
    for tilt in (-20, -7, 3, 13):
        keep = keep_cells(
            dem, lines_m=[[(0, (SIDE - 61.5 - tilt) * 5), (SIDE * 5, (SIDE - 61.5 + tilt) * 5)]]
        )
        # A walker who may step diagonally cannot cross.

        label, count = ndimage.label(~keep, np.ones((3, 3)))
        assert count >= 2
        assert label[0, 50] != label[100, 50]


def quarry():
    """A pit 12 m deep, 30 m from ground that is lower still."""
    heights = np.full((SIDE, SIDE), 30.0) + 0.01 * (SIDE - ROW)
    heights[40:50, 40:50] = 18.0
    heights[40:50, 53:] = 15.0
    return heights


def test_a_quarry_stays_and_its_shallow_twin_opens():
    drained = condition_and_route(ground(quarry()))
    assert drained.cut_volume_m3 == 0
    assert drained.hollow_report.why == ("too deep to cut",)
    assert drained.hollow_report.depth_m[0] == pytest.approx(12.5, abs=0.5)
    assert drained.hollow_report.area_m2[0] == pytest.approx(2500, rel=0.05)
    twin = np.where(quarry() < 29.0, quarry() + 8.0, quarry())
    opened = condition_and_route(ground(twin))
    assert len(opened.hollow_report) == 0
    assert opened.cut_volume_m3 > 0
    assert len(condition_and_route(ground(quarry()), max_breach_depth_m=20).hollow_report) == 0


def test_a_hollow_too_far_from_lower_ground_is_told_as_too_long():
    drained = condition_and_route(ground(np.where(quarry() == 15.0, 30.5, quarry())), max_breach_m=50)
    assert drained.hollow_report.why == ("too long to cut",)


def test_water_sinks_in_a_hollow_that_is_told():
    dem = ground(quarry())
    # A point anywhere in the hollow stands for its lowest cell.
    heights = quarry()
    heights[44, 44] = 17.0
    dem = ground(heights)
    sinks = sink_cells(dem, [(232.5, (SIDE - 47.5) * 5)])
    assert sinks.tolist() == [44 * SIDE + 44]
    drained = condition_and_route(dem, sinks=sinks)
    assert drained.directions[44, 44] == OUTLET
    assert drained.conditioned_m[44, 44] == 17.0
    assert drained.upstream_cells[44, 44] > 100
    assert len(drained.hollow_report) == 0
    assert drained.upstream_cells.ravel()[drained.outlets].sum() == SIDE * SIDE


def test_kept_points_and_areas_mark_their_cells():
    dem = ground(VALLEY)
    keep = keep_cells(dem, points_m=[(252.5, 252.5)], radius_m=5.0)
    assert np.argwhere(keep).tolist() == [[49, 50], [50, 49], [50, 50], [50, 51], [51, 50]]
    area = keep_cells(dem, rings_m=[[(101, 101), (124, 101), (124, 124), (101, 124), (101, 101)]])
    assert area.sum() == 25


def test_limits_that_do_not_fit_are_refused():
    sentence = "Invalid 'keep' of shape (3, 3). It must have the shape of the ground, (101, 101)."
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        breach(BANK.astype(np.float32), cell_m=5, max_length_m=50, keep=np.zeros((3, 3), np.bool_))
    sentence = (
        "Invalid sink at easting -5, northing 10, where there is no ground. It must lie on the DEM, "
        "off its voids."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        sink_cells(ground(BANK), [(-5, 10)])


@pytest.mark.parametrize(("cell_m", "deepest_m"), [(1.0, 6.0), (30.0, 6.0), (90.0, 18.0)])
def test_deepest_cut_unless_told(cell_m, deepest_m):
    assert default_breach_depth_m(cell_m) == deepest_m
