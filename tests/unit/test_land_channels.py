"""Channels: nodes, reaches, names, lines, and what is said when they cannot be had."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.errors import GroundError, InputError
from washgrade.land.channels import delineate, letters_of, path_nodes, reach_lines
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.flow import downstream_cells
from washgrade.land.links import trace_washes


def network(seed=0, rows=60, cols=50, *, area_m2=500.0, max_reach_m=50.0, void=False):
    rng = np.random.default_rng(seed)
    heights = 200 + rng.random((rows, cols)) - 0.1 * np.arange(rows)[:, None]
    if void:
        heights[rows // 2, cols // 2 : cols // 2 + 3] = np.nan
    dem = Dem(
        elevation_m=heights.astype(np.float32), cell_m=5, west_m=500_000, north_m=4_100_000, crs="EPSG:25830"
    )
    drained = condition_and_route(dem)
    return (
        dem,
        drained,
        delineate(
            dem,
            drained.conditioned_m,
            drained.directions,
            drained.upstream_cells,
            channel_area_m2=area_m2,
            max_reach_m=max_reach_m,
        ),
    )


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10_000),
    st.sampled_from([25.0, 200.0, 500.0, 3000.0]),
    st.sampled_from([3.0, 20.0, 50.0, 1e6]),
    st.booleans(),
)
def test_a_network_holds_together(seed, area_m2, max_reach_m, void):
    dem, drained, channels = network(seed, area_m2=area_m2, max_reach_m=max_reach_m, void=void)
    nodes, reaches = channels.nodes, channels.reaches
    size = len(nodes)
    # Nodes: exactly the cells with enough ground, upstream before downstream, along the ways of flow.
    wanted = np.flatnonzero(drained.upstream_cells.ravel() * 25.0 >= area_m2)
    assert sorted(nodes.cell.tolist()) == wanted.tolist()
    inner = nodes.downstream >= 0
    assert (nodes.downstream[inner] > np.flatnonzero(inner)).all()
    to = downstream_cells(drained.directions)
    np.testing.assert_array_equal(nodes.cell[nodes.downstream[inner]], to[nodes.cell[inner]])
    assert (to[nodes.cell[~inner]] == nodes.cell[~inner]).all()
    # The bed never rises, the ground above never shrinks, steps are as long as the places say.
    assert (nodes.elevation_m[nodes.downstream[inner]] <= nodes.elevation_m[inner]).all()
    assert (nodes.upstream_area_m2[nodes.downstream[inner]] > nodes.upstream_area_m2[inner]).all()
    assert (nodes.order[nodes.downstream[inner]] >= nodes.order[inner]).all()
    step_m = np.hypot(
        nodes.easting_m[inner] - nodes.easting_m[nodes.downstream[inner]],
        nodes.northing_m[inner] - nodes.northing_m[nodes.downstream[inner]],
    )
    np.testing.assert_allclose(nodes.length_m[inner], step_m)
    assert (nodes.length_m[~inner] == 0).all()
    joined_m = np.bincount(nodes.downstream[inner], nodes.upstream_area_m2[inner], minlength=size)
    assert (joined_m <= nodes.upstream_area_m2).all()
    # Reaches: runs of nodes, cut at confluences and at the length, each node in one.
    assert (reaches.first_node[1:] == reaches.last_node[:-1] + 1).all()
    assert (reaches.first_node[0], reaches.last_node[-1]) == (0, size - 1)
    np.testing.assert_array_equal(
        nodes.reach, np.repeat(np.arange(len(reaches)), reaches.last_node - reaches.first_node + 1)
    )
    inside = np.setdiff1d(np.arange(size), reaches.last_node)
    assert (nodes.downstream[inside] == inside + 1).all()
    donors = np.bincount(nodes.downstream[inner], minlength=size)
    assert (donors[np.setdiff1d(np.arange(size), reaches.first_node)] == 1).all()
    assert (reaches.length_m <= max(max_reach_m, np.sqrt(2) * dem.cell_m) + 1e-6).all()
    assert reaches.length_m.sum() == pytest.approx(nodes.length_m.sum())
    assert (reaches.drop_m >= 0).all()
    long = reaches.length_m > 0
    np.testing.assert_allclose(reaches.slope[long] * reaches.length_m[long], reaches.drop_m[long])
    assert (reaches.slope[~long] == 0).all()
    flowing = reaches.downstream >= 0
    assert (reaches.downstream[flowing] > np.flatnonzero(flowing)).all()
    below = nodes.downstream[reaches.last_node]
    np.testing.assert_array_equal(reaches.downstream[flowing], nodes.reach[below[flowing]])
    np.testing.assert_array_equal(reaches.first_node[reaches.downstream[flowing]], below[flowing])
    # Parts of a stretch are equal up to a cell either way.
    assert len(set(reaches.reach_id.tolist())) == len(reaches)
    # Lines: every reach ends where the next begins.
    east_m, north_m, start = reach_lines(channels)
    assert (np.diff(start) >= 2).all()
    assert len(east_m) == len(north_m) == start[-1]
    head, foot = start[:-1], start[1:] - 1
    np.testing.assert_array_equal(east_m[foot[flowing]], east_m[head[reaches.downstream[flowing]]])
    np.testing.assert_array_equal(north_m[foot[flowing]], north_m[head[reaches.downstream[flowing]]])
    np.testing.assert_array_equal(east_m[head], nodes.easting_m[reaches.first_node])
    pieces = np.hypot(np.diff(east_m), np.diff(north_m))
    pieces[start[1:-1] - 1] = 0.0
    assert pieces.sum() == pytest.approx(nodes.length_m.sum())
    # Paths.
    path = path_nodes(channels, 0)
    assert path[0] == 0
    assert nodes.downstream[path[-1]] == -1
    assert nodes.length_m[path].sum() == pytest.approx(nodes.distance_to_outlet_m[0])


def test_a_long_stretch_is_cut_into_equal_parts():
    # A V valley 60 cells long: one bed, 59 steps of 5 m, at most 50 m each: 6 parts of 49.2 m on average.
    row, col = np.mgrid[0:60, 0:21]
    heights = np.abs(col - 10) + 0.1 * (60 - row)
    dem = Dem(elevation_m=heights.astype(np.float32), cell_m=5, west_m=0, north_m=300, crs="EPSG:25830")
    drained = condition_and_route(dem)
    channels = delineate(
        dem, drained.conditioned_m, drained.directions, drained.upstream_cells, channel_area_m2=21 * 25
    )
    reaches = channels.reaches
    assert reaches.length_m.tolist() == [50.0, 50.0, 50.0, 50.0, 50.0, 45.0]
    assert reaches.reach_id.tolist() == ["A6", "A5", "A4", "A3", "A2", "A1"]
    np.testing.assert_allclose(reaches.slope, 0.02, rtol=1e-5)
    assert (reaches.order == 1).all()


def test_names_follow_the_larger_branch_from_the_mouth():
    #   0 -> 2, 1 -> 2, 2 -> 4, 3 -> 4 (outlet); 5 -> 6 (outlet). Branch 1 is larger than 0, 3 than 2.
    below = np.array([2, 2, 4, 4, -1, 6, -1], np.int32)
    area = np.array([3.0, 4.0, 8.0, 9.0, 20.0, 29.0, 30.0])
    wash, number, mouth = trace_washes(below, area)
    # Seen from the end: 6 with 5 above it; 4 with 3; 2 with 1; 0 alone.
    assert wash.tolist() == [3, 2, 2, 1, 1, 0, 0]
    assert number.tolist() == [1, 2, 1, 2, 1, 2, 1]
    assert mouth.tolist() == [6, 4, 2, 0]


def test_letters_go_by_the_area_at_the_mouth():
    _, _, channels = network(3, area_m2=300.0)
    reaches = channels.reaches
    letters = np.array([re.match("[A-Z]+", name)[0] for name in reaches.reach_id])
    steps = np.array([int(re.search(r"\d+", name)[0]) for name in reaches.reach_id])
    mouths = steps == 1
    area = dict(zip(letters[mouths].tolist(), reaches.upstream_area_m2[mouths].tolist(), strict=True))
    in_order = sorted(area, key=lambda word: (len(word), word))
    assert in_order[:27][-1] == "AA"
    assert [area[word] for word in in_order] == sorted(area.values(), reverse=True)
    for word in in_order:
        stem = np.flatnonzero(letters == word)
        assert sorted(steps[stem].tolist()) == list(range(1, len(stem) + 1))
        for reach in stem:
            if steps[reach] > 1:
                assert steps[reaches.downstream[reach]] == steps[reach] - 1
                assert letters[reaches.downstream[reach]] == word


def test_letters_count_like_columns_of_a_sheet():
    # Letters of the columns of a spreadsheet (common practice, no source).
    assert [letters_of(k) for k in (0, 25, 26, 51, 52, 701, 702)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]


def test_the_same_ground_gives_the_same_network():
    first, second = network(5)[2], network(5)[2]
    for name in first.nodes.__slots__:
        np.testing.assert_array_equal(getattr(first.nodes, name), getattr(second.nodes, name))
    for name in first.reaches.__slots__:
        np.testing.assert_array_equal(getattr(first.reaches, name), getattr(second.reaches, name))


def test_no_channel_says_what_to_try():
    dem, drained, _ = network()
    most_m2 = int(drained.upstream_cells.max()) * 25
    rounded = float(f"{most_m2 / 20:.0e}")
    sentence = (
        "No channel found with 'channel_area_m2' of 1e+09. "
        f"At most {most_m2} m2 drain through one cell here; try {rounded:g}."
    )
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        delineate(dem, drained.conditioned_m, drained.directions, drained.upstream_cells, channel_area_m2=1e9)


@pytest.mark.parametrize("name", ["channel_area_m2", "max_reach_m"])
def test_area_and_length_must_be_above_zero(name):
    dem, drained, _ = network()
    sentence = f"Invalid '{name}' of 0. It must be a finite number above 0."
    settings = {"channel_area_m2": 500.0, "max_reach_m": 50.0} | {name: 0}
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        delineate(dem, drained.conditioned_m, drained.directions, drained.upstream_cells, **settings)


def test_arrays_must_fit_the_dem():
    dem, drained, _ = network()
    sentence = "Invalid 'directions' of shape (59, 50). It must have the DEM's shape, (60, 50)."
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        delineate(
            dem,
            drained.conditioned_m,
            drained.directions[:-1],
            drained.upstream_cells,
            channel_area_m2=500.0,
        )


@pytest.mark.parametrize("node", [-1, 10_000_000])
def test_a_path_needs_a_node(node):
    channels = network()[2]
    sentence = f"Invalid 'node' of {node}. It must be between 0 and {len(channels.nodes) - 1}."
    with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
        path_nodes(channels, node)


def test_channels_may_begin_where_told():
    dem, drained, by_area = network(2, area_m2=500.0)
    grids = (drained.conditioned_m, drained.directions, drained.upstream_cells)
    to = downstream_cells(drained.directions)
    begin = np.random.default_rng(0).choice(dem.elevation_m.size, 12, replace=False)
    wanted = set()
    for cell in begin.tolist():
        while cell not in wanted:
            wanted.add(cell)
            cell = int(to[cell])
    told = delineate(dem, *grids, channel_area_m2=500.0, begin=begin)
    assert set(told.nodes.cell.tolist()) == wanted
    inner = told.nodes.downstream >= 0
    np.testing.assert_array_equal(told.nodes.cell[told.nodes.downstream[inner]], to[told.nodes.cell[inner]])
    both = delineate(dem, *grids, channel_area_m2=500.0, also=begin)
    assert set(both.nodes.cell.tolist()) == wanted | set(by_area.nodes.cell.tolist())
    # The heads by area give the network by area.
    donors = np.bincount(
        by_area.nodes.downstream[by_area.nodes.downstream >= 0], minlength=len(by_area.nodes)
    )
    heads = by_area.nodes.cell[donors == 0]
    again = delineate(dem, *grids, channel_area_m2=500.0, begin=heads)
    np.testing.assert_array_equal(again.nodes.cell, by_area.nodes.cell)
    np.testing.assert_array_equal(again.reaches.reach_id, by_area.reaches.reach_id)
    # A told line is found even where no area is large enough.
    alone = delineate(dem, *grids, channel_area_m2=1e9, also=begin)
    assert set(alone.nodes.cell.tolist()) == wanted


@pytest.mark.parametrize("name", ["begin", "also"])
def test_told_cells_must_be_ground(name):
    dem, drained, _ = network(void=True)
    grids = (drained.conditioned_m, drained.directions, drained.upstream_cells)
    void = 30 * 50 + 25
    for cell, sentence in (
        (-1, f"Invalid '{name}' with cell -1. Cells must be between 0 and 2999."),
        (3000, f"Invalid '{name}' with cell 3000. Cells must be between 0 and 2999."),
        (void, f"Invalid '{name}' with cell {void}, which is void. Cells must have a height."),
    ):
        with pytest.raises(GroundError, match="^" + re.escape(sentence) + "$"):
            delineate(dem, *grids, channel_area_m2=500.0, **{name: np.array([5, cell])})
    with pytest.raises(
        GroundError, match=r"^No channel found: 'begin' is empty\. It must name at least one cell\.$"
    ):
        delineate(dem, *grids, channel_area_m2=500.0, begin=np.empty(0, np.int64))
