"""A site whose heights are too many to be read at once is walked, shown and checked by pieces."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import rasterio
import shapely
from dems import write_dem

from washgrade import survey
from washgrade.errors import SiteError
from washgrade.files.groundstore import check_dem, dem_bands, load_dem, load_shapes
from washgrade.files.masks import closed_cells
from washgrade.files.site import open_site
from washgrade.files.terrain import read_terrain, read_window, write_terrain
from washgrade.land import grids
from washgrade.land.dem import Dem
from washgrade.land.walkable import walking_side, walking_surface, walking_surface_of

WEST, NORTH = 500_000.0, 4_000_000.0


def rough(rows, cols):
    row, col = np.mgrid[0:rows, 0:cols].astype(np.float64)
    heights = 300.0 - 0.05 * row + 0.1 * np.abs(col - cols // 2)
    heights += np.random.default_rng(5).normal(0, 0.1, row.shape)
    heights[rows // 3 : rows // 3 + 30, cols // 2 + 40 : cols // 2 + 70] = np.nan
    return heights.astype(np.float32)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("large")
    heights = rough(203, 187)
    write_dem(folder / "dem.tif", heights, west_m=WEST, north_m=NORTH, cell_m=2.0, nodata=np.nan)
    ring = shapely.box(WEST + 120.3, NORTH - 300.7, WEST + 170.1, NORTH - 200.2)
    (folder / "no_go.geojson").write_text(
        '{"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": '
        '"urn:ogc:def:crs:EPSG::25830"}}, "features": [{"type": "Feature", "properties": {}, "geometry": '
        f"{shapely.to_geojson(ring)}}}]}}",
        encoding="utf-8",
    )
    survey.build_ground(
        folder / "site",
        [folder / "dem.tif"],
        channel_area_m2=2_000.0,
        no_go_file=folder / "no_go.geojson",
    )
    return folder / "site"


def test_the_walking_surface_is_the_same_by_bands(site, monkeypatch):
    opened = open_site(site)
    dem, no_go = load_dem(opened), load_shapes(opened, "no_go")
    whole = walking_surface(dem, closed=closed_cells(dem, no_go=no_go))
    monkeypatch.setattr(grids, "BAND_CELLS", 3_000)
    side = walking_side(dem.cell_m)
    assert side == 3
    parts = list(dem_bands(opened, whole_rows=side))
    assert len(parts) > 5
    assert all(part.shape[0] % side == 0 for part in parts[:-1])
    banded = walking_surface_of((part, closed_cells(part, no_go=no_go)) for part in parts)
    np.testing.assert_array_equal(banded.height_m, whole.height_m)
    for name in ("cell_m", "west_m", "north_m"):
        assert getattr(banded, name) == getattr(whole, name)
    closed = np.isnan(whole.height_m)
    assert 0.02 < closed.mean() < 0.5
    # The wrong twin: bands that cut walking cells in two are another ground.
    cut = [dataclasses.replace(part, elevation_m=part.elevation_m[1:]) for part in parts]
    assert walking_surface_of((part, None) for part in cut).height_m.shape != whole.height_m.shape


def test_a_terrain_is_read_coarser_by_its_overviews(tmp_path):
    heights = rough(1_101, 1_300)
    dem = Dem(elevation_m=heights, cell_m=2.0, west_m=WEST, north_m=NORTH, crs="EPSG:25830")
    write_terrain(tmp_path / "terrain.tif", dem)
    with rasterio.open(tmp_path / "terrain.tif") as source:
        assert source.overviews(1)[0] == 2
    coarse, stamp = read_terrain(tmp_path / "terrain.tif", most_cells=1_101 * 1_300 // 4 + 1)
    assert stamp
    assert coarse.shape == (550, 650)
    assert (coarse.cell_m, coarse.west_m, coarse.north_m) == (4.0, WEST, NORTH)
    blocks = heights[:1_100].reshape(550, 2, 650, 2)
    means = blocks.mean(axis=(1, 3), dtype=np.float64)
    known = ~np.isnan(means)
    # 1101 rows make 551 rows of an overview, so its rows lie up to half a cell off: 0.1 m on these slopes.
    assert np.abs(coarse.elevation_m[known] - means[known]).max() < 0.4
    assert np.abs((coarse.elevation_m - means)[known].mean()) < 0.01
    same, _ = read_terrain(tmp_path / "terrain.tif", most_cells=1_101 * 1_300)
    np.testing.assert_array_equal(same.elevation_m, heights)


def test_the_page_of_a_large_ground_is_made_from_a_coarser_one(site, monkeypatch, tmp_path):
    from washgrade.files import groundstore, terrain

    read = []

    def watched(path, *, most_cells=None):
        found = read_terrain(path, most_cells=most_cells)
        read.append(found[0].shape)
        return found

    monkeypatch.setattr(groundstore, "read_terrain", watched)
    fine = survey.write_page(site, out=tmp_path / "fine.html")
    monkeypatch.setattr(terrain, "PICTURE_CELLS", 5_000)
    coarse = survey.write_page(site, out=tmp_path / "coarse.html")
    assert read == [(203, 187), (67, 62)]
    assert coarse.stat().st_size < fine.stat().st_size


def test_a_sheet_reads_no_more_than_its_maps_show(site, monkeypatch, tmp_path):
    pytest.importorskip("reportlab")
    from washgrade.files import groundstore

    read = []

    def watched(path, rows, cols):
        read.append((rows.stop - rows.start, cols.stop - cols.start))
        return read_window(path, rows, cols)

    def refused(*_given, **_more):
        raise AssertionError("the whole terrain was read")

    monkeypatch.setattr(groundstore, "read_window", watched)
    monkeypatch.setattr(groundstore, "read_terrain", refused)
    whole = survey.write_sheet(site, out=tmp_path / "whole.pdf").read_bytes()
    assert read
    assert all(rows <= 203 and cols <= 187 for rows, cols in read)
    at_once = max(rows * cols for rows, cols in read)
    # The same sheet, byte for byte, where little may be read at once.
    read.clear()
    monkeypatch.setattr(grids, "BAND_CELLS", 2_000)
    assert survey.write_sheet(site, out=tmp_path / "bands.pdf").read_bytes() == whole
    assert max(rows * cols for rows, cols in read) <= 2_000 < at_once
    # At a large scale a page holds a small part of the ground only.
    monkeypatch.undo()
    monkeypatch.setattr(groundstore, "read_window", watched)
    read.clear()
    survey.write_sheet(site, out=tmp_path / "large.pdf", scale=1000, listed=1)
    assert 0 < max(rows * cols for rows, cols in read) < 203 * 187


def test_a_damaged_terrain_is_found_by_bands(site, tmp_path):
    opened = open_site(site)
    check_dem(opened)
    content = opened.terrain.read_bytes()
    try:
        opened.terrain.write_bytes(content[: len(content) // 2])
        sentence = r"is damaged \(.*\)\. Build the ground again: washgrade ground\.$"
        with pytest.raises(SiteError, match=sentence):
            check_dem(opened)
    finally:
        opened.terrain.write_bytes(content)
