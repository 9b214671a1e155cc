"""What holds for every breach: within its limits, no interior pit after filling, ways of least digging."""

import heapq
import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.land.breach import breach
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, VOID, flow_directions, upstream_cells
from washgrade.land.kernel import mark_outlets, neighbour_steps
from washgrade.land.pits import find_pits, level_patch
from washgrade.land.ways import IN_PATCH, MOST_LABELS, end_in_reach, heap_room, least_way, shorter_way

AROUND = [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]


@st.composite
def grounds(draw):
    rows, cols = draw(st.integers(3, 14)), draw(st.integers(3, 14))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    heights = rng.normal(100.0, 10.0, (rows, cols))
    if draw(st.booleans()):
        heights = np.round(heights / 5.0)
    if draw(st.booleans()):
        heights[rng.random((rows, cols)) < 0.05] = np.nan
    heights[0, 0] = 100.0
    keep = rng.random((rows, cols)) < draw(st.sampled_from([0.0, 0.1, 0.4]))
    known = np.flatnonzero(~np.isnan(heights))
    sinks = rng.choice(known, draw(st.integers(0, 3)))
    return heights.astype(np.float32), keep, sinks


def pit_count(heights, sinks):
    outlet = np.empty(heights.shape, np.bool_)
    mark_outlets(heights, outlet)
    outlet.ravel()[sinks] = True
    return len(find_pits(heights, outlet, np.zeros(heights.shape, np.int32)))


@settings(max_examples=200, deadline=None)
@given(grounds(), st.sampled_from([0.0, 10.0, 25.0, 1000.0]), st.sampled_from([0.0, 3.0, 12.0, None]))
def test_breach_keeps_its_limits(ground, max_length_m, max_depth_m):
    heights, keep, sinks = ground
    done = breach(
        heights, cell_m=5.0, max_length_m=max_length_m, max_depth_m=max_depth_m, keep=keep, outlets=sinks
    )
    after = done.elevation_m
    lowered_m = np.where(np.isnan(heights), 0.0, heights.astype(float) - after.astype(float))
    assert (lowered_m[keep] <= 0).all()
    np.testing.assert_array_equal(after.ravel()[sinks], heights.ravel()[sinks])
    if max_depth_m is not None:
        assert lowered_m.max() <= max_depth_m
    assert (done.cuts.length_m <= max_length_m * (1 + 1e-6)).all()
    for cut in range(len(done.cuts)):
        way = done.cuts.way[done.cuts.way_start[cut] : done.cuts.way_start[cut + 1]]
        row, col = np.divmod(way, heights.shape[1])
        assert (np.maximum(abs(np.diff(row)), abs(np.diff(col))) == 1).all()
        assert np.hypot(np.diff(row), np.diff(col)).sum() * 5.0 == pytest.approx(done.cuts.length_m[cut])
        assert (way[0], way[-1]) == (done.cuts.pit[cut], done.cuts.end[cut])
    if max_length_m == 1000.0 and max_depth_m is None and not keep.any() and not len(sinks):
        assert done.pits_left == 0
    filled = fill(after, outlets=sinks)
    assert pit_count(filled, sinks) == 0
    np.testing.assert_array_equal(filled.ravel()[sinks], heights.ravel()[sinks])
    # Nothing is lost: what leaves at the edge, at voids and in sinks is all there is.
    directions = flow_directions(filled, outlets=sinks)
    leaves = upstream_cells(directions)[directions == OUTLET].sum()
    assert leaves + (directions == VOID).sum() == heights.size
    assert (directions.ravel()[sinks] == OUTLET).all()


def plain_least_m(heights, outlet, keep, patch, most_cells, max_depth_m):
    """Least digging of any way within the limits: Dijkstra's algorithm over cells and lengths, plainly."""
    bottom = float(heights[patch[0]])
    order = itertools.count()
    heap = [(0.0, next(order), *cell, (0, 0)) for cell in patch]
    settled = {}
    while heap:
        dug, _, row, col, (straight, across) = heapq.heappop(heap)
        if (row, col, straight, across) in settled:
            continue
        settled[row, col, straight, across] = dug
        if (row, col) not in patch and (outlet[row, col] or heights[row, col] < bottom):
            return dug
        for code, (down, right) in enumerate(AROUND):
            r, c = row + down, col + right
            gone = (straight, across + 1) if code % 2 else (straight + 1, across)
            if gone[0] + gone[1] * math.sqrt(2) > most_cells:
                continue
            rise = float(heights[r, c]) - bottom
            if rise > 0 and (keep[r, c] or rise > max_depth_m):
                continue
            heapq.heappush(heap, (dug + max(rise, 0.0), next(order), r, c, gone))
    return math.inf


