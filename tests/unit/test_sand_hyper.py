"""Averaging over ranges and variances: evidence, censoring, mixtures, each against a slow plain twin."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, special, stats

from washgrade.errors import InputError
from washgrade.sand import censor, hyper, mixture
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.even import even_points
from washgrade.sand.hyper import Averaged, Priors, Readings, average, readings
from washgrade.sand.sample import Observations
from washgrade.sand.tails import along_doubt, below_limits, erfcx, log_share_below, mills
from washgrade.sand.tree import Tree

FORK = Tree(
    downstream=np.array([2, 2, 3, 5, 5, -1], np.int32),
    length_m=np.array([100.0, 50.0, 80.0, 60.0, 10.0, 0.0]),
    weight=np.array([3.0, 1.0, 4.0, 5.0, 2.0, 8.0]),
)
REGRESSORS = np.column_stack([np.ones(6), np.array([0.5, -1.0, 0.2, 1.1, -0.4, -0.4])])


def seen(
    node: list[int], value: list[float], *, censored: list[bool] | None = None, limit: float = -4.0
) -> Observations:
    count = len(node)
    hidden = np.zeros(count, bool) if censored is None else np.array(censored)
    return Observations(
        node=np.array(node, np.int32),
        value=np.where(hidden, np.nan, np.array(value, float)),
        error_variance=np.linspace(0.01, 0.03, count),
        censored=hidden,
        limit=np.full(count, limit),
        accuracy_m=np.full(count, 6.0),
        offset_m=np.zeros(count),
        covered=np.ones(count),
        day=np.full(count, np.datetime64("2025-03-01")),
        sample_ids=tuple((f"s{k}",) for k in range(count)),
        unplaced=(),
        left_out=(),
    )


def evidence_at(read: Readings, point: list[float], priors: Priors) -> float:
    found, _, _ = hyper._evidences(read, np.array([point]), priors.coefficients(2), priors)
    return float(found[0])


def dense(
    observed: Observations,
    point: list[float],
    priors: Priors,
    *,
    tree: Tree = FORK,
    regressors: np.ndarray = REGRESSORS,
) -> tuple[np.ndarray, np.ndarray]:
    """Prior mean and covariance of the readings, every part written out."""
    spread, share = math.exp(2 * point[0]), 1 / (1 + math.exp(-point[1]))
    up, down, local = spread * share, spread * (1 - share), math.exp(2 * point[4])
    apart = distances(tree)
    mixing = 1 / (1 + math.exp(-point[5]))
    field = tail_up_exponential(
        apart, variance=up, range_m=math.exp(point[2]), mixing_share=mixing
    ) + tail_down_exponential(apart, variance=down, range_m=math.exp(point[3]))
    node = observed.node
    here = (tree.weight[node] / tree.usual_weight) ** -mixing
    same = node[:, None] == node[None, :]
    prior = priors.coefficients(2)
    at = regressors[node]
    along_sd = observed.accuracy_m / 1.5096  # a circle of 68 % has 1.51 standard deviations
    shift = 2 * sum(
        part * (1 - special.erfcx(along_sd / (math.sqrt(2) * math.exp(log_m))))
        for part, log_m in ((up * here, point[2]), (down, point[3]))
    )
    cover = (
        field[np.ix_(node, node)]
        + same * ((1 - priors.scoop_share) * local + shift[:, None])
        + np.diag(observed.error_variance + priors.scoop_share * local)
        + at @ np.diag(prior.sd**2) @ at.T
    )
    # Lognormal grades of one mean: the middle moves by half of what the variance falls by.
    return at @ prior.mean + 0.5 * up * (1 - here), cover


def field_variance(point: list[float], node: int, *, tree: Tree = FORK) -> float:
    """Variance of T + D at a node."""
    spread, share = math.exp(2 * point[0]), 1 / (1 + math.exp(-point[1]))
    mixing = 1 / (1 + math.exp(-point[5]))
    here = (tree.weight[node] / tree.usual_weight) ** -mixing
    return float(spread * (share * here + 1 - share))


POINT = [math.log(0.9), 0.4, math.log(250), math.log(900), math.log(0.3), -0.6]


def test_evidence_is_that_of_the_full_normal() -> None:
    observed = seen([0, 1, 1, 3, 5], [-2.0, -3.0, -2.8, -2.2, -3.1])
    priors = Priors()
    mean, cover = dense(observed, POINT, priors)
    expected = stats.multivariate_normal(mean, cover).logpdf(observed.value)
    assert evidence_at(readings(FORK, observed, REGRESSORS), POINT, priors) == pytest.approx(
        expected, abs=1e-5
    )


def test_evidence_with_one_trace_is_exact() -> None:
    # One censored reading: expectation propagation is exact for the evidence of a single site.
    observed = seen([0, 1, 3], [-2.0, 0.0, -2.2], censored=[False, True, False], limit=-4.5)
    priors = Priors()
    mean, cover = dense(observed, POINT, priors)
    plain = np.array([0, 2])
    gain = cover[1, plain] @ np.linalg.inv(cover[np.ix_(plain, plain)])
    centre = mean[1] + gain @ (observed.value[plain] - mean[plain])
    sd = math.sqrt(cover[1, 1] - gain @ cover[plain, 1])
    expected = stats.multivariate_normal(mean[plain], cover[np.ix_(plain, plain)]).logpdf(
        observed.value[plain]
    ) + stats.norm.logcdf((-4.5 - centre) / sd)
    assert evidence_at(readings(FORK, observed, REGRESSORS), POINT, priors) == pytest.approx(
        expected, abs=1e-5
    )


def test_evidence_with_two_traces_is_close() -> None:
    observed = seen([0, 2, 3], [0.0, 0.0, -2.2], censored=[True, True, False], limit=-3.5)
    priors = Priors()
    mean, cover = dense(observed, POINT, priors)
    plain = stats.norm(mean[2], math.sqrt(cover[2, 2]))
    gain = cover[:2, 2] / cover[2, 2]
    both = stats.multivariate_normal(
        mean[:2] + gain * (observed.value[2] - mean[2]), cover[:2, :2] - np.outer(gain, cover[2, :2])
    )
    expected = plain.logpdf(observed.value[2]) + math.log(both.cdf(np.array([-3.5, -3.5])))
    found = evidence_at(readings(FORK, observed, REGRESSORS), POINT, priors)
    assert found == pytest.approx(expected, abs=0.02)


def test_one_trace_moves_the_place_as_quadrature_says() -> None:
    priors = Priors()
    observed = seen([1], [0.0], censored=[True], limit=-4.0)
    read = readings(FORK, observed, REGRESSORS)
    _, _, (columns, error, _, _) = hyper._evidences(read, np.array([POINT]), priors.coefficients(2), priors)
    mean, cover = dense(observed, POINT, priors)
    noise = observed.error_variance[0] + priors.scoop_share * math.exp(2 * POINT[4])
    wide = cover[0, 0] - noise

    def moment(power: int) -> float:
        return integrate.quad(
            lambda z: (
                z**power
                * stats.norm.pdf(z, mean[0], math.sqrt(wide))
                * stats.norm.cdf((-4.0 - z) / math.sqrt(noise))
            ),
            mean[0] - 12,
            mean[0] + 12,
            epsabs=1e-13,
            points=[-4.0],
        )[0]

    expected = moment(1) / moment(0)
    spread = moment(2) / moment(0) - expected**2
    # The site stands in for the reading: a normal of its mean and variance times the prior.
    regression = float(REGRESSORS[1] @ np.diag(priors.coefficients(2).sd ** 2) @ REGRESSORS[1])
    place = wide - regression - field_variance(POINT, 1)
    site = error[0, 0] - place
    gain = wide / (wide + site)
    pseudo = columns[0, 0, 0] + mean[0]
    assert mean[0] + gain * (pseudo - mean[0]) == pytest.approx(expected, abs=1e-4)
    assert wide * (1 - gain) == pytest.approx(spread, abs=1e-4)


def moments(log_height: Callable[[np.ndarray], np.ndarray], low: float, high: float) -> tuple[float, ...]:
    """Log of the integral, mean and sd of a density, by a plain fine sum."""
    at, gap = np.linspace(low, high, 200_001, retstep=True)
    height = log_height(at)
    top = height.max()
    share = np.exp(height - top)
    mean = np.average(at, weights=share)
    return (
        top + math.log(share.sum() * gap),
        mean,
        math.sqrt(np.average((at - mean) ** 2, weights=share)),
    )


@pytest.mark.parametrize("alike", [True, False])
@pytest.mark.parametrize("weighed", [[], [-3.7], [-2.5]])
@pytest.mark.parametrize("traces", [1, 2, 5, 10])
def test_traces_at_one_node_are_what_quadrature_says(traces: int, weighed: list[float], alike: bool) -> None:
    # A wide prior and sharp limits: sites of their own for each trace are off by 0.3 here, or go in circles.
    point = [math.log(1.5), 0.4, math.log(250), math.log(900), math.log(0.1), -0.6]
    priors = Priors()
    count = traces + len(weighed)
    hidden = [False] * len(weighed) + [True] * traces
    observed = seen([1] * count, weighed + [0.0] * traces, censored=hidden)
    if alike:
        observed = replace(observed, error_variance=np.full(count, 0.02))
    read = readings(FORK, observed, REGRESSORS)
    found, unsettled, (columns, error, _, _) = hyper._evidences(
        read, np.array([point]), priors.coefficients(2), priors
    )
    mean, cover = dense(observed, point, priors)
    noise = observed.error_variance + priors.scoop_share * math.exp(2 * point[4])
    wide = cover[0, 0] - noise[0]
    trace = observed.censored

    def log_height(at: np.ndarray) -> np.ndarray:
        height = stats.norm.logpdf(at, mean[0], math.sqrt(wide))
        for limit, variance in zip(observed.limit[trace], noise[trace], strict=True):
            height += stats.norm.logcdf((limit - at) / math.sqrt(variance))
        for value, variance in zip(observed.value[~trace], noise[~trace], strict=True):
            height += stats.norm.logpdf(value, at, math.sqrt(variance))
        return height

    evidence, place, sd = moments(log_height, -20.0, 6.0)
    assert not unsettled[0]
    assert found[0] == pytest.approx(evidence, abs=0.002)
    regression = float(REGRESSORS[1] @ np.diag(priors.coefficients(2).sd ** 2) @ REGRESSORS[1])
    site = error[0, 0] - (wide - regression - field_variance(point, 1))
    gain = wide / (wide + site)
    assert mean[0] + gain * columns[0, 0, 0] == pytest.approx(place, abs=0.002)
    assert math.sqrt(wide * (1 - gain)) == pytest.approx(sd, abs=0.002)


def test_traces_side_by_side_settle_near_the_truth() -> None:
    count = 10
    line = Tree(
        downstream=np.append(np.arange(1, count), -1).astype(np.int32),
        length_m=np.append(np.full(count - 1, 5.0), 0.0),
        weight=np.arange(1.0, count + 1),
    )
    point = [math.log(1.5), 0.4, math.log(250), math.log(900), math.log(0.1), -0.6]
    priors = Priors()
    observed = seen(list(range(count)), [0.0] * count, censored=[True] * count)
    flat = np.column_stack([np.ones(count), np.zeros(count)])
    mean, cover = dense(observed, point, priors, tree=line, regressors=flat)
    exact = stats.multivariate_normal.logcdf(
        np.full(count, -4.0), mean, cover, maxpts=300_000, abseps=1e-6, releps=1e-4
    )
    found, unsettled, _ = hyper._evidences(
        readings(line, observed, flat), np.array([point]), priors.coefficients(2), priors
    )
    assert not unsettled[0]
    assert found[0] == pytest.approx(exact, abs=0.15)


def test_what_does_not_settle_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    read = readings(FORK, seen([0, 1, 1], [0.0] * 3, censored=[True] * 3), REGRESSORS)
    priors = Priors()
    # The slow plain twin, since a compiled loop does not see that its limit was changed.
    monkeypatch.setattr(hyper, "log_evidences", censor.log_evidences.py_func)
    for most, expected in ((1, True), (censor.MOST_SWEEPS, False)):
        monkeypatch.setattr(censor, "MOST_SWEEPS", most)
        _, unsettled, _ = hyper._evidences(read, np.array([POINT]), priors.coefficients(2), priors)
        assert unsettled.tolist() == [expected]


@pytest.mark.parametrize("spread", [0.05, 0.4, 3.0])
@pytest.mark.parametrize("centre", [-8.0, -4.2, -2.0, 3.0])
def test_a_normal_below_several_limits_has_the_moments_of_a_fine_sum(centre: float, spread: float) -> None:
    limit, sd, count = np.array([-4.0, -4.0, -3.0]), np.array([0.05, 0.3, 1.0]), np.array([3.0, 9.0, 1.0])

    def log_height(at: np.ndarray) -> np.ndarray:
        below = count[:, None] * stats.norm.logcdf((limit[:, None] - at) / sd[:, None])
        return stats.norm.logpdf(at, centre, spread) + below.sum(axis=0)

    total, mean, variance = below_limits(centre, spread**2, limit, sd, count, 0, 3)
    expected = moments(log_height, -30.0, 6.0)
    assert total == pytest.approx(expected[0], abs=1e-4)
    assert mean == pytest.approx(expected[1], abs=1e-4 * spread)
    assert math.sqrt(variance) == pytest.approx(expected[2], rel=1e-3)


@pytest.mark.parametrize("value", [0.0, 0.3, 4.0, 9.99, 10.0, 50.0])
def test_scaled_error_function(value: float) -> None:
    assert erfcx(value) == pytest.approx(special.erfcx(value), rel=1e-9)


@pytest.mark.parametrize("along_sd_m", [0.5, 8.0, 60.0, 900.0])
def test_a_doubtful_place_adds_the_mean_squared_difference(along_sd_m: float) -> None:
    # Of a field of exponential covariance at the true place and at the one written down, by quadrature.
    numbers = np.array([0.5, 120.0, 0.2, 700.0])

    def squared(z: float) -> float:
        away_m = abs(z) * along_sd_m
        each = 0.5 * -math.expm1(-away_m / 120.0) + 0.2 * -math.expm1(-away_m / 700.0)
        return 2.0 * each * float(stats.norm.pdf(z))

    expected = 2.0 * integrate.quad(squared, 0.0, 12.0, epsabs=1e-13)[0]
    assert along_doubt(numbers, 1.0, along_sd_m) == pytest.approx(expected, rel=1e-7)
    halved = np.array([1.0, 120.0, 0.2, 700.0])
    assert along_doubt(halved, 0.5, along_sd_m) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("z", [-40.0, -6.0, -5.0, -1.0, 0.0, 3.0])
def test_tails_of_the_normal(z: float) -> None:
    assert log_share_below(z) == pytest.approx(stats.norm.logcdf(z), rel=1e-10)
    assert mills(z) == pytest.approx(math.exp(stats.norm.logpdf(z) - stats.norm.logcdf(z)), rel=1e-9)


def test_prior_points_follow_the_prior() -> None:
    priors = Priors()
    points = priors.points(even_points(hyper.POINTS_LOG2, 9))
    assert np.median(np.exp(points[:, 0])) == pytest.approx(0.85, rel=0.01)
    assert np.median(np.exp(points[:, 2])) == pytest.approx(250.0, rel=0.01)
    assert np.std(points[:, 3]) == pytest.approx(1.3, rel=0.02)
    assert np.median(np.exp(points[:, 8])) == pytest.approx(0.25, rel=0.01)
    for column in (5, 7):
        flat = 1 / (1 + np.exp(-points[:, column]))
        assert np.mean(flat) == pytest.approx(1 / 3, abs=0.002)
    share = 1 / (1 + np.exp(-points[:, 1]))
    assert np.mean(share) == pytest.approx(0.5, abs=0.002)
    assert np.var(share) == pytest.approx(stats.beta(1.5, 1.5).var(), rel=0.01)


def test_prior_density_is_that_of_its_parts() -> None:
    priors = Priors()
    point = np.array([POINT])
    share = 1 / (1 + math.exp(-POINT[1]))
    expected = (
        stats.norm.logpdf(POINT[0], math.log(0.85), 0.65)
        + stats.beta.logpdf(share, 1.5, 1.5)
        + math.log(share * (1 - share))
        + stats.norm.logpdf(POINT[2], math.log(250), 1.3)
        + stats.norm.logpdf(POINT[3], math.log(1000), 1.3)
        + stats.norm.logpdf(POINT[4], math.log(0.25), 0.7)
    )
    mixed = 1 / (1 + math.exp(-POINT[5]))
    expected += stats.beta.logpdf(mixed, 1.0, 2.0) + math.log(mixed * (1 - mixed))
    assert priors.log_density(point)[0] == pytest.approx(expected, rel=1e-12)
    # With covariates and the part across the land: three numbers more.
    whole = np.array([[*POINT, 0.4, -0.7, -1.1]])
    flat = 1 / (1 + math.exp(0.7))
    expected += (
        stats.norm.logpdf(0.4, 0.0, 1.0)
        + stats.beta.logpdf(flat, 1.0, 2.0)
        + math.log(flat * (1 - flat))
        + stats.norm.logpdf(-1.1, math.log(0.25), 0.7)
    )
    assert priors.log_density(whole)[0] == pytest.approx(expected, rel=1e-12)


def test_averaging_agrees_with_brute_force_over_the_prior() -> None:
    observed = seen([0, 1, 1, 2, 3, 4, 5], [-1.0, -3.5, -3.3, -1.4, -1.9, -3.0, -2.1])
    priors = Priors()
    read = readings(FORK, observed, REGRESSORS)
    found = average(read, priors)
    points = priors.points(np.random.default_rng(0).random((200_000, 7)))
    evidence, _, _ = hyper._evidences(read, points, priors.coefficients(2), priors)
    weight = np.exp(evidence - evidence.max())
    assert found.log_likelihood == pytest.approx(evidence.max() + math.log(weight.mean()), abs=0.03)
    total = np.exp(points[:, 0])
    assert found.quantities["total sd"].mean == pytest.approx(np.average(total, weights=weight), rel=0.03)
    local = np.exp(points[:, 4])
    assert found.quantities["local sd"].mean == pytest.approx(np.average(local, weights=weight), rel=0.03)
    assert np.exp(found.points[:, 0]).mean() == pytest.approx(np.average(total, weights=weight), rel=0.05)
    assert found.effective_samples > 300


def test_without_a_reading_the_prior_stays() -> None:
    found = average(readings(FORK, seen([], []), REGRESSORS), Priors())
    assert found.log_likelihood == pytest.approx(0.0, abs=0.01)
    assert found.quantities["total sd"].p50 == pytest.approx(0.85, rel=0.02)
    assert found.step == pytest.approx(np.zeros((48, 2)))
    assert found.covariance[:, 0, 0] == pytest.approx(np.ones(48))
    # Half of the representatives let covariates do more than the middle of the prior, half less.
    assert np.median(found.covariance[:, 1, 1]) == pytest.approx(0.1**2, rel=0.3)
    assert found.prior_quantities["covariate sd"].p50 == pytest.approx(0.1, rel=0.01)


def test_duplicates_teach_the_scatter() -> None:
    close = [-2.0, -2.02, -3.0, -3.01, -2.5, -2.49]
    apart = [-1.4, -2.6, -2.4, -3.6, -1.9, -3.1]

    def local(values: list[float]) -> float:
        read = readings(FORK, seen([0, 0, 1, 1, 3, 3], values), REGRESSORS)
        return average(read, Priors()).quantities["local sd"].p50

    assert local(close) < 0.15 < 0.5 < local(apart)


def test_a_bad_prior_is_told() -> None:
    with pytest.raises(
        InputError,
        match="^" + re.escape("Invalid 'total_sd' of 0.0. It must be a finite number above 0.") + "$",
    ):
        Priors(total_sd=0.0)


def test_mixture_quantile_solves_the_mixture() -> None:
    rng = np.random.default_rng(5)
    means, sds = rng.normal(-3, 1, 48), rng.uniform(0.05, 2, 48)
    for share in (0.1, 0.5, 0.9):
        at = mixture.mixture_quantile(means, sds, share, special.ndtri(share))
        assert stats.norm.cdf(at, means, sds).mean() == pytest.approx(share, abs=1e-5)


def test_mixture_quantile_between_two_far_peaks() -> None:
    at = mixture.mixture_quantile(
        np.array([-9.0, -8.0, 5.0]), np.array([0.01, 0.01, 0.01]), 0.9, special.ndtri(0.9)
    )
    assert at == pytest.approx(5 + 0.01 * special.ndtri(0.7), abs=1e-4)


def test_node_summaries_equal_plain_sums() -> None:
    rng = np.random.default_rng(6)
    means, variances = rng.normal(-3, 1, (48, 3)), rng.uniform(0.05, 2, (48, 3))
    at, weight = np.polynomial.hermite_e.hermegauss(15)
    out = np.empty((3, 5))
    mixture.mixture_summaries(
        means,
        variances,
        at,
        weight / weight.sum(),
        special.logit(0.05),
        np.array([0.1, 0.5, 0.9]),
        special.ndtri([0.1, 0.5, 0.9]),
        out,
    )
    for i in range(3):
        mean = np.mean(
            [
                integrate.quad(
                    lambda z, m=m, v=v: special.expit(z) * stats.norm.pdf(z, m, v**0.5), m - 14, m + 14
                )[0]
                for m, v in zip(means[:, i], variances[:, i], strict=True)
            ]
        )
        assert out[i, 0] == pytest.approx(mean, rel=1e-5)
        assert out[i, 4] == pytest.approx(
            stats.norm.sf(special.logit(0.05), means[:, i], np.sqrt(variances[:, i])).mean(), rel=1e-9
        )
        assert out[i, 1] < out[i, 2] < out[i, 3]


def test_process_of_a_representative() -> None:
    found = Averaged(
        points=np.array([POINT]),
        columns=np.empty((1, 0, 3)),
        error_variance=np.empty((1, 0)),
        shared_variance=np.zeros(1),
        step=np.zeros((1, 2)),
        covariance=np.zeros((1, 2, 2)),
        effective_samples=1.0,
        log_likelihood=0.0,
        unsettled_share=0.0,
    ).process(0)
    assert found.up_variance + found.down_variance == pytest.approx(0.81)
    assert found.up_range_m == pytest.approx(250.0)
    assert found.mixing_share == pytest.approx(special.expit(-0.6))
