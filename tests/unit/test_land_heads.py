"""Heads of channels by area and slope.

The rule: Montgomery, D. R., Dietrich, W. E. (1992), Science 255, 826-830: a channel begins where A S^2
passes a constant. Checked on two planes of known slope and against a plain walk.
"""

import re

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import downstream_cells, flow_directions, upstream_cells
from washgrade.land.heads import slope_area_heads, slope_down

CELL_M = 5.0


def route(heights):
    conditioned_m = fill(heights.astype(np.float32))
    directions = flow_directions(conditioned_m)
    return conditioned_m, directions, upstream_cells(directions)


def rough(seed):
    rng = np.random.default_rng(seed)
    heights = rng.random((50, 40)) - 0.2 * np.arange(50)[:, None] * np.linspace(0.2, 2.0, 40)
    heights[20, 10:14] = np.nan
    return route(heights)


def plain_slope(grids, cell, over_m):
    conditioned_m, directions, _ = grids
    to, level_m = downstream_cells(directions), conditioned_m.ravel().astype(float)
    here, gone_m = cell, 0.0
    while gone_m < over_m - 1e-6 and to[here] != here:
        (row, col), (next_row, next_col) = divmod(here, 40), divmod(int(to[here]), 40)
        gone_m += CELL_M * np.hypot(next_row - row, next_col - col)
        here = int(to[here])
    return (level_m[cell] - level_m[here]) / gone_m if gone_m else 0.0


@pytest.mark.parametrize("seed", [0, 1])
def test_heads_equal_a_plain_walk(seed):
    grids = rough(seed)
    conditioned_m, directions, count = grids
    cells = np.flatnonzero(~np.isnan(conditioned_m).ravel())
    slope = slope_down(conditioned_m, directions, cells, cell_m=CELL_M, over_m=20.0)
    expected = np.array([plain_slope(grids, int(cell), 20.0) for cell in cells])
    np.testing.assert_allclose(slope, expected, rtol=1e-12)
    # Three cells of 5 m are less than 20 m; of 10 m they are more.
    np.testing.assert_array_equal(slope, slope_down(conditioned_m, directions, cells, cell_m=CELL_M))
    np.testing.assert_allclose(
        slope_down(conditioned_m, directions, cells, cell_m=10.0),
        slope_down(conditioned_m, directions, cells, cell_m=10.0, over_m=30.0),
    )
    found = slope_area_heads(*grids, cell_m=CELL_M, channel_area_m2=1000.0, constant_m2=20.0)
    to = downstream_cells(directions)
    area_m2 = count.ravel() * CELL_M**2
    passes = {
        int(cell)
        for cell, fall in zip(cells, expected, strict=True)
        if area_m2[cell] >= 100.0 and area_m2[cell] * fall**2 >= 20.0
    }
    below = set()
    for cell in passes:
        while to[cell] != cell:
            cell = int(to[cell])
            below.add(cell)
    assert found.cell.tolist() == sorted(passes - below)
    assert len(found.cell) > 5
    np.testing.assert_array_equal(found.upstream_area_m2, area_m2[found.cell])
    np.testing.assert_allclose(found.slope, expected[np.searchsorted(cells, found.cell)])
    # A twin with the first power of the slope finds others.
    other = slope_area_heads(*grids, cell_m=CELL_M, channel_area_m2=1000.0, constant_m2=20.0, slope_power=1.0)
    assert other.cell.tolist() != found.cell.tolist()


def test_power_0_is_the_rule_by_area():
    grids = rough(2)
    dem = Dem(elevation_m=grids[0], cell_m=CELL_M, west_m=0, north_m=0, crs="EPSG:25830")
    found = slope_area_heads(*grids, cell_m=CELL_M, channel_area_m2=800.0, slope_power=0.0)
    assert found.constant_m2 == 800.0
    by_area = delineate(dem, *grids, channel_area_m2=800.0)
    by_heads = delineate(dem, *grids, channel_area_m2=800.0, begin=found.cell)
    np.testing.assert_array_equal(by_heads.nodes.cell, by_area.nodes.cell)


