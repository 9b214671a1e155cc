"""Gain of one more sample, and what must not change an estimate, against dense algebra or a plain twin."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit

from washgrade.errors import InputError
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.inference import CoefficientPrior, Process, krige
from washgrade.sand.nextsample import contested_weight, gain_of_one_more
from washgrade.sand.tree import Tree

SEEDS = st.integers(0, 2**32 - 1)
PRIOR = CoefficientPrior(mean=np.array([-2.0, 0.3]), sd=np.array([1.2, 0.5]))


def forest(rng: np.random.Generator, count: int) -> Tree:
    """A random forest with confluences of any number of branches."""
    downstream = np.full(count, -1, dtype=np.int32)
    for i in range(count - 1):
        if rng.random() < 0.92:
            downstream[i] = min(count - 1, i + int(rng.geometric(0.4)))
    weight = rng.uniform(0.1, 3.0, count)
    for i in range(count):
        if downstream[i] >= 0:
            weight[downstream[i]] += weight[i]
    return Tree(downstream=downstream, length_m=rng.uniform(0.1, 80.0, count), weight=weight)


def some_process(rng: np.random.Generator) -> Process:
    return Process(
        up_variance=float(rng.choice([0.0, rng.uniform(0.05, 2)])),
        up_range_m=float(10 ** rng.uniform(0, 4)),
        down_variance=float(rng.uniform(0.05, 2)),
        down_range_m=float(10 ** rng.uniform(0, 4)),
        mixing_share=float(rng.choice([0.0, rng.uniform(0, 1)])),
    )


@given(SEEDS)
@settings(max_examples=60, deadline=None)
def test_gain_is_the_fall_of_the_dense_variance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count, readings = int(rng.integers(2, 40)), int(rng.integers(1, 12))
    tree, process = forest(rng, count), some_process(rng)
    node, error = rng.integers(0, count, readings), rng.uniform(0.01, 0.5, readings)
    columns = np.column_stack([np.ones(count), rng.normal(size=count)])
    weight = rng.uniform(0, 1, count) * (rng.random(count) < 0.7)
    shared = float(rng.choice([0.0, 0.2]))

    apart = distances(tree)
    whole = tail_up_exponential(
        apart, variance=process.up_variance, range_m=process.up_range_m, mixing_share=process.mixing_share
    )
    whole = whole + tail_down_exponential(apart, variance=process.down_variance, range_m=process.down_range_m)
    whole = whole + columns @ np.diag(PRIOR.sd**2) @ columns.T
    cover = whole[np.ix_(node, node)] + np.diag(error) + shared * (node[:, None] == node[None, :])
    given_all = whole - whole[:, node] @ np.linalg.solve(cover, whole[node])
    # The slow way: add the reading at each node in turn, and count what the weighted variance falls by.
    expected = np.empty(count)
    for new in range(count):
        after = given_all - np.outer(given_all[:, new], given_all[new]) / (given_all[new, new] + 0.2)
        expected[new] = weight @ (np.diag(given_all) - np.diag(after))
    found = gain_of_one_more(
        tree, process, node=node, error_variance=error, regressors=columns, weight=weight,
        sample_variance=0.2, prior=PRIOR, shared_variance=shared,
    )  # fmt: skip
    assert found == pytest.approx(expected, rel=1e-8, abs=1e-10)


def test_a_gain_that_forgets_what_branches_explain_of_each_other_would_differ() -> None:
    # Three branches that meet: given the node below, knowing one tells of the others.
    tree = Tree(
        downstream=np.array([3, 3, 3, -1], np.int32),
        length_m=np.full(4, 10.0),
        weight=np.array([1.0, 1, 1, 3]),
    )
    process = Process(up_variance=1.0, up_range_m=200.0, down_variance=0.0, down_range_m=1.0)
    found = gain_of_one_more(
        tree, process, node=np.array([3]), error_variance=np.array([0.01]), regressors=np.empty((4, 0)),
        weight=np.array([0.0, 1.0, 0.0, 0.0]), sample_variance=0.1,
    )  # fmt: skip
    # Branch 0 flows not to branch 1; only the known sum below ties them.
    assert found[0] > 0.05
    assert found[0] == pytest.approx(found[2])


def test_weights_that_do_not_fit_are_refused() -> None:
    tree = forest(np.random.default_rng(1), 4)
    sentence = "Invalid weights of shape (3,). There must be one of at least 0 per node, 4."
    with pytest.raises(InputError, match="^" + re.escape(sentence) + "$"):
        gain_of_one_more(
            tree, some_process(np.random.default_rng(2)), node=np.array([0]), error_variance=np.array([0.1]),
            regressors=np.empty((4, 0)), weight=np.ones(3), sample_variance=0.1,
        )  # fmt: skip


def test_contested_weights_leave_out_what_is_surely_poor() -> None:
    weight = contested_weight(np.array([-2.0, -2.0, -6.0]), np.array([0.1, 1.0, 0.1]), -2.5)
    # The slope of the logistic curve at mean + variance / 2, which for a poor place is its mean grade.
    assert weight[:2] == pytest.approx(expit([-1.95, -1.5]) ** 2 * expit([1.95, 1.5]) ** 2)
    assert weight[2] < 1e-12 * weight[0]
    # For poor sand f is the lognormal mean e^(m + v/2), so f² v is what its doubt is worth.
    poor = contested_weight(np.array([-9.0]), np.array([1.5]), -20.0)[0]
    drawn = np.exp(np.random.default_rng(1).normal(-9.0, 1.5**0.5, 400_000)).mean()
    assert np.sqrt(poor) == pytest.approx(drawn, rel=0.02)


def inserted(tree: Tree, at: int, share: float) -> tuple[Tree, np.ndarray]:
    """The same tree with one node more on the way down from a node; and where the old nodes are in it."""
    number = np.arange(len(tree)) + (np.arange(len(tree)) > at)
    downstream = np.insert(np.where(tree.downstream >= 0, number[tree.downstream], -1), at + 1, 0)
    downstream[at + 1], downstream[at] = downstream[at], at + 1
    length_m = np.insert(tree.length_m, at + 1, tree.length_m[at] * (1 - share))
    length_m[at] *= share
    return (
        Tree(
            downstream=downstream.astype(np.int32),
            length_m=length_m,
            weight=np.insert(tree.weight, at + 1, tree.weight[at]),
        ),
        number,
    )


@given(SEEDS, st.floats(0.01, 0.99))
@settings(max_examples=40, deadline=None)
def test_splitting_a_reach_changes_nothing(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 30))
    tree, process = forest(rng, count), some_process(rng)
    linked = np.flatnonzero(tree.downstream >= 0)
    if not len(linked):
        return
    node, value = rng.integers(0, count, 6), rng.normal(size=6)
    finer, number = inserted(tree, int(rng.choice(linked)), share)
    made = {"value": value, "error_variance": np.full(6, 0.1), "prior": PRIOR}
    columns = np.column_stack([np.ones(count), rng.normal(size=count)])
    more = np.zeros((count + 1, 2))
    more[number] = columns
    one, before = krige(tree, process, node=node, regressors=columns, **made)
    two, after = krige(finer, process, node=number[node], regressors=more, **made)
    assert two.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-9)
    assert after.mean[number] == pytest.approx(before.mean, abs=1e-9)
    assert after.variance[number] == pytest.approx(before.variance, abs=1e-9)


@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_two_samples_at_one_place_say_what_their_pooled_one_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 30))
    tree, process = forest(rng, count), some_process(rng)
    columns = np.column_stack([np.ones(count), rng.normal(size=count)])
    node = np.array([0, count - 1, count // 2, count // 2])
    value, error = rng.normal(size=4), rng.uniform(0.05, 0.5, 4)
    weight = 1 / error[2:]
    _, two = krige(
        tree, process, node=node, value=value, error_variance=error, regressors=columns, prior=PRIOR
    )
    _, pooled = krige(
        tree, process, node=node[:3], value=np.append(value[:2], value[2:] @ weight / weight.sum()),
        error_variance=np.append(error[:2], 1 / weight.sum()), regressors=columns, prior=PRIOR,
    )  # fmt: skip
    assert pooled.mean == pytest.approx(two.mean, abs=1e-9)
    assert pooled.variance == pytest.approx(two.variance, abs=1e-9)
