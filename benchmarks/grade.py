"""How fast the grade solver is, beside dense algebra and beside what is asked of it.

Run ``python benchmarks/grade.py``. Speed is always a ratio in the same run, after compiling. How honest the
intervals are is asked by ``benchmarks/intervals.py``; other libraries stand beside it in
``benchmarks/grade_others.py``.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numba import njit
from scipy.linalg import cho_factor, cho_solve

from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.sand import solver
from washgrade.sand.along import nearest_along_m
from washgrade.sand.grade import estimate_grade
from washgrade.sand.hyper import average
from washgrade.sand.inference import Process, deviations, fit, krige
from washgrade.sand.nextsample import gain_of_one_more
from washgrade.sand.sample import Samples, SamplingSettings
from washgrade.sand.tree import Tree, rows_of, skeleton
from washgrade.sand.weighed import weigh

CELL_M = 5.0
PROCESS = Process(up_variance=0.4, up_range_m=300.0, down_variance=0.3, down_range_m=1200.0)
# Branches that mix in part cost an exponential more a node: what is asked for is timed with them.
MIXED = replace(PROCESS, mixing_share=0.35)


def grow(count: int, rng: np.random.Generator, *, fork: float = 0.01) -> Tree:
    """A random tree: channels that grow headwards, now and then anew from a random node."""
    start, spot = rng.random(count), rng.random(count)
    parent = np.arange(-1, count - 1)
    anew = np.flatnonzero(start < fork)
    anew = anew[anew > 1]
    parent[anew] = (spot[anew] * anew).astype(np.int64)
    downstream = np.where(parent >= 0, count - 1 - parent, -1)[::-1].astype(np.int32)
    length_m = np.where(rng.random(count) < 0.5, CELL_M, CELL_M * np.sqrt(2.0))
    length_m[-1] = 0.0
    return Tree(
        downstream=downstream, length_m=length_m, weight=gather(downstream, rng.uniform(500, 1500, count))
    )


@njit(cache=True)
def gather(downstream: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Sum of what lies upstream, own part included."""
    total = own.copy()
    for i in range(len(total)):
        if downstream[i] >= 0:
            total[downstream[i]] += total[i]
    return total


@njit(cache=True)
def mixes(downstream: np.ndarray, weight: np.ndarray, node: np.ndarray, out: np.ndarray) -> None:
    """Square root of the ratio of weights where one of node and sample flows to the other."""
    below = np.zeros(len(downstream), np.bool_)
    for k in range(len(node)):
        below[:] = False
        for i in range(len(downstream) - 1, -1, -1):
            below[i] = i == node[k] or (downstream[i] >= 0 and below[downstream[i]])
            if below[i]:
                out[i, k] = np.sqrt(weight[i] / weight[node[k]])
        i = downstream[node[k]]
        while i >= 0:
            out[i, k] = np.sqrt(weight[node[k]] / weight[i])
            i = downstream[i]


