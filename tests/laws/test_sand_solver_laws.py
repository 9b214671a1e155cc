"""The linear-time solver equals dense algebra on any forest, to 1e-8 of the variance at stake.

The slow twin is ordinary Gaussian conditioning with the full covariance matrices of ``sand.covariance``.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.inference import CoefficientPrior, Process, deviations, fit, krige, leave_one_out
from washgrade.sand.tree import Tree, pool, skeleton


def forest(rng: np.random.Generator, count: int) -> Tree:
    """A random forest with confluences of any number of branches, zero lengths and several outlets."""
    downstream = np.full(count, -1, dtype=np.int32)
    for i in range(count - 1):
        if rng.random() < 0.92:
            downstream[i] = min(count - 1, i + int(rng.geometric(0.4)))
    length_m = np.where(rng.random(count) < 0.1, 0.0, rng.uniform(0.1, 80.0, count))
    weight = rng.uniform(0.0, 3.0, count) * (rng.random(count) < 0.7)
    for i in range(count):
        weight[i] = max(weight[i], 1e-3) if not np.any(downstream == i) else weight[i]
        if downstream[i] >= 0:
            weight[downstream[i]] += weight[i]
    return Tree(downstream=downstream, length_m=length_m, weight=weight)


class Case:
    """A random problem and its dense answer."""

    def __init__(self, seed: int, *, flat: bool) -> None:
        rng = np.random.default_rng(seed)
        count = int(rng.integers(2, 45))
        self.tree = forest(rng, count)
        self.process = Process(
            up_variance=float(rng.choice([0.0, rng.uniform(0.05, 2)])),
            up_range_m=float(10 ** rng.uniform(0, 4)),
            down_variance=float(rng.choice([0.0, rng.uniform(0.05, 2)])),
            down_range_m=float(10 ** rng.uniform(0, 4)),
            mixing_share=float(rng.choice([0.0, rng.uniform(0, 1), 1.0])),
        )
        readings = int(rng.integers(4, 16))
        self.node = rng.integers(0, count, readings)
        self.value = rng.normal(size=readings)
        self.error = rng.uniform(0.01, 0.5, readings)
        self.shared = float(rng.choice([0.0, 0.2]))
        self.everywhere = np.column_stack([np.ones(count), rng.normal(size=count)])
        self.at = self.everywhere[self.node]
        self.prior = None if flat else CoefficientPrior(mean=np.array([-2.0, 0.3]), sd=np.array([1.2, 0.5]))

        apart = distances(self.tree)
        self.field = tail_up_exponential(
            apart,
            variance=self.process.up_variance,
            range_m=self.process.up_range_m,
            mixing_share=self.process.mixing_share,
        ) + tail_down_exponential(
            apart, variance=self.process.down_variance, range_m=self.process.down_range_m
        )
        same = self.node[:, None] == self.node[None, :]
        self.readings = self.field[np.ix_(self.node, self.node)] + np.diag(self.error) + self.shared * same
        self.kwargs = {
            "node": self.node,
            "value": self.value,
            "error_variance": self.error,
            "prior": self.prior,
        }


SEEDS = st.integers(0, 2**32 - 1)


@given(SEEDS)
@settings(max_examples=60, deadline=None)
def test_likelihood_and_coefficients_without_prior(seed: int) -> None:
    case = Case(seed, flat=True)
    inverse = np.linalg.inv(case.readings)
    normal = case.at.T @ inverse @ case.at
    if np.linalg.cond(normal) > 1e6:
        return  # all readings on one node: no slope to be had, by any method
    beta = np.linalg.solve(normal, case.at.T @ inverse @ case.value)
    off = case.value - case.at @ beta
    reml = -0.5 * (
        np.linalg.slogdet(case.readings)[1]
        + np.linalg.slogdet(normal)[1]
        + off @ inverse @ off
        + (len(off) - 2) * np.log(2 * np.pi)
    )
    found = fit(case.tree, case.process, regressors=case.at, shared_variance=case.shared, **case.kwargs)
    assert found.log_likelihood == pytest.approx(reml, rel=1e-8, abs=1e-8)
    assert found.coefficient == pytest.approx(beta, rel=1e-7, abs=1e-8)
    assert found.covariance_log_determinant == pytest.approx(
        np.linalg.slogdet(case.readings)[1], rel=1e-8, abs=1e-8
    )


@given(SEEDS)
@settings(max_examples=60, deadline=None)
def test_likelihood_mean_and_variance_with_prior(seed: int) -> None:
    case = Case(seed, flat=False)
    prior = np.diag(case.prior.sd**2)
    whole = case.readings + case.at @ prior @ case.at.T
    off = case.value - case.at @ case.prior.mean
    log_likelihood = -0.5 * (
        np.linalg.slogdet(whole)[1] + off @ np.linalg.solve(whole, off) + len(off) * np.log(2 * np.pi)
    )
    cross = case.field[:, case.node] + case.everywhere @ prior @ case.at.T
    mean = case.everywhere @ case.prior.mean + cross @ np.linalg.solve(whole, off)
    variance = np.diag(
        case.field + case.everywhere @ prior @ case.everywhere.T - cross @ np.linalg.solve(whole, cross.T)
    )
    found, there = krige(
        case.tree, case.process, regressors=case.everywhere, shared_variance=case.shared, **case.kwargs
    )
    assert found.log_likelihood == pytest.approx(log_likelihood, rel=1e-8, abs=1e-8)
    assert there.mean == pytest.approx(mean, rel=1e-8, abs=1e-8)
    assert there.variance == pytest.approx(variance, rel=1e-8, abs=1e-8)
    # The skeleton carries the same likelihood as the whole tree.
    small = fit(case.tree, case.process, regressors=case.at, shared_variance=case.shared, **case.kwargs)
    assert small.log_likelihood == pytest.approx(found.log_likelihood, rel=1e-9, abs=1e-9)
    assert len(skeleton(case.tree, case.node)[0]) < 2 * len(np.unique(case.node))


@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_parts_have_the_right_variances(seed: int) -> None:
    case = Case(seed, flat=False)
    apart = distances(case.tree)
    up = tail_up_exponential(
        apart,
        variance=case.process.up_variance,
        range_m=case.process.up_range_m,
        mixing_share=case.process.mixing_share,
    )
    down = case.field - up
    gain_up = up[:, case.node] @ np.linalg.inv(case.readings)
    gain_down = down[:, case.node] @ np.linalg.inv(case.readings)
    _, there = krige(
        case.tree, case.process, regressors=case.everywhere, shared_variance=case.shared, **case.kwargs
    )
    assert there.up_variance == pytest.approx(np.diag(up - gain_up @ up[case.node]), abs=1e-8)
    assert there.down_variance == pytest.approx(np.diag(down - gain_down @ down[case.node]), abs=1e-8)
    assert there.up_down_covariance == pytest.approx(np.diag(-gain_up @ down[case.node]), abs=1e-8)
    off = (
        case.value
        - case.at
        @ fit(
            case.tree, case.process, regressors=case.at, shared_variance=case.shared, **case.kwargs
        ).coefficient
    )
    assert there.up_mean == pytest.approx(gain_up @ off, abs=1e-8)
    assert there.down_mean == pytest.approx(gain_down @ off, abs=1e-8)


@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_draws_have_exactly_the_posterior_covariance(seed: int) -> None:
    # Unit noise vectors read off the linear map L of a draw; L L' must be the covariance. No chance involved.
    case = Case(seed, flat=True)
    count = len(case.tree)
    unit = np.eye(3 * count).reshape(count, 3, 3 * count)
    up, down = deviations(
        case.tree, case.process, node=case.node, error_variance=case.error, noise=unit,
        shared_variance=case.shared,
    )  # fmt: skip
    cross = case.field[:, case.node]
    posterior = case.field - cross @ np.linalg.solve(case.readings, cross.T)
    assert (up + down) @ (up + down).T == pytest.approx(posterior, abs=1e-8)


@given(SEEDS, st.booleans())
@settings(max_examples=40, deadline=None)
def test_leave_one_out_is_what_it_says(seed: int, flat: bool) -> None:
    case = Case(seed, flat=flat)
    case.node = np.random.default_rng(seed).choice(len(case.tree), min(len(case.tree), 8), replace=False)
    if len(case.node) < 4:
        return  # two coefficients cannot be had from fewer than two others
    some = slice(0, min(len(case.node), len(case.value)))
    case.node, case.value, case.error = case.node[some], case.value[some], case.error[some]
    at = case.everywhere[case.node]
    prediction, variance = leave_one_out(
        case.tree, case.process, node=case.node, value=case.value, error_variance=case.error, regressors=at,
        prior=case.prior,
    )  # fmt: skip
    for out in range(len(case.node)):
        keep = np.arange(len(case.node)) != out
        if flat and np.linalg.cond(at[keep]) > 1e3:
            continue
        _, there = krige(
            case.tree, case.process, node=case.node[keep], value=case.value[keep],
            error_variance=case.error[keep], regressors=case.everywhere, prior=case.prior,
        )  # fmt: skip
        assert prediction[out] == pytest.approx(there.mean[case.node[out]], rel=1e-6, abs=1e-6)
        assert variance[out] == pytest.approx(
            there.variance[case.node[out]] + case.error[out], rel=1e-6, abs=1e-6
        )


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_pooling_readings_of_one_place_loses_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 9))
    node = np.sort(rng.integers(0, 3, count))
    columns = rng.normal(size=(count, 3))
    error = rng.uniform(0.01, 1.0, count)
    shared, latent = rng.uniform(0, 1), 0.7
    together = pool(node, columns, error, shared_variance=shared)
    cover = np.diag(error) + (shared + latent) * (node[:, None] == node[None, :])
    pooled = together.error_variance + latent
    assert np.log(pooled).sum() + together.within_covariance_log_determinant == pytest.approx(
        np.linalg.slogdet(cover)[1], abs=1e-9
    )
    gram = (together.columns / pooled[:, None]).T @ together.columns + together.within_gram
    assert gram == pytest.approx(columns.T @ np.linalg.solve(cover, columns), abs=1e-8)


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_the_order_of_readings_does_not_matter(seed: int) -> None:
    case = Case(seed, flat=False)
    order = np.random.default_rng(seed).permutation(len(case.value))
    _, one = krige(case.tree, case.process, regressors=case.everywhere, **case.kwargs)
    _, two = krige(
        case.tree, case.process, regressors=case.everywhere, node=case.node[order], value=case.value[order],
        error_variance=case.error[order], prior=case.prior,
    )  # fmt: skip
    assert two.mean == pytest.approx(one.mean, abs=1e-10)
    assert two.variance == pytest.approx(one.variance, abs=1e-10)


def test_a_million_to_one_of_precision_survives() -> None:
    # Errors at the floor of 1e-6 beside a variance of 1: the worst the solver is asked to take.
    rng = np.random.default_rng(4)
    tree = forest(rng, 60)
    process = Process(up_variance=0.5, up_range_m=200.0, down_variance=0.5, down_range_m=900.0)
    node = np.arange(0, 60, 3)
    apart = distances(tree)
    field = tail_up_exponential(apart, variance=0.5, range_m=200.0) + tail_down_exponential(
        apart, variance=0.5, range_m=900.0
    )
    value = rng.normal(size=len(node))
    cover = field[np.ix_(node, node)] + 1e-6 * np.eye(len(node))
    _, there = krige(
        tree,
        process,
        node=node,
        value=value,
        error_variance=np.zeros(len(node)),
        regressors=np.empty((60, 0)),
    )
    assert there.mean == pytest.approx(field[:, node] @ np.linalg.solve(cover, value), abs=1e-6)
    assert there.variance == pytest.approx(
        np.diag(field - field[:, node] @ np.linalg.solve(cover, field[node])), abs=1e-8
    )


@given(SEEDS)
@settings(max_examples=60, deadline=None)
def test_old_readings_equal_dense_algebra_over_space_and_time(seed: int) -> None:
    # A reading taken before floods is of kept T + D, with independent noise for the sand laid since.
    case = Case(seed, flat=False)
    rng = np.random.default_rng(seed)
    kept = rng.choice([1.0, 0.7, 0.3, 0.0], len(case.node))
    renewed = (1.0 - kept**2) * case.process.up_variance
    renewed *= np.exp(-case.process.mixing_share * case.tree.log_weight[case.node])
    apart = distances(case.tree)
    up = tail_up_exponential(
        apart,
        variance=case.process.up_variance,
        range_m=case.process.up_range_m,
        mixing_share=case.process.mixing_share,
    )
    down = case.field - up
    prior = np.diag(case.prior.sd**2)
    at = case.node
    same = (at[:, None] == at[None, :]) & (kept[:, None] == kept[None, :])
    whole = kept[:, None] * up[np.ix_(at, at)] * kept + down[np.ix_(at, at)] + case.at @ prior @ case.at.T
    whole += np.diag(case.error + renewed) + case.shared * same
    assert np.linalg.eigvalsh(whole).min() > 0.0
    cross = up[:, at] * kept + down[:, at] + case.everywhere @ prior @ case.at.T
    off = case.value - case.at @ case.prior.mean
    found, there = krige(
        case.tree,
        case.process,
        regressors=case.everywhere,
        shared_variance=case.shared,
        **case.kwargs | {"error_variance": case.error + renewed},
        loading=kept,
    )
    assert there.mean == pytest.approx(
        case.everywhere @ case.prior.mean + cross @ np.linalg.solve(whole, off), rel=1e-8, abs=1e-8
    )
    field = case.field + case.everywhere @ prior @ case.everywhere.T
    assert there.variance == pytest.approx(
        np.diag(field - cross @ np.linalg.solve(whole, cross.T)), rel=1e-8, abs=1e-8
    )
    assert found.log_likelihood == pytest.approx(
        -0.5
        * (np.linalg.slogdet(whole)[1] + off @ np.linalg.solve(whole, off) + len(off) * np.log(2 * np.pi)),
        rel=1e-8,
        abs=1e-8,
    )
