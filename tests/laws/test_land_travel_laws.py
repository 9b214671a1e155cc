"""What holds for every walk. The reference is scipy's Dijkstra over a graph that plain loops build here."""

import math
from itertools import pairwise
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from washgrade.land.dem import Dem
from washgrade.land.travel import ELONGATION_BOUND, walking_field, walking_times_s
from washgrade.land.walkable import Walking, WalkingSurface, walking_surface


def surface_of(height_m, cell_m=5.0, **walking):
    return WalkingSurface(
        height_m=np.asarray(height_m, np.float32),
        cell_m=cell_m,
        west_m=0.0,
        north_m=0.0,
        walking=Walking(**walking),
    )


@st.composite
def surfaces(draw, *, flat=False):
    """Random ground: gentle or too steep in places, closed cells in many shares, thin grids."""
    rows, cols = draw(st.integers(1, 12)), draw(st.integers(1, 12))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    roughness_m = 0.0 if flat else draw(st.sampled_from([0.2, 1.0, 4.0]))
    height_m = rng.normal(100.0, roughness_m, (rows, cols))
    height_m[rng.random((rows, cols)) < draw(st.sampled_from([0.0, 0.1, 0.4]))] = np.nan
    if np.isnan(height_m).all():
        height_m[0, 0] = 0.0
    return surface_of(
        height_m,
        cell_m=draw(st.sampled_from([1.0, 5.0, 7.3])),
        off_path_factor=draw(st.sampled_from([0.6, 1.0])),
        too_steep_slope=draw(st.sampled_from([0.3, 0.6, 2.0])),
    )


def plain_leg_s(rise_m, run_m, walking):
    slope = rise_m / run_m
    speed_m_s = walking.fastest_m_s * math.exp(
        -walking.fading_per_unit_slope * abs(slope - walking.fastest_slope)
    )
    return run_m / (walking.off_path_factor * speed_m_s)


