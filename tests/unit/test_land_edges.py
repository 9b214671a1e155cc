"""Which catchments the edge of the data cuts, and whether the cells are small enough for the wash."""

import re

import numpy as np
import pytest

from washgrade.errors import GroundError, InputError
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.edges import edge_cut
from washgrade.land.fill import fill
from washgrade.land.fitness import cell_doubt, expected_width_m, known_cell_m
from washgrade.land.flow import OUTLET, VOID, downstream_cells, flow_directions, upstream_cells

ROWS, COLS = np.mgrid[0:41, 0:41]


def network(elevation_m, channel_cells=12, cell_m=10.0):
    z = elevation_m.astype(np.float32)
    dem = Dem(elevation_m=z, cell_m=cell_m, west_m=0.0, north_m=0.0, crs="EPSG:25830")
    filled = fill(z)
    ways = flow_directions(filled)
    area_m2 = channel_cells * cell_m**2
    nodes = delineate(dem, filled, ways, upstream_cells(ways), channel_area_m2=area_m2).nodes
    return z, ways, nodes


def cut_of(elevation_m, **options):
    z, ways, nodes = network(elevation_m, **options)
    return edge_cut(z, ways, cell=nodes.cell, downstream=nodes.downstream), nodes


def plain_cut(z, ways, cell, downstream):
    """Catchment by catchment, side by side, with nothing but sets."""
    rows, cols = z.shape
    to = downstream_cells(ways)
    out = []
    for outlet in cell:
        inside = set()
        for start in np.flatnonzero(ways.ravel() != VOID):
            here = int(start)
            while here != outlet and to[here] != here:
                here = int(to[here])
            if here == outlet:
                inside.add(int(start))
        divide = opened = entries = 0
        for one in inside:
            row, col = divmod(one, cols)
            for down, right in ((0, 1), (1, 0), (0, -1), (-1, 0)):
                r, c = row + down, col + right
                if 0 <= r < rows and 0 <= c < cols and not np.isnan(z[r, c]):
                    divide += r * cols + c not in inside
                    continue
                divide += 1
                if ways[row, col] == OUTLET:
                    continue

                def height(r, c):
                    return float(z[r, c]) if 0 <= r < rows and 0 <= c < cols else np.nan

                inner = np.nan
                for step in (1, 2, 3):
                    if np.isnan(height(row - step * down, col - step * right)):
                        break
                    inner = height(row - step * down, col - step * right)
                climb = float(z[row, col]) - inner
                if climb > 0:
                    opened += 1
                    here = float(z[row, col])
                    sides = [
                        [height(row + way * step * right, col + way * step * down) for step in (1, 2, 3)]
                        for way in (-1, 1)
                    ]
                    lowest = min(sides[0]) > here and min(sides[1]) >= here
                    known = not np.isnan(sides).any()
                    entries += known and lowest and min(sides[0][2], sides[1][2]) - here > climb
        out.append((opened / divide, entries))
    return np.array([share for share, _ in out]), np.array([entries for _, entries in out])


@pytest.mark.parametrize("seed", range(6))
def test_the_loops_equal_plain_sets(seed):
    rng = np.random.default_rng(seed)
    z = 100 + 8 * np.sin(ROWS[:24, :27] / 3.0 + seed) + 0.5 * COLS[:24, :27] + rng.normal(0, 1.5, (24, 27))
    if seed % 2:
        z[8:12, 5:9] = np.nan
        z[rng.random(z.shape) < 0.01] = np.nan
    z, ways, nodes = network(z, channel_cells=8)
    cut = edge_cut(z, ways, cell=nodes.cell, downstream=nodes.downstream)
    share, entries = plain_cut(z, ways, nodes.cell, nodes.downstream)
    np.testing.assert_allclose(cut.edge_share, share, rtol=1e-12)
    assert np.array_equal(cut.entries, entries)
    assert np.array_equal(cut.is_lower_bound, (entries > 0) | (share >= 0.01))


