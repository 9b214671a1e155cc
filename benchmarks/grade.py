"""How fast the grade solver is beside dense algebra, and how honest its intervals are.

Run ``python benchmarks/grade.py``. Speed is always a ratio in the same run, after compiling. Coverage is of
simulated truth on simulated networks, so it says that the arithmetic is honest, not that the sand is as
modelled.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from numba import njit
from scipy.linalg import cho_factor, cho_solve

from washgrade.land.channels import Channels, Nodes, Reaches
from washgrade.sand.along import nearest_along_m
from washgrade.sand.covariates import regressors
from washgrade.sand.grade import estimate_grade
from washgrade.sand.inference import Process, deviations, fit, krige
from washgrade.sand.priors import Priors
from washgrade.sand.sample import Samples, SamplingSettings
from washgrade.sand.tree import Tree, tree_of_nodes

CELL_M = 5.0
PROCESS = Process(up_variance=0.4, up_range_m=300.0, down_variance=0.3, down_range_m=1200.0)


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
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
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
            northing_m=np.zeros(count),
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


# Total sd, tail-up share, ranges up and down in metres, local sd; None draws them, and the effects of the
# covariates, from the prior, under which right arithmetic must cover as it says.
REGIMES: dict[str, tuple[float, float, float, float, float] | None] = {
    "drawn from the prior": None,
    "middle of the prior": (0.8, 0.5, 300.0, 1200.0, 0.25),
    "all carried, short": (0.8, 0.95, 120.0, 600.0, 0.25),
    "all in place, long": (0.8, 0.05, 300.0, 3000.0, 0.25),
    "strong scatter": (0.6, 0.5, 300.0, 1200.0, 0.6),
    "strong contrasts": (1.4, 0.5, 300.0, 1200.0, 0.25),
}


def coverage(rng: np.random.Generator, *, rounds: int) -> None:
    print(
        f"\ncoverage of simulated truth, {rounds} networks of 800 nodes each (pooled over nodes or reaches)"
    )
    print(f"{'':22}{'samples':>8}{'90 % reach':>12}{'80 % reach':>12}{'80 % node':>12}")
    pooled: dict[int, list[list[float]]] = {8: [], 30: []}
    priors = Priors()
    for name, regime in REGIMES.items():
        for count, rows in pooled.items():
            mine = []
            for _ in range(rounds):
                tree = grow(800, rng, fork=0.02)
                channels = ground(tree)
                if regime is None:
                    point = priors.points(rng.random((1, 5)))[0]
                    sd, share, up_m, down_m, local = np.exp(point)
                    share = share / (1 + share)
                    prior = priors.coefficients(3)
                    middle = regressors(channels)[1] @ rng.normal(prior.mean, prior.sd)
                else:
                    sd, share, up_m, down_m, local = regime
                    middle = rng.normal(-2.9, 0.6)
                process = Process(
                    up_variance=sd**2 * share,
                    up_range_m=up_m,
                    down_variance=sd**2 * (1 - share),
                    down_range_m=down_m,
                )
                up, down = deviations(
                    tree_of_nodes(channels.nodes),
                    process,
                    node=np.empty(0, int),
                    error_variance=np.empty(0),
                    noise=rng.standard_normal((800, 3, 1)),
                )
                # Half the local variance belongs to the node, half to the scoop, as the model has it.
                z = middle + (up + down)[:, 0] + rng.normal(0, local * np.sqrt(0.5), 800)
                true = 1 / (1 + np.exp(-z))
                node = rng.choice(800, count, replace=False)
                scooped = z[node] + rng.normal(0, local * np.sqrt(0.5), count)
                weighed = 1 / (1 + np.exp(-scooped)) + rng.normal(0, 0.0006, count)
                found = estimate_grade(
                    channels, samples_at(channels, node, np.clip(weighed, 0, 1)), rng=rng, cutoff_grade=0.05
                )
                reach = np.bincount(channels.nodes.reach, weights=true) / np.bincount(channels.nodes.reach)
                low, high = np.quantile(found.reach_draws, (0.05, 0.95), axis=0)
                mine.append(
                    [
                        np.mean((low < reach) & (reach < high)),
                        np.mean((found.reach_p10 < reach) & (reach < found.reach_p90)),
                        np.mean((found.node_p10 < true) & (true < found.node_p90)),
                    ]
                )
            rows += mine
            shown = np.mean(mine, axis=0)
            print(f"{name:22}{count:>8}" + "".join(f"{one:>12.3f}" for one in shown))
    for count, rows in pooled.items():
        error = np.std(rows, axis=0) / np.sqrt(len(rows))
        shown = [f"{m:.3f}±{e:.3f}" for m, e in zip(np.mean(rows, axis=0), error, strict=True)]
        print(f"{'all':22}{count:>8}" + "".join(f"{one:>12}" for one in shown))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=40, help="simulated networks for each line; 0 for none")
    rounds = parser.parse_args().rounds
    rng = np.random.default_rng(20251004)
    speed(rng)
    whole(rng)
    if rounds:
        coverage(rng, rounds=rounds)


if __name__ == "__main__":
    main()
