"""Time the ground chain beside the general-purpose libraries that do parts of it, and compare their results.

Run in an environment that holds them (``make bench-others`` makes one; none is a need of washgrade):
``python benchmarks/ground_others.py --cells 4000000 25000000 --write``. Every library runs in fresh processes
of its own, on the same DEM from disk, after a run on a small one so that compiling is not counted; a step's
time is the best of the repeats. Peak memory is the growth of the resident set over what it was with the DEM
loaded (Linux). ``--write`` puts the tables into docs/benchmarks-ground.md. Numbers from a busy machine are
no good: the table says so if it was busy. ``--keep FILE`` remembers what was measured, so that the sizes may
be run one after the other.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.metadata
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np

from document import written
from ground import CELL_M, dem_of, machine, real_grounds
from washgrade.land.above import above_channel
from washgrade.land.breach import breach
from washgrade.land.channels import delineate, reach_lines
from washgrade.land.dem import horn_gradient
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, downstream_cells, flow_directions, route, upstream_cells

DOCUMENT = Path(__file__).resolve().parents[1] / "docs" / "benchmarks-ground.md"
STEPS = ("breach", "fill", "directions", "area", "network", "above", "slope")
CHANNEL_CELLS = 800
BREACH_CELLS = 10
VOID_M = -32768.0
PATIENCE_S = 600.0
WARM_CELLS = 40_000
KINDS = ("valleys", "rough", "whole metres")


def carved_ground(kind, cells):
    """Heights of fractal hills with valleys cut into them, as float32; the same for the same arguments.

    ``rough`` adds a quarter of a metre of noise, as lidar has; ``whole metres`` rounds, as old DEMs do.
    """
    side = int(np.sqrt(cells))
    rng = np.random.default_rng(20)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = 1.0
    spectrum = np.fft.rfft2(rng.standard_normal((side, side))) * wave**-2.0
    del wave
    hills = np.fft.irfft2(spectrum, s=(side, side))
    del spectrum
    heights = (500 + 80 * hills / hills.std()).astype(np.float32)
    del hills
    heights = fill(heights)
    # Twice, so that the valleys join up: the bed lies the lower the more ground drains through it.
    for _ in range(2):
        heights = fill(heights - 1.5 * np.log2(upstream_cells(flow_directions(heights))).astype(np.float32))
    if kind == "rough":
        heights += rng.normal(0, 0.25, heights.shape).astype(np.float32)
    elif kind == "whole metres":
        heights = np.round(heights)
    return heights


# Each chain yields the name of a step when it is done; "keep" carries results to be compared, untimed.
def washgrade_chain(heights, cell_m, method="least deviation", opened=True):
    dem = dem_of(heights, cell_m)
    ground = heights
    if opened:
        ground = breach(heights, cell_m=cell_m, max_length_m=BREACH_CELLS * cell_m).elevation_m
        yield "breach", None
    filled = fill(ground)
    yield "fill", None
    del ground
    if method == "steepest":
        ways = flow_directions(filled)
        yield "directions", None
        count = upstream_cells(ways)
        yield "area", None
    else:
        # One pass gives both; it is put down under the first.
        ways, count = route(filled, method=method)
        yield "directions", None
        yield "area", None
    channels = delineate(dem, filled, ways, count, channel_area_m2=CHANNEL_CELLS * cell_m**2, max_reach_m=1e9)
    reach_lines(channels)
    yield "network", None
    above = above_channel(dem, channels, ways)
    yield "above", None
    yield "keep", lambda: compared(filled, ways, count, above)
    np.hypot(*horn_gradient(heights, cell_m))
    yield "slope", None


def compared(filled, ways, count, above):
    below = filled.ravel()[np.maximum(downstream_cells(ways), 0)].reshape(filled.shape)
    return {
        "filled": filled,
        "channel": count >= CHANNEL_CELLS,
        "height": above.height_m,
        "level": (below == filled) & (ways != OUTLET),
    }


def washgrade_filling(heights, cell_m):
    return washgrade_chain(heights, cell_m, opened=False)


def washgrade_steepest(heights, cell_m):
    return washgrade_chain(heights, cell_m, method="steepest", opened=False)


def pyflwdir_chain(heights, cell_m):
    import pyflwdir
    from affine import Affine
    from pyflwdir.dem import fill_depressions, slope

    place = Affine(cell_m, 0, 0, 0, -cell_m, heights.shape[0] * cell_m)
    filled, codes = fill_depressions(heights, nodata=np.nan)
    yield "fill", None
    network = pyflwdir.from_array(codes, ftype="d8", transform=place, latlon=False, check_ftype=False)
    yield "directions", None
    count = network.upstream_area(unit="cell")
    yield "area", None
    channel = count >= CHANNEL_CELLS
    network.streams(mask=channel, strord=network.stream_order(type="strahler", mask=channel))
    yield "network", None
    height = network.hand(drain=channel, elevtn=heights)
    # A plain tuple, because the compiled loops of pyflwdir 0.5 do not know the class of affine 3.
    network.transform = tuple(place)[:6]
    network.stream_distance(mask=channel, unit="m")
    yield "above", None
    yield "keep", lambda: {"filled": filled, "channel": channel, "height": height}
    slope(heights, nodata=np.nan, latlon=False, transform=network.transform)
    yield "slope", None


def topotoolbox_chain(heights, cell_m):
    import topotoolbox

    ground = topotoolbox.GridObject()
    ground.z = heights
    ground.cellsize = cell_m
    filled = ground.fillsinks()
    yield "fill", None
    # Fills once more inside; that time is taken off again below.
    flow = topotoolbox.FlowObject(ground)
    yield "fill and directions", None
    count = flow.flow_accumulation()
    yield "area", None
    stream = topotoolbox.StreamObject(flow, threshold=CHANNEL_CELLS, units="pixels")
    stream.streamorder()
    yield "network", None
    height = flow.vertdistance2stream(stream, ground)
    yield "above", None
    yield "keep", lambda: {"filled": filled.z, "channel": count.z >= CHANNEL_CELLS, "height": height.z}
    ground.gradient8()
    yield "slope", None


def whitebox_chain(heights, cell_m, opened=False):
    import whitebox_workflows

    tools = whitebox_workflows.WbEnvironment()
    water = tools.hydrology
    ground = tools.read_raster(_stored_for_whitebox(heights, cell_m))
    yield "load", None
    if opened:
        ground = water.breach_depressions_least_cost(
            dem=ground, max_dist=BREACH_CELLS, max_cost=1e30, fill_deps=False
        )
        yield "breach", None
    filled = water.fill_depressions(dem=ground, fix_flats=True)
    yield "fill", None
    pointer = water.d8_pointer(dem=filled)
    yield "directions", None
    count = water.d8_flow_accum(input=pointer, input_is_pointer=True, out_type="cells")
    yield "area", None
    stream = tools.streams.extract_streams(flow_accumulation=count, threshold=CHANNEL_CELLS)
    tools.streams.strahler_stream_order(d8_pntr=pointer, streams=stream)
    with tempfile.TemporaryDirectory() as folder:
        tools.streams.raster_streams_to_vector(
            streams_raster=stream, d8_pntr=pointer, output=str(Path(folder) / "streams.shp")
        )
    yield "network", None
    height = water.elevation_above_stream(dem=filled, streams=stream)
    water.downslope_distance_to_stream(dem=filled, streams=stream)
    yield "above", None
    yield (
        "keep",
        lambda: {
            "filled": filled.to_numpy(),
            "channel": count.to_numpy() >= CHANNEL_CELLS,
            "height": height.to_numpy(),
        },
    )
    tools.terrain.derivatives.slope(input=ground)
    yield "slope", None


def whitebox_breaching(heights, cell_m):
    return whitebox_chain(heights, cell_m, opened=True)


def _stored_for_whitebox(heights, cell_m):
    import rasterio

    path = Path(tempfile.gettempdir()) / f"ground_{os.getpid()}_{heights.shape[0]}.tif"
    place = rasterio.transform.from_origin(0, heights.shape[0] * cell_m, cell_m, cell_m)
    with rasterio.open(
        path, "w", driver="GTiff", height=heights.shape[0], width=heights.shape[1], count=1,
        dtype="float32", nodata=VOID_M, crs="EPSG:25830", transform=place,
    ) as target:  # fmt: skip
        target.write(np.nan_to_num(heights, nan=VOID_M), 1)
    return str(path)


def pysheds_chain(heights, cell_m):
    # pysheds 0.5 calls a name that numpy 2 has dropped for another.
    vars(np).setdefault("in1d", np.isin)
    from affine import Affine
    from pysheds.grid import Grid
    from pysheds.sview import Raster, ViewFinder

    place = Affine(cell_m, 0, 0, 0, -cell_m, heights.shape[0] * cell_m)
    view = ViewFinder(affine=place, shape=heights.shape, nodata=np.float32(VOID_M))
    ground = Raster(np.nan_to_num(heights, nan=VOID_M).astype(np.float32), viewfinder=view)
    grid = Grid.from_raster(ground)
    filled = grid.fill_depressions(grid.fill_pits(ground))
    yield "fill", None
    ways = grid.flowdir(grid.resolve_flats(filled))
    yield "directions", None
    count = grid.accumulation(ways)
    yield "area", None
    channel = count >= CHANNEL_CELLS
    grid.extract_river_network(ways, channel)
    yield "network", None
    height = grid.compute_hand(ways, ground, channel)
    yield "above", None
    yield (
        "keep",
        lambda: {"filled": np.asarray(filled), "channel": np.asarray(channel), "height": np.asarray(height)},
    )


def richdem_chain(heights, cell_m, opened=False):
    import richdem

    ground = richdem.rdarray(np.nan_to_num(heights, nan=VOID_M).astype(np.float32), no_data=VOID_M)
    ground.geotransform = [0.0, cell_m, 0.0, heights.shape[0] * cell_m, 0.0, -cell_m]
    raised = ground
    yield "load", None
    if opened:
        raised = richdem.BreachDepressions(ground)
        yield "breach", None
    filled = richdem.FillDepressions(raised)
    yield "fill", None
    level = richdem.ResolveFlats(filled)
    yield "directions", None
    # Finds its directions itself.
    count = richdem.FlowAccumulation(level, method="D8")
    yield "area", None
    yield "keep", lambda: {"filled": np.asarray(filled), "channel": np.asarray(count) >= CHANNEL_CELLS}
    richdem.TerrainAttribute(ground, attrib="slope_riserun")
    yield "slope", None


def richdem_breaching(heights, cell_m):
    return richdem_chain(heights, cell_m, opened=True)


CHAINS = {
    "washgrade": washgrade_chain,
    "washgrade, filling only": washgrade_filling,
    "washgrade, steepest": washgrade_steepest,
    "pyflwdir": pyflwdir_chain,
    "TopoToolbox": topotoolbox_chain,
    "WhiteboxTools": whitebox_chain,
    "WhiteboxTools, breaching": whitebox_breaching,
    "RichDEM": richdem_chain,
    "RichDEM, breaching": richdem_breaching,
    "pysheds": pysheds_chain,
}
# The distribution that holds each library, and what of ours does the same.
HOLDERS = {
    "pyflwdir": "pyflwdir",
    "TopoToolbox": "topotoolbox",
    "WhiteboxTools": "whitebox-workflows",
    "RichDEM": "richdem2",
    "pysheds": "pysheds",
}
OURS = ("washgrade", "washgrade, filling only", "washgrade, steepest")


def installed():
    """Names of the chains whose library is here, with its version."""
    found = {}
    for name in CHAINS:
        holder = HOLDERS.get(name.split(",")[0], "washgrade")
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            found[name] = f"{holder} {importlib.metadata.version(holder)}"
    return found


# The child: runs one chain on one stored DEM, prints what it took as JSON on the last line.
def run_child(name, stored, cell_m, repeats, kept):
    total_bytes = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    resource.setrlimit(resource.RLIMIT_AS, (int(0.95 * total_bytes), resource.RLIM_INFINITY))
    warnings.simplefilter("ignore")
    chain = CHAINS[name]
    heights = np.load(stored)
    small = carved_ground("rough", WARM_CELLS)
    list(chain(small, cell_m))
    # Compiling may have taken more than the chain does, so the mark is set back to now.
    Path("/proc/self/clear_refs").write_text("5")
    before = int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    best, peak, began = {}, 0, time.perf_counter()
    for turn in range(repeats):
        took, start = {}, time.perf_counter()
        for step, results in chain(heights, cell_m):
            now = time.perf_counter()
            if step == "keep":
                if turn == 0 and kept:
                    np.savez(kept, **results())
            else:
                took[step] = now - start
            del results
            start = time.perf_counter()
        if "fill and directions" in took:
            took["directions"] = max(0.0, took.pop("fill and directions") - took["fill"])
        for step, second in took.items():
            best[step] = min(best.get(step, second), second)
        if turn == 0:
            status = Path("/proc/self/status").read_text()
            peak = int(status.split("VmHWM:")[1].split()[0]) * 1024 - before
        if time.perf_counter() - began > PATIENCE_S / 4:
            break
    print()
    print(json.dumps({"took": best, "peak": peak / heights.size, "turns": turn + 1}))


def ask_child(name, stored, cell_m=CELL_M, repeats=1, kept=""):
    """Result of a chain in a process of its own, or a few words on why there is none."""
    command = [
        sys.executable, __file__, "--child", name, "--stored", str(stored), "--cell-m", str(cell_m),
        "--repeats", str(repeats), "--kept", str(kept),
    ]  # fmt: skip
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    except subprocess.TimeoutExpired:
        return f"over {PATIENCE_S / 60:.0f} minutes"
    if done.returncode:
        last = (done.stderr.strip().splitlines() or [f"ended by signal {-done.returncode}"])[-1]
        return "out of memory" if "emory" in last or done.returncode == -9 else last[:90]
    return json.loads(done.stdout.strip().splitlines()[-1])


def compare_times(kind, cells, folder, names, repeats):
    """Print and return the table of one ground."""
    stored = folder / "heights.npy"
    heights = carved_ground(kind, cells)
    np.save(stored, heights)
    cells = heights.size
    del heights
    found = {}
    for name in names:
        found[name] = ask_child(name, stored, repeats=repeats)
        print(f"  {name}: {found[name]}", file=sys.stderr, flush=True)
    lines = [
        f"### {kind}, {cells / 1e6:.0f} million cells, seconds",
        "",
        "| | " + " | ".join(STEPS) + " | sum | bytes per cell | times ours |",
        "|---|" + "---:|" * (len(STEPS) + 3),
    ]
    for name, result in found.items():
        if isinstance(result, str):
            lines.append(f"| {name} | " + "– | " * len(STEPS) + f"{result} | | |")
            continue
        took = result["took"]
        steps = [step for step in STEPS if step in took]
        whole = sum(took[step] for step in steps)
        # The same steps of ours: with the breach where they breach, filling alone where they fill alone.
        ours = found.get("washgrade" if "breach" in steps else "washgrade, filling only")
        times = ""
        if name not in OURS and isinstance(ours, dict):
            times = f"{whole / sum(ours['took'][step] for step in steps):.1f}"
        cells_of = " | ".join(f"{took[step]:.2f}" if step in took else "" for step in STEPS)
        lines.append(f"| {name} | {cells_of} | {whole:.2f} | {result['peak']:.0f} | {times} |")
    print("\n".join(lines), flush=True)
    return lines, found


def near_share(one, other):
    """Share of the cells of one channel mask that lie within 1.5 cells of the other's."""
    rows, cols = other.shape
    padded = np.pad(other, 1)
    near = np.zeros_like(other)
    for down in range(3):
        for right in range(3):
            near |= padded[down : down + rows, right : right + cols]
    return float((one & near).sum() / max(1, one.sum()))


