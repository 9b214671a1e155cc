"""After `warm_up` the build of a ground compiles nothing more: counted in a process of its own."""

import subprocess
import sys

# Every loop of the ground with the kinds of arguments for which it is compiled, before and after a build.
COUNT = """
import importlib, pkgutil, sys, warnings
import numpy as np
import washgrade.land
from numba.core.registry import CPUDispatcher

def compiled():
    found = {}
    for module in pkgutil.iter_modules(washgrade.land.__path__, "washgrade.land."):
        if not module.ispkg:
            for name, value in vars(importlib.import_module(module.name)).items():
                if isinstance(value, CPUDispatcher) and value.py_func.__module__ == module.name:
                    found[module.name + "." + name] = set(value.signatures)
    return found

from washgrade.land import above, beside, channels, dem, drainage, edges, fans, heads, inherit, places
from washgrade.land import reachsections, reachshape, shape, threshold, voids, warm, water

if sys.argv[1] == "warm":
    warm.warm_up()
else:
    drainage.warm_up = lambda: None
before = compiled()
rng = np.random.default_rng(4)
row, col = np.mgrid[0:60, 0:50]
heights = (90 - 0.5 * row + 0.3 * np.abs(col - 25) + rng.normal(0, 0.3, row.shape)).astype(np.float32)
heights[30:40, 5:15] = 55.0
heights[10:12, 10:12] = np.nan
raw = dem.Dem(elevation_m=heights, cell_m=5.0, west_m=0.0, north_m=300.0, crs="EPSG:25830")
whole = voids.mend_voids(raw).dem
ground = water.without_sea(whole, water.find_water(whole))
done = drainage.condition_and_route(ground)
ways = (done.conditioned_m, done.directions, done.upstream_cells)
with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    threshold.constant_drop(*ways, cell_m=5.0)
begin = heads.slope_area_heads(*ways, cell_m=5.0, channel_area_m2=2000.0).cell
network = channels.delineate(ground, *ways, channel_area_m2=2000.0, begin=begin)
network = inherit.inherit_ids(network, places.no_places(), cell_m=5.0).channels
lie = shape.measure_shape(whole, network)
fans.find_fans(whole, network)
beside.channels_beside(network, cell_m=5.0)
nodes = network.nodes
edges.edge_cut(ground.elevation_m, done.directions, cell=nodes.cell, downstream=nodes.downstream)
reachsections.reach_sections(whole, network, width_m=reachshape.reach_shape(network, lie).width_m)
above.above_channel(ground, network, done.directions)
dem.hillshade(whole)
after = compiled()
print(sum(len(kinds) for kinds in before.values()))
print(*sorted(name for name in after if after[name] - before[name]))
"""


# The same for a whole build by tiles.
COUNT_TILES = (
    COUNT[: COUNT.index("from washgrade.land import above")].replace(
        """pkgutil.iter_modules(washgrade.land.__path__, "washgrade.land.")""",
        """pkgutil.walk_packages(washgrade.land.__path__, "washgrade.land.")""",
    )
    + """
import tempfile
from pathlib import Path
import rasterio
from washgrade import survey
from washgrade.land.tiles import warm as tiles_warm
from washgrade.land.warm import warm_up

warm_up()
if sys.argv[1] == "warm":
    tiles_warm.warm_up_tiles()
else:
    tiles_warm.warm_up_tiles = lambda: None
before = compiled()
rng = np.random.default_rng(4)
row, col = np.mgrid[0:380, 0:380]
heights = (900 - 0.5 * row + 0.3 * np.abs(col - 190) + rng.normal(0, 0.3, row.shape)).astype(np.float32)
heights[30:40, 5:15] -= 40.0
heights[10:12, 10:12] = np.nan
folder = Path(sys.argv[2])
with rasterio.open(
    folder / "dem.tif", "w", driver="GTiff", height=380, width=380, count=1, dtype="float32",
    crs="EPSG:25830", transform=rasterio.Affine(5.0, 0, 5e5, 0, -5.0, 4e6), nodata=np.nan,
) as raster:
    raster.write(heights, 1)
with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    made = survey.build_ground(folder / "site", [folder / "dem.tif"], memory_bytes=8.5e6, heads="slope-area")
assert any("by tiles" in sentence for sentence in made.sentences)
after = compiled()
print(sum(len(kinds) for kinds in before.values()))
print(*sorted(name for name in after if after[name] - before[name]))
"""
)


def compiled_late(how, count=COUNT, *more):
    told = subprocess.run(
        [sys.executable, "-c", count, how, *more], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    return int(told[0]), told[1].split()


def test_nothing_is_compiled_after_warming_up():
    ready, late = compiled_late("warm")
    assert ready > 40
    assert late == []


def test_without_warming_up_the_loops_are_compiled_by_the_build():
    # The wrong twin: the same count sees what is compiled when nothing was made ready.
    ready, late = compiled_late("cold")
    assert ready == 0
    assert len(late) > 40


def test_nothing_is_compiled_after_warming_up_for_tiles(tmp_path):
    (tmp_path / "warm").mkdir()
    _, late = compiled_late("warm", COUNT_TILES, str(tmp_path / "warm"))
    assert late == []
    # The wrong twin: what is ready for the work in memory does not do.
    (tmp_path / "half").mkdir()
    _, late = compiled_late("half", COUNT_TILES, str(tmp_path / "half"))
    assert len(late) > 10
