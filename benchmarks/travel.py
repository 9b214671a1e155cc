"""Time walking times against scipy's Dijkstra over the same graph, in one run, compiled loops warm.

Run from the project's folder: ``python benchmarks/travel.py --cells 1000000``. The reference is given the
same moves and seconds, set out with numpy as a sparse matrix (its set-up). Peak memory is the growth of the
resident set of a child process (Linux) over what it was with the heights loaded and the loops compiled; the
heights' own 4 bytes per cell are not in it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from washgrade.land.dem import horn_gradient
from washgrade.land.shortest import MOVE_COLS, MOVE_ROWS
from washgrade.land.travel import walking_field, walking_times_s
from washgrade.land.walkable import Walking, WalkingSurface

CELL_M = 5.0


def made_ground(cells):
    """Fractal hills, 5 % of them too steep, with 3 % of the cells closed by chance."""
    side = int(np.sqrt(cells))
    rng = np.random.default_rng(20)
    wave = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    wave[0, 0] = 1.0
    hills = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * wave**-2.0, s=(side, side))
    steepness = np.hypot(*horn_gradient(hills.astype(np.float32), CELL_M))
    steep = np.quantile(steepness, 0.95)
    hills *= Walking().too_steep_slope / steep
    hills[rng.random(hills.shape) < 0.03] = np.nan
    hills[steepness > steep] = np.nan
    return hills.astype(np.float32)


def surface_of(heights):
    return WalkingSurface(
        height_m=heights, cell_m=CELL_M, west_m=0.0, north_m=0.0, walking=Walking(off_path_factor=0.6)
    )


def open_cell(surface, row_share, col_share):
    rows, cols = surface.shape
    wanted = int(rows * row_share) * cols + int(cols * col_share)
    cells = np.flatnonzero(~surface.closed)
    return int(cells[np.argmin(np.abs(cells - wanted))])


def graph(surface):
    """Set out every move and its seconds as a sparse matrix, with array operations."""
    height = np.pad(surface.height_m.astype(np.float64), 2, constant_values=np.nan)
    rows, cols = surface.shape
    walking = surface.walking

    def shifted(down, right):
        return height[2 + down : 2 + down + rows, 2 + right : 2 + right + cols]

    def pace_s_m(slope):
        away = np.abs(slope - walking.fastest_slope)
        return np.exp(walking.fading_per_unit_slope * away) / (walking.off_path_factor * walking.fastest_m_s)

    here = shifted(0, 0)
    number = np.arange(rows * cols, dtype=np.int32).reshape(rows, cols)
    begin, end, seconds = [], [], []
    for down, right in zip(MOVE_ROWS.tolist(), MOVE_COLS.tolist(), strict=True):
        there = shifted(down, right)
        run_m = CELL_M * np.hypot(down, right)
        if abs(down) + abs(right) == 1:
            steepness = np.abs(there - here) / CELL_M
            took_s = run_m * pace_s_m((there - here) / run_m)
        elif abs(down) + abs(right) == 2:
            other = shifted(down, 0) - shifted(0, right)
            steepness = np.hypot(there - here, other) / (np.sqrt(2) * CELL_M)
            took_s = run_m * pace_s_m((there - here) / run_m)
        else:
            one = shifted(down // 2, 0) if abs(down) == 2 else shifted(0, right // 2)
            other = shifted(down // 2, right) if abs(down) == 2 else shifted(down, right // 2)
            steepness = (
                np.maximum(np.hypot(one - here, other - one), np.hypot(there - other, other - one)) / CELL_M
            )
            way = (one + other) / 2
            took_s = run_m / 2 * (pace_s_m((way - here) * 2 / run_m) + pace_s_m((there - way) * 2 / run_m))
        good = steepness <= walking.too_steep_slope
        begin.append(number[good])
        end.append(number[good] + np.int32(down * cols + right))
        seconds.append(took_s[good])
    count = rows * cols
    return csr_matrix(
        (np.concatenate(seconds), (np.concatenate(begin), np.concatenate(end))), shape=(count, count)
    )


def ours(surface, source):
    return walking_field(surface, source).time_s


def theirs(surface, source):
    return dijkstra(graph(surface), indices=source).reshape(surface.shape)


WAYS = {"ours": ours, "scipy": theirs}


def print_peak(name, stored):
    """Print the bytes per cell that a search adds at its peak; runs in the child."""
    small = surface_of(made_ground(10_000))
    WAYS[name](small, open_cell(small, 0.5, 0.5))
    surface = surface_of(np.load(stored))
    source = open_cell(surface, 0.5, 0.5)
    # Compiling may have taken more than the search does, so the mark is set back to now.
    Path("/proc/self/clear_refs").write_text("5")
    page = os.sysconf("SC_PAGE_SIZE")
    before = int(Path("/proc/self/statm").read_text().split()[1]) * page
    WAYS[name](surface, source)
    status = Path("/proc/self/status").read_text()
    highest = int(status.split("VmHWM:")[1].split()[0]) * 1024
    print((highest - before) / surface.height_m.size)


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


def seconds_of(act):
    """Give the least of three times in seconds, and the last result."""
    took = []
    for _ in range(3):
        start = time.perf_counter()
        result = act()
        took.append(time.perf_counter() - start)
    return min(took), result


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--cells", type=int, default=1_000_000)
    parser.add_argument("--peak-of", choices=[*WAYS], help=argparse.SUPPRESS)
    parser.add_argument("--stored", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.peak_of:
        print_peak(given.peak_of, given.stored)
        return
    print(machine())
    small = surface_of(made_ground(10_000))
    ours(small, open_cell(small, 0.5, 0.5))
    heights = made_ground(given.cells)
    surface = surface_of(heights)
    source = open_cell(surface, 0.5, 0.5)
    start = time.perf_counter()
    moves = graph(surface)
    setting_up = time.perf_counter() - start
    their_search, expected = seconds_of(partial(dijkstra, moves, indices=source))
    expected = expected.reshape(surface.shape)
    our_search, found = seconds_of(lambda: ours(surface, source))
    reached = np.isfinite(expected)
    if not (reached == np.isfinite(found)).all():
        raise SystemExit("The two do not reach the same cells.")
    apart = float(np.max(np.abs(found[reached] - expected[reached]) / np.maximum(expected[reached], 1e-300)))
    print(
        f"\nfractal hills, {heights.size} walking cells, {surface.closed.mean():.0%} closed, "
        f"{reached.mean():.0%} reached, {moves.nnz} moves, farthest {expected[reached].max() / 3600:.1f} h; "
        f"times differ by {apart:.1e} at most"
    )
    print(f"{'':8}{'set-up s':>10}{'search s':>10}{'both s':>10}{'bytes/cell':>12}")
    for name, before, search in (("ours", 0.0, our_search), ("scipy", setting_up, their_search)):
        print(f"{name:8}{before:10.2f}{search:10.3f}{before + search:10.3f}{peak(name, heights):12.1f}")
    print(
        f"scipy takes {their_search / our_search:.1f} times as long per search, "
        f"{(setting_up + their_search) / our_search:.1f} times with its set-up"
    )
    del moves
    rng = np.random.default_rng(3)
    stops = rng.choice(np.flatnonzero(reached), 20, replace=False)
    one, alone = seconds_of(lambda: walking_times_s(surface, stops, stops, threads=1))
    both, together = seconds_of(lambda: walking_times_s(surface, stops, stops))
    if not np.array_equal(alone, together):
        raise SystemExit("The times depend on the threads.")
    print(f"20 stops to one another: {one:.2f} s on one thread, {both:.2f} s on {os.cpu_count()}")
    near = cells_around(surface, source, 60)
    took, _ = seconds_of(lambda: walking_times_s(surface, near, near, threads=1))
    print(f"20 stops within 300 m, one thread: {took:.3f} s (a search ends at its last target)")


def cells_around(surface, source, reach):
    """Twenty open cells that are not far from one."""
    rows, cols = surface.shape
    row, col = divmod(source, cols)
    rng = np.random.default_rng(4)
    near = (row + rng.integers(-reach, reach, 400)) * cols + col + rng.integers(-reach, reach, 400)
    near = near[(near >= 0) & (near < rows * cols)]
    times_s = walking_field(surface, source).time_s.ravel()[near]
    return np.unique(near[np.isfinite(times_s)])[:20]


if __name__ == "__main__":
    main()
