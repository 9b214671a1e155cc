"""The grade solver beside dense algebra and planar kriging of other libraries: time, memory and accuracy.

Run ``python benchmarks/grade_others.py``. All in one run: growth from 1,000 to 1,000,000 nodes and from 100
to 10,000 samples; PyKrige and GSTools (general-purpose geostatistics) krige the same readings in the plane,
with known numbers so that only the algebra is timed; dense algebra does what our solver does. A method is not
asked where its matrix would take more than ``MOST_BYTES``. Accuracy is by leaving one out: on simulated
networks, and on the open stream temperatures kept beside a developer's checkout, where they are.

``--table FILE`` writes all that was measured into a page (``docs/benchmarks-grade.md``).
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import platform
import time
import tracemalloc
import warnings
from collections.abc import Callable
from pathlib import Path

import gstools
import numpy as np
from pykrige.ok import OrdinaryKriging
from scipy.linalg import cho_factor, cho_solve
from scipy.special import expit

from grade import PROCESS, asked, averaging, grow, samples_at
from intervals import make_channels, ordinary_kriging, truth
from washgrade.sand.along import longest_way_m
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.hyper import average, readings
from washgrade.sand.inference import krige, leave_one_out
from washgrade.sand.priors import Priors
from washgrade.sand.regression import CoefficientPrior
from washgrade.sand.sample import Observations
from washgrade.sand.tree import Tree
from washgrade.sand.weighed import weigh

MOST_BYTES = 4e8
# Nor where, by what it took the last time, it would take longer than this.
MOST_S = 10.0
STREAMS = Path(__file__).resolve().parents[1].parent / "shared" / "reference" / "streams"


def cost(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of the processor of the better of two runs, and megabytes at the peak (what NumPy asks for)."""
    work()
    spent = []
    for _ in range(2):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return min(spent), peak / 1e6


def growth(rng: np.random.Generator) -> list[tuple[str, ...]]:
    """Mean and variance at every node by each method."""
    rows, pace = [], {}
    print(f"{'nodes':>10}{'samples':>9}{'method':>10}{'seconds':>10}{'MB':>9}{'ratio to ours':>15}")
    for count, samples in (
        (1_000, 100),
        (10_000, 100),
        (100_000, 100),
        (1_000_000, 100),
        (1_000, 1_000),
        (10_000, 1_000),
        (100_000, 1_000),
        (1_000_000, 1_000),
        (1_000_000, 10_000),
    ):
        tree = grow(count, rng)
        node = np.sort(rng.choice(count, min(samples, count), replace=False))
        value, error = rng.normal(-2.5, 0.8, len(node)), np.full(len(node), 0.05)
        everywhere = np.ones((count, 1))
        place = np.column_stack([np.arange(count) * 5.0, np.sqrt(np.arange(count)) * 50.0])
        made = {
            "ours": lambda tree=tree, node=node, value=value, error=error, everywhere=everywhere: krige(
                tree, PROCESS, node=node, value=value, error_variance=error, regressors=everywhere
            )
        }
        if count <= 1_000:

            def dense(tree=tree, node=node, value=value):
                apart = distances(tree)
                whole = tail_up_exponential(apart, variance=0.4, range_m=300.0)
                whole = whole + tail_down_exponential(apart, variance=0.3, range_m=1200.0)
                lower = cho_factor(whole[np.ix_(node, node)] + 0.05 * np.eye(len(node)))
                cross = whole[:, node]
                return cross @ cho_solve(lower, value), np.einsum(
                    "ij,ji->i", cross, cho_solve(lower, cross.T)
                )

            made["dense"] = dense
        if 8.0 * count * len(node) <= MOST_BYTES:

            def pykrige(place=place, node=node, value=value):
                model = OrdinaryKriging(
                    *place[node].T, value, variogram_model="exponential",
                    variogram_parameters={"psill": 0.7, "range": 3000.0, "nugget": 0.05},
                )  # fmt: skip
                return model.execute("points", *place.T)

            def planar_gstools(place=place, node=node, value=value):
                model = gstools.Exponential(dim=2, var=0.7, len_scale=1000.0)
                return gstools.krige.Ordinary(model, place[node].T, value, cond_err=0.05)(place.T)

            made |= {"PyKrige": pykrige, "GSTools": planar_gstools}
        own = 0.0
        for name, work in made.items():
            if pace.get(name, 0.0) * count * len(node) > MOST_S:
                continue
            spent, peak = cost(work)
            pace[name] = spent / (count * len(node)) if name != "ours" else 0.0
            own = own or spent
            rows.append(
                (
                    f"{count:,}",
                    f"{samples:,}",
                    name,
                    f"{spent:.4f}",
                    f"{peak:.1f}",
                    f"{1e6 * spent / count:.2f}",
                    f"{spent / own:.1f}",
                )
            )
            print(
                f"{count:>10,}{samples:>9,}{name:>10}{spent:>10.4f}{peak:>9.1f}{spent / own:>15.1f}",
                flush=True,
            )
    return rows