def test_a_basin_within_the_map_is_not_cut():
    # A bowl around (20, 8) that spills west: its rim is higher than the ground outside, all of it in the map.
    far = np.hypot(ROWS - 20, COLS - 20)
    z = np.where(far < 15, 50 + far, 65 - 1.5 * (far - 15)) + 0.001 * COLS
    z[20, :21] = np.linspace(20.0, 49.0, 21)
    cut, _ = cut_of(z)
    assert not cut.is_lower_bound.any()
    assert cut.edge_share.max() == 0.0
    assert cut.sentences == ()
    # The wrong twin: the same basin cut in half by the edge of the map.
    cut, nodes = cut_of(z[:, :26])
    mouth = np.argmax(nodes.upstream_area_m2)
    assert cut.is_lower_bound[mouth]
    assert cut.edge_share[mouth] > 0.1


def test_a_plane_is_cut_at_its_upper_edge_and_open_at_no_other():
    plane = 100.0 - 0.5 * ROWS
    # Straight lines down the columns: every catchment begins at the northern edge, its sides are divides.
    cut, nodes = cut_of(plane)
    assert cut.is_lower_bound.all()
    assert set(cut.open_cells.tolist()) == set(range(41))
    cells = nodes.upstream_area_m2 / 100.0
    np.testing.assert_allclose(cut.edge_share, 1.0 / (2.0 * cells + 2.0))
    assert not cut.entries.any()


def test_a_valley_that_comes_in_is_an_entry_however_short_its_edge():
    # A V valley that falls south, its sides steeper than its bed, and cut off in the north.
    valley = 100.0 - 0.1 * ROWS + 2.0 * np.abs(COLS - 20)
    cut, nodes = cut_of(valley)
    on_axis = nodes.cell % 41 == 20
    assert (cut.entries[on_axis] == 1).all()
    assert cut.is_lower_bound[on_axis].all()
    # It stays one even where its share of the divide would be let pass.
    z, ways, nodes = network(valley)
    cut = edge_cut(z, ways, cell=nodes.cell, downstream=nodes.downstream, least_share=1.0)
    assert cut.is_lower_bound[np.argmax(nodes.upstream_area_m2)]
    share = f"{100 * cut.is_lower_bound.mean():.0f} %"
    assert cut.sentences == (
        f"The edge of the data cuts the catchments of {share} of the channel: land beyond may drain in, so "
        "upstream areas there are lower bounds. A DEM that reaches over the hills mends it. If it was "
        "clipped "
        "along its divide on purpose, nothing is missing.",
    )


def test_a_dem_clipped_along_its_divide_reads_as_cut_and_is_told_so():
    # A round bowl that spills south, void beyond its rim.
    far = np.hypot(ROWS - 20, COLS - 20)
    z = np.where(far < 17, 50 + far, np.nan) + 0.001 * COLS
    z[20:38, 20] = np.linspace(49.0, 30.0, 18)
    cut, nodes = cut_of(z)
    assert cut.edge_share[np.argmax(nodes.upstream_area_m2)] > 0.5
    assert cut.sentences[0].endswith(
        "mends it. If it was clipped along its divide on purpose, nothing is missing."
    )