def plain_steepness(start, end, passed, down, right):
    """Metres of rise per cell of the ground under a move."""
    if not passed:
        return abs(end - start)
    if abs(down) == abs(right) == 1:
        under, aside = passed
        southward = (under - start + end - aside) / 2
        eastward = (aside - start + end - under) / 2
        return math.hypot(southward, eastward)
    # Each half as the plane through three cells, at rows and columns of the start.
    first, second = (down // 2, 0), (down // 2, right)
    if abs(right) == 2:
        first, second = (0, right // 2), (down, right // 2)
    steepness = []
    for place, height in (((0, 0), start), ((down, right), end)):
        corners = [(*place, 1), (*first, 1), (*second, 1)]
        southward, eastward, _ = np.linalg.solve(corners, [height, *passed])
        steepness.append(math.hypot(southward, eastward))
    return max(steepness)


def plain_moves(surface):
    """Yield every move as (from, to, seconds, cells passed), by its definition."""
    heights = surface.height_m.astype(np.float64)
    rows, cols = surface.shape
    walking = surface.walking
    for row in range(rows):
        for col in range(cols):
            for down in range(-2, 3):
                for right in range(-2, 3):
                    if math.gcd(down, right) != 1:
                        continue
                    if not (0 <= row + down < rows and 0 <= col + right < cols):
                        continue
                    run_m = surface.cell_m * math.hypot(down, right)
                    start, end = heights[row, col], heights[row + down, col + right]
                    if abs(down) == 2:
                        passed = [(row + down // 2, col), (row + down // 2, col + right)]
                    elif abs(right) == 2:
                        passed = [(row, col + right // 2), (row + down, col + right // 2)]
                    elif down and right:
                        passed = [(row + down, col), (row, col + right)]
                    else:
                        passed = []
                    if any(math.isnan(heights[cell]) for cell in passed) or math.isnan(start + end):
                        continue
                    steepness = plain_steepness(start, end, [heights[cell] for cell in passed], down, right)
                    if steepness / surface.cell_m > walking.too_steep_slope:
                        continue
                    if run_m > 2 * surface.cell_m:
                        way = (heights[passed[0]] + heights[passed[1]]) / 2
                        took_s = plain_leg_s(way - start, run_m / 2, walking)
                        took_s += plain_leg_s(end - way, run_m / 2, walking)
                    else:
                        took_s = plain_leg_s(end - start, run_m, walking)
                    yield row * cols + col, (row + down) * cols + col + right, took_s, passed


def plain_times_s(surface):
    """All times between all cells, by scipy."""
    moves = list(plain_moves(surface))
    begin, end, took_s = ([move[part] for move in moves] for part in range(3))
    count = surface.height_m.size
    times_s = dijkstra(csr_matrix((took_s, (begin, end)), shape=(count, count)))
    times_s[surface.closed.ravel(), :] = np.inf
    times_s[:, surface.closed.ravel()] = np.inf
    return times_s


def all_cells(surface):
    return np.arange(surface.height_m.size)


@settings(deadline=None, max_examples=80)
@given(surface=surfaces())
def test_times_equal_scipy_on_a_plainly_built_graph(surface):
    expected = plain_times_s(surface)
    cells = all_cells(surface)
    np.testing.assert_allclose(walking_times_s(surface, cells, cells, threads=1), expected, rtol=1e-9)


def test_the_plain_graph_has_the_sixteen_moves():
    moves = [end for begin, end, _, _ in plain_moves(surface_of(np.zeros((5, 5)))) if begin == 12]
    assert sorted(moves) == sorted({1, 3, 5, 9, 15, 19, 21, 23, 6, 7, 8, 11, 13, 16, 17, 18})


def test_larger_ground_equals_scipy():
    rng = np.random.default_rng(4)
    hills = np.cumsum(np.cumsum(rng.normal(0, 0.05, (60, 70)), axis=0), axis=1)
    hills[rng.random(hills.shape) < 0.05] = np.nan
    surface = surface_of(hills)
    sources = np.flatnonzero(~surface.closed)[::400]
    expected = plain_times_s(surface)[sources]
    assert np.isfinite(expected).mean() > 0.3
    np.testing.assert_allclose(walking_times_s(surface, sources, all_cells(surface)), expected, rtol=1e-9)


def test_real_ground_equals_scipy():
    # The public-domain DEM that matplotlib ships, as if its cells of 3 seconds were 80 m squares.
    with np.load(Path(mpl.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz") as stored:
        elevation_m = stored["elevation"][100:140, 200:250].astype(np.float32)
    dem = Dem(elevation_m=elevation_m, cell_m=80.0, west_m=0.0, north_m=0.0, crs="EPSG:32616")
    surface = walking_surface(dem, Walking(too_steep_slope=0.35))
    assert 0.01 < surface.closed.mean() < 0.5
    sources = np.flatnonzero(~surface.closed)[::300]
    expected = plain_times_s(surface)[sources]
    assert np.isfinite(expected).mean() > 0.3
    np.testing.assert_allclose(walking_times_s(surface, sources, all_cells(surface)), expected, rtol=1e-9)
    # Up and down differ on a hill.
    there_s = walking_times_s(surface, sources, sources)
    assert np.nanmax(np.abs(np.where(np.isfinite(there_s), there_s - there_s.T, np.nan))) > 60


@settings(deadline=None, max_examples=40)
@given(surface=surfaces(), seed=st.integers(0, 2**32 - 1))
def test_fields_both_ways_threads_and_few_targets_agree(surface, seed):
    cells = all_cells(surface)
    times_s = walking_times_s(surface, cells, cells, threads=1)
    np.testing.assert_array_equal(times_s, walking_times_s(surface, cells, cells, threads=3))
    rng = np.random.default_rng(seed)
    sources, targets = rng.choice(cells, 4), rng.choice(cells, 3)
    np.testing.assert_allclose(
        walking_times_s(surface, sources, targets), times_s[np.ix_(sources, targets)], rtol=1e-12
    )
    here = int(sources[0])
    np.testing.assert_array_equal(walking_field(surface, here).time_s.ravel(), times_s[here])
    back_s = walking_field(surface, here, to_source=True).time_s.ravel()
    np.testing.assert_allclose(back_s, times_s[:, here], rtol=1e-12)


@settings(deadline=None, max_examples=40)
@given(surface=surfaces())
def test_triangle_inequality(surface):
    cells = all_cells(surface)
    times_s = walking_times_s(surface, cells, cells, threads=1)
    through_s = (times_s[:, :, None] + times_s[None, :, :]).min(axis=1)
    open_cells = ~surface.closed.ravel()
    direct_s = times_s[np.ix_(open_cells, open_cells)]
    assert (direct_s <= through_s[np.ix_(open_cells, open_cells)] * (1 + 1e-12)).all()
    assert (np.diag(direct_s) == 0).all()


@settings(deadline=None, max_examples=40)
@given(surface=surfaces(flat=True))
def test_level_ground_is_the_same_both_ways(surface):
    cells = all_cells(surface)
    times_s = walking_times_s(surface, cells, cells, threads=1)
    np.testing.assert_allclose(times_s, times_s.T, rtol=1e-12)


@settings(deadline=None, max_examples=60)
@given(surface=surfaces(), to_source=st.booleans(), seed=st.integers(0, 2**32 - 1))
def test_paths_are_made_of_moves_that_touch_no_closed_cell(surface, to_source, seed):
    moves = {(begin, end): (took_s, passed) for begin, end, took_s, passed in plain_moves(surface)}
    closed = surface.closed
    source = int(np.random.default_rng(seed).choice(np.flatnonzero(~closed)))
    found = walking_field(surface, source, to_source=to_source)
    assert np.isinf(found.time_s[closed]).all()
    for cell in range(closed.size):
        path = found.path_cells(cell).tolist()
        if math.isinf(found.time_s.flat[cell]):
            assert path == []
            continue
        assert (path[0], path[-1]) == ((cell, source) if to_source else (source, cell))
        assert not closed.flat[path].any()
        took_s = 0.0
        for begin, end in pairwise(path):
            step_s, passed = moves[begin, end]
            assert not any(closed[beside] for beside in passed)
            took_s += step_s
        assert found.time_s.flat[cell] == pytest.approx(took_s, rel=1e-9)


@settings(deadline=None, max_examples=80)
@given(surface=surfaces(), to_source=st.booleans(), seed=st.integers(0, 2**32 - 1))
def test_a_search_that_stops_early_has_all_that_is_nearer(surface, to_source, seed):
    rng = np.random.default_rng(seed)
    source = int(rng.choice(np.flatnonzero(~surface.closed)))
    whole = walking_field(surface, source, to_source=to_source)
    times_s = whole.time_s[np.isfinite(whole.time_s)]
    within_s = float(rng.choice(times_s)) * float(rng.choice([0.5, 1.0, 1.5]))
    part = walking_field(surface, source, to_source=to_source, within_s=within_s)
    near = whole.time_s <= within_s
    np.testing.assert_array_equal(part.time_s, np.where(near, whole.time_s, np.inf))
    for cell in np.flatnonzero(near):
        assert part.path_cells(int(cell)).tolist() == whole.path_cells(int(cell)).tolist()
    until = int(rng.integers(surface.height_m.size))
    part = walking_field(surface, source, to_source=to_source, until=until)
    np.testing.assert_array_equal(
        part.time_s, np.where(whole.time_s <= whole.time_s.flat[until], whole.time_s, np.inf)
    )
    assert part.path_cells(until).tolist() == whole.path_cells(until).tolist()


@settings(deadline=None, max_examples=40)
@given(surface=surfaces(), seed=st.integers(0, 2**32 - 1))
def test_closing_a_cell_shortens_no_walk(surface, seed):
    cells = np.flatnonzero(~surface.closed)
    shut = np.random.default_rng(seed).choice(cells)
    height_m = surface.height_m.copy()
    height_m.flat[shut] = np.nan
    if np.isnan(height_m).all():
        return
    fewer = WalkingSurface(
        height_m=height_m, cell_m=surface.cell_m, west_m=0.0, north_m=0.0, walking=surface.walking
    )
    before_s = walking_times_s(surface, cells, cells, threads=1)
    assert (walking_times_s(fewer, cells, cells, threads=1) >= before_s * (1 - 1e-12)).all()


@settings(deadline=None, max_examples=40)
@given(surface=surfaces())
def test_turned_ground_takes_the_same_times(surface):
    # A quarter turn and a mirror map the moves onto each other.
    cells = all_cells(surface)
    times_s = walking_times_s(surface, cells, cells, threads=1)
    for turn in (np.rot90, np.fliplr, np.transpose):
        numbers = turn(cells.reshape(surface.shape)).ravel()
        turned = WalkingSurface(
            height_m=np.ascontiguousarray(turn(surface.height_m)),
            cell_m=surface.cell_m,
            west_m=0.0,
            north_m=0.0,
            walking=surface.walking,
        )
        turned_s = walking_times_s(turned, cells, cells, threads=1)
        np.testing.assert_allclose(turned_s, times_s[np.ix_(numbers, numbers)], rtol=1e-12)


@settings(deadline=None, max_examples=30)
@given(row=st.integers(0, 30), col=st.integers(0, 30))
def test_level_walks_are_overstated_by_no_more_than_the_bound(row, col):
    surface = surface_of(np.zeros((31, 31)), off_path_factor=1.0)
    line_s = 5.0 * math.hypot(row, col) * 0.6 * math.exp(3.5 * 0.05)
    took_s = float(walking_times_s(surface, np.array([0]), np.array([row * 31 + col]))[0, 0])
    assert line_s * (1 - 1e-12) <= took_s <= line_s * ELONGATION_BOUND * (1 + 1e-12)
