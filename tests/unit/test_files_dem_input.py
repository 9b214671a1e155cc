"""Every bad or odd DEM that people have: what it is read as, or the sentence that says what is wrong."""

import os
import re
import zipfile
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import Transformer
from rasterio.control import GroundControlPoint
from rasterio.crs import CRS
from rasterio.enums import ColorInterp
from rasterio.transform import Affine
from scipy.ndimage import map_coordinates

from washgrade.errors import GroundError, GroundWarning, InputError
from washgrade.files.content import what_it_is
from washgrade.files.rasters import read_dems
from washgrade.files.reference import choose_unit

TERRAIN = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "terrain"
ROWS, COLS = np.mgrid[0:70, 0:90]
HILL_M = (
    500.0 + 0.7 * COLS - 1.3 * ROWS + 10.0 * np.exp(-((COLS - 40) ** 2 + (ROWS - 35) ** 2) / 60)
).astype(np.float32)
NORTH_UP = Affine(5.0, 0.0, 550000.0, 0.0, -5.0, 4106000.0)
# Exact by definition: 0.3048 m (24 FR 5348, 1959) and 1200/3937 m (85 FR 62698, NIST and NGS 2020).
FOOT_M, SURVEY_FOOT_M = 0.3048, 1200.0 / 3937.0


def write(path, z, *, crs="EPSG:25830", transform=NORTH_UP, unit=None, scale=None, colours=None, **options):
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
        if colours:
            target.colorinterp = colours
    return path


def shifted(cols, rows=0, cell=5.0):
    return Affine(cell, 0.0, 550000.0 + cols * cell, 0.0, -cell, 4106000.0 - rows * cell)


@contextmanager
def refused(sentence, error=GroundError):
    with pytest.raises(error, match=f"^{re.escape(sentence)}$"):
        yield


@contextmanager
def doubted(sentence):
    with pytest.warns(GroundWarning, match=f"^{re.escape(sentence)}$"):
        yield


# What is no DEM.


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"hello world\n" * 40, "a text"),
        (b"%PDF-1.4\n%\xe2\xe3\n1 0 obj\n", "a PDF document"),
        (b"<!DOCTYPE html><html><body>Please log in", "a web page, as when a download needs a log-in"),
        (b"<?xml version='1.0'?><metadata/>", "an XML text, such as the papers that come with a DEM"),
        (b"\x1f\x8b\x08\x00" + bytes(60), "packed with gzip; unpack it first"),
        (b"LASF" + bytes(300), "a cloud of lidar points; make a raster of heights of it first"),
        (bytes(range(256)), "its content is unknown"),
    ],
)
def test_a_file_that_is_no_raster_is_called_what_it_is(tmp_path, content, what):
    (tmp_path / "a.tif").write_bytes(content)
    with refused(f"a.tif: The file is no raster that can be read ({what})."):
        read_dems([tmp_path / "a.tif"])


def test_a_zip_archive_under_a_wrong_name_is_called_one(tmp_path):
    write(tmp_path / "a.tif", HILL_M)
    with zipfile.ZipFile(tmp_path / "b.tif", "w") as archive:
        archive.write(tmp_path / "a.tif", "a.tif")
    with refused("b.tif: The file is no raster that can be read (a zip archive)."):
        read_dems([tmp_path / "b.tif"])
    assert what_it_is(tmp_path / "a.tif") == ""


def test_empty_short_and_damaged_files_are_said(tmp_path):
    (tmp_path / "none.tif").write_bytes(b"")
    with refused("none.tif: The file is empty, 0 bytes long. Fetch it again."):
        read_dems([tmp_path / "none.tif"])
    broken = "{}: The file is damaged or cut short: not all of its heights can be read. Fetch it again."
    noisy = np.random.default_rng(1).normal(500, 9, (300, 300)).astype(np.float32)
    whole = write(tmp_path / "a.tif", noisy).read_bytes()
    for share in (0.9, 0.5):
        (tmp_path / "short.tif").write_bytes(whole[: int(share * len(whole))])
        with refused(broken.format("short.tif")):
            read_dems([tmp_path / "short.tif"])
    packed = bytearray(write(tmp_path / "p.tif", noisy, compress="deflate").read_bytes())
    half = len(packed) // 2
    packed[half : half + 4000] = b"\xa5" * 4000
    (tmp_path / "bad.tif").write_bytes(packed)
    with refused(broken.format("bad.tif")):
        read_dems([tmp_path / "bad.tif"])


