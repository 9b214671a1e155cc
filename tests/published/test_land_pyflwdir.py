"""Fill, upstream area and Strahler order against pyflwdir, a general-purpose library (a test need).

pyflwdir 0.5: `dem.fill_depressions` (Wang and Liu 2006), `FlwdirRaster.upstream_area` and `stream_order`.
Equality is exact. pyflwdir adds the depth of a hollow to its floor, which rounds; heights here are whole
1/64 m, whose sums are exact in float32, so both must give the same bits. Directions are ours: pyflwdir's own
follow the flood, not the steepest descent.
"""

from pathlib import Path

import matplotlib as mpl
import numpy as np
import pyflwdir
import pytest
from pyflwdir.dem import fill_depressions

from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.fill import fill
from washgrade.land.flow import VOID, flow_directions, upstream_cells

REAL = Path(__file__).resolve().parents[2].parent / "shared" / "reference" / "terrain"


def fault():
    """SRTM heights (public domain) that matplotlib ships, whole metres, about 3 arc-seconds a cell."""
    path = Path(mpl.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz"
    with np.load(path) as stored:
        return stored["elevation"].astype(np.float32)


def random_ground(seed, shape, voids):
    rng = np.random.default_rng(seed)
    smooth = rng.normal(0, 1, shape).cumsum(0).cumsum(1) / 8
    heights = 500 + smooth - smooth.min() + rng.normal(0, 2, shape)
    heights[rng.random(shape) < voids] = np.nan
    return (np.round(heights * 64) / 64).astype(np.float32)


GROUNDS = {
    "fault": fault,
    "random": lambda: random_ground(1, (150, 210), 0.0),
    "random with voids": lambda: random_ground(2, (120, 80), 0.02),
    "white noise": lambda: (np.random.default_rng(3).integers(0, 6400, (200, 200)) / 64).astype(np.float32),
    "steps": lambda: np.round(random_ground(4, (100, 100), 0.0) / 4).astype(np.float32) * 4,
}


def to_d8(direction):
    codes = np.zeros(256, np.uint8)
    codes[:8] = 1 << np.arange(8)
    codes[VOID] = 247
    return codes[direction]


def check(heights):
    theirs, _ = fill_depressions(heights, nodata=np.nan)
    filled = fill(heights)
    np.testing.assert_array_equal(filled, theirs)
    direction = flow_directions(filled)
    count = upstream_cells(direction)
    network = pyflwdir.from_array(to_d8(direction), ftype="d8")
    area = network.upstream_area(unit="cell")
    valid = ~np.isnan(heights)
    np.testing.assert_array_equal(count[valid], area[valid])
    assert not count[~valid].any()
    return filled, direction, count, network


@pytest.mark.parametrize("name", GROUNDS)
def test_fill_and_area(name):
    check(GROUNDS[name]())


def test_a_twin_that_fills_with_four_neighbours_would_differ():
    heights = GROUNDS["random"]()
    theirs, _ = fill_depressions(heights, nodata=np.nan, connectivity=4)
    assert (fill(heights) != theirs).any()


@pytest.mark.parametrize("name", ["fault", "random", "random with voids"])
def test_strahler_order(name):
    filled, direction, count, network = check(GROUNDS[name]())
    dem = Dem(elevation_m=filled, cell_m=10, west_m=0, north_m=0, crs="EPSG:25830")
    nodes = delineate(dem, filled, direction, count, channel_area_m2=4000).nodes
    theirs = network.stream_order(type="strahler", mask=count >= 40)
    np.testing.assert_array_equal(nodes.order, theirs.ravel()[nodes.cell])
    assert nodes.order.max() >= 3
    assert len(nodes) == np.count_nonzero(count >= 40)


@pytest.mark.skipif(not REAL.exists(), reason="the folder of open DEMs is not part of a clone")
@pytest.mark.parametrize("path", sorted(REAL.glob("*.[at][si][cf]")), ids=lambda path: path.name)
def test_open_dems(path):
    rasterio = pytest.importorskip("rasterio")
    with rasterio.open(path) as source:
        heights = source.read(1, masked=True).astype(np.float64).filled(np.nan)
    heights[np.abs(heights) > 1e5] = np.nan
    heights = (np.round(heights * 64) / 64).astype(np.float32)
    _, direction, count, _ = check(heights)
    assert count[direction == 8].sum() == np.count_nonzero(~np.isnan(heights))
    dem = Dem(elevation_m=heights, cell_m=5, west_m=0, north_m=0, crs="EPSG:25830")
    drained = condition_and_route(dem)
    assert drained.upstream_cells.ravel()[drained.outlets].sum() == np.count_nonzero(~np.isnan(heights))
