"""Ground whose drainage follows from plain geometry (201 by 201 cells; closed forms, no library).

The shapes are those that general libraries are known to get wrong: a tilted V valley, a plane due south, a
plane 18 degrees off south, a V valley in half-metre steps, and a dam of 3 m across the valley.
"""

import math

import numpy as np
import pytest

from washgrade.land.breach import breach
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, downstream_cells, flow_directions, upstream_cells

SIDE = 201
ROW, COL = np.mgrid[0:SIDE, 0:SIDE]
BANK, TILT = 0.15, 0.05
VALLEY = BANK * np.abs(COL - 100) + TILT * (200 - ROW)


def drain(heights, method="least deviation"):
    ground = Dem(elevation_m=heights.astype(np.float32), cell_m=1, west_m=0, north_m=SIDE, crs="EPSG:25830")
    return condition_and_route(ground, method=method)


def test_valley_leaves_by_its_bed():
    drained = drain(VALLEY, "steepest")
    np.testing.assert_array_equal(drained.conditioned_m, VALLEY.astype(np.float32))
    # On the banks the drop is 0.15 a metre straight to the bed, 0.05 along, 0.2 / sqrt(2) = 0.141 across; so
    # every row runs straight to the bed.
    assert (drained.directions[:, :100] == 0).all()
    assert (drained.directions[:, 101:] == 4).all()
    assert (drained.directions[:-1, 100] == 2).all()
    np.testing.assert_array_equal(drained.upstream_cells[:, 100], SIDE * (np.arange(SIDE) + 1))
    assert drained.outlets.tolist() == [200 * SIDE + 100]


def test_valley_leaves_by_its_bed_by_whatever_method():
    drained = drain(VALLEY)
    assert (drained.directions[:-1, 100] == 2).all()
    assert (np.diff(drained.upstream_cells[:, 100]) > 0).all()
    assert drained.outlets.tolist() == [200 * SIDE + 100]
    assert drained.upstream_cells[200, 100] == SIDE * SIDE
    # The fall line of a bank leaves the bed's square by atan(0.05 / 0.15), and so does the way from its edge.
    row, col = 20, 0
    while col < 100:
        way = int(drained.directions[row, col])
        row, col = row + (way == 1), col + 1
        assert way in (0, 1)
    assert (row - 20) / 100 == pytest.approx(TILT / BANK, abs=0.02)


@pytest.mark.parametrize("method", ["steepest", "least deviation"])
def test_plane_due_south_runs_in_columns(method):
    drained = drain(0.1 * (200 - ROW), method)
    assert (drained.directions[:-1] == 2).all()
    assert (drained.directions[-1] == OUTLET).all()
    np.testing.assert_array_equal(drained.upstream_cells, ROW + 1)


def test_plane_18_degrees_off_south_takes_the_straight_way():
    # Drop along a way at angle a to the fall line is proportional to cos(a): 18 degrees off south is steeper
    # to the south (cos 18 = 0.951) than to the south-west (cos 27 = 0.891).
    angle = math.radians(18)
    drained = drain(10 + 0.1 * (math.sin(angle) * COL - math.cos(angle) * ROW) + 20, "steepest")
    assert (drained.directions[:-1, :] == 2).all()
    # On the last row only the way west is left, and the south-western corner is the lowest of all.
    assert (drained.directions[-1, 1:] == 4).all()
    assert drained.outlets.tolist() == [200 * SIDE]
    assert drained.upstream_cells[200, 0] == SIDE * SIDE


def test_a_twin_that_compares_drops_without_the_distance_would_go_diagonally():
    angle = math.radians(18)
    plane = 0.1 * (math.sin(angle) * COL - math.cos(angle) * ROW)
    drops = {"south": plane[5, 5] - plane[6, 5], "south-west": plane[5, 5] - plane[6, 4]}
    assert max(drops, key=drops.get) == "south-west"


def test_valley_in_steps_leaves_whole_at_the_edge():
    drained = drain(np.floor(VALLEY / 0.5) * 0.5)
    flat = np.floor(VALLEY / 0.5) * 0.5
    assert len(np.unique(flat)) < 60
    out_row, out_col = np.divmod(drained.outlets, SIDE)
    assert ((out_row == 0) | (out_row == 200) | (out_col == 0) | (out_col == 200)).all()
    assert drained.upstream_cells.ravel()[drained.outlets].sum() == 40_401
    np.testing.assert_array_equal(drained.conditioned_m, flat.astype(np.float32))
    # Nothing climbs, nothing runs in a circle: following all cells at once, they all stand still at outlets.
    to = downstream_cells(drained.directions)
    here = np.arange(to.size)
    for _ in range(10):
        here = to[here]
        to = to[to]
    assert set(np.unique(to[here])) == set(drained.outlets)


class TestDam:
    dammed = VALLEY + 3.0 * np.isin(ROW, [99, 100, 101])

    def test_fill_makes_the_pond_that_geometry_gives(self):
        # The pond stands at the dam's crest over the bed and covers all that is lower upstream.
        crest_m = VALLEY[99, 100] + 3.0
        pond_m3 = np.maximum(crest_m - self.dammed, 0.0)[:99].sum()
        filled_m3 = float(
            (fill(self.dammed.astype(np.float32)) - self.dammed.astype(np.float32)).sum(dtype=float)
        )
        assert filled_m3 == pytest.approx(pond_m3, rel=1e-4)
        # A wedge in a V of bank slope s and tilt t holds h^3 / (3 s t); cells cost a little.
        assert filled_m3 == pytest.approx(3.0**3 / (3 * BANK * TILT), rel=0.05)

    def test_cut_takes_three_cells_of_three_metres(self):
        opened = breach(self.dammed.astype(np.float32), cell_m=1.0, max_length_m=10.0)
        assert len(opened.cuts) == 1
        assert opened.cuts.cell.tolist() == [row * SIDE + 100 for row in (99, 100, 101)]
        # 3 cells of 3 m, less the fall of the bed: the cut is level, and the pit's floor may be raised a
        # little where that saves as much on each cell to dig.
        moved_m3 = opened.cuts.volume_m3[0] + opened.raised_volume_m3
        assert 9.0 - TILT * 10 < moved_m3 <= 9.0 - TILT * (1 + 2 + 3) + 1e-4
        assert opened.cuts.depth_m[0] == pytest.approx(3.0, abs=4 * TILT)
        assert opened.cuts.length_m[0] == 4.0
        assert opened.pits_left == 0
        assert len(np.unique(opened.elevation_m[98:102, 100])) == 1
        np.testing.assert_array_equal(fill(opened.elevation_m), opened.elevation_m)

    def test_a_cut_that_may_not_reach_leaves_the_pond(self):
        opened = breach(self.dammed.astype(np.float32), cell_m=1.0, max_length_m=3.0)
        assert (len(opened.cuts), opened.pits_left) == (0, 1)
        drained = drain(self.dammed)
        assert (len(drained.cuts), drained.pits_filled) == (1, 0)

    def test_after_cutting_the_bed_drains_as_without_a_dam(self):
        count = drain(self.dammed).upstream_cells
        assert (
            count[200, 100] == upstream_cells(flow_directions(VALLEY.astype(np.float32)))[200, 100] == 40_401
        )
