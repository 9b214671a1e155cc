"""Time the ground chain against pyflwdir's same steps, in one run, compiled loops warm.

Run from the project's folder: ``python benchmarks/ground.py --cells 4000000``. Peak memory is the growth of
the resident set of a child process (Linux) over what it was with the DEM loaded and the loops compiled; the
DEM's own 4 bytes per cell are not in it. The real DEMs are those that are at hand; matplotlib's always is.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np

from washgrade.errors import GroundWarning
from washgrade.land.above import above_channel
from washgrade.land.breach import breach
from washgrade.land.channels import delineate, reach_lines
from washgrade.land.dem import Dem, horn_gradient
from washgrade.land.drainage import condition_and_route
from washgrade.land.fill import fill
from washgrade.land.flow import flow_directions, route, upstream_cells
from washgrade.land.threshold import constant_drop

REAL = Path(__file__).resolve().parents[1].parent / "shared" / "reference" / "terrain"
CELL_M = 5.0
CHANNEL_AREA_M2 = 5_000.0


def made_ground(kind, cells):
    """Heights of a made ground: fractal hills, the same with a metre of noise, or white noise."""
    side = int(np.sqrt(cells))
    rng = np.random.default_rng(20)
    if kind == "white noise":
        return (1000 + 100 * rng.random((side, side))).astype(np.float32)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = 1.0
    hills = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * wave**-2.0, s=(side, side))
    hills = 500 + 80 * hills / hills.std()
    if kind == "rough hills":
        hills += rng.normal(0, 1, hills.shape)
    return hills.astype(np.float32)


def dem_of(heights, cell_m=CELL_M):
    return Dem(elevation_m=heights, cell_m=cell_m, west_m=0.0, north_m=0.0, crs="EPSG:25830")


def our_steps(heights):
    """Yield the name of each step after it is done."""
    filled = fill(heights)
    yield "fill"
    ways = flow_directions(filled)
    yield "directions"
    count = upstream_cells(ways)
    yield "area"
    channels = delineate(
        dem_of(heights), filled, ways, count, channel_area_m2=CHANNEL_AREA_M2, max_reach_m=1e9
    )
    reach_lines(channels)
    yield "network"
    above_channel(dem_of(heights), channels, ways)
    yield "above"
    np.hypot(*horn_gradient(heights, CELL_M))
    yield "slope"


def our_straight_steps(heights):
    """Do the same by least deviation, which finds the area along with the directions."""
    filled = fill(heights)
    yield "fill"
    ways, count = route(filled, method="least deviation")
    yield "directions"
    yield "area"
    channels = delineate(
        dem_of(heights), filled, ways, count, channel_area_m2=CHANNEL_AREA_M2, max_reach_m=1e9
    )
    reach_lines(channels)
    yield "network"
    above_channel(dem_of(heights), channels, ways)
    yield "above"
    np.hypot(*horn_gradient(heights, CELL_M))
    yield "slope"


def their_steps(heights):
    """Do the same with pyflwdir, whose fill gives the directions along with the heights."""
    import pyflwdir
    from affine import Affine
    from pyflwdir.dem import fill_depressions, slope

    _, codes = fill_depressions(heights, nodata=np.nan)
    yield "fill"
    place = Affine(CELL_M, 0, 0, 0, -CELL_M, heights.shape[0] * CELL_M)
    network = pyflwdir.from_array(codes, ftype="d8", transform=place, latlon=False, check_ftype=False)
    yield "directions"
    count = network.upstream_area(unit="cell")
    yield "area"
    channel = count * CELL_M**2 >= CHANNEL_AREA_M2
    network.streams(mask=channel, strord=network.stream_order(type="strahler", mask=channel))
    yield "network"
    network.hand(drain=channel, elevtn=heights)
    # A plain tuple, because the compiled loops of pyflwdir 0.5 do not know the class of affine 3.
    network.transform = tuple(place)[:6]
    network.stream_distance(mask=channel, unit="m")
    yield "above"
    slope(heights, nodata=np.nan, latlon=False, transform=network.transform)
    yield "slope"


CHAINS = {"ours": our_steps, "ours, straight": our_straight_steps, "pyflwdir": their_steps}


def timed(chain, heights):
    took = {}
    start = time.perf_counter()
    for step in chain(heights):
        now = time.perf_counter()
        took[step] = now - start
        start = now
    return took


def full_steps(heights):
    """Run everything that a ground is built by, breaching and the drop test too."""
    dem = dem_of(heights)
    drained = condition_and_route(dem)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", GroundWarning)
        constant_drop(drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=dem.cell_m)
    delineate(
        dem,
        drained.conditioned_m,
        drained.directions,
        drained.upstream_cells,
        channel_area_m2=CHANNEL_AREA_M2,
    )
    yield "all"


def print_peak(name, stored):
    """Print the bytes per cell that a chain adds at its peak; runs in the child."""
    chain = {**CHAINS, "full": full_steps}[name]
    list(chain(made_ground("rough hills", 10_000)))
    heights = np.load(stored)
    # Compiling may have taken more than the chain does, so the mark is set back to now.
    Path("/proc/self/clear_refs").write_text("5")
    page = os.sysconf("SC_PAGE_SIZE")
    before = int(Path("/proc/self/statm").read_text().split()[1]) * page
    list(chain(heights))
    status = Path("/proc/self/status").read_text()
    highest = int(status.split("VmHWM:")[1].split()[0]) * 1024
    print((highest - before) / heights.size)


def peak(name, heights):
    with tempfile.TemporaryDirectory() as folder:
        stored = str(Path(folder) / "heights.npy")
        np.save(stored, heights)
        command = [sys.executable, __file__, "--peak-of", name, "--stored", stored]
        return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def machine():
    try:
        model = Path("/proc/cpuinfo").read_text().split("model name")[1].split(":")[1].split("\n")[0].strip()
    except (OSError, IndexError):
        model = "unknown processor"
    return f"{os.cpu_count()} processors, {model}, numpy {np.__version__}, Python {sys.version.split()[0]}"


def real_grounds():
    import matplotlib as mpl

    with np.load(Path(mpl.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz") as stored:
        yield "jacksboro_fault_dem.npz", stored["elevation"].astype(np.float32), 80.0
    import rasterio

    for path in sorted(REAL.glob("*.tif")) + sorted(REAL.glob("*.asc")):
        with rasterio.open(path) as source:
            heights = source.read(1, masked=True).astype(np.float32).filled(np.nan)
            # Degrees are taken as metres at the equator: only the drainage is asked for here.
            cell_m = abs(source.transform.a) * (111_320 if abs(source.transform.a) < 0.1 else 1)
        yield path.name, heights, cell_m


def report_real():
    print(
        f"\n{'real ground':26}{'cells':>9}{'ms':>8}{'pits':>7}{'cuts':>6}{'filled pits':>12}{'cut m3':>10}"
        f"{'fill m3':>12}{'deepest m':>10}{'leaves':>8}{'area m2':>10}{'reaches':>8}"
    )
    for name, heights, cell_m in real_grounds():
        dem = dem_of(heights, cell_m)
        start = time.perf_counter()
        drained = condition_and_route(dem)
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always", GroundWarning)
            drop = constant_drop(
                drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=dem.cell_m
            )
        channels = delineate(
            dem,
            drained.conditioned_m,
            drained.directions,
            drained.upstream_cells,
            channel_area_m2=drop.channel_area_m2,
            max_reach_m=max(50.0, 2 * cell_m),
        )
        took = time.perf_counter() - start
        left = drained.upstream_cells.ravel()[drained.outlets].sum() / np.isfinite(heights).sum()
        print(
            f"{name:26}{heights.size:9}{took * 1e3:8.0f}{drained.pits_found:7}{len(drained.cuts):6}"
            f"{drained.pits_filled:12}{drained.cut_volume_m3:10.0f}{drained.filled_volume_m3:12.0f}"
            f"{drained.deepest_fill_m:10.1f}{left:8.0%}{drop.channel_area_m2:10.0f}{len(channels.reaches):8}"
            f"{'  warned' if said else ''}"
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--cells", type=int, default=4_000_000)
    parser.add_argument("--peak-of", choices=[*CHAINS, "full"], help=argparse.SUPPRESS)
    parser.add_argument("--stored", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.peak_of:
        print_peak(given.peak_of, given.stored)
        return
    print(machine())
    for chain in CHAINS.values():
        list(chain(made_ground("rough hills", 10_000)))
    for kind in ("hills", "rough hills", "white noise"):
        heights = made_ground(kind, given.cells)
        took = {name: timed(chain, heights) for name, chain in CHAINS.items()}
        print(f"\n{kind}, {heights.size} cells, seconds")
        print(f"{'':15}" + "".join(f"{step:>12}" for step in took["ours"]) + f"{'all':>12}{'bytes/cell':>12}")
        for name, steps in took.items():
            print(
                f"{name:15}"
                + "".join(f"{second:12.3f}" for second in steps.values())
                + f"{sum(steps.values()):12.3f}{peak(name, heights):12.1f}"
            )
        print(
            f"pyflwdir takes {sum(took['pyflwdir'].values()) / sum(took['ours'].values()):.1f} times as long"
        )
        start = time.perf_counter()
        opened = breach(heights, cell_m=CELL_M, max_length_m=50.0)
        breached = time.perf_counter() - start
        whole = timed(full_steps, heights)["all"]
        quarter = heights[: heights.shape[0] // 2, : heights.shape[1] // 2]
        print(
            f"breach to 50 m: {breached:.3f} s, {opened.pits_found} pits, {len(opened.cuts)} cuts, "
            f"{len(opened.raised)} raised, {opened.pits_left} left to fill"
        )
        print(
            f"breach, chain and drop test: {whole:.3f} s, {peak('full', heights):.1f} bytes per cell; "
            f"a quarter of the ground: {timed(full_steps, quarter)['all']:.3f} s"
        )
    report_real()


if __name__ == "__main__":
    main()