def left_out(read, averaged, prior: CoefficientPrior, tree: Tree, regressors, node, value) -> np.ndarray:
    """Predict each reading from the others, averaged over ranges and variances (weighed by all readings)."""
    size = len(prior.sd)
    predicted = []
    for part in range(0, len(averaged.points), 4):
        point = averaged.points[part]
        sd = prior.sd * np.append(1.0, np.full(size - 1, np.exp(point[5])))
        if read.planar is not None:
            sd = np.append(
                sd, np.sqrt(averaged.planar_variance(part) * read.planar.variances_at(float(point[7])))
            )
        found, _ = leave_one_out(
            tree,
            averaged.process(part),
            node=node,
            value=value,
            error_variance=np.full(len(node), np.exp(2 * point[4])),
            regressors=regressors[node],
            prior=CoefficientPrior(mean=np.append(prior.mean, np.zeros(len(sd) - size)), sd=sd),
        )
        predicted.append(found)
    return np.mean(predicted, axis=0)


def left_out_ours(channels, node, value) -> np.ndarray:
    """The same for samples on channels."""
    model = weigh(channels, samples_at(channels, node, expit(value)))
    return left_out(model.read, model.averaged, model.prior, model.tree, model.regressors, node, value)


def streams() -> list[tuple[str, ...]]:
    """Leave one out on the open stream temperatures, intercept only; skipped in a clone that lacks them."""
    if not STREAMS.is_dir():
        print("\nstream temperatures: not beside this checkout")
        return []
    path = Path(__file__).resolve().parents[1] / "tests" / "published" / "test_sand_stream_network.py"
    spec = importlib.util.spec_from_file_location("test_sand_stream_network", path)
    tests = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tests)
    network = tests.MiddleFork()
    node, degrees, count = network.node, network.value, len(network.node)
    # Degrees are carried to the scale that the priors are meant for, and back.
    scale, middle = degrees.std() / 0.8, degrees.mean()
    value = (degrees - middle) / scale
    order = np.argsort(node)
    seen = Observations(
        node=node[order].astype(np.int32),
        value=value[order],
        error_variance=np.full(count, 1e-4),
        censored=np.zeros(count, bool),
        limit=np.full(count, -99.0),
        accuracy_m=np.zeros(count),
        offset_m=np.zeros(count),
        covered=np.ones(count),
        day=np.full(count, np.datetime64("2025-01-01")),
        sample_ids=tuple((str(k),) for k in range(count)),
        unplaced=(),
        left_out=(),
    )
    ones, prior = np.ones((len(network.tree), 1)), CoefficientPrior(mean=np.zeros(1), sd=np.ones(1))
    read = readings(network.tree, seen, ones)
    averaged = average(read, Priors().on_ground(longest_way_m(network.tree)), prior=prior)
    ours = left_out(read, averaged, prior, network.tree, ones, node, value)
    place = np.array([(float(row["x"]), float(row["y"])) for row in tests.table("sites.csv")])
    _, plane = ordinary_kriging(place, value, place, leave_out=True)
    rest = (value.sum() - value) / (count - 1)
    shown = [scale * np.sqrt(np.mean((one - value) ** 2)) for one in (ours, plane, rest)]
    print(
        f"\nstream temperatures, 45 sites, degrees: ours {shown[0]:.3f}, planar {shown[1]:.3f}, "
        f"mean {shown[2]:.3f}"
    )
    return [
        (
            "stream temperatures, degrees",
            str(count),
            f"{shown[0]:.3f}",
            f"{shown[1]:.3f}",
            "–",
            f"{shown[2]:.3f}",
        )
    ]


