"""How often the intervals hold the truth, and how far off the estimate is, on simulated grounds.

Run ``python benchmarks/intervals.py --grounds 200 --keep intervals.jsonl --table docs/coverage.md``. Every
ground is a fresh DEM, drained by washgrade's own land part; the truths include some that are not the model's.
What is done already stands in the file given by ``--keep`` and is not done again, so the run may be broken
off and taken up. ``--sizes`` asks the same of grounds ten times smaller and larger, under ranges that are
fixed or grow with the ground.

Error is that of the mean logit of reaches without a sample, beside two ordinary krigings in the plane of the
same readings (exponential with nugget): PyKrige's, with its own fit to the binned variogram, and one by
restricted likelihood over a grid. The best possible error is that of the truth's own ranges and variances.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from pykrige.ok import OrdinaryKriging
from scipy.ndimage import gaussian_filter
from scipy.special import expit, logit

from washgrade.land.channels import Channels, delineate
from washgrade.land.dem import Dem
from washgrade.land.drainage import condition_and_route
from washgrade.sand.dilution import diluted_grade
from washgrade.sand.grade import grades
from washgrade.sand.inference import CoefficientPrior, Process, deviations, krige
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.priors import Priors
from washgrade.sand.tree import tree_of_nodes
from washgrade.sand.weighed import weigh

SEED = 20251125
COUNTS = (8, 30, 100)
NETWORK = (
    "network", "carried far", "in place", "short range", "large scatter", "strong contrasts", "heavy tails"
)  # fmt: skip
OTHER = ("planar field", "planar and network", "step source", "slopes of chance")
DUPLICATES = ("large scatter, twice", "large scatter, half as many places twice")
REGIMES = (*NETWORK, *OTHER)
# Total sd, share of tail-up, ranges up and down in metres, local sd.
NUMBERS = {
    "network": (0.8, 0.5, 300.0, 1200.0, 0.25),
    "carried far": (0.8, 0.95, 900.0, 900.0, 0.25),
    "in place": (0.8, 0.05, 300.0, 3000.0, 0.25),
    "short range": (0.8, 0.5, 60.0, 60.0, 0.25),
    "large scatter": (0.6, 0.5, 300.0, 1200.0, 0.6),
    "strong contrasts": (1.4, 0.5, 300.0, 1200.0, 0.25),
    "heavy tails": (0.8, 0.7, 300.0, 1200.0, 0.25),
}


def make_channels(rng: np.random.Generator, *, cell_m: float = 10.0) -> Channels:
    """Channels of a rough tilted land of 110 by 130 cells."""
    rows, cols = 110, 130
    rough = sum(
        size * gaussian_filter(rng.normal(size=(rows, cols)), size, mode="nearest") for size in (2, 5, 12)
    )
    fall = np.arange(rows)[::-1, None] * 0.25 + np.abs(np.arange(cols) - cols / 2)[None, :] * 0.1
    height = (100 + cell_m / 10 * (3.0 * rough + fall)).astype(np.float32)
    dem = Dem(elevation_m=height, cell_m=cell_m, west_m=500_000.0, north_m=4_100_000.0, crs="EPSG:25830")
    drained = condition_and_route(dem)
    return delineate(
        dem,
        drained.conditioned_m,
        drained.directions,
        drained.upstream_cells,
        channel_area_m2=90 * cell_m**2,
        max_reach_m=5 * cell_m,
    )


def plane(rng: np.random.Generator, channels: Channels, range_m: float) -> np.ndarray:
    """Draw a field with an exponential covariance in the plane, at every node (dense)."""
    nodes = channels.nodes
    east, north = nodes.easting_m, nodes.northing_m
    cover = np.exp(-np.hypot(east[:, None] - east, north[:, None] - north) / range_m)
    return np.linalg.cholesky(cover + 1e-8 * np.eye(len(east))) @ rng.standard_normal(len(east))


def truth(regime: str, rng: np.random.Generator, channels: Channels, *, stretch: float = 1.0):
    """Latent logit at every node without scoops, and the local sd."""
    nodes = channels.nodes
    count = len(nodes)
    level = rng.normal(-2.9, 0.7)
    width_m = float(np.hypot(np.ptp(nodes.easting_m), np.ptp(nodes.northing_m)))
    if regime in NUMBERS:
        sd, share, up_m, down_m, local = NUMBERS[regime]
        noise = rng.standard_normal((count, 3, 1))
        if regime == "heavy tails":
            noise = rng.standard_t(3, (count, 3, 1)) / np.sqrt(3.0)
        up, down = deviations(
            tree_of_nodes(nodes),
            Process(
                up_variance=sd**2 * share,
                up_range_m=up_m * stretch,
                down_variance=sd**2 * (1 - share),
                down_range_m=down_m * stretch,
            ),
            node=np.empty(0, int),
            error_variance=np.empty(0),
            noise=noise,
        )
        return level + (up + down)[:, 0], local
    if regime == "planar field":
        return level + 0.8 * plane(rng, channels, width_m / 4), 0.25
    if regime == "planar and network":
        other, _ = truth("network", rng, channels, stretch=stretch)
        return level + 0.6 * plane(rng, channels, width_m / 4) + np.sqrt(0.5) * (other - other.mean()), 0.25
    if regime == "slopes of chance":
        # The sides of every node are rich or poor by themselves; their loads mix down the channels.
        grade = diluted_grade(tree_of_nodes(nodes), expit(level + rng.normal(0, 1.3, count)))
        return logit(np.clip(grade, 1e-4, 0.9)) + rng.normal(0, 0.3, count), 0.25
    # Patches of rich rock with sharp edges, diluted down the channels: no likeness but that.
    rich = np.zeros(count, bool)
    for _ in range(rng.integers(1, 4)):
        middle = rng.integers(count)
        away_m = np.hypot(
            nodes.easting_m - nodes.easting_m[middle], nodes.northing_m - nodes.northing_m[middle]
        )
        rich |= away_m < rng.uniform(0.08, 0.25) * width_m
    grade = diluted_grade(tree_of_nodes(nodes), np.where(rich, rng.uniform(0.1, 0.3), 0.02))
    return logit(np.clip(grade, 1e-4, 0.9)) + rng.normal(0, 0.3), 0.25


def sampled(channels: Channels, node: np.ndarray, grade: np.ndarray) -> Samples:
    """Samples of half a kilogram at nodes."""
    count = len(node)
    unknown = np.full(count, np.nan)
    return Samples(
        sample_id=np.array([f"s{k:04d}" for k in range(count)]),
        easting_m=channels.nodes.easting_m[node],
        northing_m=channels.nodes.northing_m[node],
        accuracy_m=np.zeros(count),
        depth_top_m=unknown,
        depth_bottom_m=unknown,
        dry_mass_kg=np.full(count, 0.5),
        grade=grade,
        trace=grade < SamplingSettings().detection_grade,
        day=np.full(count, np.datetime64("2025-10-04")),
        place=np.full(count, ""),
    )


def ordinary_kriging(
    at: np.ndarray, value: np.ndarray, to: np.ndarray, *, leave_out: bool = False
) -> tuple[np.ndarray, np.ndarray | None]:
    """Predict in the plane; exponential and nugget by restricted likelihood over a grid."""
    apart = np.hypot(at[:, None, 0] - at[:, 0], at[:, None, 1] - at[:, 1])
    width, count, ones = np.hypot(*np.ptp(to, axis=0)), len(value), np.ones(len(value))
    best = (-np.inf, 0.0, 0.0)
    for range_m in width * np.geomspace(0.02, 2.0, 12):
        for nugget in (0.01, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9, 0.999):
            cover = (1 - nugget) * np.exp(-apart / range_m) + nugget * np.eye(count)
            inverse = np.linalg.inv(cover)
            weight = inverse @ ones
            off = value - weight @ value / weight.sum()
            found = -0.5 * (
                np.linalg.slogdet(cover)[1] + np.log(weight.sum()) + (count - 1) * np.log(off @ inverse @ off)
            )
            best = max(best, (found, range_m, nugget))
    _, range_m, nugget = best
    cover = (1 - nugget) * np.exp(-apart / range_m) + nugget * np.eye(count)
    inverse = np.linalg.inv(cover)
    weight = inverse @ ones
    mean = weight @ value / weight.sum()
    to_m = np.hypot(to[:, None, 0] - at[:, 0], to[:, None, 1] - at[:, 1])
    there = mean + (1 - nugget) * np.exp(-to_m / range_m) @ inverse @ (value - mean)
    if not leave_out:
        return there, None
    # Dubrule (1983): the residual of a left-out reading is (Q y)_i / Q_ii.
    without = inverse - np.outer(weight, weight) / weight.sum()
    return there, value - (without @ value) / np.diag(without)


def reach_mean(channels: Channels, node_value: np.ndarray) -> np.ndarray:
    """Mean over the nodes of each reach."""
    reach = channels.nodes.reach
    return np.bincount(reach, weights=node_value) / np.bincount(reach)


def one_ground(
    task: tuple[str, int, int], priors: Priors | None = None, *, stretch: float = 1.0, cell_m: float = 10.0
):
    """Simulate one ground, estimate it, and tell how well that went."""
    regime, count, number = task
    base, twice = regime.split(",")[0], regime.split(",")[1:]
    # The same grounds and truths whatever is asked of them, so that differences are not chance.
    key = sum(ord(letter) * 31**k for k, letter in enumerate(base)) % 2**31
    rng = np.random.default_rng([SEED, key, count, number])
    channels = make_channels(rng, cell_m=cell_m)
    z, local = truth(base, rng, channels, stretch=stretch)
    z = z + rng.normal(0, local * np.sqrt(0.5), len(z))
    node = rng.choice(len(z), count, replace=False)
    scoop = rng.normal(0, local * np.sqrt(0.5), (2, count))
    if twice:
        keep = slice(0, (count + 1) // 2 if "half" in twice[0] else count)
        node, scoop = np.tile(node[keep], 2), scoop[:, keep].ravel()
    else:
        scoop = scoop[0]
    weighed_grade = np.clip(expit(z[node] + scoop) + rng.normal(0, 0.0006, len(node)), 0, 1)
    samples = sampled(channels, node, weighed_grade)
    model = weigh(channels, samples, priors=priors)
    found = grades(channels, model, rng=rng, cutoff_grade=0.05, draws=500)
    reach = reach_mean(channels, expit(z))
    low, high = np.quantile(found.reach_draws, (0.05, 0.95), axis=0)
    bare = ~np.isin(np.arange(len(channels.reaches)), channels.nodes.reach[node])
    place = np.column_stack([channels.nodes.easting_m, channels.nodes.northing_m])
    at, member = np.unique(node, return_inverse=True)
    value = logit(np.clip(weighed_grade, 1e-3, 0.999))
    value = np.bincount(member, weights=value) / np.bincount(member)
    plain, _ = ordinary_kriging(place[at], value, place)
    target = reach_mean(channels, z)[bare]

    def error(node_logit: np.ndarray) -> float:
        return float(np.sqrt(np.mean((reach_mean(channels, node_logit)[bare] - target) ** 2)))

    binned = OrdinaryKriging(place[at, 0], place[at, 1], value, variogram_model="exponential")
    row = {
        "regime": regime,
        "samples": count,
        "ground": number,
        "held": float(np.mean((low < reach) & (reach < high))),
        "held bare": float(np.mean(((low < reach) & (reach < high))[bare])),
        "width": float(np.mean(logit(high) - logit(low))),
        "error": error(logit(found.node_p50)),
        "planar": error(plain),
        "pykrige": error(np.asarray(binned.execute("points", place[:, 0], place[:, 1])[0])),
        "planar share": found.hyper.quantities["planar share"].mean,
        "local": found.hyper.quantities["local sd"].p50,
    }
    if base in NUMBERS and base != "heavy tails":
        sd, share, up_m, down_m, _ = NUMBERS[base]
        _, there = krige(
            model.tree,
            Process(
                up_variance=sd**2 * share,
                up_range_m=up_m * stretch,
                down_variance=sd**2 * (1 - share),
                down_range_m=down_m * stretch,
            ),
            node=node,
            value=logit(np.clip(weighed_grade, 1e-3, 0.999)),
            error_variance=np.full(len(node), local**2 / 2),
            regressors=np.ones((len(z), 1)),
            prior=CoefficientPrior(mean=np.array([-2.9]), sd=np.array([0.7])),
            shared_variance=local**2 / 2,
        )
        row["best"] = error(there.mean)
    return row


def run(tasks: list[tuple[str, int, int]], keep: Path | None, processes: int) -> list[dict[str, float | str]]:
    """Do what is not done yet; every result is written down at once."""
    rows = []
    if keep and keep.exists():
        rows = [json.loads(line) for line in keep.read_text(encoding="utf-8").splitlines()]
    done = {(row["regime"], row["samples"], row["ground"]) for row in rows}
    rest = [task for task in tasks if task not in done]
    asked = set(tasks)
    rows = [row for row in rows if (row["regime"], row["samples"], row["ground"]) in asked]
    start = time.perf_counter()
    # One thread for each: small matrices split over threads wait for each other on a busy machine.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        for number, row in enumerate(pool.imap_unordered(one_ground, rest, chunksize=2), start=1):
            rows.append(row)
            if keep:
                with keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(row) + "\n")
            if number % 100 == 0:
                spent = time.perf_counter() - start
                print(f"{number} of {len(rest)} grounds, {spent:.0f} s", flush=True)
    return rows


def tables(rows: list[dict[str, float | str]]) -> dict[str, list[str]]:
    """Lay the results out in Markdown: what holds, how far off, and every kind of truth by itself."""
    groups: dict[tuple[str, int], list[dict[str, float | str]]] = defaultdict(list)
    for row in rows:
        groups[str(row["regime"]), int(row["samples"])].append(row)
    every = [
        "| truth | samples | grounds | 90 % interval holds | width, logit | error | best possible |"
        " PyKrige | planar, REML | ratio to PyKrige | to REML |",
        "|---" * 11 + "|",
    ]
    held: dict[int, list[tuple[float, str]]] = defaultdict(list)
    bare: dict[int, list[float]] = defaultdict(list)
    squares: dict[tuple[str, int], list[np.ndarray]] = defaultdict(list)
    twice: dict[tuple[str, int], tuple[float, float]] = {}
    for regime in (*REGIMES, *DUPLICATES):
        for count in COUNTS:
            mine = groups.get((regime, count))
            if not mine:
                continue
            inside = np.array([float(row["held"]) for row in mine])
            width = float(np.mean([float(row["width"]) for row in mine]))
            names = ("error", "best", "pykrige", "planar")
            square = np.array([[float(row.get(name, np.nan)) ** 2 for name in names] for row in mine])
            own, best, pykrige, planar = np.sqrt(square.mean(axis=0))
            every.append(
                f"| {regime} | {count} | {len(mine)} | {inside.mean():.3f} ± "
                f"{inside.std() / np.sqrt(len(mine)):.3f} | {width:.2f} | {own:.3f} | "
                + ("" if np.isnan(best) else f"{best:.3f}")
                + f" | {pykrige:.3f} | {planar:.3f} | {own / pykrige:.2f} | {own / planar:.2f} |"
            )
            twice[regime, count] = width, float(own)
            if regime in REGIMES:
                held[count].append((float(inside.mean()), regime))
                bare[count].append(float(np.mean([float(row["held bare"]) for row in mine])))
                squares["network truth" if regime in NETWORK else regime, count].append(square)
    holds = [
        "| samples | mean of the truths | of reaches without a sample | least | most |",
        "|---:|---:|---:|---|---|",
    ]
    for count, one in sorted(held.items()):
        (least, worst), (most, widest) = min(one), max(one)
        mean, unsampled = np.mean([share for share, _ in one]), np.mean(bare[count])
        holds.append(
            f"| {count} | {mean:.3f} | {unsampled:.3f} | {least:.3f}, {worst} | {most:.3f}, {widest} |"
        )
    errors = [
        "| truth | samples | ours over PyKrige's | over planar by REML | best possible over PyKrige's |"
        " over planar by REML |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for (kind, count), one in squares.items():
        square = np.concatenate(one)
        own, _, pykrige, planar = np.sqrt(square.mean(axis=0))
        bound = square[~np.isnan(square[:, 1])]
        line = f"| {kind} | {count} | {own / pykrige:.2f} | {own / planar:.2f} |"
        if len(bound):
            _, best, pykrige, planar = np.sqrt(bound.mean(axis=0))
            line += f" {best / pykrige:.2f} | {best / planar:.2f} |"
        errors.append(line if len(bound) else line + " | |")
    pairs = [
        "| places | scoops at each | width, logit | error |",
        "|---:|---:|---:|---:|",
    ]
    for count in COUNTS:
        for regime, places, scoops in (
            ("large scatter", count, 1),
            ("large scatter, twice", count, 2),
            ("large scatter, half as many places twice", (count + 1) // 2, 2),
        ):
            if (regime, count) in twice:
                width, error = twice[regime, count]
                pairs.append(f"| {places} | {scoops} | {width:.2f} | {error:.3f} |")
    return {"what holds": holds, "errors": errors, "duplicates": pairs, "every truth": every}


def sizes(grounds: int) -> None:
    """Compare prior ranges that are fixed with some that grow with the ground, on grounds of three sizes."""
    print("size of ground, true ranges, prior ranges: 90 % interval holds, error")
    for factor in (0.1, 1.0, 10.0):
        for true_words, stretch in (("fixed", 1.0), ("with the ground", factor)):
            if factor == 1.0 and stretch == 1.0 and true_words == "with the ground":
                continue
            for words, power in (("fixed", 0.0), ("root", 0.5), ("with the ground", 1.0)):
                priors = Priors().on_ground(3000.0 * (factor / 1.5) ** (2 * power))
                rows = [
                    one_ground(("network", 30, number), priors, stretch=stretch, cell_m=10.0 * factor)
                    for number in range(grounds)
                ]
                held, error = (np.mean([float(row[name]) for row in rows]) for name in ("held", "error"))
                print(f"x {factor:<4g} {true_words:16} {words:16} {held:.3f} {error:.3f}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--grounds", type=int, default=20, help="grounds for each truth and number of samples"
    )
    parser.add_argument("--keep", type=Path, help="file of what is done already")
    parser.add_argument("--table", type=Path, help="document whose marks to put the tables between")
    parser.add_argument("--only", help="a part of the names of the truths wanted")
    parser.add_argument("--samples", type=int, nargs="*", default=list(COUNTS))
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--sizes", action="store_true", help="compare prior ranges on grounds of three sizes")
    asked = parser.parse_args()
    if asked.sizes:
        sizes(asked.grounds)
        return
    tasks = [
        (regime, count, number)
        for number in range(asked.grounds)
        for regime in (*REGIMES, *DUPLICATES)
        for count in asked.samples
        if not asked.only or asked.only in regime
    ]
    parts = tables(run(tasks, asked.keep, asked.processes))
    print("\n\n".join("\n".join(lines) for lines in parts.values()))
    if asked.table:
        from document import written

        written(asked.table, parts)


if __name__ == "__main__":
    main()
