"""What holds for every ground: fill, breach, flow, counts. Each fast loop has its slow plain twin here."""

import heapq
import math
from collections import deque
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.land import fill as fill_module
from washgrade.land import kernel as kernel_module
from washgrade.land.breach import breach
from washgrade.land.dem import Dem, horn_gradient
from washgrade.land.drainage import condition_and_route
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, VOID, downstream_cells, flow_directions, upstream_cells
from washgrade.land.kernel import heap_drop, heap_push, mark_outlets
from washgrade.land.pits import find_pits

AROUND = [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]


@st.composite
def grounds(draw, *, flats=True):
    """Random heights: smooth noise, coarse steps (flats), voids, thin grids."""
    rows = draw(st.integers(1, 14))
    cols = draw(st.integers(1, 14))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    heights = rng.normal(100.0, 10.0, (rows, cols))
    if flats and draw(st.booleans()):
        heights = np.round(heights / draw(st.sampled_from([5.0, 15.0])))
    if draw(st.booleans()):
        heights[rng.random((rows, cols)) < draw(st.sampled_from([0.05, 0.3]))] = np.nan
    if not np.isfinite(heights).any():
        heights[0, 0] = 0.0
    return heights.astype(np.float32)


def near_cells(heights, row, col):
    rows, cols = heights.shape
    for code, (down, right) in enumerate(AROUND):
        if 0 <= row + down < rows and 0 <= col + right < cols:
            yield code, row + down, col + right


def is_outlet(heights, row, col):
    around = [heights[r, c] for _, r, c in near_cells(heights, row, col)]
    return len(around) < 8 or any(math.isnan(height) for height in around)


def plain_fill(heights):
    """Priority flood with Python's own heap."""
    filled = heights.copy()
    seen = np.isnan(heights)
    heap = []
    for row, col in zip(*np.nonzero(~seen), strict=True):
        if is_outlet(heights, row, col):
            heapq.heappush(heap, (heights[row, col], row, col))
            seen[row, col] = True
    while heap:
        level, row, col = heapq.heappop(heap)
        for _, r, c in near_cells(heights, row, col):
            if not seen[r, c]:
                seen[r, c] = True
                filled[r, c] = max(level, heights[r, c])
                heapq.heappush(heap, (filled[r, c], r, c))
    return filled


def plain_pits(heights):
    """Level patches with no lower neighbour and no outlet, each as a set of cells."""
    seen = np.isnan(heights)
    pits = []
    for row, col in zip(*np.nonzero(~seen), strict=True):
        if seen[row, col]:
            continue
        patch, todo, pit = {(row, col)}, [(row, col)], True
        while todo:
            r0, c0 = todo.pop()
            seen[r0, c0] = True
            pit &= not is_outlet(heights, r0, c0)
            for _, r, c in near_cells(heights, r0, c0):
                if heights[r, c] < heights[row, col]:
                    pit = False
                elif heights[r, c] == heights[row, col] and (r, c) not in patch:
                    patch.add((r, c))
                    todo.append((r, c))
        if pit:
            pits.append(patch)
    return pits


def pit_count(heights):
    outlet = np.empty(heights.shape, np.bool_)
    mark_outlets(heights, outlet)
    return len(find_pits(heights, outlet, np.zeros(heights.shape, np.int32)))


@settings(max_examples=150, deadline=None)
@given(grounds())
def test_fill_equals_its_plain_twin_both_ways(heights):
    twin = plain_fill(heights)
    np.testing.assert_array_equal(fill(heights), twin)
    np.testing.assert_array_equal(fill(heights, in_order=True), twin)


@settings(max_examples=60, deadline=None)
@given(grounds(), st.integers(2, 5))
def test_fill_in_bands_equals_its_plain_twin(heights, threads):
    """Bands of a row or two, so that nearly all water crosses from one to another."""
    with (
        mock.patch.object(kernel_module, "LEAST_CELLS_A_THREAD", 1),
        mock.patch.object(kernel_module, "processors", return_value=threads),
    ):
        np.testing.assert_array_equal(fill(heights), plain_fill(heights))


def test_fill_of_a_large_rough_ground_is_the_same_in_bands_and_in_order():
    rng = np.random.default_rng(11)
    rows, cols = np.mgrid[0:700, 0:800]
    heights = 40 * np.sin(rows / 90) * np.cos(cols / 70) + 0.02 * cols + rng.normal(0, 0.5, rows.shape)
    heights[rng.random(rows.shape) < 1e-4] = np.nan
    heights = heights.astype(np.float32)
    np.testing.assert_array_equal(fill(heights), fill(heights, in_order=True))


