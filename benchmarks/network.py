"""What becomes of the names of reaches when the ground is built anew; what heads, fans and threads cost.

Of the reaches that lie on an old channel, the share that keeps an id, after changes that people make: another
reach length, another threshold, another DEM. Then the time of each step as a ratio to that of delineating the
same network. On the demo's DEM, and on the open DEMs beside a developer's checkout where they are.

    python benchmarks/network.py
"""

from __future__ import annotations

import time
import warnings
from pathlib import Path

import numpy as np
import rasterio
from scipy.spatial import KDTree

from washgrade.land.beside import channels_beside
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.land.fans import find_fans
from washgrade.land.heads import slope_area_heads
from washgrade.land.inherit import inherit_ids
from washgrade.land.places import no_places
from washgrade.land.threshold import constant_drop

ROOT = Path(__file__).resolve().parents[1]
TERRAIN = ROOT.parent / "shared" / "reference" / "terrain"


def read(path):
    with rasterio.open(path) as raster:
        heights = raster.read(1).astype(np.float32)
        if raster.nodata is not None:
            heights[heights == raster.nodata] = np.nan
        place = raster.transform
    return Dem(elevation_m=heights, cell_m=place.a, west_m=place.c, north_m=place.f, crs="")


def moved(dem, heights, cell_m=None, east_m=0.0, south_m=0.0):
    return Dem(
        elevation_m=heights.astype(np.float32),
        cell_m=cell_m or dem.cell_m,
        west_m=dem.west_m + east_m,
        north_m=dem.north_m - south_m,
        crs="",
    )


def coarser(dem, times):
    rows, cols = (size // times for size in dem.shape)
    part = dem.elevation_m[: rows * times, : cols * times]
    return moved(dem, part.reshape(rows, times, cols, times).mean((1, 3)), dem.cell_m * times)


def network(dem, area_m2, max_reach_m=50.0):
    drained = condition_and_route(dem)
    grids = (drained.conditioned_m, drained.directions, drained.upstream_cells)
    return delineate(dem, *grids, channel_area_m2=area_m2, max_reach_m=max_reach_m), grids


def share_kept(channels, named, places, cell_m):
    old = np.stack([places.easting_m, places.northing_m], axis=1)
    nodes = channels.nodes
    away_m, _ = KDTree(old).query(np.stack([nodes.easting_m, nodes.northing_m], axis=1))
    near = away_m <= 1.5 * max(cell_m, float(places.cell_m[0]))
    on_old = np.bincount(nodes.reach, near) > 0.5 * np.bincount(nodes.reach)
    return named.is_kept[on_old].mean(), named.is_split[on_old].mean(), on_old.mean()


def names(dem, area_m2):
    first = inherit_ids(network(dem, area_m2)[0], no_places(), cell_m=dem.cell_m)
    heights, cell_m = dem.elevation_m, dem.cell_m
    mean = (heights[:-1, :-1] + heights[1:, :-1] + heights[:-1, 1:] + heights[1:, 1:]) / 4
    noise = np.random.default_rng(0).normal(0, 0.1, dem.shape)
    whole = network(dem, area_m2)[0]
    rows, cols = dem.shape
    builds = {
        "built again": (whole, cell_m, first.places),
        "25 m": (network(dem, area_m2, 25.0)[0], cell_m, first.places),
        "threshold halved": (network(dem, area_m2 / 2)[0], cell_m, first.places),
        "threshold doubled": (network(dem, area_m2 * 2)[0], cell_m, first.places),
        "half a cell aside": (
            network(moved(dem, mean, east_m=cell_m / 2, south_m=cell_m / 2), area_m2)[0],
            cell_m,
            first.places,
        ),
        "cells twice as large": (network(coarser(dem, 2), area_m2)[0], 2 * cell_m, first.places),
        "cells four times as large": (network(coarser(dem, 4), area_m2)[0], 4 * cell_m, first.places),
        "noise of 0.1 m": (network(moved(dem, heights + noise), area_m2)[0], cell_m, first.places),
    }
    for name, part in (
        ("north half, then all", moved(dem, heights[: rows // 2])),
        ("south half, then all", moved(dem, heights[rows // 2 :], south_m=rows // 2 * cell_m)),
        ("west half, then all", moved(dem, heights[:, : cols // 2])),
    ):
        before = inherit_ids(network(part, area_m2)[0], no_places(), cell_m=cell_m)
        builds[name] = (whole, cell_m, before.places)
    print("  change                      reaches  on old   kept  split")
    for name, (channels, new_cell_m, places) in builds.items():
        named = inherit_ids(channels, places, cell_m=new_cell_m)
        kept, split, on_old = share_kept(channels, named, places, new_cell_m)
        print(f"  {name:28s}{len(channels.reaches):7d}   {on_old:.3f}  {kept:.3f}  {split:.3f}")
    back = inherit_ids(
        whole, inherit_ids(builds["25 m"][0], first.places, cell_m=cell_m).places, cell_m=cell_m
    )
    print(f"  50 m, 25 m and back: {(back.reach_id == first.reach_id).mean():.0%} as at first")


def seconds(work, times=5):
    work()
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def costs(dem, area_m2):
    channels, grids = network(dem, area_m2)
    half, _ = network(dem, area_m2, 25.0)
    places = inherit_ids(channels, no_places(), cell_m=dem.cell_m).places
    one = seconds(lambda: delineate(dem, *grids, channel_area_m2=area_m2))
    print(f"  delineate takes {1000 * one:.1f} ms; as a ratio to that:")
    for name, work in (
        ("names, same ground", lambda: inherit_ids(channels, places, cell_m=dem.cell_m)),
        ("names, 25 m", lambda: inherit_ids(half, places, cell_m=dem.cell_m)),
        ("heads", lambda: slope_area_heads(*grids, cell_m=dem.cell_m, channel_area_m2=area_m2)),
        ("fans", lambda: find_fans(dem, channels)),
        ("beside", lambda: channels_beside(channels, cell_m=dem.cell_m)),
    ):
        print(f"  {name:28s}{seconds(work) / one:7.1f}")
    heads = slope_area_heads(*grids, cell_m=dem.cell_m, channel_area_m2=area_m2)
    both = delineate(dem, *grids, channel_area_m2=area_m2, begin=heads.cell)
    common = np.isin(channels.nodes.cell, both.nodes.cell).mean()
    print(
        f"  by area {channels.reaches.length_m.sum() / 1000:.1f} km, by area and slope "
        f"{both.reaches.length_m.sum() / 1000:.1f} km, {common:.0%} of the cells common. {heads.sentence()}"
    )
    print(f"  {channels_beside(channels, cell_m=dem.cell_m).sentence} {find_fans(dem, channels).sentence}")


def main():
    paths = [ROOT / "demo_site" / "dem.tif"]
    paths += [TERRAIN / name for name in ("gullied-hills-5m.tif", "prairie-1m.tif")]
    for path in paths:
        if not path.is_file():
            print(f"{path.name} is not here")
            continue
        dem = read(path)
        drained = condition_and_route(dem)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            area_m2 = constant_drop(
                drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=dem.cell_m
            ).channel_area_m2
        print(f"{path.name}: {dem.shape[0]} by {dem.shape[1]} cells of {dem.cell_m:g} m, {area_m2:,.0f} m²")
        names(dem, area_m2)
        costs(dem, area_m2)


if __name__ == "__main__":
    main()
