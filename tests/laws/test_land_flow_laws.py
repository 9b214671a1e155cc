"""What holds for flow by least deviation, for bands of rows and for hostile ground."""

import math
import time

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from washgrade.land import kernel
from washgrade.land.dem import horn_gradient
from washgrade.land.fill import fill
from washgrade.land.flow import (
    METHODS,
    OUTLET,
    VOID,
    downstream_cells,
    flow_directions,
    route,
    upstream_cells,
)

AROUND = [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]
# A choice closer than this may fall either way between float32 and float64.
CLOSE = 1e-4


@st.composite
def grounds(draw, *, flats=True):
    rows = draw(st.integers(1, 14))
    cols = draw(st.integers(1, 14))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    heights = rng.normal(0.0, draw(st.sampled_from([0.2, 3.0])), (rows, cols))
    row, col = np.mgrid[0:rows, 0:cols]
    heights += draw(st.floats(-2, 2)) * row + draw(st.floats(-2, 2)) * col
    if flats and draw(st.booleans()):
        heights = np.round(heights)
    if draw(st.booleans()):
        heights[rng.random((rows, cols)) < 0.1] = np.nan
    if not np.isfinite(heights).any():
        heights[0, 0] = 0.0
    return heights.astype(np.float32)


def plain_least_deviation(heights, steepest):
    """D8-LTD by recursion up the paths, with angles; also the closest call among all choices."""
    rows, cols = heights.shape
    level = heights.astype(float)
    closest = math.inf
    ways = {}
    for row, col in np.ndindex(rows, cols):
        way = int(steepest[row, col])
        if way >= OUTLET:
            continue
        ways[row, col] = (way, way, 0.0)
        to = (row + AROUND[way][0], col + AROUND[way][1])
        if not (0 < row < rows - 1 and 0 < col < cols - 1) or level[to] == level[row, col]:
            continue
        here = level[row, col]
        found = [((here - level[to]) / math.hypot(*AROUND[way]), way, way, 0.0)]
        for facet in range(8):
            straight, across = (facet, facet + 1) if facet % 2 == 0 else ((facet + 1) % 8, facet)
            one = level[row + AROUND[straight][0], col + AROUND[straight][1]]
            other = level[row + AROUND[across][0], col + AROUND[across][1]]
            angle = math.atan2(one - other, here - one)
            if 0 < angle < math.pi / 4:
                side = 1.0 if facet % 2 == 0 else -1.0
                found.append((math.hypot(here - one, one - other), straight, across, side * angle))
        found.sort(reverse=True)
        if len(found) > 1:
            closest = min(closest, (found[0][0] - found[1][0]) / found[0][0])
        ways[row, col] = found[0][1:]

    donors = {}
    for place, (one, other, _) in ways.items():
        for way in {one, other}:
            to = (place[0] + AROUND[way][0], place[1] + AROUND[way][1])
            donors.setdefault(to, []).append(place)
    chosen, area, summed = {}, {}, {}

    def decide(place):
        nonlocal closest
        if place in area:
            return
        own, best = 1, (0, 0.0)
        for donor in donors.get(place, []):
            decide(donor)
            way = chosen[donor]
            if (donor[0] + AROUND[way][0], donor[1] + AROUND[way][1]) != place:
                continue
            own += area[donor]
            off = 0.0 if level[donor] == level[place] else summed[donor]
            if area[donor] > best[0] or (area[donor] == best[0] and abs(off) < abs(best[1])):
                best = (area[donor], off)
        area[place] = own
        if place not in ways:
            return
        one, other, angle = ways[place]
        chosen[place], summed[place] = one, best[1]
        if one != other:
            side = math.copysign(1.0, angle)
            straight = best[1] - side * math.sin(abs(angle))
            across = best[1] + side * math.sqrt(2.0) * math.sin(math.pi / 4 - abs(angle))
            closest = min(closest, abs(abs(straight) - abs(across)))
            chosen[place], summed[place] = (
                (one, straight) if abs(straight) <= abs(across) else (other, across)
            )

    direction = steepest.copy()
    for place in np.ndindex(rows, cols):
        decide(place)
    for place, way in chosen.items():
        direction[place] = way
    return direction, closest


@settings(max_examples=150, deadline=None)
@given(grounds(flats=False))
def test_least_deviation_equals_its_plain_twin(heights):
    filled = fill(heights)
    twin, closest = plain_least_deviation(filled, flow_directions(filled))
    assume(closest > CLOSE)
    np.testing.assert_array_equal(flow_directions(filled, method="least deviation"), twin)