def test_as_much_channel_as_by_area_but_more_of_it_where_it_is_steep():
    # Two sides of one map under the same noise, the eastern four times as steep.
    rng = np.random.default_rng(5)
    row, col = np.mgrid[0:120, 0:120]
    grade = np.where(col < 60, 0.05, 0.2)
    grids = route(rng.random((120, 120)) * grade * 20 - CELL_M * row * grade + 100 * (np.abs(col - 59.5) < 1))
    dem = Dem(elevation_m=grids[0], cell_m=CELL_M, west_m=0, north_m=0, crs="EPSG:25830")
    by_area = delineate(dem, *grids, channel_area_m2=5000.0).nodes
    found = slope_area_heads(*grids, cell_m=CELL_M, channel_area_m2=5000.0)
    both = delineate(dem, *grids, channel_area_m2=5000.0, begin=found.cell).nodes
    assert len(both) == pytest.approx(len(by_area), abs=2)
    east = [int((nodes.easting_m > 300).sum()) for nodes in (by_area, both)]
    west = [int((nodes.easting_m < 300).sum()) for nodes in (by_area, both)]
    assert east[0] == pytest.approx(west[0], rel=0.4)
    assert east[1] > 2 * west[1]
    low_m2, high_m2 = np.quantile(found.upstream_area_m2, [0.1, 0.9])
    assert found.sentence() == (
        f"Channels begin where upstream area times slope to the power 2 passes {found.constant_m2:,.1f} m²: "
        f"{len(found.cell)} heads, eight in ten of them with {low_m2:,.0f} m² to {high_m2:,.0f} m² above "
        "them."
    )


def test_on_a_plane_the_area_at_a_head_follows_from_the_slope():
    """A gully down a plane of slope 0.1: its n-th cell drains 3 n cells, so A S^2 passes C at a known row."""
    row, col = np.mgrid[0:60, 0:3]
    heights = 100 - CELL_M * 0.1 * row + np.where(col == 1, 0.0, 0.3)
    grids = route(heights)
    # 3 n * 25 * 0.01 >= 15 holds from n = 20 on; sides drain straight or across into the middle.
    found = slope_area_heads(*grids, cell_m=CELL_M, channel_area_m2=500.0, constant_m2=15.0, over_m=CELL_M)
    middle = grids[2][:, 1]
    first = int(np.flatnonzero(middle * 25 * 0.01 >= 15 - 1e-3)[0])
    assert found.cell.tolist() == [first * 3 + 1]
    assert found.slope[0] == pytest.approx(0.1, rel=1e-4)
    assert found.upstream_area_m2[0] == pytest.approx(15.0 / 0.1**2, rel=0.06)


def test_a_constant_that_nothing_reaches():
    grids = rough(0)
    with pytest.raises(
        GroundError,
        match=r"^No channel begins with 'constant_m2' of 1e\+09\. It must be above 0 and at most [\d.e+]+ "
        r"here, the largest area times slope to the power 2\.$",
    ):
        slope_area_heads(*grids, cell_m=CELL_M, channel_area_m2=1000.0, constant_m2=1e9)


def test_an_area_that_nothing_reaches():
    grids = rough(0)
    most_m2 = int(grids[2].max()) * 25
    advice_m2 = float(f"{most_m2 / 20:.0e}")
    sentence = (
        f"No channel found with 'channel_area_m2' of 1e+09. At most {most_m2} m2 drain through one cell "
        f"here; try {advice_m2:g}."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        slope_area_heads(*grids, cell_m=CELL_M, channel_area_m2=1e9)


def test_arrays_must_have_one_shape():
    conditioned_m, directions, count = rough(0)
    sentence = (
        "Invalid arrays of shapes (50, 40), (49, 40) and (50, 40). "
        "Heights, directions and counts must have one shape."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        slope_area_heads(conditioned_m, directions[:-1], count, cell_m=CELL_M, channel_area_m2=500.0)


@pytest.mark.parametrize("name", ["cell_m", "channel_area_m2", "constant_m2", "over_m"])
def test_values_must_be_above_zero(name):
    sentence = f"Invalid '{name}' of 0. It must be a finite number above 0."
    values = {"cell_m": CELL_M, "channel_area_m2": 500.0} | {name: 0}
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        slope_area_heads(*rough(0), **values)