def accuracy(grounds: int) -> list[tuple[str, ...]]:
    """Leave one out on simulated networks."""
    rows = []
    print(f"\n{'truth':24}{'samples':>8}{'ours':>8}{'planar':>8}{'PyKrige':>9}{'mean':>8}   rms error, logit")
    for regime in ("network", "carried far", "in place", "planar field"):
        for count in (30, 100):
            square = []
            for number in range(grounds):
                rng = np.random.default_rng([number, count, len(regime)])
                channels = make_channels(rng)
                z, local = truth(regime, rng, channels)
                node = np.sort(rng.choice(len(z), count, replace=False))
                value = z[node] + rng.normal(0, local, count)
                place = np.column_stack([channels.nodes.easting_m, channels.nodes.northing_m])[node]
                _, plane = ordinary_kriging(place, value, place, leave_out=True)
                binned = np.empty(count)
                for out in range(count):
                    keep = np.arange(count) != out
                    model = OrdinaryKriging(*place[keep].T, value[keep], variogram_model="exponential")
                    binned[out] = model.execute("points", place[out : out + 1, 0], place[out : out + 1, 1])[
                        0
                    ][0]
                rest = (value.sum() - value) / (count - 1)
                square.append(
                    [
                        np.mean((one - value) ** 2)
                        for one in (left_out_ours(channels, node, value), plane, binned, rest)
                    ]
                )
            shown = np.sqrt(np.mean(square, axis=0))
            rows.append((regime, str(count), *(f"{one:.3f}" for one in shown)))
            print(
                f"{regime:24}{count:>8}{shown[0]:>8.3f}{shown[1]:>8.3f}{shown[2]:>9.3f}{shown[3]:>8.3f}",
                flush=True,
            )
    return rows


HEAD = """# The grade solver beside other methods

Written by `python benchmarks/grade_others.py --table docs/benchmarks-grade.md`, all in one run. Seconds are
of one core's processor time, the best of several runs, loops compiled before. {machine}

## What is asked, at a million nodes and 10,000 samples

The averaging is over hyper-parameters, on 20,000 nodes; its cost does not grow with the nodes.

| step | measured | asked, or beside it |
|---|---|---|
{asked}

## Growth

Mean and variance at every node, ranges and variances given. *Dense* is the same model by dense algebra,
PyKrige and GSTools are ordinary kriging in the plane. A method is left out where its matrix would take more
than {most:.0f} MB, or where by its pace before it would take longer than {longest:.0f} s. Memory is the peak
of what NumPy asks for.

| nodes | samples | method | seconds | MB | µs per node | times ours |
|---:|---:|---|---:|---:|---:|---:|
{growth}

## Accuracy

Root mean square of what leaving one out misses, on the logit scale: {grounds} simulated grounds each, and
the open stream temperatures that a developer's checkout has beside it. *Planar* is ordinary kriging in the
plane with its numbers by restricted likelihood; *PyKrige* fits its variogram by itself; *mean* is the mean of
the others. Ours averages over ranges and variances that all readings have weighed, the one left out among
them; so does *planar*.

| truth | samples | ours | planar | PyKrige | mean |
|---|---:|---:|---:|---:|---:|
{accuracy}
"""


def main() -> None:
    asking = argparse.ArgumentParser(description=__doc__)
    asking.add_argument("--table", type=Path, help="write what was measured into this page")
    asking.add_argument("--grounds", type=int, default=6, help="simulated grounds for the accuracy")
    given = asking.parse_args()
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(20251125)
    busy = os.getloadavg()[0]
    told = {"asked": asked(rng) + averaging(rng), "growth": growth(rng)}
    told["accuracy"] = accuracy(given.grounds) + streams()
    if given.table:
        machine = f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}."
        if busy > 0.5:
            machine += f" Others were at work on it (load {busy:.1f}), which lengthens the times."
        given.table.write_text(
            HEAD.format(
                machine=machine,
                most=MOST_BYTES / 1e6,
                longest=MOST_S,
                grounds=given.grounds,
                **{name: "\n".join(f"| {' | '.join(row)} |" for row in rows) for name, rows in told.items()},
            ),
            encoding="utf-8",
        )


if __name__ == "__main__":
    main()
