"""What holds for every burned line, and that breaching stays near-linear on ground made to be hard."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.land.breach import breach
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.flow import OUTLET, downstream_cells


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 4), st.sampled_from([0.0, 3.0]), st.sampled_from([0.0, 4.0]))
def test_burned_lines_fall_and_carry_water(seed, count, smooth_m, snap_m):
    rng = np.random.default_rng(seed)
    heights = (rng.normal(0, 1, (30, 30)) + 50 - 0.3 * np.arange(30)[:, None]).astype(np.float32)
    dem = Dem(elevation_m=heights, cell_m=1, west_m=0, north_m=30, crs="EPSG:25830")
    lines = []
    for _ in range(count):
        row = np.sort(rng.uniform(1, 29, 5))
        row[-1] = row[0] + max(row[-1] - row[0], 15.0)
        row = np.clip(row, 0.5, 29.5)
        lines.append(np.column_stack([rng.uniform(1, 29, 5), 30 - row]))
    drained = condition_and_route(
        dem, lines_m=lines, smooth_m=smooth_m, snap_m=snap_m, max_breach_depth_m=100.0
    )
    burned = drained.burned
    assert (burned.elevation_m <= heights).all()
    changed = np.flatnonzero((burned.elevation_m < heights).ravel())
    assert np.isin(changed, burned.cell).all()
    assert burned.volume_m3 == pytest.approx(float((heights - burned.elevation_m).sum(dtype=float)), rel=1e-4)
    level, to = burned.elevation_m.ravel(), downstream_cells(drained.directions)
    final = drained.conditioned_m.ravel()
    for line in range(len(lines)):
        cells = burned.cell[burned.start[line] : burned.start[line + 1]]
        assert (np.diff(level[cells]) < 0).all()
        falls = final[cells[1:]] < final[cells[:-1]]
        np.testing.assert_array_equal(to[cells[:-1]][falls], cells[1:][falls])
    assert drained.upstream_cells[drained.directions == OUTLET].sum() == heights.size


def spiral(size):
    """A corridor that winds outwards between walls, closed at its mouth, with a pit in every fifth cell."""
    heights = np.full((size, size), 9.0, np.float32)
    row = col = size // 2
    turn, run, step = 0, 2, 0
    ways = [(0, 1), (1, 0), (0, -1), (-1, 0)]
    while True:
        for _ in range(run):
            if not (1 < row < size - 2 and 1 < col < size - 2):
                return heights
            heights[row, col] = 8.0 - step * 1e-4 - 0.5 * (step % 5 == 0)
            step += 1
            row, col = row + ways[turn][0], col + ways[turn][1]
        turn = (turn + 1) % 4
        run += 2 * (turn % 2 == 0)


def noise(size):
    return np.random.default_rng(3).random((size, size)).astype(np.float32)


@pytest.mark.parametrize("made", [noise, spiral])
@pytest.mark.parametrize("max_length_m", [20.0, 1e6])
def test_hard_ground_stays_near_linear(made, max_length_m):
    def seconds(heights):
        best = np.inf
        for _ in range(3):
            start = time.process_time()
            breach(heights, cell_m=1.0, max_length_m=max_length_m, max_depth_m=6.0)
            best = min(best, time.process_time() - start)
        return best

    seconds(made(40))
    # Nine times the cells: quadratic work would take 81 times as long.
    assert seconds(made(360)) < 30 * seconds(made(120))