def test_many_nodes_take_little_time_and_deep_trees_no_recursion():
    # One wash 3000 nodes long with side washes: heavy paths, not steps, decide the time.
    rows, cols = np.mgrid[0:3000, 0:31]
    cut, nodes = cut_of(3000.0 - rows + 3.0 * np.abs(cols - 15) * (1 + (rows // 7) % 2), channel_cells=5)
    assert len(nodes) > 10_000
    assert cut.is_lower_bound[np.argmax(nodes.upstream_area_m2)]


def test_wrong_input_is_said():
    z, ways, nodes = network(100.0 - 0.5 * ROWS)
    for changed, error, sentence in (
        (
            {"least_share": 2},
            InputError,
            "Invalid 'least_share' of 2. It must be a finite number of at least 0 and of at most 1.",
        ),
        (
            {"directions": ways[:5]},
            GroundError,
            "Invalid 'directions' of shape (5, 41). It must be that of 'elevation_m', (41, 41).",
        ),
        (
            {"cell": nodes.cell[:3]},
            GroundError,
            "Invalid 'cell' and 'downstream'. They must be those of the nodes of this ground.",
        ),
        (
            {"downstream": np.zeros(len(nodes), np.int32)},
            GroundError,
            "Invalid 'downstream'. Nodes must stand upstream before downstream.",
        ),
    ):
        options = {"directions": ways, "cell": nodes.cell, "downstream": nodes.downstream} | changed
        with pytest.raises(error, match=f"^{re.escape(sentence)}$"):
            edge_cut(z, options.pop("directions"), **options)


@pytest.mark.parametrize(
    ("cell_m", "width_m", "options", "sentence"),
    [
        (1.0, 3.0, {}, ""),
        (
            2.0,
            3.0,
            {},
            "Cells of 2 m are too large for a bed of about 3 m: its width and banks and the inner side of "
            "its "
            "bends do not show and are taken from rules. A DEM with cells of 1 m would show them.",
        ),
        (
            30.0,
            3.0,
            {"units": "us"},
            "Cells of 98.4 ft are too large for a bed of about 9.8 ft: its width and banks and the inner "
            "side "
            "of its bends do not show and are taken from rules, the line of the wash may be off by 98.4 ft, "
            "bends shorter than 295 ft are cut off, and washes closer than 197 ft run together. A DEM with "
            "cells of 3.3 ft would show them.",
        ),
        (
            5.0,
            15.0,
            {"source_cell_m": 30.0},
            "Cells of 30 m, stretched onto 5 m, are too large for a bed of about 15 m: its width and banks "
            "and the inner side of its bends do not show and are taken from rules, the line of the wash may "
            "be off by 30 m, bends shorter than 90 m are cut off, and washes closer than 60 m run "
            "together. A "
            "DEM with cells of 5 m would show them.",
        ),
        (5.0, 15.0, {}, ""),
        (
            1.0,
            1.2,
            {},
            "Cells of 1 m are too large for a bed of about 1.2 m: its width and banks and the inner side "
            "of its "
            "bends do not show and are taken from rules. Measure the bed in a few places.",
        ),
    ],
)
def test_cells_too_large_for_the_bed_are_said(cell_m, width_m, options, sentence):
    assert cell_doubt(cell_m, width_m, **options) == sentence


def test_the_expected_width_is_that_of_the_larger_nodes():
    # Bieger and others 2015, Intermontane Plateaus: 1.11 m at 1 km2, exponent 0.415.
    assert expected_width_m([4e6], curve="dryland") == pytest.approx(1.11 * 4**0.415, rel=1e-12)
    assert expected_width_m([1e6, 4e6, 5e6], quantile=0.5) == pytest.approx(2.70 * 4**0.352, rel=1e-12)
    areas_m2 = np.arange(1, 102) * 1e6
    assert expected_width_m(areas_m2) == pytest.approx(2.70 * 91**0.352, rel=1e-12)
    sentence = "Invalid 'curve' of 'wide'. It must be one of 'dryland', 'general'."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        expected_width_m([1e6], curve="wide")
    sentence = "Invalid 'upstream_area_m2' without a value. It must have one for each node."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        expected_width_m([])
    sentence = "Invalid 'bed_width_m' of 0. It must be a finite number above 0."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        cell_doubt(1.0, 0)


def stretched(coarse, factor, order):
    from scipy.ndimage import zoom

    if order == 0:
        return np.kron(coarse, np.ones((factor, factor), np.float32))
    size = coarse.shape[0]
    return zoom(coarse, (size * factor - factor + 1) / size, order=1).astype(np.float32)


@pytest.mark.parametrize("factor", [2, 3, 4, 6, 10])
@pytest.mark.parametrize("order", [0, 1])
def test_a_stretched_dem_is_known_by_its_bends(factor, order):
    rng = np.random.default_rng(factor)
    coarse = np.cumsum(rng.normal(size=(60, 60)), axis=0).astype(np.float32) + 300
    assert known_cell_m(stretched(coarse, factor, order), 5.0) == 5.0 * factor


@pytest.mark.parametrize("seed", range(4))
def test_a_dem_of_its_own_cells_is_not_called_stretched(seed):
    rng = np.random.default_rng(seed)
    rough = np.cumsum(np.cumsum(rng.normal(size=(90, 120)), axis=0), axis=1)
    assert known_cell_m(rough.astype(np.float32), 5.0) == 5.0
    assert known_cell_m((100.0 - 0.5 * np.mgrid[0:90, 0:90][0]).astype(np.float32), 5.0) == 5.0
    assert known_cell_m(np.round(rough / 20).astype(np.float32), 5.0) == 5.0
