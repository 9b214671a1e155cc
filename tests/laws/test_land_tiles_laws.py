"""Whatever the ground and however it is cut, work by tiles gives cell for cell what work in memory gives."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.errors import GroundError
from washgrade.land.fill import fill
from washgrade.land.flow import METHODS, flow_directions, upstream_cells
from washgrade.land.tiles import flow as flow_module
from washgrade.land.tiles.area import count_tiles, edge_cells, edge_place
from washgrade.land.tiles.fill import fill_tiles
from washgrade.land.tiles.flow import flow_tiles
from washgrade.land.tiles.store import InMemory, Scratch, Tiling


@st.composite
def grounds(draw):
    """Random heights: smooth noise, coarse steps with flats, voids, thin grids, sinks; and a tile's side."""
    rows = draw(st.integers(1, 30))
    cols = draw(st.integers(1, 30))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    heights = rng.normal(100.0, 10.0, (rows, cols))
    if draw(st.booleans()):
        heights = np.round(heights / draw(st.sampled_from([5.0, 15.0])))
    if draw(st.booleans()):
        heights[rng.random((rows, cols)) < draw(st.sampled_from([0.02, 0.3]))] = np.nan
    if not np.isfinite(heights).any():
        heights[0, 0] = 0.0
    known = np.flatnonzero(np.isfinite(heights))
    sinks = np.unique(rng.choice(known, 2)) if draw(st.booleans()) else None
    return heights.astype(np.float32), sinks, draw(st.integers(1, 11))


def tiled_fill(heights, sinks, side, *, threads=2):
    with Scratch() as scratch:
        water = scratch.grid("water", heights.shape, np.float32)
        tiling = Tiling(shape=heights.shape, side=side)
        fill_tiles(InMemory(heights), water, tiling=tiling, threads=threads, outlets=sinks)
        return water.read(0, 0, *heights.shape)


def tiled_ways(filled, sinks, side, method="steepest"):
    """Directions, counts, and what is known of all counts together."""
    with Scratch() as scratch:
        ways = scratch.grid("ways", filled.shape, np.uint8)
        tiling = Tiling(shape=filled.shape, side=side)
        flow_tiles(
            InMemory(filled), ways, tiling=tiling, threads=2, outlets=sinks, scratch=scratch, method=method
        )
        counts = count_tiles(ways, tiling=tiling, threads=2)
        whole = np.zeros(filled.shape, np.int64)
        for tile in tiling.tiles():
            whole[tile.top : tile.bottom, tile.left : tile.right] = counts.tile(tile)[0]
        return ways.read(0, 0, *filled.shape), whole, counts


@settings(max_examples=60, deadline=None)
@given(grounds())
def test_fill_by_tiles_is_fill(ground):
    heights, sinks, side = ground
    np.testing.assert_array_equal(tiled_fill(heights, sinks, side), fill(heights, outlets=sinks))


@settings(max_examples=60, deadline=None)
@given(grounds(), st.sampled_from([1, 10, 10**6]), st.sampled_from(METHODS))
def test_ways_and_counts_by_tiles_are_those_in_memory(ground, batch, method):
    heights, sinks, side = ground
    filled = fill(heights, outlets=sinks)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(flow_module, "BATCH", batch)
        ways, whole, counts = tiled_ways(filled, sinks, side, method)
    right = flow_directions(filled, outlets=sinks, method=method)
    np.testing.assert_array_equal(ways, right)
    count = upstream_cells(right)
    np.testing.assert_array_equal(whole, count)
    assert counts.largest == count.max()
    assert counts.known_cells == counts.left_cells == np.isfinite(heights).sum()


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 7), st.integers(1, 7))
def test_places_on_an_edge_are_numbered_row_by_row(rows, cols):
    row, col = edge_cells((rows, cols))
    on_edge = np.ones((rows, cols), bool)
    on_edge[1:-1, 1:-1] = False
    np.testing.assert_array_equal(np.stack([row, col]), np.stack(np.nonzero(on_edge)))
    assert [edge_place(r, c, rows, cols) for r, c in zip(row, col, strict=True)] == list(range(len(row)))


@settings(max_examples=30, deadline=None)
@given(grounds())
def test_heights_with_a_pit_get_no_ways(ground):
    heights, sinks, side = ground
    said, ways = [], []
    for work in (
        lambda: flow_directions(heights, outlets=sinks),
        lambda: tiled_ways(heights, sinks, side)[0],
    ):
        try:
            ways.append(work())
        except GroundError as error:
            said.append(str(error))
    assert len(said) != 1
    if said:
        assert said[0] == said[1]
    else:
        np.testing.assert_array_equal(*ways)
