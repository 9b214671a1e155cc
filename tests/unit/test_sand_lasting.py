"""What all readings together say of the share of the sand's pattern that lasts through floods."""

from __future__ import annotations

import numpy as np
import pytest

from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.hyper import Priors, Readings, _evidences, average, readings
from washgrade.sand.lasting import PARTS, lasting_log_likelihood
from washgrade.sand.sample import Observations
from washgrade.sand.tree import Tree
from washgrade.sand.weighed import Weighed
from washgrade.storm.learn import lasting_shares, learn

COUNT, OLD = 60, 40
HALF = COUNT // 2
# A comb: a trunk of thirty nodes, a branch into each.
TREE = Tree(
    downstream=np.array([*range(HALF, COUNT), *range(HALF + 1, COUNT), -1], np.int32),
    length_m=np.array([80.0] * (COUNT - 1) + [0.0]),
    weight=np.array([1.0] * HALF + [1.0 + k for k in range(HALF)]),
)
# One flood between the old readings and the young, which left so much of the bed.
UNMOVED = 0.3
UP_VARIANCE, DOWN_VARIANCE, ERROR_VARIANCE = 0.8, 0.2, 0.05
IS_OLD = np.arange(2 * OLD) < OLD


def loading(lasting: float, count: int) -> np.ndarray:
    return np.where(IS_OLD[:count], lasting + (1.0 - lasting) * UNMOVED, 1.0)


def seen_on(value: np.ndarray, node: np.ndarray, lasting: float) -> Observations:
    """Readings on the comb, the old ones carried with a lasting share."""
    count = len(node)
    return Observations(
        node=node.astype(np.int32), value=value, error_variance=np.full(count, ERROR_VARIANCE),
        censored=np.zeros(count, bool), limit=np.full(count, -6.0), accuracy_m=np.full(count, 1.0),
        offset_m=np.zeros(count), covered=np.ones(count), day=np.full(count, np.datetime64("2025-03-01")),
        sample_ids=tuple((f"s{k}",) for k in range(count)), unplaced=(), left_out=(),
        carried=loading(lasting, count),
    )  # fmt: skip


def read(value: np.ndarray, node: np.ndarray, lasting: float) -> Readings:
    return readings(TREE, seen_on(value, node, lasting), np.ones((COUNT, 1)))


def truth(lasting: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Readings of two days: a part of the pattern stays, the rest is laid anew where the bed moved.

    Not the reckoning's own model, in which every old reading has noise of its own: here all old readings met
    one field, of which the flood left a share and laid the rest.
    """
    apart, tiny = distances(TREE), 1e-9 * np.eye(COUNT)
    up = np.linalg.cholesky(tail_up_exponential(apart, variance=UP_VARIANCE, range_m=400.0) + tiny)
    down = np.linalg.cholesky(tail_down_exponential(apart, variance=DOWN_VARIANCE, range_m=900.0) + tiny)
    stays, before, laid, still = rng.standard_normal((4, COUNT))
    after = UNMOVED * before + np.sqrt(1.0 - UNMOVED**2) * laid
    fields = [up @ (np.sqrt(lasting) * stays + np.sqrt(1.0 - lasting) * moving) for moving in (before, after)]
    node = np.concatenate([rng.permutation(COUNT)[:OLD] for _ in range(2)])
    value = np.where(IS_OLD, fields[0][node], fields[1][node]) + (down @ still)[node] - 3.0
    return value + rng.normal(0.0, np.sqrt(ERROR_VARIANCE), 2 * OLD), node


def weighed(value: np.ndarray, node: np.ndarray, lasting: float) -> Weighed:
    one, priors = read(value, node, lasting), Priors()
    return Weighed(
        tree=TREE, names=("intercept",), regressors=np.ones((COUNT, 1)), prior=priors.coefficients(1),
        priors=priors, observations=seen_on(value, node, lasting), read=one, averaged=average(one, priors),
    )  # fmt: skip


def between(one: Readings) -> np.ndarray:
    """Share of the bed unmoved between the days of two places."""
    old = one.loading < 1.0
    return np.where(old[:, None] == old, 1.0, UNMOVED)


def test_without_floods_it_is_the_likelihood_of_the_estimate() -> None:
    """All of one day: the evidence of the linear solver, with the regression integrated out."""
    value, node = (column[:OLD] for column in truth(0.5, np.random.default_rng(2)))
    one = weighed(value, node, 1.0)
    found = lasting_log_likelihood(one, np.ones((len(node), len(node))), lasting_shares()[0])
    assert np.ptp(found, axis=1).max() < 1e-9
    parts = np.unique(np.linspace(0, len(one.averaged.points) - 1, PARTS).round().astype(int))
    points = one.averaged.points[parts]
    solver = _evidences(one.read, points, one.prior, one.priors)[0]
    # The solver's is that of the holes; each is its own place here, so that nothing was pooled away.
    dense = found[:, 0] - 0.5 * len(node) * np.log(2.0 * np.pi)
    np.testing.assert_allclose(dense, solver, atol=1e-6)


def test_all_readings_together_find_the_share_that_lasts() -> None:
    """Two days of 40 readings among 60 nodes, one flood between: twelve grounds of either kind.

    On the mean 0.69 where 0.15 lasts and 0.90 where 0.97 does, 0.8 being thought beforehand: one flood and
    eighty readings say no more. Told days that are not so, all of one day, they say nothing.
    """
    guess = float(learn().lasting_share)
    means = []
    for lasting in (0.15, 0.97):
        told = []
        for seed in range(12):
            one = weighed(*truth(lasting, np.random.default_rng(seed)), guess)
            likely = lasting_log_likelihood(one, between(one.read), lasting_shares()[0])
            told.append(learn().with_lasting(likely).lasting_share)
        means.append(float(np.mean(told)))
    assert means[0] < guess - 0.05
    assert means[1] > guess + 0.08


def test_a_likelihood_that_says_nothing_leaves_what_was_thought() -> None:
    told = learn().with_lasting(np.full((3, len(lasting_shares()[0])), -3.0))
    np.testing.assert_allclose(told.lasting_weights, lasting_shares()[1])
    assert told.lasting_share == pytest.approx(0.8)


def test_ways_count_alike() -> None:
    """Two ways, one sure of the smallest share and one of the largest: half and half."""
    likely = np.full((2, 8), -1e4)
    likely[0, 0] = likely[1, -1] = 0.0
    weights = learn().with_lasting(likely).lasting_weights
    np.testing.assert_allclose(weights[[0, -1]], 0.5)
