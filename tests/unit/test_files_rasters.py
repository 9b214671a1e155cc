"""Reading DEMs of every kind, writing the terrain, and the relief picture."""

import re
import warnings
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.crs import CRS
from rasterio.io import MemoryFile
from rasterio.transform import Affine
from rasterio.warp import transform as transform_places
from scipy.ndimage import binary_erosion

from washgrade.errors import GroundError, GroundWarning, InputError, SiteError
from washgrade.files.rasters import read_dems
from washgrade.files.terrain import read_terrain, relief_png, terrain_stamp, write_terrain
from washgrade.land.dem import Dem

TERRAIN = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "terrain"
# A hill of 40 by 30 cells with a plane's tilt, steep enough that a wrong shift shows.
ROWS, COLS = np.mgrid[0:30, 0:40]
HILL_M = (
    500.0 + 0.7 * COLS - 1.3 * ROWS + 10.0 * np.exp(-((COLS - 20) ** 2 + (ROWS - 15) ** 2) / 60)
).astype(np.float32)
NORTH_UP = Affine(5.0, 0.0, 550000.0, 0.0, -5.0, 4106000.0)


def write(path, z, *, crs="EPSG:25830", transform=NORTH_UP, unit=None, scale=None, **options):
    z = np.asarray(z)
    bands = z if z.ndim == 3 else z[None]
    profile = {"driver": "GTiff", "height": bands.shape[1], "width": bands.shape[2], "count": len(bands)}
    profile |= {"dtype": bands.dtype.name, "transform": transform, **options}
    if crs is not None:
        profile["crs"] = CRS.from_user_input(crs)
    with rasterio.open(path, "w", **profile) as target:
        target.write(bands)
        if unit:
            target.set_band_unit(1, unit)
        if scale:
            target.scales, target.offsets = (scale[0],), (scale[1],)
    return path


COLOURS = "a.tif: This is a colour picture of 3 bands. A DEM must have one band, the height."


def test_a_fitting_grid_is_taken_over_bit_for_bit(tmp_path):
    dem, report = read_dems([write(tmp_path / "a.tif", HILL_M)])
    assert np.array_equal(dem.elevation_m, HILL_M)
    assert (dem.cell_m, dem.west_m, dem.north_m, dem.crs) == (5.0, 550000.0, 4106000.0, "EPSG:25830")
    assert (report.resampled, report.void_cells, report.z_units) == (False, 0, ("m",))
    assert report.sentences == (
        "a.tif: 30 rows and 40 columns of 5 m, ETRS89 / UTM zone 30N, heights in metres, as nothing "
        "says otherwise.",
        "The ground: 30 rows and 40 columns of 5 m on EPSG:25830, 200 m by 150 m, heights from "
        f"{HILL_M.min():.1f} m to {HILL_M.max():.1f} m.",
        "Heights were taken over as they are, without resampling.",
        "There are no voids.",
    )


def test_a_south_up_raster_is_turned_over_without_resampling(tmp_path):
    south_up = Affine(5.0, 0.0, 550000.0, 0.0, 5.0, 4106000.0 - 150.0)
    dem, report = read_dems([write(tmp_path / "a.tif", HILL_M[::-1], transform=south_up)])
    assert np.array_equal(dem.elevation_m, HILL_M)
    assert dem.north_m == 4106000.0
    assert not report.resampled


def test_tiles_are_joined_and_the_first_valid_height_wins(tmp_path):
    left = HILL_M[:, :25].copy()
    left[3:6, 20:25] = -9999.0
    right = HILL_M[:, 20:] + np.float32(0.25)
    shifted = Affine(5.0, 0.0, 550100.0, 0.0, -5.0, 4106000.0)
    paths = [
        write(tmp_path / "a.tif", left, nodata=-9999.0),
        write(tmp_path / "b.tif", right, transform=shifted),
    ]
    dem, report = read_dems(paths)
    expected = np.concatenate([HILL_M[:, :25], HILL_M[:, 25:] + np.float32(0.25)], axis=1)
    expected[3:6, 20:25] = HILL_M[3:6, 20:25] + np.float32(0.25)
    assert np.array_equal(dem.elevation_m, expected)
    assert report.files == ("a.tif", "b.tif")
    assert report.doubts == ()