@settings(max_examples=60, deadline=None)
@given(grounds())
def test_fill_lowers_nothing_is_done_after_once_and_leaves_no_pit(heights):
    before = heights.copy()
    filled = fill(heights)
    np.testing.assert_array_equal(heights, before)
    known = ~np.isnan(heights)
    np.testing.assert_array_equal(np.isnan(filled), ~known)
    assert (filled[known] >= heights[known]).all()
    np.testing.assert_array_equal(fill(filled), filled)
    assert pit_count(filled) == 0


def test_fill_gives_its_queue_up_on_white_noise_and_still_is_right():
    noise = np.random.default_rng(3).random((120, 120)).astype(np.float32)
    unfinished = np.empty_like(noise)
    assert not fill_module._fill_by_scans(noise, unfinished, 0.01, np.empty(0, np.int64))
    assert fill_module._fill_by_scans(noise, unfinished, 1000.0, np.empty(0, np.int64))
    np.testing.assert_array_equal(unfinished, plain_fill(noise))
    np.testing.assert_array_equal(fill(noise), plain_fill(noise))


def test_fill_leads_water_out_of_a_spiral():
    size = 61
    heights = np.full((size, size), 9.0, np.float32)
    row = col = size // 2
    turn, run = 0, 2
    ways = [(0, 1), (1, 0), (0, -1), (-1, 0)]
    step = 0
    # A corridor that winds outwards, one wall wide, falling all the way but for its closed mouth.
    while 0 < row < size - 1 and 0 < col < size - 1:
        for _ in range(run):
            if not (0 <= row < size and 0 <= col < size):
                break
            heights[row, col] = 8.0 - step * 1e-3
            step += 1
            row, col = row + ways[turn][0], col + ways[turn][1]
        turn = (turn + 1) % 4
        run += 1 + turn % 2
    np.testing.assert_array_equal(fill(heights), plain_fill(heights))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(-100, 100, width=32), max_size=60))
def test_heap_gives_its_keys_in_order(values):
    keys, cells = np.empty(64, np.float32), np.empty(64, np.int32)
    for size, value in enumerate(values):
        heap_push(keys, cells, size, np.float32(value), size)
    out = []
    for size in range(len(values), 0, -1):
        assert np.float32(values[cells[0]]) == keys[0]
        out.append(float(keys[0]))
        heap_drop(keys, cells, size)
    assert out == sorted(values)


@settings(max_examples=100, deadline=None)
@given(grounds())
def test_pits_are_those_of_the_plain_twin(heights):
    outlet = np.empty(heights.shape, np.bool_)
    mark_outlets(heights, outlet)
    found = find_pits(heights, outlet, np.zeros(heights.shape, np.int32))
    twin = plain_pits(heights)
    assert len(found) == len(twin)
    cells = {divmod(int(cell), heights.shape[1]) for cell in found}
    assert all(len(cells & patch) == 1 for patch in twin)


@settings(max_examples=150, deadline=None)
@given(grounds(), st.sampled_from([0.0, 10.0, 25.0, 1000.0]))
def test_breach_keeps_its_books(heights, max_length_m):
    before = heights.copy()
    done = breach(heights, cell_m=5.0, max_length_m=max_length_m)
    np.testing.assert_array_equal(heights, before)
    after = done.elevation_m
    known = ~np.isnan(heights)
    np.testing.assert_array_equal(np.isnan(after), ~known)
    higher = np.flatnonzero((after > heights).ravel())
    assert np.isin(higher, done.raised).all()
    cut = np.flatnonzero((after < heights).ravel())
    assert np.isin(cut, done.cuts.cell).all()
    moved_m3 = (after[known].astype(float) - heights[known].astype(float)).sum() * 25.0
    assert moved_m3 == pytest.approx(done.raised_volume_m3 - done.cuts.volume_m3.sum(), abs=1e-6)
    assert (done.cuts.length_m <= max_length_m * (1 + 1e-6)).all()
    assert (done.cuts.depth_m > 0).all()
    assert done.pits_found == len(plain_pits(heights))
    assert done.pits_left == len(plain_pits(after))
    assert done.pits_left <= done.pits_found
    if max_length_m == 1000.0:
        assert done.pits_left == 0
    assert pit_count(fill(after)) == 0


