"""Small holes are mended, large ones and the outside are left; standing water is found."""

import re
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.fill import fillnodata
from scipy.ndimage import distance_transform_cdt, label

from washgrade.errors import GroundError, InputError
from washgrade.land.dem import Dem
from washgrade.land.voids import default_hole_m, mend_voids
from washgrade.land.water import LAKE, LAND, SEA, find_water, without_sea

TERRAIN = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "terrain"
ROWS, COLS = np.mgrid[0:60, 0:80]
PLANE_M = (812.0 + 0.31 * ROWS - 0.17 * COLS).astype(np.float32)
SMOOTH_M = (500.0 + 0.1 * ROWS + 4.0 * np.sin(ROWS / 9.0) * np.cos(COLS / 11.0)).astype(np.float32)
EIGHT = np.ones((3, 3))


def ground(elevation_m, cell_m=2.0):
    return Dem(elevation_m=elevation_m, cell_m=cell_m, west_m=550000.0, north_m=4106000.0, crs="EPSG:25830")


def holed(elevation_m):
    holes = elevation_m.copy()
    holes[10:15, 10:17] = np.nan  # 5 by 7
    holes[30, 20:50] = np.nan  # a gap one cell wide, 30 long
    holes[40:55, 60:75] = np.nan  # 15 by 15
    holes[0:6, 70:74] = np.nan  # on the edge
    holes[20, 5] = np.nan
    return holes


def test_small_holes_are_mended_and_the_rest_is_left():
    mended = mend_voids(ground(holed(PLANE_M)), max_hole_m=10.0)
    filled = mended.dem.elevation_m
    assert (mended.mended_holes, mended.mended_cells) == (3, 35 + 30 + 1)
    assert (mended.open_holes, mended.open_cells, mended.outside_cells) == (1, 225, 24)
    assert mended.is_mended.sum() == 66
    assert np.array_equal(np.isnan(filled), np.isnan(holed(PLANE_M)) & ~mended.is_mended)
    known = np.isfinite(holed(PLANE_M))
    assert np.array_equal(filled[known], PLANE_M[known])
    # A plane comes back as it was: float32 at 800 m has steps of 6e-5 m.
    np.testing.assert_allclose(filled[mended.is_mended], PLANE_M[mended.is_mended], atol=2e-4)
    assert mended.sentences() == (
        "3 holes of 66 cells in all, none wider than 10 m, mended from the ground around; the map marks "
        "them.",
        "1 hole of 225 cells in all, wider than 10 m, left as they are: what drains into them counts as "
        "gone.",
    )
    assert "none wider than 32.8 ft, mended" in mended.sentences("us")[0]


@pytest.mark.parametrize(
    ("max_hole_m", "holes"), [(0.0, 0), (2.0, 2), (9.9, 2), (10.0, 3), (29.9, 3), (30, 4)]
)
def test_the_width_of_a_hole_decides(max_hole_m, holes):
    # Widths of 1, 1, 5 and 15 cells of 2 m.
    assert mend_voids(ground(holed(PLANE_M)), max_hole_m=max_hole_m).mended_holes == holes


def test_nothing_given_is_changed_and_no_void_is_no_work():
    z = holed(PLANE_M)
    mend_voids(ground(z))
    assert np.array_equal(z, holed(PLANE_M), equal_nan=True)
    whole = ground(PLANE_M)
    mended = mend_voids(whole)
    assert mended.dem is whole
    assert mended.sentences() == ()
    assert not mended.is_mended.any()


