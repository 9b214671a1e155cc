r"""Ranges and variances are not known but averaged over, under priors that say little.

With 5 to 30 samples the best-fitting ranges and variances are far from sure, and intervals computed as if
they were known are far too narrow. So: points spread evenly over the prior; a normal fitted to them by their
likelihood; as many points again spread evenly over that; weights prior times likelihood over the mean of the
densities that the points came from (deterministic mixture; Cornuet, Marin, Mira & Robert 2012, Scandinavian
Journal of Statistics 39:798-812); while few points carry the weight, a normal fitted again and more points; a
few dozen representatives drawn evenly by weight. The regression coefficients are integrated out in closed
form at each point.

A trace is a reading known only to lie below a limit. Its likelihood is a normal distribution function, and
expectation propagation stands a normal in for all the traces of one place together, at *every* point; the
evidence is that of expectation propagation too. With traces at a single place that is exact. With traces at
several places it is an approximation, the worse the closer they lie: for ten nodes in a line with a trace at
each, the log evidence came out too low by 0.01 at 800 m, 0.03 at 200 m and 0.11 at 5 m from node to node
(total sd 1.5, ranges 250 and 900 m). All else is exact given the point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from washgrade.sand.censor import log_evidences
from washgrade.sand.even import even_points
from washgrade.sand.inference import CoefficientPrior, Process
from washgrade.sand.planar import Planar
from washgrade.sand.priors import Priors
from washgrade.sand.sample import Observations
from washgrade.sand.tree import Tree, rows_of, skeleton

__all__ = [
    "Averaged",
    "Priors",
    "Quantity",
    "Readings",
    "average",
    "natural_numbers",
    "quantity_of",
    "read_again",
    "readings",
]

# Radius of a circle that holds two thirds (68 %) of a round normal scatter, in standard deviations.
RADIUS_TO_SD = 1.0 / math.sqrt(-2.0 * math.log(1.0 - 0.68))
POINTS_LOG2 = 11
REPRESENTATIVES = 48
# A normal is fitted to no fewer effective points than this: the weights are evened out until there are.
FIT_SAMPLES = 60.0
# Crowds of points are added until so many effective points are found, or until these many crowds.
ENOUGH_SAMPLES, MOST_STAGES = 200.0, 6
MOVE_ON = 0.6180339887498949


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Observations on the skeleton of a tree, ready for the compiled loops.

    Parameters
    ----------
    small : Tree
        The skeleton.
    place : ndarray of int32, shape (skeleton nodes,)
        Row of the first place at a node of the skeleton, or -1.
    older : ndarray of int32, shape (places,)
        Next place at the same node, read before floods that came since; or -1.
    loading : ndarray of float64, shape (places,)
        Share of the moving sand T that the place was read in and that is still there, 0 to 1.
    node : ndarray of int32, shape (places,)
        Node of each place in the whole tree, rising; the largest loading first.
    member : ndarray of int32, shape (weighed holes,)
        Place of each hole that could be weighed.
    value, error_variance : ndarray of float64, shape (weighed holes,)
        As in ``Observations``.
    trace_place : ndarray of int32, shape (places with traces,)
        Place, rising.
    trace_first : ndarray of int64, shape (places with traces + 1,)
        Where the traces of each begin among the kinds, and where the last end.
    limit, trace_variance, trace_count : ndarray of float64, shape (kinds of traces,)
        Limit, error variance and number of the holes of one place that are alike in both.
    regressors : ndarray of float64, shape (places, regressors)
        At the places; the planar columns come last.
    along_sd_m : ndarray of float64, shape (places,)
        Standard deviation of the place along the channel, metres.
    last_day : ndarray of datetime64, shape (places,)
        Last day on which the place was read.
    planar : Planar or None
        The part across the land, if there is one.
    """

    small: Tree
    place: NDArray[np.int32]
    older: NDArray[np.int32]
    loading: NDArray[np.float64]
    node: NDArray[np.int32]
    member: NDArray[np.int32]
    value: NDArray[np.float64]
    error_variance: NDArray[np.float64]
    trace_place: NDArray[np.int32]
    trace_first: NDArray[np.int64]
    limit: NDArray[np.float64]
    trace_variance: NDArray[np.float64]
    trace_count: NDArray[np.float64]
    regressors: NDArray[np.float64]
    along_sd_m: NDArray[np.float64]
    last_day: NDArray[np.datetime64]
    planar: Planar | None = None

    @property
    def trend_size(self) -> int:
        """Number of regressors that are not planar columns."""
        planar = self.planar.columns.shape[1] if self.planar else 0
        return int(self.regressors.shape[1] - planar)