def seconds(work: Callable[[], object], *, times: int) -> float:
    """Least time of the processor, all threads together: a busy machine does not lengthen it much."""
    best = np.inf
    for _ in range(times):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def speed(rng: np.random.Generator) -> None:
    samples = 1000
    made = {}
    for count in (1_000_000, 10_000):
        tree = grow(count, rng)
        node = np.sort(rng.choice(count, samples, replace=False))
        readings = {"node": node, "error_variance": np.full(samples, 0.05)}
        value = rng.normal(-2.5, 0.8, samples)
        regressors = np.ones((count, 1))

        def everywhere(tree=tree, readings=readings, value=value, regressors=regressors):
            return krige(tree, PROCESS, value=value, regressors=regressors, **readings)[1]

        def likelihood(tree=tree, readings=readings, value=value, regressors=regressors, node=node):
            return fit(tree, PROCESS, value=value, regressors=regressors[node], **readings)

        def draw(tree=tree, readings=readings, count=count):
            return deviations(tree, PROCESS, noise=rng.standard_normal((count, 3, 1)), **readings)

        for work in (everywhere, likelihood, draw):
            work()
        times = 3 if count > 100_000 else 20
        made[count] = [seconds(work, times=times) for work in (everywhere, likelihood, draw)]
        print(
            f"{count:>9,} nodes, {samples} samples: mean and variance {made[count][0]:.4f} s, "
            f"likelihood {made[count][1]:.4f} s, one draw {made[count][2]:.4f} s"
        )

    # Distances are given to the dense method for nothing.
    along_m = np.column_stack([nearest_along_m(tree, np.array([one])) for one in node])
    mix = np.zeros((count, samples))
    mixes(tree.downstream, tree.weight, node, mix)

    def dense() -> tuple[np.ndarray, np.ndarray]:
        cross = PROCESS.up_variance * mix * np.exp(-along_m / PROCESS.up_range_m)
        cross += PROCESS.down_variance * np.exp(-along_m / PROCESS.down_range_m)
        factor = cho_factor(cross[node] + 0.05 * np.eye(samples), lower=True)
        ones = np.ones(samples)
        weighed = cho_solve(factor, cross.T)
        solved = cho_solve(factor, np.column_stack([value, ones]))
        beta = (ones @ solved[:, 0]) / (ones @ solved[:, 1])
        slack = 1.0 - cross @ solved[:, 1]
        mean = beta + cross @ (solved[:, 0] - beta * solved[:, 1])
        prior = PROCESS.up_variance + PROCESS.down_variance
        return mean, prior - np.einsum("ij,ji->i", cross, weighed) + slack**2 / (ones @ solved[:, 1])

    mean, variance = dense()
    there = everywhere()
    worst = max(np.abs(mean - there.mean).max(), np.abs(variance - there.variance).max())
    slow = seconds(dense, times=2)
    print(
        f"   10,000 nodes, {samples} samples: dense mean and variance {slow:.3f} s (distances not counted), "
        f"ratio {slow / made[count][0]:.0f}, largest difference {worst:.1e}"
    )

    # A dense draw needs the covariance of all nodes given the readings, and its square root.
    anywhere = np.arange(count)
    whole_m = np.column_stack([nearest_along_m(tree, np.array([one])) for one in anywhere])
    whole_mix = np.zeros((count, count))
    mixes(tree.downstream, tree.weight, anywhere, whole_mix)
    prior = PROCESS.up_variance * whole_mix * np.exp(-whole_m / PROCESS.up_range_m)
    prior += PROCESS.down_variance * np.exp(-whole_m / PROCESS.down_range_m)
    del whole_m, whole_mix

    def dense_draw() -> np.ndarray:
        cross = prior[:, node]
        factor = cho_factor(cross[node] + 0.05 * np.eye(samples), lower=True)
        given = prior - cross @ cho_solve(factor, cross.T)
        given[np.diag_indices(count)] += 1e-9
        return np.linalg.cholesky(given) @ rng.standard_normal(count)

    slow_draw = seconds(dense_draw, times=1)
    print(
        f"   10,000 nodes, {samples} samples: dense draw {slow_draw:.2f} s (prior covariance given), "
        f"ratio {slow_draw / made[count][2]:.0f}"
    )


# Seconds asked for on one core, for a million nodes and 10,000 samples (30 for the averaging).
ASKED = {
    "mean and variance": 0.3,
    "likelihood, whole tree": 0.15,
    "likelihood, skeleton": 0.005,
    "one draw": 0.15,
    "gain of one more, every node": 0.4,
}


