"""Channels side by side, on ground that was made so."""

import re

import numpy as np
import pytest

from washgrade.errors import InputError
from washgrade.land.beside import channels_beside
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import flow_directions, upstream_cells

CELL_M = 5.0


def network(heights, *, area_m2=500.0):
    conditioned_m = fill(heights.astype(np.float32))
    dem = Dem(elevation_m=conditioned_m, cell_m=CELL_M, west_m=0, north_m=0, crs="EPSG:25830")
    directions = flow_directions(conditioned_m)
    return delineate(dem, conditioned_m, directions, upstream_cells(directions), channel_area_m2=area_m2)


def two_threads(length, *, apart=2, rows=90):
    """A valley whose bed is two troughs for ``length`` rows, then one."""
    row, col = np.mgrid[0:rows, 0:41]
    left, right = 20, 20 + apart
    away = np.where(row < length, np.minimum(np.abs(col - left), np.abs(col - right)), np.abs(col - left))
    return 100 - 0.1 * row + 0.5 * away


def plain_beside(channels, within, steps):
    """All near nodes whose ways down do not meet soon, pair by pair."""
    nodes = channels.nodes
    row = np.round(-nodes.northing_m / CELL_M - 0.5).astype(int)
    col = np.round(nodes.easting_m / CELL_M - 0.5).astype(int)

    def way(node):
        out = []
        while node >= 0 and len(out) <= steps:
            out.append(node)
            node = int(nodes.downstream[node])
        return set(out)

    ways = [way(node) for node in range(len(nodes))]
    return {
        node
        for node in range(len(nodes))
        for near in range(len(nodes))
        if max(abs(row[node] - row[near]), abs(col[node] - col[near])) <= within
        and not ways[node] & ways[near]
    }


def test_two_threads_of_one_bed_are_found_down_to_where_they_join():
    channels = network(two_threads(60))
    found = channels_beside(channels, cell_m=CELL_M)
    nodes = channels.nodes
    row = np.round(-nodes.northing_m / CELL_M - 0.5)
    marked = found.other >= 0
    assert marked[(row > 15) & (row < 50) & (nodes.upstream_area_m2 > 1500)].all()
    assert not marked[row > 60].any()
    assert found.same_outlet[marked].all()
    # The other node lies two columns away, and the marks are of each other.
    apart_m = np.abs(nodes.easting_m - nodes.easting_m[found.other])[marked]
    assert set(apart_m.round(6).tolist()) <= {5.0, 10.0}
    np.testing.assert_array_equal(found.reach_beside, found.share >= 0.5)
    count = int(found.reach_beside.sum())
    assert count >= 2
    assert found.sentence == (
        f"{count} of {len(channels.reaches)} reaches run beside another channel: braided, or parallel "
        "lines on even ground. Look at both threads."
    )
    assert found.note == (
        "Braided or parallel: another line of flow runs beside this one. Look at both threads."
    )


def test_threads_farther_apart_are_two_channels():
    channels = network(two_threads(60, apart=8))
    found = channels_beside(channels, cell_m=CELL_M)
    assert not found.reach_beside.any()
    assert found.sentence == "No channels run side by side."
    assert channels_beside(channels, cell_m=CELL_M, within_cells=8).reach_beside.any()


def test_a_confluence_is_no_braid():
    # Two valleys that meet at an angle of 45 degrees and more: near each other only where they join.
    row, col = np.mgrid[0:80, 0:81]
    away = np.abs(np.abs(col - 40) - np.maximum(60 - row, 0))
    channels = network(200 - 0.5 * row + 2.0 * away, area_m2=5000.0)
    assert (channels.reaches.order > 1).any()
    assert not channels_beside(channels, cell_m=CELL_M).reach_beside.any()


def test_parallel_lines_on_a_slope_leave_by_their_own_outlets():
    # A plane due south: every column is its own line of flow.
    channels = network(100 - 0.5 * np.mgrid[0:60, 0:20][0], area_m2=250.0)
    found = channels_beside(channels, cell_m=CELL_M)
    assert found.reach_beside.all()
    assert not found.same_outlet.any()


@pytest.mark.parametrize("seed", [0, 1])
def test_marks_equal_those_of_a_plain_search(seed):
    rng = np.random.default_rng(seed)
    channels = network(rng.random((40, 30)) - 0.3 * np.arange(40)[:, None], area_m2=400.0)
    found = channels_beside(channels, cell_m=CELL_M, least_run_cells=1)
    assert set(np.flatnonzero(found.other >= 0).tolist()) == plain_beside(channels, 2, 5)
    # Longer runs only take marks away, and what stays is at least so long.
    longer = channels_beside(channels, cell_m=CELL_M, least_run_cells=6)
    assert set(np.flatnonzero(longer.other >= 0)) < set(np.flatnonzero(found.other >= 0))
    marked, below = longer.other >= 0, channels.nodes.downstream
    for node in np.flatnonzero(marked).tolist():
        last = node
        while below[last] >= 0 and marked[below[last]]:
            last = int(below[last])
        depth = np.zeros(len(marked), int)
        for place in range(last + 1):
            if marked[place]:
                feeding = depth[np.flatnonzero(below[:place] == place)]
                depth[place] = 1 + max(feeding.tolist(), default=0)
        assert depth[last] >= 6


@pytest.mark.parametrize("name", ["within_cells", "least_run_cells"])
def test_numbers_of_cells_must_be_whole(name):
    sentence = f"Invalid '{name}' of 0. It must be a whole number of at least 1."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        channels_beside(network(two_threads(30)), cell_m=CELL_M, **{name: 0})