def test_overlaps_that_disagree_are_warned_of(tmp_path):
    paths = [write(tmp_path / "a.tif", HILL_M), write(tmp_path / "b.tif", HILL_M + np.float32(12.0))]
    sentence = (
        "Where the DEMs overlap, their heights differ by up to 12.0 m. Check that all have the same unit and "
        "reference height."
    )
    with pytest.warns(GroundWarning, match=f"^{re.escape(sentence)}$"):
        dem, report = read_dems(paths)
    assert report.doubts == (sentence,)
    assert np.array_equal(dem.elevation_m, HILL_M)


@pytest.mark.parametrize(
    ("unit", "told", "metres"),
    [
        ("metre", None, 1.0),
        ("ft", None, 0.3048),
        ("US survey foot", None, 1200 / 3937),
        (None, "ft", 0.3048),
        (None, "us-ft", 1200 / 3937),
        (None, None, 1.0),
    ],
)
def test_heights_in_feet_by_tag_or_as_told(tmp_path, unit, told, metres):
    dem, _ = read_dems([write(tmp_path / "a.tif", HILL_M, unit=unit)], z_unit=told)
    np.testing.assert_allclose(dem.elevation_m, HILL_M * metres, rtol=1e-6)


def test_heights_in_feet_by_the_vertical_part_of_the_crs(tmp_path):
    # EPSG:6360 is NAVD88 height in US survey feet.
    path = write(tmp_path / "a.tif", HILL_M, crs="EPSG:26912+6360")
    dem, report = read_dems([path])
    assert report.z_units == ("us-ft",)
    assert dem.crs == "EPSG:26912"
    np.testing.assert_allclose(dem.elevation_m, HILL_M * 1200 / 3937, rtol=1e-6)


def test_a_grid_in_feet_becomes_metres_and_its_heights_unit_is_doubted(tmp_path):
    # EPSG:2229, California zone 5 in US survey feet: 16.4 ft cells near lon -118.
    transform = Affine(16.404, 0.0, 6_500_000.0, 0.0, -16.404, 1_900_000.0)
    path = write(tmp_path / "a.tif", HILL_M, crs="EPSG:2229", transform=transform)
    sentence = (
        "a.tif: The grid is in US survey feet and nothing says what the heights are in. US survey feet are "
        "assumed for "
        "them too; give the unit with --z-unit."
    )
    with pytest.warns(GroundWarning, match=f"^{re.escape(sentence)}$"):
        dem, _ = read_dems([path])
    assert (dem.crs, dem.cell_m) == ("EPSG:32611", 5.0)
    assert np.nanmax(dem.elevation_m) == pytest.approx(HILL_M.max() * 1200 / 3937, rel=1e-3)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        dem, _ = read_dems([path], z_unit="m")
    assert np.nanmax(dem.elevation_m) == pytest.approx(HILL_M.max(), rel=1e-3)


def test_a_tag_that_contradicts_what_was_told_is_doubted(tmp_path):
    sentence = "a.tif: The file says that its heights are in feet; they are read in metres as told."
    with pytest.warns(GroundWarning, match=f"^{re.escape(sentence)}$"):
        read_dems([write(tmp_path / "a.tif", HILL_M, unit="ft")], z_unit="m")


def test_heights_off_the_earth_are_doubted(tmp_path):
    sentence = (
        "a.tif: Heights run from 12000 to 12000 m, beyond any ground on earth. Give their unit with "
        "--z-unit, or mark "
        "the voids of the file."
    )
    with pytest.warns(GroundWarning, match=f"^{re.escape(sentence)}$"):
        read_dems([write(tmp_path / "a.tif", np.full((3, 3), 12000.0, np.float32))])


@pytest.mark.parametrize(
    ("dtype", "filler", "options"),
    [
        ("int16", -32768, {"nodata": -32768}),
        ("int16", -9999, {}),
        ("uint16", 65535, {"nodata": 65535}),
        ("float32", np.nan, {}),
        ("float32", -3.4028235e38, {}),
        ("float64", -9999.0, {"nodata": -9999.0}),
        ("float32", np.inf, {}),
    ],
)
def test_voids_of_every_kind_become_nan(tmp_path, dtype, filler, options):
    z = np.round(HILL_M).astype(dtype)
    z[5:9, 7:12] = filler
    dem, report = read_dems([write(tmp_path / "a.tif", z, **options)])
    hole = np.zeros(z.shape, bool)
    hole[5:9, 7:12] = True
    assert np.array_equal(np.isnan(dem.elevation_m), hole)
    assert np.array_equal(dem.elevation_m[~hole], np.round(HILL_M)[~hole])
    assert report.void_cells == 20
    undeclared = not options and dtype == "int16"
    assert any("hold a filler such as -9999" in sentence for sentence in report.sentences) >= undeclared


