"""The filled hollows that are told of are those that scipy's labelling of connected patches finds."""

import numpy as np
import pytest
from scipy import ndimage

from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.hollows import HOLLOW_AREA_M2, HOLLOW_CELLS, HOLLOW_DEPTH_M, report_hollows
from washgrade.land.plate import ascending

CELL_M = 5.0


def rough_ground(seed):
    rng = np.random.default_rng(seed)
    heights = ndimage.gaussian_filter(rng.normal(0.0, 12.0, (60, 47)), 1.2) + rng.normal(0.0, 0.3, (60, 47))
    heights[rng.random(heights.shape) < 0.02] = np.nan
    return heights.astype(np.float32)


def slow_hollows(before, after, corners=True):
    """Deepest cell, depth, size and volume of each patch that counts, in the order of the first cells."""
    deeper = after - before
    label, count = ndimage.label(deeper > 0, np.ones((3, 3)) if corners else None)
    told = []
    for one in range(1, count + 1):
        cells = np.flatnonzero(label == one)
        depth = deeper.ravel()[cells]
        area_m2 = len(cells) * CELL_M**2
        if depth.max() >= HOLLOW_DEPTH_M and area_m2 >= max(HOLLOW_AREA_M2, HOLLOW_CELLS * CELL_M**2):
            volume_m3 = depth.sum(dtype=np.float64) * CELL_M**2
            told.append((cells[np.argmax(depth)], float(depth.max()), area_m2, volume_m3))
    return told


def found_hollows(before, after):
    dem = Dem(elevation_m=before, cell_m=CELL_M, west_m=0.0, north_m=60 * CELL_M, crs="EPSG:25830")
    report = report_hollows(
        dem, before, after, np.ones(before.shape, np.int32), max_length_m=20.0, max_depth_m=1.0
    )
    row = np.rint((dem.north_m - report.northing_m) / CELL_M - 0.5).astype(int)
    col = np.rint(report.easting_m / CELL_M - 0.5).astype(int)
    cell = row * before.shape[1] + col
    return list(zip(cell, report.depth_m, report.area_m2, report.volume_m3, strict=True))


@pytest.mark.parametrize("seed", range(8))
def test_hollows_are_those_of_the_plain_labelling(seed):
    before = rough_ground(seed)
    after = fill(before)
    told = found_hollows(before, after)
    assert len(told) > 3
    assert told == slow_hollows(before, after)


def test_patches_that_touch_at_corners_are_one_hollow():
    # The wrong twin: patches that hang together over sides only are more and smaller ones.
    before = rough_ground(1)
    after = fill(before)
    assert found_hollows(before, after) != slow_hollows(before, after, corners=False)


def test_where_nothing_is_filled_there_is_no_hollow():
    assert found_hollows(*(rough_ground(2),) * 2) == []


@pytest.mark.parametrize("size", [0, 1, 2, 3, 10, 257])
def test_the_sort_in_place_is_numpys(size):
    cells = np.random.default_rng(size).integers(0, size + 1, size).astype(np.int32)
    sorted_cells = np.sort(cells)
    ascending(cells)
    np.testing.assert_array_equal(cells, sorted_cells)