def compare_networks(folder, names):
    """Print and return how far the networks agree on the real DEMs that are at hand."""
    lines = [
        "| ground | library | filled heights differ by at most, m | filling, steepest: ours near theirs "
        "| theirs near ours | of ours, on level ground | ours off level ground near theirs "
        "| whole of ours near theirs | theirs near ours |",
        "|---|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for ground, heights, cell_m in real_grounds():
        stored = folder / "real.npy"
        heights[np.abs(heights) > 1e5] = np.nan
        np.save(stored, heights)
        known = ~np.isnan(heights)
        kept = {}
        for name in names:
            if name not in OURS and "," in name:
                continue
            target = folder / f"{len(kept)}.npz"
            result = ask_child(name, stored, cell_m=cell_m, kept=target)
            if isinstance(result, str):
                lines.append(f"| {ground} | {name} | {result} " + "| " * 7)
                continue
            with np.load(target) as file:
                kept[name] = {key: file[key] for key in file.files}
        shipped, plain = kept["washgrade"]["channel"], kept["washgrade, steepest"]["channel"]
        level = kept["washgrade, steepest"]["level"]
        for name, result in kept.items():
            if name in OURS:
                continue
            theirs = result["channel"] & known
            apart_m = np.nanmax(np.abs(result["filled"] - kept["washgrade, steepest"]["filled"])[known])
            shares = (
                near_share(plain, theirs),
                near_share(theirs, plain),
                (plain & level).sum() / max(1, plain.sum()),
                near_share(plain & ~level, theirs),
                near_share(shipped, theirs),
                near_share(theirs, shipped),
            )
            lines.append(
                f"| {ground} | {name} | {apart_m:.3g} | "
                + " | ".join(f"{share:.0%}" for share in shares)
                + " |"
            )
    print("\n".join(lines), flush=True)
    return lines


def busy_share(wait_s=3.0):
    """Share of the processors that others take while this waits (Linux), 0 where that cannot be told."""
    stat = Path("/proc/stat")
    if not stat.exists():
        return 0.0

    def ticks():
        told = [int(text) for text in stat.read_text(encoding="ascii").split("\n", 1)[0].split()[1:9]]
        return sum(told), told[3] + told[4]

    (before, idle_before), _, (after, idle_after) = ticks(), time.sleep(wait_s), ticks()
    return 1.0 - (idle_after - idle_before) / max(after - before, 1)


def head(versions):
    memory_gb = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    busy = busy_share()
    said = f"Machine: {machine()}, {memory_gb:.0f} GB of memory. " + ", ".join(sorted(set(versions.values())))
    if busy > 0.05:
        said += f". **Others took {busy:.0%} of the machine when this began: the times are no good.**"
    return said


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--cells", type=int, nargs="*", default=[4_000_000, 25_000_000])
    parser.add_argument("--kinds", nargs="*", choices=KINDS, default=KINDS)
    parser.add_argument("--only", nargs="*", help="names of chains, all that are installed unless told")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--write", action="store_true", help="put the tables into the document")
    parser.add_argument("--keep", type=Path, help="file of what was measured before, not measured again")
    parser.add_argument("--no-networks", action="store_true", help="leave the real DEMs out")
    for hidden in ("--child", "--stored", "--kept"):
        parser.add_argument(hidden, help=argparse.SUPPRESS)
    parser.add_argument("--cell-m", type=float, default=CELL_M, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        run_child(given.child, given.stored, given.cell_m, given.repeats, given.kept)
        return
    versions = installed()
    names = [name for name in versions if not given.only or name in given.only]
    marks = {"machine": [head(versions)]}
    print(marks["machine"][0])
    with tempfile.TemporaryDirectory() as folder:
        times = []
        kept = json.loads(given.keep.read_text()) if given.keep and given.keep.exists() else {}
        for cells in given.cells:
            for kind in given.kinds if cells <= 30_000_000 else given.kinds[:1]:
                what = f"{kind}, {cells}"
                if what not in kept:
                    kept[what] = compare_times(kind, cells, Path(folder), names, given.repeats)[0]
                    if given.keep:
                        given.keep.write_text(json.dumps(kept))
                times += [*kept[what], ""]
        if given.cells:
            marks["times"] = times[:-1]
        if not given.no_networks:
            marks["networks"] = compare_networks(Path(folder), names)
    if given.write:
        written(DOCUMENT, marks)


if __name__ == "__main__":
    main()