def readings(
    tree: Tree, seen: Observations, regressors: NDArray[np.float64], *, planar: Planar | None = None
) -> Readings:
    """Lay observations on the skeleton of a tree.

    Parameters
    ----------
    tree : Tree
        The network.
    seen : Observations
        Readings of holes.
    regressors : ndarray of float64, shape (nodes, regressors)
        Regressors at every node of the network.
    planar : Planar, optional
        Likeness across the land.

    Returns
    -------
    Readings
        Holes at one node that floods have left the same share of share a place; the place is as sure as its
        surest hole.
    """
    kinds, member = np.unique(np.column_stack([seen.node, -seen.carried]), axis=0, return_inverse=True)
    node, member = kinds[:, 0].astype(np.int32), member.ravel()
    small, kept = skeleton(tree, node)
    place, older = rows_of(np.searchsorted(kept, node), len(kept))
    along_sd_m = np.full(len(node), np.inf)
    np.minimum.at(along_sd_m, member, seen.accuracy_m * RADIUS_TO_SD)
    last_day = np.full(len(node), np.datetime64("0001-01-01"), "datetime64[D]")
    np.maximum.at(last_day, member, seen.day)
    weighed, trace = ~seen.censored, seen.censored
    # Traces alike in place, limit and doubt are one entry with a count.
    alike, count = np.unique(
        np.column_stack([member[trace], seen.limit[trace], seen.error_variance[trace]]),
        axis=0,
        return_counts=True,
    )
    trace_place, first = np.unique(alike[:, 0].astype(np.int32), return_index=True)
    return Readings(
        small=small,
        place=place,
        older=older,
        loading=np.ascontiguousarray(-kinds[:, 1]),
        node=node,
        member=member[weighed].astype(np.int32),
        value=seen.value[weighed],
        error_variance=seen.error_variance[weighed],
        trace_place=trace_place,
        trace_first=np.append(first, len(alike)).astype(np.int64),
        limit=np.ascontiguousarray(alike[:, 1]),
        trace_variance=np.ascontiguousarray(alike[:, 2]),
        trace_count=count.astype(np.float64),
        regressors=np.ascontiguousarray(
            np.column_stack([regressors[node], planar.columns[node]]) if planar else regressors[node]
        ),
        along_sd_m=along_sd_m,
        last_day=last_day,
        planar=planar,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One number of the model with its doubt.

    Parameters
    ----------
    mean, p10, p50, p90 : float
        Of its posterior, over the representatives.
    """

    mean: float
    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Averaged:
    """Representatives of the posterior of ranges and variances, alike in weight.

    Parameters
    ----------
    points : ndarray of float64, shape (representatives, 7 or 9)
        As :meth:`Priors.points` returns them.
    columns : ndarray of float64, shape (representatives, places, 1 + regressors)
        Pooled readings less the prior mean, and the regressors, for each representative.
    error_variance : ndarray of float64, shape (representatives, places)
        Variance of the pooled reading about T + D + regression.
    shared_variance : ndarray of float64, shape (representatives,)
        Variance of the effect of a place.
    step, covariance : ndarray of float64, shapes (representatives, regressors) and (…, regressors)
        Coefficients less their prior means, and their covariance.
    effective_samples : float
        Effective number of points among those that were weighed: 1 / sum of squared weights.
    log_likelihood : float
        Log of the mean likelihood under the prior.
    unsettled_share : float
        Share of the weight, 0 to 1, of points at which the stand-ins for traces did not come to rest.
    quantities : dict of str to Quantity
        Summary of the numbers of the points.
    prior_quantities : dict of str to Quantity
        The same before any sample.
    """

    points: NDArray[np.float64]
    columns: NDArray[np.float64]
    error_variance: NDArray[np.float64]
    shared_variance: NDArray[np.float64]
    step: NDArray[np.float64]
    covariance: NDArray[np.float64]
    effective_samples: float
    log_likelihood: float
    unsettled_share: float
    quantities: dict[str, Quantity] = field(default_factory=dict)
    prior_quantities: dict[str, Quantity] = field(default_factory=dict)

    def process(self, representative: int) -> Process:
        """Variances and ranges of one representative.

        Parameters
        ----------
        representative : int
            Which one.

        Returns
        -------
        Process
            Its numbers.
        """
        log_sd, logit_share, log_up_m, log_down_m, _, logit_mixing = self.points[representative][:6]
        share = 1.0 / (1.0 + math.exp(-logit_share))
        on_tree = math.exp(2 * log_sd) - self.planar_variance(representative)
        return Process(
            up_variance=on_tree * share,
            up_range_m=math.exp(log_up_m),
            down_variance=on_tree * (1 - share),
            down_range_m=math.exp(log_down_m),
            mixing_share=1.0 / (1.0 + math.exp(-logit_mixing)),
        )

    def planar_variance(self, representative: int) -> float:
        """Variance of the part across the land under one representative.

        Parameters
        ----------
        representative : int
            Which one.

        Returns
        -------
        float
            0 where there is no such part.
        """
        point = self.points[representative]
        return math.exp(2 * point[0]) / (1.0 + math.exp(-point[7])) if len(point) > 7 else 0.0


def _evidences(
    read: Readings,
    points: NDArray[np.float64],
    prior: CoefficientPrior,
    priors: Priors,
    *,
    kept: bool = True,
) -> tuple[NDArray[np.float64], NDArray[np.bool_], tuple[NDArray[np.float64], ...]]:
    places, size = read.regressors.shape
    planar = read.planar
    # The scale is that of the covariates; the intercept and known sources keep their own.
    is_scaled = np.zeros(size, dtype=np.bool_)
    is_scaled[1 : len(prior.mean)] = prior.mean[1:] == 0.0
    if points.shape[1] < 7:
        is_scaled[:] = False
    # Thousands of points are only weighed; what is found at them besides is not kept.
    rows = len(points) if kept else 1
    columns = np.empty((rows, places, 1 + size))
    error = np.empty((rows, places))
    step = np.empty((rows, size))
    covariance = np.empty((rows, size, size))
    found = np.empty(len(points))
    unsettled = np.empty(len(points), dtype=np.bool_)
    tree = read.small
    log_evidences(
        points,
        tree.downstream,
        tree.length_m,
        tree.log_weight,
        read.place,
        read.older,
        read.loading,
        read.member,
        read.value,
        read.error_variance,
        read.trace_place,
        read.trace_first,
        read.limit,
        read.trace_variance,
        read.trace_count,
        read.regressors,
        read.along_sd_m,
        np.concatenate([prior.mean, np.zeros(size - read.trend_size)]),
        1.0 / prior.sd**2,
        is_scaled,
        planar.log_range if planar else np.zeros(2),
        planar.coefficient_variance if planar else np.zeros((2, 0)),
        priors.scoop_share,
        found,
        columns,
        error,
        step,
        covariance,
        unsettled,
    )
    return found, unsettled, (columns, error, step, covariance)


def average(read: Readings, priors: Priors, *, prior: CoefficientPrior | None = None) -> Averaged:
    """Average over ranges and variances.

    Parameters
    ----------
    read : Readings
        Observations on their skeleton; may be none.
    priors : Priors
        What is thought beforehand.
    prior : CoefficientPrior, optional
        Prior of the regressors that are not planar columns, if not that of ``priors``.

    Returns
    -------
    Averaged
        Forty-eight representatives. No chance is involved: the points are the same every time.
    """
    prior = priors.coefficients(read.trend_size) if prior is None else prior
    even = even_points(POINTS_LOG2, 7 if read.trend_size == read.regressors.shape[1] else 9)
    wide = priors.points(even)
    evidence, unsettled, _ = _evidences(read, wide, prior, priors, kept=False)
    points, log_prior = wide, priors.log_density(wide)
    # Log density at all points of each crowd they came from: the prior, then the normals.
    log_crowds = [log_prior]
    normals: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    log_weight = evidence
    floor = 0.02 * np.diag(np.var(wide, axis=0))
    for stage in range(MOST_STAGES):
        weight = _tempered(log_weight, FIT_SAMPLES)
        middle = weight @ points
        apart = points - middle
        # Somewhat wider than fitted, and never a plane: with few points of weight the fit is too narrow.
        spread = 1.3 * (weight[:, None] * apart).T @ apart + floor
        root = np.asarray(np.linalg.cholesky(spread), dtype=np.float64)
        # Each crowd is spread by the same even points, moved on so that no two crowds are alike.
        close = middle + ndtri((even + stage * MOVE_ON) % 1.0) @ root.T
        close_evidence, close_unsettled, _ = _evidences(read, close, prior, priors, kept=False)
        log_prior = np.concatenate([log_prior, priors.log_density(close)])
        log_crowds = [
            log_prior,
            *(
                np.concatenate([one, _log_normal(close, *normal)])
                for one, normal in zip(log_crowds[1:], normals, strict=True)
            ),
        ]
        points = np.concatenate([points, close])
        normals.append((middle, root))
        log_crowds.append(_log_normal(points, middle, root))
        evidence = np.concatenate([evidence, close_evidence])
        unsettled = np.concatenate([unsettled, close_unsettled])
        log_mixture = np.logaddexp.reduce(np.array(log_crowds), axis=0) - math.log(len(log_crowds))
        log_weight = evidence + log_prior - log_mixture
        weight = np.exp(log_weight - log_weight.max())
        if weight.sum() ** 2 / np.sum(weight**2) >= ENOUGH_SAMPLES:
            break
    log_likelihood = float(log_weight.max() + np.log(weight.mean()))
    weight /= weight.sum()

    unsettled_share = float(weight[unsettled].sum())

    # Systematic resampling in order of the total variance spreads the representatives over it.
    order = np.argsort(points[:, 0], kind="stable")
    ticks = (np.arange(REPRESENTATIVES) + 0.5) / REPRESENTATIVES
    cumulative = np.cumsum(weight[order])
    chosen = points[order[np.minimum(np.searchsorted(cumulative, ticks), len(points) - 1)]]
    _, _, (columns, error, step, covariance) = _evidences(read, chosen, prior, priors)
    return Averaged(
        points=chosen,
        columns=columns,
        error_variance=error,
        shared_variance=(1 - priors.scoop_share) * np.exp(2 * chosen[:, 4]),
        step=step,
        covariance=covariance,
        effective_samples=float(1.0 / np.sum(weight**2)),
        log_likelihood=log_likelihood,
        unsettled_share=unsettled_share,
        quantities={
            name: quantity_of(numbers, weight)
            for name, numbers in natural_numbers(points, read, prior).items()
        },
        prior_quantities={
            name: quantity_of(numbers, np.full(len(wide), 1.0 / len(wide)))
            for name, numbers in natural_numbers(wide, read, prior).items()
        },
    )


def read_again(
    read: Readings, averaged: Averaged, priors: Priors, *, prior: CoefficientPrior | None = None
) -> Averaged:
    """Hold other readings of the same ground against representatives that were found before.

    Parameters
    ----------
    read : Readings
        The other readings, such as those of an earlier day.
    averaged : Averaged
        Representatives of ranges and variances, from readings that tell more.
    priors : Priors
        What is thought beforehand.
    prior : CoefficientPrior, optional
        As in `average`.

    Returns
    -------
    Averaged
        The same points, with the pooled readings and coefficients of the others: many times faster than to
        average anew. What is told of the numbers themselves stays that of the readings they come from.
    """
    prior = priors.coefficients(read.trend_size) if prior is None else prior
    _, _, (columns, error, step, covariance) = _evidences(read, averaged.points, prior, priors)
    return replace(averaged, columns=columns, error_variance=error, step=step, covariance=covariance)


def _tempered(log_weight: NDArray[np.float64], least: float) -> NDArray[np.float64]:
    # Weights that sum to 1, evened out by a power below 1 until so many points share them.
    low, high = 0.0, 1.0
    power = 1.0
    for _ in range(40):
        weight = np.exp(power * (log_weight - log_weight.max()))
        weight /= weight.sum()
        enough = 1.0 / np.sum(weight**2) >= least
        if enough and (power == 1.0 or high - low < 1e-3):
            break
        low, high = (power, high) if enough else (low, power)
        power = 0.5 * (low + high)
    return np.asarray(weight, dtype=np.float64)


def _log_normal(
    points: NDArray[np.float64], middle: NDArray[np.float64], root: NDArray[np.float64]
) -> NDArray[np.float64]:
    standard = np.linalg.solve(root, (points - middle).T)
    return np.asarray(
        -0.5 * np.sum(standard**2, axis=0)
        - np.log(np.diag(root)).sum()
        - 0.5 * points.shape[1] * math.log(2 * math.pi),
        dtype=np.float64,
    )


def natural_numbers(
    points: NDArray[np.float64], read: Readings, prior: CoefficientPrior
) -> dict[str, NDArray[np.float64]]:
    """Points as the numbers people think in.

    Parameters
    ----------
    points : ndarray of float64, shape (points, numbers)
        As :meth:`Priors.points` gives them.
    read : Readings
        The readings, for the planar part's diameter.
    prior : CoefficientPrior
        Of the named regressors.

    Returns
    -------
    dict of str to ndarray of float64, shape (points,)
        By name.
    """
    out = {
        "total sd": np.exp(points[:, 0]),
        "tail-up share": 1.0 / (1.0 + np.exp(-points[:, 1])),
        "tail-up range, m": np.exp(points[:, 2]),
        "tail-down range, m": np.exp(points[:, 3]),
        "local sd": np.exp(points[:, 4]),
        "mixing share": 1.0 / (1.0 + np.exp(-points[:, 5])),
    }
    if len(prior.sd) > 1:
        out["covariate sd"] = np.exp(points[:, 6]) * prior.sd[1]
    if read.planar and points.shape[1] > 7:
        out["planar share"] = 1.0 / (1.0 + np.exp(-points[:, 7]))
        out["planar range, m"] = np.exp(points[:, 8]) * read.planar.diameter_m
    return out


def quantity_of(numbers: NDArray[np.float64], weight: NDArray[np.float64]) -> Quantity:
    """Mean and quantiles of weighted numbers.

    Parameters
    ----------
    numbers, weight : ndarray of float64, shape (numbers,)
        Weights sum to 1.

    Returns
    -------
    Quantity
        Their summary.
    """
    order = np.argsort(numbers, kind="stable")
    cumulative = np.cumsum(weight[order])
    at = np.minimum(np.searchsorted(cumulative, (0.1, 0.5, 0.9)), len(order) - 1)
    p10, p50, p90 = numbers[order[at]].tolist()
    return Quantity(mean=float(weight @ numbers), p10=p10, p50=p50, p90=p90)