@settings(max_examples=100, deadline=None)
@given(grounds(), st.sampled_from(METHODS))
def test_every_cell_leaves_once_and_nothing_climbs(heights, method):
    filled = fill(heights)
    direction, count = route(filled, method=method)
    np.testing.assert_array_equal(direction, flow_directions(filled, method=method))
    # upstream_cells refuses circles and ways that lead nowhere.
    np.testing.assert_array_equal(count, upstream_cells(direction))
    valid = ~np.isnan(heights)
    assert count[direction == OUTLET].sum() == valid.sum()
    np.testing.assert_array_equal(direction == VOID, ~valid)
    to = downstream_cells(direction)
    level = filled.ravel()
    inner = np.flatnonzero(valid.ravel())
    assert (level[to[inner]] <= level[inner]).all()
    # Level only where no neighbour is lower: the methods differ in the choice among lower ones alone.
    steepest = flow_directions(filled)
    flat = level[downstream_cells(steepest)[inner]] == level[inner]
    np.testing.assert_array_equal(level[to[inner]] == level[inner], flat)
    np.testing.assert_array_equal(direction.ravel()[inner][flat], steepest.ravel()[inner][flat])


@settings(max_examples=60, deadline=None)
@given(grounds(flats=False))
def test_least_deviation_on_the_mirrored_ground_is_mirrored(heights):
    filled = fill(heights)
    assume(plain_least_deviation(filled, flow_directions(filled))[1] > CLOSE)
    assume(len(np.unique(filled[~np.isnan(filled)])) == np.count_nonzero(~np.isnan(filled)))
    mirror = np.full(256, VOID, np.uint8)
    mirror[: OUTLET + 1] = [4, 3, 2, 1, 0, 7, 6, 5, OUTLET]
    ways = flow_directions(filled, method="least deviation")
    np.testing.assert_array_equal(
        flow_directions(np.ascontiguousarray(filled[:, ::-1]), method="least deviation"),
        mirror[ways[:, ::-1]],
    )


@pytest.mark.parametrize("threads", [2, 3, 7])
def test_bands_of_rows_change_nothing(monkeypatch, threads):
    heights = np.random.default_rng(5).normal(0, 1, (60, 90)).cumsum(0).astype(np.float32)
    heights[np.random.default_rng(6).random(heights.shape) < 0.01] = np.nan
    filled = fill(heights)

    def everything():
        return [
            flow_directions(filled),
            *route(filled, method="least deviation"),
            *horn_gradient(heights, 5.0),
        ]

    alone = everything()
    monkeypatch.setattr(kernel, "LEAST_CELLS_A_THREAD", 1)
    monkeypatch.setattr(kernel, "processors", lambda: threads)
    seen = kernel.in_bands(lambda first, end: (first, end), *heights.shape)
    assert len(seen) == threads
    for one, other in zip(alone, everything(), strict=True):
        np.testing.assert_array_equal(one, other)


def white_noise(side):
    return np.random.default_rng(3).random((side, side)).astype(np.float32)


def spiral(side):
    """A corridor two cells wide that winds outwards between walls, falling all the way."""
    ring = np.minimum.reduce([*np.mgrid[0:side, 0:side], *(side - 1 - np.mgrid[0:side, 0:side])])
    row, col = np.mgrid[0:side, 0:side]
    around = np.arctan2(row - side / 2, col - side / 2) / (2 * np.pi)
    turn = ring + 4 * around
    return np.where(np.floor(turn) % 4 < 2, 1000.0 - turn, 9000.0).astype(np.float32)


@pytest.mark.parametrize("made", [white_noise, spiral])
def test_hostile_ground_takes_about_as_long_a_cell_when_it_is_larger(made):
    # Ratio of times a cell at 16 times the cells, in one run, best of three; work that grew by the square
    # would give 16. The margin is for caches and other work on the machine.
    def seconds_a_cell(side):
        heights = made(side)
        best = math.inf
        for _ in range(3):
            start = time.thread_time()
            route(fill(heights), method="least deviation")
            best = min(best, time.thread_time() - start)
        return best / heights.size

    seconds_a_cell(50)
    assert seconds_a_cell(1000) < 5.0 * seconds_a_cell(250)