def asked(rng: np.random.Generator) -> list[tuple[str, ...]]:
    """Time each pass at the size that is asked for, and dense algebra for the likelihood beside it."""
    rows = []
    count, samples = 1_000_000, 10_000
    tree = grow(count, rng)
    node = np.sort(rng.choice(count, samples, replace=False))
    value, error = rng.normal(-2.5, 0.8, samples), np.full(samples, 0.05)
    everywhere = np.ones((count, 1))
    readings = {"node": node, "error_variance": error}
    small, kept = skeleton(tree, node)
    weight = rng.random(count)

    def passed(within: Tree, at: np.ndarray, process: Process = MIXED):
        nodes = len(within)
        place, older = rows_of(at, nodes)
        columns = np.column_stack([value[: len(at)], np.ones(len(at))])
        b, eta = np.empty((nodes, 2)), np.empty((nodes, 2))
        c, v, lam = (np.empty(nodes) for _ in range(3))
        gram = np.empty((2, 2))
        readings = (place, older, np.ones(len(at)), columns, error[: len(at)])
        arrays = (within.downstream, within.length_m, within.log_weight, *readings)

        def work():
            return solver.pass_up(*arrays, process.numbers, b, c, v, lam, eta, gram)

        return work

    noise = rng.standard_normal((count, 3, 1))
    works = {
        "mean and variance": lambda: krige(tree, MIXED, value=value, regressors=everywhere, **readings),
        "likelihood, whole tree": passed(tree, node),
        "likelihood, skeleton": passed(small, np.searchsorted(kept, node)),
        "one draw": lambda: deviations(tree, MIXED, noise=noise, **readings),
        "gain of one more, every node": lambda: gain_of_one_more(
            tree, MIXED, regressors=everywhere, weight=weight, sample_variance=0.1, **readings
        ),
    }
    print(f"\n{count:,} nodes, {samples:,} samples, skeleton of {len(small):,} nodes")
    for name, work in works.items():
        work()
        spent = seconds(work, times=5)
        rows.append((name, f"{spent:.4f} s", f"{ASKED[name]:g} s"))
        print(
            f"    {name:30}{spent:8.4f} s   {spent / ASKED[name]:5.2f} of what is asked ({ASKED[name]:g} s)"
        )
    both = works["likelihood, whole tree"](), works["likelihood, skeleton"]()
    print(f"    log determinants of whole tree and skeleton differ by {abs(both[0] - both[1]):.1e}")

    some = 2000
    few, at = skeleton(tree, node[:some])
    spot = np.searchsorted(at, node[:some])
    along_m = np.column_stack([nearest_along_m(few, np.array([one]))[spot] for one in spot])
    between = np.zeros((len(few), some))
    mixes(few.downstream, few.weight, spot, between)

    def dense():
        cover = PROCESS.up_variance * between[spot] * np.exp(-along_m / PROCESS.up_range_m)
        cover += PROCESS.down_variance * np.exp(-along_m / PROCESS.down_range_m)
        lower, _ = cho_factor(cover + 0.05 * np.eye(some), lower=True)
        return 2 * np.log(np.diag(lower)).sum()

    ours = passed(few, spot, PROCESS)
    off = abs(dense() - ours())
    slow, fast = seconds(dense, times=2), seconds(ours, times=20)
    print(
        f"    {some} samples: dense log determinant {slow:.3f} s, skeleton {fast:.5f} s, ratio "
        f"{slow / fast:.0f}, difference {off:.1e}"
    )
    rows.append(
        (f"log determinant, {some:,} samples: skeleton", f"{fast:.5f} s", f"dense algebra {slow:.3f} s")
    )
    return rows


def averaging(rng: np.random.Generator) -> list[tuple[str, ...]]:
    """Time the averaging over hyper-parameters; 0.2 s is asked for 30 samples."""
    rows = []
    channels = ground(grow(20_000, rng))
    for count in (8, 30, 100, 300):
        node = rng.choice(20_000, count, replace=False)
        grade = 1 / (1 + np.exp(-rng.normal(-2.5, 0.7, count)))
        model = weigh(channels, samples_at(channels, node, grade))
        spent = seconds(lambda model=model: average(model.read, model.priors), times=5)
        print(
            f"    averaging, {count} samples, {model.regressors.shape[1]} regressors: {spent:.3f} s, "
            f"{model.averaged.effective_samples:.0f} effective points"
        )
        rows.append((f"averaging, {count} samples", f"{spent:.3f} s", "0.2 s" if count == 30 else "–"))
    return rows