def plain_mend(elevation_m, widest):
    """The same by general libraries: labels, a chessboard distance, least squares of all Laplacians."""
    found = elevation_m.astype(np.float64)
    mended = np.zeros(found.shape, bool)
    names, count = label(np.isnan(found), EIGHT)
    edge = np.ones(found.shape, bool)
    edge[1:-1, 1:-1] = False
    for name in range(1, count + 1):
        hole = names == name
        if (hole & edge).any():
            continue
        # The first ring has a straight neighbour on the rim; from there rings grow over corners too.
        rim_side = np.zeros_like(hole)
        for axis in (0, 1):
            for step in (-1, 1):
                rim_side |= hole & ~np.roll(hole, step, axis)
        rings = distance_transform_cdt(~rim_side, "chessboard")[hole].max() + 1
        if 2 * rings - 1 > widest:
            continue
        cells = np.argwhere(hole)
        slot = {tuple(cell): k for k, cell in enumerate(cells)}
        # Every Laplacian that touches the hole, if all of its cells are known or in the hole.
        centres = {tuple(cell) for cell in cells}
        centres |= {(r + dr, c + dc) for r, c in cells for dr, dc in ((1, 0), (-1, 0), (0, 1), (0, -1))}
        bends, known = [], []
        for r, c in sorted(centres):
            if not (0 < r < found.shape[0] - 1 and 0 < c < found.shape[1] - 1):
                continue
            line, constant = np.zeros(len(cells)), 0.0
            for near, weight in (
                ((r, c), -4),
                ((r + 1, c), 1),
                ((r - 1, c), 1),
                ((r, c + 1), 1),
                ((r, c - 1), 1),
            ):
                if near in slot:
                    line[slot[near]] += weight
                else:
                    constant += weight * elevation_m[near].astype(np.float64)
            if np.isfinite(constant):
                bends.append(line)
                known.append(constant)
        solved = np.linalg.lstsq(np.array(bends), -np.array(known), rcond=None)[0]
        rim = [elevation_m[near] for near in centres - slot.keys()]
        slack = 0.25 * (max(rim) - min(rim))
        found[hole] = np.clip(solved, min(rim) - slack, max(rim) + slack)
        mended |= hole
    return found, mended


@pytest.mark.parametrize("seed", range(6))
def test_the_loops_equal_dense_least_squares(seed):
    rng = np.random.default_rng(seed)
    z = rng.normal(300.0, 20.0, (40, 50)).astype(np.float32)
    z[rng.random(z.shape) < (0.1, 0.3, 0.4, 0.5, 0.6, 0.25)[seed]] = np.nan
    for _ in range(4):
        row, col = rng.integers(1, 30, 2)
        z[row : row + 9, col : col + rng.integers(2, 12)] = np.nan
    mended = mend_voids(ground(z, 1.0), max_hole_m=7.0)
    expected, is_mended = plain_mend(z, 7)
    assert np.array_equal(mended.is_mended, is_mended)
    np.testing.assert_allclose(mended.dem.elevation_m, expected, atol=1e-3)


if TERRAIN.exists():

    @pytest.mark.parametrize(("name", "share"), [("gullied-hills-5m.tif", 0.75), ("prairie-1m.tif", 0.35)])
    @pytest.mark.parametrize("width", [3, 10])
    def test_holes_punched_into_real_ground_come_back(name, share, width):
        # Real open DEMs, sources and licences in their README; GDAL's inverse distances beside ours.
        with rasterio.open(TERRAIN / name) as source:
            z = source.read(1)[:400, :400].astype(np.float32)
        punched = z.copy()
        for row in range(10, 360, 2 * width + 14):
            for col in range(10, 360, 2 * width + 14):
                punched[row : row + width, col : col + width] = np.nan
        mended = mend_voids(ground(punched, 1.0), max_hole_m=width)
        theirs = fillnodata(punched.copy(), mask=np.isfinite(punched), smoothing_iterations=0)
        off = [
            np.sqrt(np.mean((some - z)[mended.is_mended] ** 2)) for some in (mended.dem.elevation_m, theirs)
        ]
        # Measured: 0.28 of 0.44 m and 0.39 of 0.82 m on the hills, 0.026 of 0.113 m and 0.071 of 0.265 m.
        assert off[0] < share * off[1]


