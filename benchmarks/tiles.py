"""Time and peak memory of the chain by tiles beside the chain in memory, each in a fresh process, in one run.

Run from the project's folder: ``python benchmarks/tiles.py --cells 100000000 --memory-gb 1.5``. Both children
load the same heights (the one in memory whole, the other by windows from disk), breach, fill, find the ways
and count, and make the channels; loops are compiled before the clock starts. Peak memory is that of the
whole process, Python and its libraries included. ``--check`` compares the results cell by cell.

With ``--site`` both build a whole site from a GeoTIFF, as ``washgrade ground --memory`` does, and ``--check``
compares the terrain byte by byte and the channels table by table. Peak memory is then told twice: with the
pages of scratch files that the system keeps as long as it has room for them, and without those.
"""

from __future__ import annotations

import argparse
import filecmp
import json
import resource
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from pathlib import Path

import numpy as np

from ground import CELL_M, CHANNEL_AREA_M2, machine, made_ground
from washgrade.errors import GroundWarning

PLACE = {"cell_m": CELL_M, "west_m": 0.0, "north_m": 0.0, "crs": "EPSG:25830"}


def stored_ground(path, kind, cells, block=2_000):
    """Write a made ground: blocks of hills, mirrored so that they meet, and noise of its own in each."""
    side = int(np.sqrt(cells))
    block = min(block, side)
    hills = made_ground("hills", block * block)
    rng = np.random.default_rng(21)
    heights = np.lib.format.open_memmap(path, mode="w+", dtype=np.float32, shape=(side, side))
    for top in range(0, side, block):
        for left in range(0, side, block):
            part = hills[:: -1 if top // block % 2 else 1, :: -1 if left // block % 2 else 1]
            size = min(block, side - top), min(block, side - left)
            # A gentle fall to the south-east, so that water crosses the blocks.
            fall = 0.02 * (np.arange(size[0])[:, None] + top + np.arange(size[1]) + left)
            rough = rng.normal(0, 1, size) if kind == "rough hills" else 0.0
            heights[top : top + size[0], left : left + size[1]] = part[: size[0], : size[1]] - fall + rough
    heights.flush()


class Stored:
    """Heights in a file, read by windows."""

    def __init__(self, path):
        self.path = path
        self.shape = np.load(path, mmap_mode="r").shape

    def read(self, top, left, bottom, right):
        """Read a window."""
        return np.array(np.load(self.path, mmap_mode="r")[top:bottom, left:right])


def in_memory(path, given):
    from washgrade.land.channels import delineate
    from washgrade.land.dem import Dem
    from washgrade.land.drainage import condition_and_route

    dem = Dem(elevation_m=np.load(path), **PLACE)
    steps = Steps()
    drained = condition_and_route(dem, progress=steps)
    grids = (drained.conditioned_m, drained.directions, drained.upstream_cells)
    channels = delineate(dem, *grids, channel_area_m2=given.area_m2)
    if given.check:
        np.save(path.with_suffix(".conditioned.npy"), drained.conditioned_m)
        np.save(path.with_suffix(".directions.npy"), drained.directions)
        np.save(path.with_suffix(".cells.npy"), channels.nodes.cell)
    return steps, {"nodes": len(channels.nodes), "cuts": len(drained.cuts), "filled": drained.pits_filled}


def by_tiles(path, given):
    from washgrade.land.tiles.drain import drain_tiled
    from washgrade.land.tiles.network import Frame
    from washgrade.land.tiles.store import Scratch

    source = Stored(path)
    steps = Steps()
    memory_bytes = int(given.memory_gb * 1e9)
    with Scratch(path.parent) as scratch:
        frame = Frame(shape=source.shape, **PLACE)
        drained = drain_tiled(source, frame, scratch=scratch, memory_bytes=memory_bytes, progress=steps)
        drained_peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        channels = drained.channels(channel_area_m2=given.area_m2)
        found = {"nodes": len(channels.nodes), "cuts": len(drained.cuts), "filled": drained.pits_filled}
        found["GB before the channels"] = round(drained_peak / 1e9, 2)
        found["tiles"] = len(drained.counts.tiling)
        if given.check:
            found["equal"] = np.array_equal(
                channels.nodes.cell, np.load(path.with_suffix(".cells.npy"))
            ) and all(
                np.array_equal(
                    grid.read(*tile.box),
                    np.load(path.with_suffix(f".{name}.npy"), mmap_mode="r")[
                        tile.top : tile.bottom, tile.left : tile.right
                    ],
                )
                for name, grid in (
                    ("conditioned", drained.conditioned_m),
                    ("directions", drained.directions),
                )
                for tile in drained.counts.tiling.tiles()
            )
    return steps, found


def build_site(path, given, memory_bytes):
    """Build a site from a GeoTIFF that is made of the stored heights."""
    import rasterio

    from washgrade import survey

    heights = np.load(path, mmap_mode="r")
    tif, steps = path.with_suffix(".tif"), Steps()
    if not tif.exists():
        with rasterio.open(
            tif,
            "w",
            driver="GTiff",
            height=heights.shape[0],
            width=heights.shape[1],
            count=1,
            dtype="float32",
            crs=PLACE["crs"],
            tiled=True,
            BIGTIFF="IF_SAFER",
            transform=rasterio.Affine(CELL_M, 0, 5e5, 0, -CELL_M, 4.6e6),
        ) as raster:
            for top in range(0, heights.shape[0], 512):
                part = np.array(heights[top : top + 512])
                raster.write(part, 1, window=rasterio.windows.Window(0, top, part.shape[1], len(part)))
    site = path.parent / f"site-{memory_bytes:.0f}-{path.stem}"
    with Sampled(steps) as sampled:
        made = survey.build_ground(
            site, [tif], memory_bytes=int(memory_bytes), channel_area_m2=given.area_m2, progress=steps
        )
    found = {"nodes": made.nodes, "reaches": made.reaches, "own GB": round(sampled.peak / 1e9, 2)}
    found["own GB by step"] = {step: round(most / 1e9, 2) for step, most in sampled.by_step.items()}
    found["how"] = next(one for one in made.sentences if one.startswith("Worked on"))
    if given.check:
        other = [one for one in path.parent.glob(f"site-*-{path.stem}") if one != site]
        if other:
            found["equal"] = same_site(site, other[0])
    return steps, found


def same_site(one, other):
    """Whether two sites have the same terrain and the same nodes and reaches."""
    tables = []
    for site in (one, other):
        with sqlite3.connect(site / "site.gpkg") as connection:
            tables.append([connection.execute(told).fetchall() for told in ASKED])
    return tables[0] == tables[1] and filecmp.cmp(one / "terrain.tif", other / "terrain.tif", shallow=False)


class Sampled:
    """Peak of the memory that is the program's own, looked up twenty times a second (Linux)."""

    def __init__(self, steps):
        self.peak, self.by_step, self.steps = 0, {}, steps
        self.over = threading.Event()
        self.thread = threading.Thread(target=self.sample, daemon=True)

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.over.set()
        self.thread.join()

    def sample(self):
        """Look until it is over."""
        status = Path("/proc/self/status")
        while not self.over.wait(0.05):
            for line in status.read_text().splitlines():
                if line.startswith("RssAnon:"):
                    now = 1024 * int(line.split()[1])
                    self.peak = max(self.peak, now)
                    self.by_step[self.steps.step] = max(self.by_step.get(self.steps.step, 0), now)


class Steps:
    """Seconds by step."""

    def __init__(self):
        self.seconds = {}
        self.step, self.since = None, time.perf_counter()

    def __call__(self, words, _share):
        """Take a progress report."""
        now = time.perf_counter()
        if words != self.step:
            if self.step is not None:
                self.seconds[self.step] = self.seconds.get(self.step, 0.0) + now - self.since
            self.step, self.since = words, now


CHAINS = {"in memory": in_memory, "by tiles": by_tiles}
# What is compared of two sites.
ASKED = ("SELECT * FROM nodes", "SELECT * FROM reaches")
SITES = {
    "in memory": lambda path, given: build_site(path, given, 1e12),
    "by tiles": lambda path, given: build_site(path, given, given.memory_gb * 1e9),
}


def run(name, path, given):
    """Compile on a small ground, then take the time; runs in the child."""
    with tempfile.TemporaryDirectory() as folder:
        small = Path(folder) / "small.npy"
        stored_ground(small, given.kind, 90_000)
        chain = (SITES if given.site else CHAINS)[name]
        if given.site:
            # The build gets its loops ready itself; so small a ground need not be looked at.
            from washgrade.land.tiles.warm import warm_up_tiles
            from washgrade.land.warm import warm_up

            warm_up()
            warm_up_tiles()
        else:
            chain(small, argparse.Namespace(memory_gb=given.memory_gb, check=False, area_m2=given.area_m2))
    start = time.perf_counter()
    steps, found = chain(path, given)
    took = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(json.dumps({"seconds": took, "peak": peak, "steps": steps.seconds, **found}))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--cells", type=int, default=25_000_000)
    parser.add_argument("--memory-gb", type=float, default=1.0)
    parser.add_argument("--kind", choices=("hills", "rough hills"), default="rough hills")
    parser.add_argument("--area-m2", type=float, default=CHANNEL_AREA_M2)
    parser.add_argument("--site", action="store_true", help="build whole sites")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--only", choices=tuple(CHAINS))
    parser.add_argument("--run", choices=tuple(CHAINS), help=argparse.SUPPRESS)
    parser.add_argument("--stored", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    warnings.simplefilter("ignore", GroundWarning)
    if given.run:
        run(given.run, given.stored, given)
        return
    print(machine())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "heights.npy"
        stored_ground(path, given.kind, given.cells)
        done = {}
        for name in CHAINS if given.only is None else (given.only,):
            command = [sys.executable, __file__, "--run", name, "--stored", str(path), "--kind", given.kind]
            command += ["--area-m2", str(given.area_m2)]
            command += ["--memory-gb", str(given.memory_gb), *(["--check"] if given.check else [])]
            command += ["--site"] if given.site else []
            done[name] = json.loads(
                subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
            )
            facts = {
                key: value for key, value in done[name].items() if key not in {"seconds", "peak", "steps"}
            }
            print(f"{name:10}{done[name]['seconds']:9.1f} s{done[name]['peak'] / 1e9:8.2f} GB  {facts}")
            print("           " + ", ".join(f"{step} {s:.1f}" for step, s in done[name]["steps"].items()))
        if len(done) == 2:
            one, two = done["by tiles"], done["in memory"]
            print(
                f"by tiles takes {one['seconds'] / two['seconds']:.2f} times as long and "
                f"{one['peak'] / two['peak']:.2f} times the memory ({given.memory_gb:g} GB allowed)"
            )


if __name__ == "__main__":
    main()