def ground(tree: Tree, *, per_reach: int = 10) -> Channels:
    """Channels with the links of a tree; places are laid out so that no two nodes are near each other."""
    count = len(tree)
    branches = np.bincount(tree.downstream[tree.downstream >= 0], minlength=count)
    reach, first, last, size = np.full(count, -1, np.int32), [], [], []
    above = np.full(count, -1)
    above[tree.downstream[:-1]] = np.arange(count - 1)
    for i in range(count):
        at = reach[above[i]] if branches[i] == 1 else -1
        if at < 0 or size[at] >= per_reach:
            at = len(first)
            first.append(i)
            last.append(i)
            size.append(0)
        reach[i], last[at] = at, i
        size[at] += 1
    last_node = np.array(last, np.int32)
    below = tree.downstream[last_node]
    steep = 0.03 * np.ones(len(first))
    return Channels(
        nodes=Nodes(
            cell=np.arange(count),
            downstream=tree.downstream,
            length_m=tree.length_m,
            easting_m=np.arange(count) * 100.0,
            northing_m=np.sqrt(np.arange(count)) * 1000.0,
            elevation_m=np.zeros(count),
            upstream_area_m2=tree.weight,
            distance_to_outlet_m=np.zeros(count),
            order=np.ones(count, np.int32),
            reach=reach,
        ),
        reaches=Reaches(
            reach_id=np.array([f"A{k}" for k in range(len(first))]),
            first_node=np.array(first, np.int32),
            last_node=last_node,
            downstream=np.where(below >= 0, reach[np.maximum(below, 0)], -1).astype(np.int32),
            length_m=np.bincount(reach, weights=tree.length_m),
            drop_m=np.zeros(len(first)),
            slope=steep,
            upstream_area_m2=tree.weight[last_node],
            order=np.ones(len(first), np.int32),
        ),
        channel_area_m2=1000.0,
    )


def samples_at(channels: Channels, node: np.ndarray, grade: np.ndarray) -> Samples:
    count = len(node)
    unknown = np.full(count, np.nan)
    return Samples(
        sample_id=np.array([f"s{k}" for k in range(count)]),
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


def whole(rng: np.random.Generator) -> None:
    channels = ground(grow(5000, rng))
    node = rng.choice(5000, 40, replace=False)
    grade = 1 / (1 + np.exp(-rng.normal(-2.5, 0.7, 40)))

    # The poorest eleven as traces: where they are, all at one node, and at nodes side by side.
    poor = np.argsort(grade)[:11]
    faint, one, near = grade.copy(), node.copy(), node.copy()
    faint[poor] = 0.0
    one[poor] = node[poor[0]]
    near[poor] = 2000 + np.arange(len(poor))
    for words, where, weighed in (
        ("no trace", node, grade),
        ("11 traces apart", node, faint),
        ("11 traces at one node", one, faint),
        ("11 traces side by side", near, faint),
    ):

        def estimate(where=where, weighed=weighed):
            return estimate_grade(
                channels,
                samples_at(channels, where, weighed),
                rng=np.random.default_rng(1),
                cutoff_grade=0.05,
            )

        unsettled = estimate().hyper.unsettled_share
        print(
            f"    5,000 nodes, 40 samples, {words}: whole estimate with 1,000 draws "
            f"{seconds(estimate, times=3):.3f} s, unsettled {unsettled:.1%}"
        )


def main() -> None:
    rng = np.random.default_rng(20251004)
    asked(rng)
    averaging(rng)
    speed(rng)
    whole(rng)


if __name__ == "__main__":
    main()