LABELS = (np.int32, np.int32, np.float32, np.float32, np.int32)


@settings(max_examples=150, deadline=None)
@given(grounds(), st.sampled_from([1.9, 2.5, 3.5, 5.2]), st.sampled_from([5.0, 15.0, math.inf]))
def test_the_least_way_within_the_limits_is_found(ground, most_cells, max_depth_m):
    heights, keep, _ = ground
    cols = heights.shape[1]
    outlet = np.empty(heights.shape, np.bool_)
    mark_outlets(heights, outlet)
    visit = np.zeros(heights.shape, np.int32)
    pits = find_pits(heights, outlet, visit)
    visit[:] = 0
    level, steps = heights.ravel(), neighbour_steps(cols)
    scratch = np.empty(heights.size, np.float32)
    for turn, pit in enumerate(pits[:4]):
        stamp = 10 * (turn + 1)
        patch = np.empty(heights.size, np.int32)
        size, _ = level_patch(level, outlet.ravel(), visit.ravel(), stamp, steps, patch, pit)
        cells = [divmod(int(cell), cols) for cell in patch[:size]]
        least_m = plain_least_m(heights, outlet, keep, cells, most_cells, max_depth_m)
        shared = (level, level, outlet.ravel(), keep.ravel(), visit.ravel())
        way, found, length = shorter_way(
            *shared, stamp + 1, steps, patch, size, level[pit], np.float32(np.inf), most_cells, max_depth_m,
            scratch, *(np.empty(MOST_LABELS, kind) for kind in LABELS), np.empty(4, np.int64),
        )  # fmt: skip
        back = np.empty(heights.size, np.uint8)
        room = heap_room(patch, size, *heights.shape, most_cells)
        end, _ = least_way(
            *shared, stamp + 2, steps, patch, size, level[pit], np.float32(np.inf), most_cells, max_depth_m,
            True, scratch, np.empty(heights.size, np.float32), back, np.empty(room, np.float32),
            np.empty(room, np.int32),
        )  # fmt: skip
        # By length alone an end is found whenever there is one.
        assert (end >= 0) == math.isfinite(least_m) == (found > 0)
        if found > 0:
            assert end_in_reach(level, outlet.ravel(), cols, patch, size, level[pit], most_cells)
            dug_m = np.maximum(level[way[:found]].astype(float) - float(level[pit]), 0.0).sum()
            assert dug_m == pytest.approx(least_m, abs=2e-3)
            assert length <= most_cells
            assert back[patch[0]] == IN_PATCH


def test_a_dearer_but_shorter_way_is_taken_where_the_cheap_one_is_too_long():
    # A low detour along the north and a straight ridge of three cells meet before the last wall. A search
    # that keeps only the cheapest way to each cell comes there by the detour, with too little length left.
    ground = np.full((13, 20), 50.0, np.float32)
    ground[4:10, 1:7] = 10.0
    ground[6, 7:10] = 20.0
    ground[[3, 2, 1, 1, 1, 1, 1, 2, 3, 4, 5], [6, 6, 6, 7, 8, 9, 10, 10, 10, 10, 10]] = 11.0
    ground[6, 10:13] = 11.0
    ground[6, 13:] = 5.0
    straight = [6 * 20 + col for col in range(6, 14)]
    free = breach(ground, cell_m=1.0, max_length_m=30.0, max_depth_m=15.0)
    assert free.cuts.volume_m3.tolist() == [11.0]
    short = breach(ground, cell_m=1.0, max_length_m=12.5, max_depth_m=15.0)
    assert (short.pits_left, short.cuts.way.tolist(), short.cuts.volume_m3.tolist()) == (0, straight, [33.0])
    # The twin that keeps one way to a cell is at a loss.
    outlet = np.empty(ground.shape, np.bool_)
    mark_outlets(ground, outlet)
    visit = np.zeros(ground.shape, np.int32)
    patch = np.flatnonzero(ground == 10.0).astype(np.int32)
    room = [
        np.empty(8 * ground.size, kind) for kind in (np.float32, np.float32, np.uint8, np.float32, np.int32)
    ]
    twin = least_way(
        ground.ravel(), ground.ravel(), outlet.ravel(), np.zeros(ground.size, np.bool_), visit.ravel(), 1,
        neighbour_steps(20), patch, 36, np.float32(10), np.float32(np.inf), 12.5, 15.0, False, *room,
    )  # fmt: skip
    assert twin[0] == -1