def test_scale_and_offset_are_applied(tmp_path):
    z = np.round(HILL_M * 100 - 30000).astype(np.int32)
    dem, _ = read_dems([write(tmp_path / "a.tif", z, scale=(0.01, 300.0))])
    np.testing.assert_allclose(dem.elevation_m, HILL_M, atol=0.006)


def plane_m(east, north):
    return 300.0 + 0.02 * (east - 550000.0) - 0.03 * (north - 4106000.0)


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:3035"])
def test_a_plane_stays_that_plane_through_the_warp(tmp_path, crs):
    # Heights of a plane on the UTM grid, sampled on another grid: warping back must give the plane.
    (west, east), (_, north) = transform_places("EPSG:25830", crs, [550000, 551500], [4104500, 4106000])
    cell = (east - west) / 200
    transform = Affine(cell, 0.0, west, 0.0, -cell, north)
    cols, rows = np.meshgrid(np.arange(200) + 0.5, np.arange(150) + 0.5)
    on_east, on_north = transform_places(
        crs, "EPSG:25830", (west + cols * cell).ravel(), (north - rows * cell).ravel()
    )
    z = plane_m(np.array(on_east), np.array(on_north)).reshape(cols.shape)
    path = write(tmp_path / "a.tif", z.astype(np.float64), crs=crs, transform=transform)
    dem, report = read_dems([path], crs="EPSG:25830")
    assert report.resampled
    grid_east, grid_north = np.meshgrid(
        dem.easting_m(np.arange(dem.shape[1])), dem.northing_m(np.arange(dem.shape[0]))
    )
    off = dem.elevation_m - plane_m(grid_east, grid_north)
    # The outermost cells hold the edge's own height, up to half a cell away.
    inner = binary_erosion(np.isfinite(off), iterations=2)
    assert inner.sum() > 5000
    # A hundredth of a cell on a slope of 3 % is 0.002 m; a shift of half a cell would be 0.1 m.
    assert np.abs(off[inner]).max() < 0.002


def test_a_rotated_raster_is_laid_north_up(tmp_path):
    cos, sin = 5.0 * np.cos(np.pi / 6), 5.0 * np.sin(np.pi / 6)
    turned = Affine(cos, sin, 550000.0, sin, -cos, 4106000.0)
    cols, rows = np.meshgrid(np.arange(60) + 0.5, np.arange(50) + 0.5)
    east = turned.a * cols + turned.b * rows + turned.c
    north = turned.d * cols + turned.e * rows + turned.f
    dem, report = read_dems([write(tmp_path / "a.tif", plane_m(east, north), transform=turned)])
    assert (report.resampled, dem.cell_m) == (True, 5.0)
    grid_east, grid_north = np.meshgrid(
        dem.easting_m(np.arange(dem.shape[1])), dem.northing_m(np.arange(dem.shape[0]))
    )
    off = dem.elevation_m - plane_m(grid_east, grid_north)
    known = np.isfinite(off)
    assert 0.95 * 3000 < known.sum() < 1.05 * 3000
    assert np.abs(off[binary_erosion(known, iterations=2)]).max() < 0.002