def test_a_plate_never_flies_off():
    # A step beside the hole: the plate would go on upwards.
    z = np.full((40, 40), 300.0, np.float32)
    z[8:25, 8:25] = np.nan
    z[:8] = 300.0 + 40.0 * np.arange(8)[:, None]
    mended = mend_voids(ground(z, 1.0), max_hole_m=20.0)
    inside = mended.dem.elevation_m[mended.is_mended]
    assert inside.min() >= 300.0 - 0.25 * 280.0 - 1e-3
    assert inside.max() <= 580.0 + 0.25 * 280.0 + 1e-3


def test_a_smooth_surface_comes_back_better_than_by_inverse_distances():
    # rasterio's fillnodata (GDAL: inverse distance along rays, smoothed) on the same holes is the reference.
    z = holed(SMOOTH_M)
    mended = mend_voids(ground(z), max_hole_m=10.0)
    ours = mended.dem.elevation_m[mended.is_mended] - SMOOTH_M[mended.is_mended]
    theirs = fillnodata(z.copy(), mask=np.isfinite(z), max_search_distance=40.0, smoothing_iterations=0)
    theirs = theirs[mended.is_mended] - SMOOTH_M[mended.is_mended]
    # Measured: 0.001 m against 0.171 m.
    assert np.sqrt(np.mean(ours**2)) < 0.1 * np.sqrt(np.mean(theirs**2))


def test_a_wrong_width_is_said():
    sentence = "Invalid 'max_hole_m' of -1. It must be a finite number of at least 0."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        mend_voids(ground(PLANE_M), max_hole_m=-1)
    assert default_hole_m(10.0) == 30.0


def lake_land():
    # A valley falling south with a lake of 12 by 14 cells at 520 m; the outlet is its southern neighbour.
    z = (560.0 - 0.9 * ROWS + 0.4 * np.abs(COLS - 40) + 0.01 * np.sin(COLS)).astype(np.float32)
    z[20:32, 33:47] = 541.0
    z[19, 32:48] = np.maximum(z[19, 32:48], 541.5)
    z[32:36, 32:48] = np.maximum(z[32:36, 32:48], 541.25)
    z[32:36, 40] = [540.9, 540.5, 540.0, 539.0]
    z[20:32, 32] = z[20:32, 47] = 542.0
    return z


def test_a_lake_is_found_and_named():
    z = lake_land()
    water = find_water(ground(z, 10.0))
    assert (water.kind == LAKE).sum() == 12 * 14
    assert np.array_equal(water.kind == LAKE, z == 541.0)
    assert (len(water), water.level_m[0], water.area_m2[0]) == (1, 541.0, 16800.0)
    assert water.sentences() == (
        "1 level patch of 1.7 ha in all, the largest 1.7 ha at 541.0 m: lakes or filled hollows. Water is "
        "led "
        "through; lines of flow across them are no washes.",
    )
    # 16,800 square metres and 541 m, by an acre of 4,046.856 square metres and a foot of 0.3048 m.
    assert "the largest 4.2 acres at 1,774.9 ft: lakes" in water.sentences("us")[0]
    on = water.is_on_water(np.array([25 * 80 + 40, 5 * 80 + 40]))
    assert on.tolist() == [True, False]
    # The wrong twin: the same patch on a slope, its lower rim open, is a tread and no lake.
    tread = (560.0 - 0.9 * ROWS + 0.013 * COLS).astype(np.float32)
    tread[20:32, 33:47] = tread[26, 40]
    assert len(find_water(ground(tread, 10.0))) == 0
    # Too small for two acres.
    assert len(find_water(ground(z, 5.0))) == 0