def test_a_file_that_may_not_be_read_is_said(tmp_path, monkeypatch):
    path = write(tmp_path / "a.tif", HILL_M)
    if os.geteuid() == 0:
        # Root reads everything, so the refusal of the system is played.
        def closed(self, *args, **options):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "open", closed)
    else:
        path.chmod(0)
    with refused("a.tif: You have no right to read the file. Ask its owner, or read a copy of your own."):
        read_dems([path])


def test_a_virtual_raster_is_read_and_its_missing_parts_are_named(tmp_path):
    write(tmp_path / "a.tif", HILL_M)
    text = (
        '<VRTDataset rasterXSize="90" rasterYSize="70"><SRS>EPSG:25830</SRS>'
        "<GeoTransform>550000, 5, 0, 4106000, 0, -5</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        '<SourceFilename relativeToVRT="1">a.tif</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    (tmp_path / "v.vrt").write_text(text)
    assert np.array_equal(read_dems([tmp_path / "v.vrt"])[0].elevation_m, HILL_M)
    (tmp_path / "w.vrt").write_text(text.replace("a.tif", "gone.tif"))
    with refused("w.vrt: It refers to gone.tif, which is not there."):
        read_dems([tmp_path / "w.vrt"])


def test_archives_are_read_as_they_come(tmp_path):
    write(tmp_path / "e.tif", HILL_M[:, 50:], transform=shifted(50))
    write(tmp_path / "w.tif", HILL_M[:, :50])
    folder = tmp_path / "got"
    folder.mkdir()
    with zipfile.ZipFile(folder / "tiles.zip", "w") as archive:
        archive.write(tmp_path / "w.tif", "dem/w.tif")
        archive.write(tmp_path / "e.tif", "dem/e.tif")
        archive.writestr("readme.txt", "papers")
        archive.writestr("__MACOSX/dem/._w.tif", "no raster")
    for given in (folder / "tiles.zip", folder):
        dem, report = read_dems([given])
        assert np.array_equal(dem.elevation_m, HILL_M)
        assert report.files == ("tiles.zip/dem/e.tif", "tiles.zip/dem/w.tif")
    with zipfile.ZipFile(tmp_path / "papers.zip", "w") as archive:
        archive.writestr("readme.txt", "papers")
    endings = ".tif, .tiff, .asc, .img, .vrt, .flt, .bil, .hgt, .dem"
    with refused(f"papers.zip: There is no raster in the archive. It must hold files that end in {endings}."):
        read_dems([tmp_path / "papers.zip"])
    whole = (folder / "tiles.zip").read_bytes()
    (tmp_path / "short.zip").write_bytes(whole[: len(whole) // 2])
    with refused("short.zip: The archive is damaged or cut short. Fetch it again."):
        read_dems([tmp_path / "short.zip"])
    locked = bytearray(whole)
    # The flag of encryption in each entry of the directory (PKWARE APPNOTE 4.4.4, bit 0).
    place = locked.find(b"PK\x01\x02")
    while place >= 0:
        locked[place + 8] |= 1
        place = locked.find(b"PK\x01\x02", place + 4)
    (tmp_path / "locked.zip").write_bytes(locked)
    with refused("locked.zip: The archive is locked with a password. Unpack it first."):
        read_dems([tmp_path / "locked.zip"])


RGB = (ColorInterp.red, ColorInterp.green, ColorInterp.blue)


@pytest.mark.parametrize(
    ("bands", "options", "sentence"),
    [
        (
            np.zeros((3, 9, 9), np.uint8),
            {"photometric": "RGB"},
            "a.tif: This is a colour picture of 3 bands. A DEM must have one band, the height.",
        ),
        (
            np.zeros((2, 9, 9), np.float32),
            {"colours": (ColorInterp.gray, ColorInterp.undefined)},
            "a.tif: This is a file of 2 bands. A DEM must have one band, the height.",
        ),
        (
            np.zeros((9, 9), np.uint8),
            {"photometric": "PALETTE"},
            "a.tif: The file is a picture, not a DEM. Its band must hold heights.",
        ),
        (
            np.zeros((9, 9), np.complex64),
            {},
            "a.tif: The file is a picture, not a DEM. Its band must hold heights.",
        ),
        (
            np.full((9, 9), -9999.0, np.float32),
            {},
            "a.tif: The DEM holds no height at all, only voids. Is it the right file?",
        ),
        (
            HILL_M,
            {"scale": (0.0, 5.0)},
            "a.tif: The band's scale is 0 and its offset 5. The scale must be a finite number other than 0, "
            "the offset finite.",
        ),
        (
            HILL_M,
            {"transform": Affine(5.0, 0.0, 550000.0, 0.0, 0.0, 4106000.0)},
            "a.tif: The file's cells have no size. It must be georeferenced anew.",
        ),
        (
            HILL_M,
            {"crs": "EPSG:26912+6357"},
            "a.tif: Its vertical reference, 'NAVD88 depth', counts downwards. A DEM must hold heights, not "
            "depths: turn the sign of its values and name the reference for heights.",
        ),
    ],
)
def test_what_is_no_dem_is_said(tmp_path, bands, options, sentence):
    path = write(tmp_path / "a.tif", bands, **options)
    with refused(sentence):
        read_dems([path])


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_file_placed_by_control_points_only_is_said(tmp_path):
    points = [GroundControlPoint(row=r, col=c, x=c / 900, y=r / 900) for r in (0, 69) for c in (0, 89)]
    with rasterio.open(
        tmp_path / "a.tif", "w", driver="GTiff", height=70, width=90, count=1, dtype="float32"
    ) as target:
        target.write(HILL_M, 1)
        target.gcps = (points, CRS.from_epsg(4326))
    with refused(
        "a.tif: The file is placed by control points only. It must be laid out on a grid: warp it in a GIS "
        "first."
    ):
        read_dems([tmp_path / "a.tif"])


def test_bytes_that_look_like_a_picture_are_doubted(tmp_path):
    shade = np.clip(HILL_M - 380, 0, 255).astype(np.uint8)
    with doubted(
        f"a.tif: The band holds one byte a cell, values from {shade.min()} to {shade.max()}, as pictures and "
        "shaded reliefs do. Check that they are heights."
    ):
        dem, _ = read_dems([write(tmp_path / "a.tif", shade)])
    assert np.array_equal(dem.elevation_m, shade)
    # Bytes with a scale are heights that somebody packed.
    dem, report = read_dems([write(tmp_path / "b.tif", shade, scale=(0.5, 300.0))])
    assert report.doubts == ()
    np.testing.assert_allclose(dem.elevation_m, 300.0 + 0.5 * shade)


# Voids without a declaration.


@pytest.mark.parametrize(("dtype", "filler"), [("int16", 32767), ("uint16", 65535), ("int32", -999999)])
def test_the_largest_whole_number_is_a_filler(tmp_path, dtype, filler):
    z = np.round(HILL_M).astype(dtype)
    z[3:5, 3:6] = filler
    dem, report = read_dems([write(tmp_path / "a.tif", z)])
    assert np.isnan(dem.elevation_m).sum() == report.void_cells == 6


def test_zeros_far_below_all_other_ground_are_voids_and_a_coast_is_not(tmp_path):
    collar = HILL_M.copy()
    collar[:, :4] = 0.0
    dem, report = read_dems([write(tmp_path / "a.tif", collar)])
    assert np.array_equal(np.isnan(dem.elevation_m), collar == 0.0)
    lowest = collar[collar > 0].min()
    assert (
        f"a.tif: 280 cells hold exactly 0, while all other ground lies above {lowest:.1f} m; they count as "
        "voids."
    ) in report.sentences
    coast = np.maximum(HILL_M - 480.0, 0.0)
    assert not np.isnan(read_dems([write(tmp_path / "b.tif", coast)])[0].elevation_m).any()


# Where it lies.


def ascii_grid(path, west, south, cell):
    rows = "\n".join(" ".join(f"{z:.2f}" for z in row) for row in HILL_M)
    path.write_text(f"ncols 90\nnrows 70\nxllcorner {west}\nyllcorner {south}\ncellsize {cell}\n{rows}\n")
    return path


def test_degrees_without_a_crs_are_recognised(tmp_path):
    path = ascii_grid(tmp_path / "a.asc", -111.25, 33.5, 0.001)
    with refused(
        "a.asc: The file does not name its coordinate reference system. Its edges, -111.25 to -111.16 and "
        "33.5 to 33.57, look like longitudes and latitudes in degrees: if they are, give --dem-crs EPSG:4326."
    ):
        read_dems([path])
    dem, _ = read_dems([path], dem_crs="EPSG:4326")
    assert dem.crs == "EPSG:32612"
    # 0.001 degrees at 33.5 north: 92.9 by 110.9 m, so squares of their area have 101.5 m.
    assert dem.cell_m == pytest.approx(101.5, abs=0.6)


def test_a_local_grid_needs_a_place(tmp_path):
    local = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["Easting",EAST],AXIS["Northing",NORTH]]'
    path = write(tmp_path / "a.tif", HILL_M, crs=local)
    with refused(
        "a.tif: The file names the local grid 'site grid', which has no place on earth. Its edges are 550000 "
        "to 550450 and 4105650 to 4106000; the papers that came with it say on which grid. Give it with "
        "--dem-crs, such as --dem-crs EPSG:25830."
    ):
        read_dems([path])
    assert read_dems([path], dem_crs="EPSG:25830")[0].crs == "EPSG:25830"


def test_a_crs_that_is_told_and_not_needed_is_said(tmp_path):
    path = write(tmp_path / "a.tif", HILL_M)
    with doubted(
        "a.tif: The file itself names ETRS89 / UTM zone 30N, so --dem-crs EPSG:26912 is not used for it. If "
        "the file is wrong, mend its CRS in a GIS."
    ):
        dem, _ = read_dems([path], dem_crs="EPSG:26912")
    assert dem.crs == "EPSG:25830"
    assert read_dems([path], dem_crs="EPSG:25830")[1].doubts == ()


def test_a_crs_that_is_none_is_said(tmp_path):
    path = ascii_grid(tmp_path / "a.asc", 550000, 4105650, 5)
    with refused(
        "Invalid 'dem_crs' of 'zone 30'. It must name a coordinate reference system, such as EPSG:25830 or "
        "EPSG:4326."
    ):
        read_dems([path], dem_crs="zone 30")
    with refused(
        "Invalid 'dem_crs' of 'EPSG:5703'. It must be a grid or longitude and latitude, such as EPSG:25830 "
        "or "
        "EPSG:4326; it is 'NAVD88 height'."
    ):
        read_dems([path], dem_crs="EPSG:5703")


# Feet and metres.


@pytest.mark.parametrize(
    ("vertical", "unit", "metres"),
    [("5703", "m", 1.0), ("6360", "us-ft", SURVEY_FOOT_M), ("8228", "ft", FOOT_M)],
)
@pytest.mark.parametrize("told", [False, True])
@pytest.mark.filterwarnings("ignore:.*beyond any ground:washgrade.errors.GroundWarning")
def test_compound_crs_tell_the_feet_apart(tmp_path, vertical, unit, metres, told):
    # EPSG 5703, 6360 and 8228: NAVD88 height in metres, US survey feet and international feet.
    z = np.full((8, 9), 10_000.0)
    if told:
        rows = "\n".join(" ".join(f"{height:.1f}" for height in row) for row in z)
        path = tmp_path / "a.asc"
        path.write_text(f"ncols 9\nnrows 8\nxllcorner 500000\nyllcorner 3650000\ncellsize 30\n{rows}\n")
        dem, report = read_dems([path], dem_crs=f"EPSG:26912+{vertical}")
    else:
        path = write(
            tmp_path / "a.tif",
            z,
            crs=f"EPSG:26912+{vertical}",
            transform=Affine(30, 0, 500000, 0, -30, 3650240),
        )
        dem, report = read_dems([path])
    assert report.z_units == (unit,)
    # 10,000 ft: 3048.0061 m by the survey foot, 3048 m by the international; float32 has steps of 0.0002 m.
    assert float(dem.elevation_m[4, 4]) == pytest.approx(10_000 * metres, abs=0.0005)
    if unit != "m":
        wrong = FOOT_M if unit == "us-ft" else SURVEY_FOOT_M
        assert float(dem.elevation_m[4, 4]) != pytest.approx(10_000 * wrong, abs=0.0005)


@pytest.mark.filterwarnings("ignore:.*beyond any ground:washgrade.errors.GroundWarning")
def test_a_horizontal_grid_of_feet_is_placed_by_its_own_foot(tmp_path):
    # EPSG 2229 and 26945 are one projection, in US survey feet and in metres: a place 6.6 million feet out is
    # 4 m off by the wrong foot.
    transform = Affine(10.0, 0.0, 6_561_666.0, 0.0, -10.0, 1_640_000.0)
    path = write(tmp_path / "a.tif", HILL_M, crs="EPSG:2229", transform=transform, unit="metre")
    dem, _ = read_dems([path], crs="EPSG:26945", cell_m=10.0 * SURVEY_FOOT_M)
    right, wrong = 6_561_666.0 * SURVEY_FOOT_M, 6_561_666.0 * FOOT_M
    assert dem.west_m == pytest.approx(right, abs=10 * SURVEY_FOOT_M)
    assert right - wrong == pytest.approx(4.0, abs=0.05)
    # The cell that holds the hill's top lies where the survey foot puts it.
    col = np.nanargmax(dem.elevation_m) % dem.shape[1]
    top_col = np.argmax(HILL_M) % 90
    east = float(dem.easting_m(np.array([col]))[0])
    assert east == pytest.approx(right + (top_col + 0.5) * 10 * SURVEY_FOOT_M, abs=5 * SURVEY_FOOT_M)


@pytest.mark.parametrize(
    ("tag", "unit"),
    [
        ("m", "m"),
        ("[m]", "m"),
        ("Meters", "m"),
        ("metre", "m"),
        ("foot", "ft"),
        ("FEET", "ft"),
        ("[ft]", "ft"),
        ("international_foot", "ft"),
        ("foot (International)", "ft"),
        ("US survey foot", "us-ft"),
        ("US_survey_foot", "us-ft"),
        ("Foot_US", "us-ft"),
        ("ftUS", "us-ft"),
        ("us-ft", "us-ft"),
        ("feet (US survey)", "us-ft"),
        ("decimetre", "dm"),
        ("cm", "cm"),
    ],
)
def test_unit_tags_in_all_their_spellings(tag, unit):
    assert choose_unit("a.tif", None, tag, None, 1.0) == (unit, False, [])


def test_tags_that_are_unknown_or_contradict_are_doubted(tmp_path):
    with doubted("a.tif: The heights' unit 'fathom' is unknown. Metres are assumed; give it with --z-unit."):
        read_dems([write(tmp_path / "a.tif", HILL_M, unit="fathom")])
    path = write(tmp_path / "b.tif", HILL_M, unit="metre", crs="EPSG:26912+6360")
    with doubted(
        "b.tif: The unit tag says metres and the CRS says US survey feet. The tag is followed; give the unit "
        "with --z-unit."
    ):
        read_dems([path])
    # Plain feet beside a CRS in survey feet are no contradiction.
    assert choose_unit("a.tif", None, "ft", SURVEY_FOOT_M, 1.0) == ("us-ft", False, [])


def hills(relief_m):
    # Half of it steeper than the tangent below: a sine's slope is above 0.71 of its largest half of the time.
    waves = np.sin(2 * np.pi * COLS / 30) * relief_m / 2 + 0.05 * ROWS
    return (1500.0 + waves).astype(np.float32)


def test_ground_too_steep_for_any_land_hints_at_feet(tmp_path):
    # Hills of 30 degrees in metres, written in feet without a tag, on cells of 5 m.
    z = hills(0.6 * 150 / np.pi)
    path = write(tmp_path / "a.tif", z / np.float32(FOOT_M))
    slope = np.abs(np.diff(z / FOOT_M, axis=1))[:-1] / 5.0
    down = np.abs(np.diff(z / FOOT_M, axis=0))[:, :-1] / 5.0
    steep = float(np.median(np.hypot(slope, down)))
    assert steep > 1.0
    degrees = [f"{np.degrees(np.arctan(steep * factor)):.0f}" for factor in (1.0, FOOT_M)]
    with doubted(
        f"a.tif: Read in metres, as nothing says otherwise, half of the ground is steeper than {degrees[0]} "
        f"degrees; read in feet, than {degrees[1]} degrees. Give the right unit with --z-unit, or check that "
        "it is bare ground in metres."
    ):
        read_dems([path])
    # Told, it is right; and the same hills in metres are plausible.
    dem, report = read_dems([path], z_unit="ft")
    np.testing.assert_allclose(dem.elevation_m, z, rtol=1e-6)
    assert report.doubts == ()
    assert read_dems([write(tmp_path / "b.tif", z)])[1].doubts == ()


# Several files.


def test_tiles_in_feet_and_metres_are_told_apart_by_their_overlap(tmp_path):
    first = write(tmp_path / "a.tif", HILL_M)
    second = write(tmp_path / "b.tif", HILL_M[:, 20:] / np.float32(FOOT_M), transform=shifted(20))
    with doubted(
        "Where the DEMs overlap, heights of b.tif are 3.28 times those of the others, as between feet and "
        "metres. Write the unit into the files that lack it: --z-unit would count for all."
    ):
        read_dems([first, second])


def test_an_even_step_between_tiles_hints_at_two_levels(tmp_path):
    first = write(tmp_path / "a.tif", HILL_M)
    noise = np.random.default_rng(2).normal(0, 0.05, HILL_M.shape).astype(np.float32)
    second = write(tmp_path / "b.tif", (HILL_M + noise - 0.9)[:, 20:], transform=shifted(20))
    off = f"{abs(np.median((noise - 0.9)[:, 20:])):.2f}"
    with doubted(
        f"Where the DEMs overlap, b.tif lies {off} m below the others throughout, as with another reference "
        "height. Water may turn at the step along its edge; bring the files to one reference first."
    ):
        read_dems([first, second])
    # The wrong twin: as far off, but to both sides, as rough ground is.
    third = write(tmp_path / "c.tif", (HILL_M + 12 * noise)[:, 20:], transform=shifted(20))
    assert read_dems([first, third])[1].doubts == ()


def test_files_that_count_from_two_levels_are_said(tmp_path):
    # NAVD88 height (EPSG:5703; 6360 the same in survey feet) and NGVD29 height (ftUS) (EPSG:5702).
    at = Affine(5.0, 0.0, 500000.0, 0.0, -5.0, 3650000.0)
    beside = Affine(5.0, 0.0, 500450.0, 0.0, -5.0, 3650000.0)
    first = write(tmp_path / "a.tif", HILL_M, crs="EPSG:26912+5703", transform=at)
    other = write(tmp_path / "b.tif", HILL_M / SURVEY_FOOT_M, crs="EPSG:26912+5702", transform=beside)
    with doubted(
        "The heights count from different levels: a.tif from 'NAVD88 height', b.tif from 'NGVD29 height'. "
        "These may lie metres apart; bring the files to one reference first."
    ):
        read_dems([first, other])
    same = write(tmp_path / "c.tif", HILL_M / SURVEY_FOOT_M, crs="EPSG:26912+6360", transform=beside)
    assert read_dems([first, same])[1].doubts == ()


def test_tiles_of_two_cell_sizes_and_copies_are_reported(tmp_path):
    fine = write(tmp_path / "a.tif", HILL_M)
    coarse = write(tmp_path / "b.tif", HILL_M[::2, ::2], transform=shifted(45, cell=10.0))
    copy = write(tmp_path / "c.tif", HILL_M)
    dem, report = read_dems([fine, copy, coarse])
    assert dem.cell_m == 5.0
    assert (
        "The files have cells of 5 m to 10 m. Where only b.tif lies, the ground is laid out finer than it "
        "was measured."
    ) in report.sentences
    assert "c.tif: adds nothing, what it covers is known from the files before it." in report.sentences
    # The coarse one covers as much ground as the fine one, four cells for one.
    assert report.source_cell_m in (5.0, 10.0)
    assert read_dems([fine])[1].source_cell_m == 5.0
    assert read_dems([fine], cell_m=2.5)[1].source_cell_m == 5.0
    assert read_dems([write(tmp_path / "d.tif", np.kron(HILL_M, np.ones((6, 6), np.float32)))])[
        1
    ].source_cell_m == pytest.approx(30.0)


def test_files_far_apart_are_said(tmp_path):
    first = write(tmp_path / "a.tif", HILL_M)
    far = write(tmp_path / "b.tif", HILL_M, transform=shifted(40_000, -20_000))
    with refused(
        "The DEM would have 20070 rows and 40090 columns of 5 m. At most 400,000,000 cells fit; give coarser "
        "ones with --cell, fewer files, or --memory to work by tiles. b.tif lies 224 km from a.tif: do they "
        "belong together?"
    ):
        read_dems([first, far])
    sentence = (
        "The DEM would have 70 rows and 90 columns of 5 m. At most 6,000 cells fit; give coarser ones with "
        "--cell, or fewer files."
    )
    with refused(sentence):
        read_dems([first], most_cells=6_000)
    with refused("Invalid 'most_cells' of 0. It must be a whole number of at least 1.", InputError):
        read_dems([first], most_cells=0)


def test_tiles_half_a_cell_apart_give_one_plane_without_a_seam(tmp_path):
    def plane(west, north):
        cols, rows = np.meshgrid(np.arange(90) + 0.5, np.arange(70) + 0.5)
        return (800 + 0.1 * (west + 5 * cols - 550000) + 0.03 * (north - 5 * rows - 4106000)).astype("f4")

    paths = []
    for k, (west, north) in enumerate([(550000.0, 4106000.0), (550447.5, 4106002.5)]):
        at = Affine(5.0, 0.0, west, 0.0, -5.0, north)
        paths.append(write(tmp_path / f"{k}.tif", plane(west, north), transform=at))
    dem, report = read_dems(paths)
    assert report.resampled
    east, north = np.meshgrid(dem.easting_m(np.arange(dem.shape[1])), dem.northing_m(np.arange(dem.shape[0])))
    off = dem.elevation_m - (800 + 0.1 * (east - 550000) + 0.03 * (north - 4106000))
    inner = off[3:-3, 3:-3]
    assert np.isfinite(inner).all()
    # Beside the edge of a tile the last height is held for half a cell at most: 0.1 of 2.5 m.
    assert np.abs(inner).max() <= 0.33


def ten_tiles(folder, z_m, transform, crs, *, unit_m, unit=None):
    # Two rows of five tiles with uneven cuts, heights in another unit, an overlap of three cells.
    rows, cols = z_m.shape
    row_cuts = [0, rows * 9 // 20, rows]
    col_cuts = [0, *(cols * k // 5 + 3 * (k % 2) for k in range(1, 5)), cols]
    paths = []
    for i in range(2):
        for j in range(5):
            top, left = max(row_cuts[i] - 3, 0), max(col_cuts[j] - 3, 0)
            part = z_m[top : row_cuts[i + 1], left : col_cuts[j + 1]]
            at = Affine(
                transform.a,
                0.0,
                transform.c + left * transform.a,
                0.0,
                transform.e,
                transform.f + top * transform.e,
            )
            paths.append(
                write(
                    folder / f"t{i}{j}.tif",
                    (part.astype(np.float64) / unit_m).astype(np.float32),
                    crs=crs,
                    transform=at,
                    unit=unit,
                )
            )
    return paths


# Minnesota South, NAD83: EPSG 26850 is the US survey feet form of 26993 in metres (one projection).
SOUTH_FT, SOUTH_M = "EPSG:26851", "EPSG:26993"


@pytest.mark.skipif(not TERRAIN.exists(), reason="open DEMs lie beside this checkout, not in it")
@pytest.mark.parametrize(("vertical", "unit_m"), [("6360", SURVEY_FOOT_M), ("8228", FOOT_M)])
def test_ten_lidar_tiles_in_state_plane_feet_give_the_heights_back(tmp_path, vertical, unit_m):
    with rasterio.open(TERRAIN / "prairie-1m.tif") as source:
        z_m = source.read(1)
    foot = SURVEY_FOOT_M
    # Cells of 1 m exactly, written in feet, so that on the metre form of the grid nothing moves.
    transform = Affine(1 / foot, 0.0, 800_000.0 / foot, 0.0, -1 / foot, 150_000.0 / foot)
    paths = ten_tiles(tmp_path, z_m, transform, f"{SOUTH_FT}+{vertical}", unit_m=unit_m)
    dem, report = read_dems(paths, crs=SOUTH_M)
    assert set(report.z_units) == {"us-ft" if unit_m == SURVEY_FOOT_M else "ft"}
    assert (dem.cell_m, dem.shape) == (1.0, z_m.shape)
    assert (dem.west_m, dem.north_m) == pytest.approx((800_000.0, 150_000.0), abs=1e-3)
    assert np.abs(dem.elevation_m - z_m).max() < 0.001
    # The wrong twin: the other foot is off by half a millimetre at 250 m, the wrong metre by far more.
    assert np.abs(dem.elevation_m - z_m * unit_m).max() > 100


@pytest.mark.skipif(not TERRAIN.exists(), reason="open DEMs lie beside this checkout, not in it")
def test_ten_tiles_warped_to_utm_are_the_plain_interpolation_without_seams(tmp_path):
    with rasterio.open(TERRAIN / "prairie-1m.tif") as source:
        z_m = source.read(1)
    foot = SURVEY_FOOT_M
    transform = Affine(1 / foot, 0.0, 800_000.0 / foot, 0.0, -1 / foot, 150_000.0 / foot)
    paths = ten_tiles(tmp_path, z_m, transform, f"{SOUTH_FT}+6360", unit_m=foot)
    dem, report = read_dems(paths)
    assert report.resampled
    # The same places by pyproj and scipy's linear interpolation of the whole.
    east, north = np.meshgrid(dem.easting_m(np.arange(dem.shape[1])), dem.northing_m(np.arange(dem.shape[0])))
    there = Transformer.from_crs(dem.crs, SOUTH_FT, always_xy=True).transform(east.ravel(), north.ravel())
    col = (there[0] - transform.c) / transform.a - 0.5
    row = (there[1] - transform.f) / transform.e - 0.5
    inside = (col > 1) & (row > 1) & (col < z_m.shape[1] - 2) & (row < z_m.shape[0] - 2)
    plain = map_coordinates(z_m.astype(np.float64), [row, col], order=1)
    off = (dem.elevation_m.ravel() - plain)[inside]
    assert inside.sum() > 150_000
    assert np.isfinite(off).all()
    # GDAL's transformer may be a thousandth of a cell off, on banks as steep as 2: 2 mm; nearly all far less.
    assert np.percentile(np.abs(off), 99.9) < 0.001
    assert np.abs(off).max() < 0.003


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_real_dem_in_degrees_without_a_tag_is_recognised_and_read(tmp_path):
    # matplotlib's sample of SRTM heights (public domain): 3 arc-seconds, no CRS, ymin and ymax swapped.
    from matplotlib.cbook import get_sample_data

    with get_sample_data("jacksboro_fault_dem.npz") as sample:
        z, north, west, step = (sample[key] for key in ("elevation", "ymin", "xmin", "dx"))
    at = Affine(float(step), 0.0, float(west), 0.0, -float(step), float(north))
    path = write(tmp_path / "a.tif", z, crs=None, transform=at)
    with refused(
        "a.tif: The file does not name its coordinate reference system. Its edges, -84.41375 to -84.07791667 "
        "and 36.44625 to 36.73291667, look like longitudes and latitudes in degrees: if they are, give "
        "--dem-crs EPSG:4326."
    ):
        read_dems([path])
    dem, report = read_dems([path], dem_crs="EPSG:4326")
    assert (dem.crs, report.doubts) == ("EPSG:32616", ())
    # 3 arc-seconds at 36.6 north: 92.5 m by 74.5 m, so squares of their area have 83 m.
    assert dem.cell_m == pytest.approx(83.0, abs=0.3)
    assert np.nanmean(dem.elevation_m) == pytest.approx(float(z.mean()), rel=0.005)