def test_voids_neither_smear_nor_grow_in_the_warp(tmp_path):
    z = np.full((60, 60), 100.0, np.float32)
    z[20:40, 20:40] = -9999.0
    transform = Affine(5e-5, 0.0, -2.4, 0.0, -5e-5, 37.1)
    dem, _ = read_dems([write(tmp_path / "a.tif", z, crs="EPSG:4326", transform=transform, nodata=-9999.0)])
    assert set(np.unique(dem.elevation_m[np.isfinite(dem.elevation_m)])) == {np.float32(100.0)}
    rows, cols = dem.shape
    inner = dem.elevation_m[rows // 6 : -rows // 6, cols // 6 : -cols // 6]
    holes = np.isnan(inner).sum() * dem.cell_m**2
    # Ground of 20 by 20 cells of 5e-5 degrees at 37.1 north: 1e-3 deg is 111.0 m by 88.9 m (WGS 84).
    assert holes == pytest.approx(111.0 * 88.9, rel=0.05)


def test_degrees_go_to_the_utm_zone_of_the_middle(tmp_path):
    transform = Affine(1e-4, 0.0, -69.0, 0.0, -1e-4, -24.0)
    dem, _ = read_dems([write(tmp_path / "a.tif", HILL_M, crs="EPSG:4326", transform=transform)])
    assert dem.crs == "EPSG:32719"
    # 1e-4 degrees at 24 south: 11.07 by 10.17 m, so squares of their area have 10.6 m.
    assert dem.cell_m == pytest.approx(10.6, abs=0.05)


def test_a_zone_that_does_not_fit_its_place_is_left(tmp_path):
    path = write(tmp_path / "a.tif", HILL_M, crs="EPSG:25829")
    assert read_dems([path])[0].crs == "EPSG:25829"
    (east,), (north,) = transform_places("EPSG:4326", "EPSG:25828", [-2.4], [37.1])
    far = write(tmp_path / "b.tif", HILL_M, crs="EPSG:25828", transform=Affine(5, 0, east, 0, -5, north))
    assert read_dems([far])[0].crs == "EPSG:32630"


def test_files_on_two_grids_are_warped_into_one(tmp_path):
    first = write(tmp_path / "a.tif", HILL_M)
    (west,), (north,) = transform_places("EPSG:25830", "EPSG:4326", [550200.0], [4106000.0])
    second = write(
        tmp_path / "b.tif", HILL_M + 30, crs="EPSG:4326", transform=Affine(5.6e-5, 0, west, 0, -4.5e-5, north)
    )
    dem, report = read_dems([first, second])
    assert dem.crs == "EPSG:32630"
    assert report.resampled
    assert np.isfinite(dem.elevation_m[10, [5, 30, 45, 70]]).all()


def test_a_coarser_cell_and_another_grid_as_told(tmp_path):
    dem, report = read_dems([write(tmp_path / "a.tif", HILL_M)], crs="EPSG:32630", cell_m=10.0)
    assert (dem.cell_m, dem.crs, report.resampled) == (10.0, "EPSG:32630", True)
    assert dem.shape in {(15, 20), (16, 21), (15, 21), (16, 20)}
    assert float(np.nanmean(dem.elevation_m)) == pytest.approx(HILL_M.mean(), abs=0.3)


def test_an_ascii_grid_without_crs_needs_to_be_told(tmp_path):
    path = tmp_path / "a.asc"
    rows = "\n".join(" ".join(f"{z:.2f}" for z in row) for row in HILL_M)
    path.write_text(
        f"ncols 40\nnrows 30\nxllcorner 550000\nyllcorner 4105850\ncellsize 5\nNODATA_value -9999\n{rows}\n"
    )
    sentence = (
        "a.asc: The file does not name its coordinate reference system. Its edges are 550000 to 550200 and "
        "4105850 to 4106000; the papers that came with it say on which grid. Give it with --dem-crs, such as "
        "--dem-crs EPSG:25830."
    )
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        read_dems([path])
    dem, report = read_dems([path], dem_crs="EPSG:25830")
    assert not report.resampled
    np.testing.assert_allclose(dem.elevation_m, HILL_M, atol=0.006)


@pytest.mark.parametrize(
    ("z", "options", "sentence"),
    [
        (np.zeros((3, 4, 4), np.uint8), {}, COLOURS),
        (
            np.full((4, 4), np.nan, np.float32),
            {},
            "a.tif: The DEM holds no height at all, only voids. Is it the right file?",
        ),
        (
            HILL_M,
            {"transform": Affine.identity()},
            "a.tif: The file does not say where it lies. It must be georeferenced.",
        ),
    ],
)
@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_what_is_no_dem_is_said(tmp_path, z, options, sentence):
    path = write(tmp_path / "a.tif", z, **options)
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        read_dems([path])


def test_missing_broken_and_empty_inputs_are_said(tmp_path):
    (tmp_path / "bad.tif").write_bytes(b"no tiff")
    sentence = "bad.tif: The file is no raster that can be read (a text)."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        read_dems([tmp_path / "bad.tif"])
    for paths, options, sentence in (
        ([], {}, "There is no DEM to read. Name at least one file."),
        ([tmp_path / "no.tif"], {}, f"no.tif: There is no such file in {tmp_path}."),
        (
            [write(tmp_path / "a.tif", HILL_M)],
            {"crs": "EPSG:4326"},
            "Invalid 'crs' of 'EPSG:4326'. It must be a projected CRS in metres, such as EPSG:25830; it is "
            "'WGS 84'.",
        ),
        (
            [tmp_path / "a.tif"],
            {"crs": "EPSG:2229"},
            "Invalid 'crs' of 'EPSG:2229'. It must be a projected CRS in metres, such as EPSG:25830; it is "
            "'NAD83 / "
            "California zone 5 (ftUS)'.",
        ),
        (
            [tmp_path / "a.tif"],
            {"crs": "zone 30"},
            "Invalid 'crs' of 'zone 30'. It must name a coordinate reference system, such as EPSG:25830.",
        ),
        (
            [tmp_path / "a.tif"],
            {"cell_m": 0.001},
            "The DEM would have 150000 rows and 200000 columns of 0.001 m. At most 400,000,000 cells fit; "
            "give coarser "
            "ones with --cell, fewer files, or --memory to work by tiles.",
        ),
    ):
        with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
            read_dems(paths, **options)
    with pytest.raises(InputError, match="^" + re.escape("Invalid 'z_unit' of 'feet'.")):
        read_dems([tmp_path / "a.tif"], z_unit="feet")


def a_dem(z=HILL_M):
    return Dem(elevation_m=z, cell_m=5.0, west_m=550000.0, north_m=4106000.0, crs="EPSG:25830")


def test_terrain_is_read_back_whole_with_the_same_bytes_each_time(tmp_path):
    z = HILL_M.copy()
    z[3, 4] = np.nan
    stamps = [write_terrain(tmp_path / name, a_dem(z)) for name in ("a.tif", "b.tif")]
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    dem, stamp = read_terrain(tmp_path / "a.tif")
    assert stamps == [stamp, stamp] == [terrain_stamp(dem)] * 2
    np.testing.assert_array_equal(dem.elevation_m, z)
    assert (dem.cell_m, dem.west_m, dem.north_m, dem.crs) == (5.0, 550000.0, 4106000.0, "EPSG:25830")
    with rasterio.open(tmp_path / "a.tif") as source:
        assert source.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.tif", "b.tif"]


def test_a_missing_terrain_is_said(tmp_path):
    sentence = f"There is no terrain.tif in {tmp_path}. Build the ground first: washgrade ground."
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        read_terrain(tmp_path / "terrain.tif")


def pixels(png):
    with warnings.catch_warnings(), MemoryFile(png) as memory:
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with memory.open() as picture:
            bands = picture.read()
            if picture.count == 1:
                table = picture.colormap(1)
                lookup = np.array([table.get(k, (0, 0, 0, 0)) for k in range(256)], np.uint8)
                return lookup[bands[0]]
    return np.moveaxis(bands if len(bands) == 4 else bands[[0, 0, 0, 1]], 0, 2)


@pytest.mark.parametrize("colour", [False, True])
def test_the_relief_lies_where_its_bounds_say(colour):
    # A bright block in a far corner of 10 km of ground; laid straight into its box it is off.
    z = np.zeros((400, 400), np.float32)
    z[:, :5] = np.nan
    dem = Dem(elevation_m=z, cell_m=25.0, west_m=250000.0, north_m=4106000.0, crs="EPSG:25830")
    shade = np.zeros((400, 400), np.uint8)
    shade[380:388, 380:388] = 255
    picture = np.dstack([shade, shade, shade, np.full_like(shade, 255)]) if colour else shade
    png, (west, south, east, north) = relief_png(dem, picture)
    assert relief_png(dem, picture)[0] == png
    seen = pixels(png)
    rows, cols = np.nonzero((seen[..., 0] > 200) & (seen[..., 3] > 0))
    height, width = seen.shape[:2]
    # Pixels are even in Web Mercator, so the middle of the block is found there.
    (left, right), (bottom, top) = transform_places("EPSG:4326", "EPSG:3857", [west, east], [south, north])
    found = (
        left + (cols.mean() + 0.5) / width * (right - left),
        top - (rows.mean() + 0.5) / height * (top - bottom),
    )
    (true_east,), (true_north,) = transform_places(
        "EPSG:25830", "EPSG:3857", [250000.0 + 384 * 25.0], [4106000.0 - 384 * 25.0]
    )
    assert found == pytest.approx((true_east, true_north), abs=20.0)
    # The wrong twin, laid straight into the box, misses by far more.
    wrong = (left + 384 / 400 * (right - left), top - 384 / 400 * (top - bottom))
    assert np.hypot(wrong[0] - true_east, wrong[1] - true_north) > 100.0
    # Voids, and the corners that the turn leaves open, are clear; and only they.
    assert seen[height // 2, 2, 3] == 0
    assert (seen[..., 3] == 0).mean() < 0.1


def test_the_relief_is_no_larger_than_told_and_small():
    z = np.random.default_rng(1).normal(size=(500, 900)).astype(np.float32)
    png, _ = relief_png(a_dem(z), np.clip(128 + 40 * z, 0, 255).astype(np.uint8), longest_px=300)
    height, width = pixels(png).shape[:2]
    assert max(height, width) <= 300
    assert width > height
    sentence = (
        "Invalid 'shade' of shape (3, 3) and type uint8. "
        "It must be uint8 of shape (500, 900) or (500, 900, 4)."
    )
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        relief_png(a_dem(z), np.zeros((3, 3), np.uint8))


if TERRAIN.exists():

    @pytest.mark.parametrize(
        ("name", "options", "crs", "resampled"),
        [
            ("gullied-hills-5m.tif", {}, "EPSG:32635", True),
            ("prairie-1m.tif", {}, "EPSG:26915", False),
            ("escarpment-5m-filled.asc", {"crs": "EPSG:32613", "dem_crs": "EPSG:32613"}, "EPSG:32613", False),
            ("gully-3m-voids.asc", {"dem_crs": "EPSG:32613"}, "EPSG:32613", False),
            ("mountain-degrees.tif", {}, "EPSG:32613", True),
        ],
    )
    def test_real_open_dems_are_read(name, options, crs, resampled):
        # Real open DEMs, sources and licences in their README.
        dem, report = read_dems([TERRAIN / name], **options)
        assert (dem.crs, report.resampled) == (crs, resampled)
        with rasterio.open(TERRAIN / name) as source:
            raw = source.read(1, masked=True)
        assert np.nanmean(dem.elevation_m) == pytest.approx(float(raw.mean()), rel=0.005)
        if not resampled:
            assert np.array_equal(np.isnan(dem.elevation_m), np.ma.getmaskarray(raw))


def test_a_folder_and_a_pattern_stand_for_the_rasters_they_hold(tmp_path):
    folder = tmp_path / "tiles"
    folder.mkdir()
    write(folder / "n1.tif", HILL_M)
    write(folder / "n2.TIF", HILL_M + np.float32(0.25))
    (folder / "readme.txt").write_text("no raster")
    by_folder, report = read_dems([folder])
    assert report.files == ("n1.tif", "n2.TIF")
    np.testing.assert_array_equal(by_folder.elevation_m, HILL_M.astype(np.float32))
    by_pattern, report = read_dems([folder / "n2.*", folder / "n1.tif", folder])
    assert report.files == ("n2.TIF", "n1.tif")
    np.testing.assert_array_equal(by_pattern.elevation_m, HILL_M + np.float32(0.25))


def test_a_folder_or_pattern_without_rasters_is_said(tmp_path):
    (tmp_path / "readme.txt").write_text("no raster")
    endings = ".tif, .tiff, .asc, .img, .vrt, .flt, .bil, .hgt, .dem"
    says = f"{tmp_path.name}: There is no raster there. It must hold files that end in {endings}."
    with pytest.raises(GroundError, match=f"^{re.escape(says)}$"):
        read_dems([tmp_path])
    says = "*.tif: There is no raster there. It must fit at least one file."
    with pytest.raises(GroundError, match=f"^{re.escape(says)}$"):
        read_dems([tmp_path / "*.tif"])
