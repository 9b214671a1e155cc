"""Reading DEMs band by band into files: the same heights and the same report as all at once in memory."""

from __future__ import annotations

import re

import numpy as np
import pytest
import rasterio

from washgrade.errors import GroundWarning
from washgrade.files import mosaic
from washgrade.files.bigdem import Room, known_range, middle
from washgrade.files.rasters import read_dems
from washgrade.land import grids
from washgrade.land.grids import bands

WEST, NORTH = 500_000.0, 4_100_000.0


def rough(rows, cols, seed=5):
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[0:rows, 0:cols]
    heights = 300.0 - 0.3 * row + 0.1 * col + rng.normal(0, 1, (rows, cols))
    heights[rows // 3 : rows // 3 + 4, cols // 2 : cols // 2 + 3] = np.nan
    return heights.astype(np.float32)


def write(path, heights, *, west=WEST, north=NORTH, cell=10.0, crs="EPSG:25830", south_up=False, **more):
    filled = np.nan_to_num(heights, nan=-9999.0)
    turn = rasterio.Affine(cell, 0, west, 0, -cell, north)
    if south_up:
        filled = filled[::-1]
        turn = rasterio.Affine(cell, 0, west, 0, cell, north - cell * heights.shape[0])
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=heights.shape[0],
        width=heights.shape[1],
        count=1,
        dtype=more.pop("dtype", "float32"),
        crs=crs,
        transform=turn,
        nodata=-9999.0,
    ) as raster:
        raster.write(filled, 1)
        for name, value in more.items():
            setattr(raster, name, value)
    return path


def both(monkeypatch, paths, **how):
    whole = read_dems(paths, **how)
    monkeypatch.setattr(grids, "BAND_CELLS", 2_000)
    with Room(0) as room:
        dem, report = read_dems(paths, room=room, **how)
        assert room.grid_of(dem.elevation_m) is not None
        assert len(list(room.scratch.folder.iterdir())) == 1  # only the result is left
        banded = np.array(dem.elevation_m), dem.west_m, dem.north_m, dem.cell_m, dem.crs
        folder = room.scratch.folder
    assert not folder.exists()
    return whole, banded, report


@pytest.mark.parametrize("south_up", [False, True])
def test_a_plain_mosaic_is_the_same_bit_for_bit(monkeypatch, tmp_path, south_up):
    land = rough(130, 90)
    paths = [
        write(tmp_path / "a.tif", land[:70, :60], south_up=south_up),
        write(tmp_path / "b.tif", land[40:, 20:] + 7.0, west=WEST + 200.0, north=NORTH - 400.0),
    ]
    with pytest.warns(GroundWarning, match="differ by up to 7"):
        (dem, report), (heights, *place), banded_report = both(monkeypatch, paths)
    np.testing.assert_array_equal(heights, dem.elevation_m)
    assert place == [dem.west_m, dem.north_m, dem.cell_m, dem.crs]
    assert banded_report == report
    assert np.isnan(heights).any()
    assert not report.resampled


@pytest.mark.parametrize("cell_m", [None, 7.0, 40.0])
def test_warped_tiles_are_the_same(monkeypatch, tmp_path, cell_m):
    land = rough(160, 120)
    paths = [
        write(tmp_path / "a.tif", land[:80], cell=3e-4, west=-3.0, north=37.0, crs="EPSG:4326"),
        write(tmp_path / "b.tif", land[80:], cell=3e-4, west=-3.0, north=37.0 - 80 * 3e-4, crs="EPSG:4326"),
    ]
    (dem, report), (heights, *place), banded_report = both(monkeypatch, paths, cell_m=cell_m)
    assert place == [dem.west_m, dem.north_m, dem.cell_m, dem.crs]
    np.testing.assert_array_equal(np.isnan(heights), np.isnan(dem.elevation_m))
    # GDAL works out places to a thousandth of a cell, on slopes of up to some metres a cell.
    np.testing.assert_allclose(heights, dem.elevation_m, atol=0.01)
    assert banded_report == report
    assert report.resampled


def test_scaled_whole_numbers_with_undeclared_fillers_are_the_same(monkeypatch, tmp_path):
    land = np.nan_to_num(rough(100, 80), nan=0.0).astype(np.int16)
    land[3:9, 5] = -32768
    path = write(tmp_path / "a.tif", land, dtype="int16", scales=(0.1,), offsets=(50.0,))
    (dem, report), (heights, *_), banded_report = both(monkeypatch, [path])
    np.testing.assert_array_equal(heights, dem.elevation_m)
    assert banded_report == report
    assert any(re.search(r"6 cells hold a filler", sentence) for sentence in report.sentences)


def test_zeros_far_below_all_other_ground_are_voids_band_by_band(monkeypatch, tmp_path):
    land = rough(100, 80)
    land[90:, 60:] = 0.0
    (dem, report), (heights, *_), banded_report = both(monkeypatch, [write(tmp_path / "a.tif", land)])
    np.testing.assert_array_equal(heights, dem.elevation_m)
    assert banded_report == report
    assert np.isnan(heights[95, 70])


def test_overlaps_of_very_many_cells_are_thinned(monkeypatch, tmp_path):
    land = rough(130, 90)
    paths = [
        write(tmp_path / "a.tif", land),
        write(tmp_path / "b.tif", land + 0.7),
    ]
    monkeypatch.setattr(mosaic, "MOST_COMPARED", 500)
    with pytest.warns(GroundWarning, match=r"b\.tif lies 0\.70 m above the others throughout"):
        read_dems(paths)


def test_bands_cover_a_grid_once_in_order(monkeypatch):
    for most, shape in ((100, (57, 9)), (10, (7, 40)), (6_000_000, (3_000, 4_000))):
        monkeypatch.setattr(grids, "BAND_CELLS", most)
        cut = list(bands(shape))
        assert [row for band in cut for row in range(band.start, band.stop)] == list(range(shape[0]))
        assert len(cut) > 1


def test_a_room_gives_memory_until_its_share_is_taken():
    with Room(10_000) as room:
        first, second = room.empty((20, 20)), room.empty((20, 20))
        assert room.grid_of(first) is None
        assert room.grid_of(second) is not None
        first[:] = 3.0
        assert room.windows(first).read(0, 0, 2, 2).tolist() == [[3.0, 3.0], [3.0, 3.0]]
        assert room.windows(second) == room.grid_of(second)
    with Room() as room:
        assert room.grid_of(room.empty((500, 500))) is None


def test_nothing_known_has_no_range():
    count, low, high = known_range(np.full((3, 4), np.nan))
    assert count == 0
    assert np.isnan([low, high]).all()


def test_the_middle_of_a_grid():
    assert middle(np.arange(35).reshape(5, 7), 3).tolist() == [[9, 10, 11], [16, 17, 18], [23, 24, 25]]
    assert middle(np.arange(4).reshape(2, 2), 3).shape == (2, 2)
