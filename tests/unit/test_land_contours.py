"""Contour lines: what they are made of, and the same lines as a general library draws."""

import contourpy
import numpy as np
import pytest
import shapely

from washgrade.errors import InputError
from washgrade.land.contours import block_means_m, contour_lines
from washgrade.land.dem import Dem


def ground(heights, cell_m=10.0):
    return Dem(
        elevation_m=np.asarray(heights, np.float32),
        cell_m=cell_m,
        west_m=500.0,
        north_m=900.0,
        crs="EPSG:25830",
    )


def hills(seed, rows=40, cols=50):
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[0:rows, 0:cols].astype(np.float64)
    heights = np.zeros((rows, cols))
    for _ in range(6):
        top_row, top_col, wide = rng.uniform(0, rows), rng.uniform(0, cols), rng.uniform(3, 10)
        heights += rng.normal() * 20 * np.exp(-((row - top_row) ** 2 + (col - top_col) ** 2) / wide**2)
    return heights.astype(np.float32)


@pytest.mark.parametrize("seed", range(8))
def test_lines_are_those_of_a_general_library(seed):
    """contourpy (matplotlib's engine), serial algorithm, joins saddles by the mean of the four as well."""
    dem = ground(hills(seed))
    if seed % 2:
        dem.elevation_m[10:14, 20:25] = np.nan
    east = dem.easting_m(np.arange(dem.shape[1]))
    north = dem.northing_m(np.arange(dem.shape[0]))
    oracle = contourpy.contour_generator(
        east, north, np.ma.masked_invalid(dem.elevation_m), corner_mask=False
    )
    levels = np.nanquantile(dem.elevation_m, [0.05, 0.25, 0.5, 0.75, 0.95]).astype(np.float64) + 1e-4
    for level in levels:
        ours = shapely.union_all([shapely.LineString(line) for line in contour_lines(dem, level)])
        theirs = shapely.union_all([shapely.LineString(line) for line in oracle.lines(level)])
        assert ours.length == pytest.approx(theirs.length, rel=1e-6, abs=1e-6)
        assert theirs.length > 100.0
        assert shapely.hausdorff_distance(ours, theirs) < 1e-3


def test_a_cone_gives_a_ring_at_its_distance():
    row, col = np.mgrid[0:101, 0:101]
    dem = ground(100.0 - np.hypot(row - 50, col - 50) * 10.0)
    (ring,) = contour_lines(dem, -200.0)
    assert ring[0].tolist() == ring[-1].tolist()
    away_m = np.hypot(ring[:, 0] - dem.easting_m(np.array([50])), ring[:, 1] - dem.northing_m(np.array([50])))
    # Linear between centres 10 m apart on a circle of 300 m: off by less than 10²/8/300 m.
    assert away_m == pytest.approx(300.0, abs=0.05)


def test_a_level_on_the_cells_themselves_breaks_nothing():
    dem = ground([[0, 1, 0], [1, 1, 1], [0, 1, 0]])
    lines = contour_lines(dem, 1.0)
    assert all(np.isfinite(line).all() and len(line) >= 2 for line in lines)
    assert contour_lines(dem, 5.0) == ()
    with pytest.raises(InputError, match=r"^Invalid 'level_m' of nan\. It must be a finite number\.$"):
        contour_lines(dem, np.nan)


def test_blocks_are_their_means_and_a_void_beside_ground_does_not_darken_it():
    heights = np.arange(36, dtype=np.float32).reshape(6, 6)
    assert block_means_m(heights, 3).tolist() == [[7.0, 10.0], [25.0, 28.0]]
    assert block_means_m(heights, 1) is heights
    # What fills no block is left out.
    assert block_means_m(heights, 4).tolist() == [[10.5]]
    assert block_means_m(heights, 7).shape == (0, 0)
    heights[:3, :2] = np.nan
    assert np.isnan(block_means_m(heights, 3)[0, 0])
    heights[:3, 1] = 4.0
    assert block_means_m(heights, 3)[0, 0] == np.nanmean(heights[:3, :3])