@settings(max_examples=100, deadline=None)
@given(grounds())
def test_water_takes_the_steepest_way_and_flats_the_shortest(heights):
    filled = fill(heights)
    direction = flow_directions(filled)
    flat = {}
    for row, col in np.ndindex(filled.shape):
        here = filled[row, col]
        if math.isnan(here):
            assert direction[row, col] == VOID
            continue
        drops = {
            code: float(here - filled[r, c]) / math.hypot(r - row, c - col)
            for code, r, c in near_cells(filled, row, col)
            if filled[r, c] < here
        }
        if drops:
            assert drops[direction[row, col]] == pytest.approx(max(drops.values()), rel=1e-6)
        elif is_outlet(filled, row, col):
            assert direction[row, col] == OUTLET
        else:
            flat[row, col] = None
    # Rings around everything that drains, by a plain breadth-first search.
    ring = {
        (row, col): 0
        for row, col in np.ndindex(filled.shape)
        if (row, col) not in flat and direction[row, col] != VOID
    }
    todo = deque(sorted(ring))
    while todo:
        row, col = todo.popleft()
        for _, r, c in near_cells(filled, row, col):
            if (r, c) in flat and (r, c) not in ring and filled[r, c] == filled[row, col]:
                ring[r, c] = ring[row, col] + 1
                todo.append((r, c))
    for row, col in flat:
        down, right = AROUND[direction[row, col]]
        assert filled[row + down, col + right] == filled[row, col]
        assert ring[row + down, col + right] == ring[row, col] - 1


@settings(max_examples=100, deadline=None)
@given(grounds(), st.sampled_from([0.0, 20.0, 200.0]))
def test_every_cell_leaves_once(heights, max_breach_m):
    dem = Dem(elevation_m=heights, cell_m=5, west_m=0, north_m=0, crs="EPSG:25830")
    drained = condition_and_route(dem, max_breach_m=max_breach_m)
    to = downstream_cells(drained.directions)
    valid = ~np.isnan(heights).ravel()
    count = np.zeros(heights.size, np.int64)
    for cell in np.flatnonzero(valid):
        steps = 0
        here = cell
        while True:
            count[here] += 1
            if to[here] == here:
                break
            assert drained.conditioned_m.ravel()[to[here]] <= drained.conditioned_m.ravel()[here]
            here = to[here]
            steps += 1
            assert steps <= heights.size, "water runs in a circle"
        assert is_outlet(heights, *divmod(int(here), heights.shape[1]))
    np.testing.assert_array_equal(drained.upstream_cells.ravel(), count)
    assert drained.upstream_cells.ravel()[drained.outlets].sum() == valid.sum()


@settings(max_examples=60, deadline=None)
@given(grounds())
def test_horn_equals_its_plain_twin_inside(heights):
    east, south = horn_gradient(heights, 2.0)
    np.testing.assert_array_equal(np.isnan(east), np.isnan(heights))
    np.testing.assert_array_equal(np.isnan(south), np.isnan(heights))
    weights = np.array([1.0, 2.0, 1.0])
    for row, col in np.ndindex(heights.shape):
        if not is_outlet(heights, row, col) and not math.isnan(heights[row, col]):
            window = heights[row - 1 : row + 2, col - 1 : col + 2].astype(float)
            assert east[row, col] == pytest.approx((weights @ (window[:, 2] - window[:, 0])) / 16, abs=1e-4)
            assert south[row, col] == pytest.approx(((window[2] - window[0]) @ weights) / 16, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(st.floats(-3, 3), st.floats(-3, 3), st.integers(2, 6), st.integers(2, 6))
def test_a_plane_keeps_its_slope_up_to_the_edge(eastward, southward, rows, cols):
    row, col = np.mgrid[0:rows, 0:cols]
    east, south = horn_gradient((5 * (eastward * col + southward * row)).astype(np.float32), 5.0)
    np.testing.assert_allclose(east, eastward, atol=2e-5)
    np.testing.assert_allclose(south, southward, atol=2e-5)


@settings(max_examples=40, deadline=None)
@given(grounds())
def test_upstream_counts_are_the_same_for_the_mirrored_ways(heights):
    direction = flow_directions(fill(heights))
    mirrored = np.array([4, 3, 2, 1, 0, 7, 6, 5, OUTLET], np.uint8)
    flipped = np.where(direction == VOID, VOID, mirrored[np.minimum(direction, OUTLET)])[:, ::-1]
    np.testing.assert_array_equal(
        upstream_cells(flipped.astype(np.uint8))[:, ::-1], upstream_cells(direction)
    )
