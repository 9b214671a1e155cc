"""How much ground breaching moves beside WhiteboxTools' least-cost breaching, on the same DEMs.

Run ``python benchmarks/breach.py --reference PYTHON DEM...`` where PYTHON is the interpreter of an
environment of its own with whitebox-workflows in it (it is no dependency of ours). Its distance counts steps,
diagonal ones as 1, so ours is given that many diagonals: every way open to it is open to us. Ground moved is
the sum of absolute changes; "with filling" adds what filling the pits left over takes, which is the fair
figure where the two leave different pits.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import rasterio

from washgrade.land.breach import breach, limits_of
from washgrade.land.fill import fill
from washgrade.land.pits import find_pits

THEIRS = """
import sys, whitebox_workflows
there = whitebox_workflows.WbEnvironment()
dem = there.read_raster(sys.argv[1])
cut = there.hydrology.breach_depressions_least_cost(
    dem=dem, max_dist=int(sys.argv[3]), flat_increment=1e-6, fill_deps=False)
there.write_raster(cut, sys.argv[2])
"""
NO_DATA = -32768.0


def read(path: Path) -> tuple[np.ndarray, dict]:
    with rasterio.open(path) as source:
        heights = source.read(1, masked=True).astype(np.float32).filled(np.nan)
        heights[heights < -1e4] = np.nan
        return heights, source.profile


def moved_m(before: np.ndarray, after: np.ndarray) -> float:
    return float(np.nansum(np.abs(after.astype(np.float64) - before)))


def pits(heights: np.ndarray) -> int:
    outlet, _ = limits_of(heights, None, None)
    return len(find_pits(heights, outlet, np.zeros(heights.shape, np.int32)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reference", required=True, help="python of the reference's environment")
    parser.add_argument("--steps", type=int, nargs="+", default=[10, 50, 100_000])
    parser.add_argument("dem", type=Path, nargs="+")
    given = parser.parse_args()
    print("ground moved in metres over cells; ratio ours / theirs; pits left")
    for path in given.dem:
        heights, profile = read(path)
        with tempfile.TemporaryDirectory() as folder:
            source, target = Path(folder, "dem.tif"), Path(folder, "cut.tif")
            profile.update(driver="GTiff", dtype="float32", nodata=NO_DATA)
            with rasterio.open(source, "w", **profile) as sink:
                sink.write(np.nan_to_num(heights, nan=NO_DATA), 1)
            for steps in given.steps:
                # Its window must not be wider than the DEM.
                most = min(steps, max(heights.shape))
                subprocess.run(
                    [given.reference, "-c", THEIRS, str(source), str(target), str(most)], check=True
                )
                theirs, _ = read(target)
                ours = breach(heights, cell_m=1.0, max_length_m=1.4143 * steps).elevation_m
                first, second = moved_m(heights, ours), moved_m(heights, theirs)
                filled, filled_theirs = moved_m(heights, fill(ours)), moved_m(heights, fill(theirs))
                print(
                    f"{path.name} {steps} steps: {first:.1f} / {second:.1f} = {first / second:.2f}; with "
                    f"filling {filled:.1f} / {filled_theirs:.1f} = {filled / filled_theirs:.3f}; "
                    f"pits {pits(heights)} -> {pits(ours)} / {pits(theirs)}"
                )


if __name__ == "__main__":
    main()