def test_the_sea_is_left_out_and_its_shore_lets_water_out():
    z = np.maximum(PLANE_M - PLANE_M[30, 40], 0.0)
    dem = ground(z, 10.0)
    water = find_water(dem)
    assert np.array_equal(water.kind == SEA, z == 0.0)
    land = without_sea(dem, water)
    assert np.array_equal(np.isnan(land.elevation_m), z == 0.0)
    hectares = (z == 0.0).sum() * 100 / 1e4
    assert water.sentences() == (
        f"{hectares:,.1f} ha of level ground at 0.0 m on the edge of the map, the lowest there is: taken as "
        "sea or the lake below, left out of the ground; water leaves at its shore.",
    )
    dry = ground(PLANE_M)
    assert without_sea(dry, find_water(dry)) is dry


def test_steps_of_whole_metres_are_no_lakes():
    # Gentle ground in whole metres: level treads of hectares, all of them land.
    treads = np.round(PLANE_M)
    assert (np.diff(treads, axis=1) == 0).mean() > 0.5
    water = find_water(ground(treads, 30.0))
    assert len(water) == 0
    # Only a sea at 0 is sea there, a lake only from ten times the size.
    sea = np.maximum(treads - 812.0, 0.0)
    water = find_water(ground(sea, 30.0))
    assert np.array_equal(water.kind == SEA, sea == 0.0)
    assert (water.kind == LAND).sum() == (sea > 0).sum()


def plain_patches(z, least):
    found = {}
    for level in np.unique(z[np.isfinite(z)]):
        names, count = label(z == level)
        for name in range(1, count + 1):
            patch = names == name
            if patch.sum() < least:
                continue
            rim = lower = inner = 0
            edge = False
            for r, c in np.argwhere(patch):
                alone = True
                for dr in (-1, 0, 1):
                    for dc in (-1, 0, 1):
                        if (dr, dc) == (0, 0):
                            continue
                        near = (r + dr, c + dc)
                        if not (0 <= near[0] < z.shape[0] and 0 <= near[1] < z.shape[1]) or np.isnan(z[near]):
                            edge = True
                        elif z[near] != level:
                            alone = False
                            rim += 1
                            lower += z[near] < level
                inner += alone
            if inner < 0.1 * patch.sum():
                continue
            # The lowest ground is sea only where heights do not go up in steps, as these do.
            sea = edge and lower == 0 and level == 0.0
            if sea or lower <= 0.1 * rim:
                found[int(np.flatnonzero(patch.ravel())[0])] = (int(patch.sum()), float(level), sea)
    return found


@pytest.mark.parametrize("seed", range(5))
def test_patches_equal_a_plain_search(seed):
    rng = np.random.default_rng(seed)
    z = np.round(3 * np.sin(ROWS / (4 + seed)) + 3 * np.cos(COLS / 7) + rng.normal(0, 0.2, ROWS.shape))
    z = (np.maximum(z, -2.0) + 2.0 * (seed % 2)).astype(np.float32)
    z[rng.random(z.shape) < 0.004] = np.nan
    water = find_water(ground(z, 1.0), least_area_m2=12.0)
    expected = plain_patches(z, 12)
    assert len(expected) >= 3
    found = dict(
        zip(
            water.cell.tolist(),
            zip(
                water.area_m2.astype(int).tolist(), water.level_m.tolist(), water.is_sea.tolist(), strict=True
            ),
            strict=True,
        )
    )
    assert found == expected
    assert (water.kind != LAND).sum() == sum(size for size, _, _ in expected.values())
    assert (water.kind == SEA).sum() == sum(size for size, _, sea in expected.values() if sea)


def test_wrong_water_is_said():
    sentence = "Invalid 'least_area_m2' of 0. It must be a finite number above 0."
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        find_water(ground(PLANE_M), least_area_m2=0)
    sentence = "Invalid 'water' of shape (60, 80). It must be that of the DEM, (50, 80)."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        without_sea(ground(PLANE_M[:50]), find_water(ground(PLANE_M)))
    flat = ground(np.zeros((60, 80), np.float32), 30.0)
    sentence = "The DEM is level throughout: all of it looks like sea. It must hold some land."
    with pytest.raises(GroundError, match=f"^{re.escape(sentence)}$"):
        without_sea(flat, find_water(flat))
