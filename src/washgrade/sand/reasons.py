"""Why a reach has its grade: the samples that weigh, what the ground adds, how far the nearest one is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from washgrade.checks import whole
from washgrade.land.channels import Channels, middle_nodes
from washgrade.sand import mixture, solver
from washgrade.sand.along import nearest_along_m
from washgrade.sand.grade import NORMAL_QUANTILES, QUANTILES
from washgrade.sand.hyper import Quantity
from washgrade.sand.tree import Tree, rows_of, skeleton
from washgrade.sand.weighed import SOURCES, Weighed
from washgrade.units import show_grade, show_share

__all__ = ["ACROSS", "Reasons", "partial_effects", "reasons"]

ACROSS = "likeness across the land"
MIXED = "sand mixed from above"

# Our choice, because more names than that nobody reads.
FEW = 5
# Representatives looked at. Our choice, because weights in whole percent no longer change.
PARTS = 8
# Readings sent through the skeleton side by side, so that memory stays flat.
BATCH = 256
# Below this many percent a sample or a covariate goes unsaid.
LEAST_PERCENT = 3.0


def partial_effects(weighed: Weighed) -> dict[str, Quantity]:
    """How many times richer the bed is for one standard deviation more of each covariate, all else equal.

    Parameters
    ----------
    weighed : Weighed
        The model.

    Returns
    -------
    dict of str to Quantity
        Ratio of the odds of the grade (for poor sand: of the grade) with its doubt; 1 is no effect. The
        intercept is left out; of known sources it is the ratio for e times the odds they give.
    """
    averaged, prior_mean = weighed.averaged, weighed.prior_mean
    sd = np.sqrt(np.einsum("kii->ki", averaged.covariance))
    middle = averaged.step + prior_mean
    effects = {}
    for col, name in enumerate(weighed.names):
        if col == 0:
            continue
        means, sds = np.ascontiguousarray(middle[:, col]), np.ascontiguousarray(sd[:, col])
        p10, p50, p90 = (
            math.exp(mixture.mixture_quantile(means, sds, share, at))
            for share, at in zip(QUANTILES, NORMAL_QUANTILES, strict=True)
        )
        effects[name] = Quantity(mean=float(np.mean(np.exp(means + sds**2 / 2))), p10=p10, p50=p50, p90=p90)
    return effects


@dataclass(frozen=True, slots=True, kw_only=True)
class Reasons:
    """What the grade at the middle of each reach rests on.

    Parameters
    ----------
    names : tuple of str
        Of the covariates, and of what mixing does.
    trend : ndarray of float64, shape (reaches, names)
        What each adds to the logit of the grade, compared with the mean of the ground.
    across : ndarray of float64, shape (reaches,)
        What likeness across the land adds to it.
    sample_ids : tuple of tuple of str
        Records of each place with readings.
    place : ndarray of int32, shape (reaches, few)
        Places that weigh most, the heaviest first; -1 where there are no more.
    weight : ndarray of float64, shape (reaches, few)
        By how much the logit at the reach moves for each unit that the place's reading moves; 0 for none.
    away_m : ndarray of float64, shape (reaches, few)
        From the middle of the reach to the place as the crow flies, metres; NaN for none.
    rest : ndarray of float64, shape (reaches,)
        Weight of all other places together.
    nearest_m : ndarray of float64, shape (reaches,)
        Along the channel from the middle to the nearest sample, metres; infinite where its tree has none.
    diluted : ndarray of float64, shape (reaches,), optional
        What the known sources alone give at the middle, mixed by area, 0 to 1; None where none are told.
    """

    names: tuple[str, ...]
    trend: NDArray[np.float64]
    across: NDArray[np.float64]
    sample_ids: tuple[tuple[str, ...], ...]
    place: NDArray[np.int32]
    weight: NDArray[np.float64]
    away_m: NDArray[np.float64]
    rest: NDArray[np.float64]
    nearest_m: NDArray[np.float64]
    diluted: NDArray[np.float64] | None = None

    def sentences(self, reach: int) -> tuple[str, ...]:
        """Say it for one reach.

        Parameters
        ----------
        reach : int
            Index of the reach.

        Returns
        -------
        tuple of str
            Plain sentences, metres.
        """
        told = []
        weighty = [
            f"{self.sample_ids[place][0][:8]} ({show_share(weight)}, {away_m:.0f} m away)"
            for place, weight, away_m in zip(
                self.place[reach], self.weight[reach], self.away_m[reach], strict=True
            )
            if place >= 0 and 100 * abs(weight) >= LEAST_PERCENT
        ]
        if weighty:
            told.append("Samples that weigh most: " + ", ".join(weighty) + ".")
        else:
            told.append("No sample weighs much here: this is what one would think beforehand.")
        parts = [(name, float(add)) for name, add in zip(self.names, self.trend[reach], strict=True)]
        parts.append((ACROSS, float(self.across[reach])))
        parts.sort(key=lambda part: -abs(part[1]))
        said = [
            f"{name} {'+' if add > 0 else '−'}{show_share(abs(math.expm1(add)))}"
            for name, add in parts
            if 100 * abs(math.expm1(add)) >= LEAST_PERCENT
        ]
        if said:
            told.append("The ground adds or takes: " + ", ".join(said) + ".")
        if self.diluted is not None:
            told.append(
                "The known sources alone, mixed by the ground they cover, would give "
                f"{show_grade(float(self.diluted[reach]))} here."
            )
        if math.isfinite(self.nearest_m[reach]):
            told.append(
                f"The nearest sample along the wash is {self.nearest_m[reach]:.0f} m from its middle."
            )
        else:
            told.append("No sample lies on its network.")
        return tuple(told)


def reasons(channels: Channels, weighed: Weighed, *, few: int = FEW, parts: int = PARTS) -> Reasons:
    r"""Find what the grade of every reach rests on.

    Parameters
    ----------
    channels : Channels
        The network that was weighed on.
    weighed : Weighed
        The model.
    few : int, default 5
        Places named for each reach.
    parts : int, default 8
        Representatives averaged over.

    Returns
    -------
    Reasons
        For every reach.

    Raises
    ------
    InputError
        If a number is no whole number of at least 1.

    Notes
    -----
    The posterior mean is linear in the pooled readings given the ranges and variances; a reading of 1 at one
    place and 0 at all others, sent through the passes, leaves that place's weight everywhere. It is done on
    the skeleton of the sampled places and the middles of the reaches: the time grows with their number times
    that of the places, whatever the number of nodes. Traces weigh by the normal that stands in for them.
    """
    whole("few", few, at_least=1)
    whole("parts", parts, at_least=1)
    read, averaged, tree = weighed.read, weighed.averaged, weighed.tree
    middle = middle_nodes(channels)
    count, places = len(middle), len(read.node)
    small, kept = skeleton(tree, np.concatenate([read.node, middle]))
    at_place, at_middle = np.searchsorted(kept, read.node), np.searchsorted(kept, middle)
    rows = (*rows_of(at_place, len(small)), read.loading)
    regressors = weighed.regressors
    here = regressors[middle]
    chosen = np.unique(np.linspace(0, len(averaged.points) - 1, parts).round().astype(np.int64))
    keep_few = min(few, places)
    best = np.full((count, keep_few), -1, dtype=np.int32)
    best_weight, total = np.zeros((count, keep_few)), np.zeros(count)
    states = []
    for part in chosen:
        error = averaged.error_variance[part]
        process = averaged.process(int(part)).numbers
        up, down = _smooth(small, rows, np.ascontiguousarray(read.regressors), error, process)
        # V⁻¹X from what smoothing leaves of X; then coefficients as a linear map of the readings.
        left = read.regressors - read.loading[:, None] * up[at_place] - down[at_place]
        to_coefficients = averaged.covariance[part] @ (left / error[:, None]).T
        states.append((error, process, here - up[at_middle] - down[at_middle], to_coefficients))
    for first in range(0, places, BATCH):
        some = np.arange(first, min(first + BATCH, places))
        unit = np.zeros((places, len(some)))
        unit[some, some - first] = 1.0
        weight = np.zeros((count, len(some)))
        for error, process, unexplained, to_coefficients in states:
            up, down = _smooth(small, rows, unit, error, process)
            weight += up[at_middle] + down[at_middle]
            weight += unexplained @ to_coefficients[:, some]
        weight /= len(chosen)
        total += weight.sum(axis=1)
        both = np.column_stack([best_weight, weight])
        names = np.column_stack([best, np.broadcast_to(some.astype(np.int32), weight.shape)])
        order = np.argsort(-np.abs(both), axis=1, kind="stable")[:, :keep_few]
        best_weight = np.take_along_axis(both, order, axis=1)
        best = np.take_along_axis(names, order, axis=1)
    nodes = channels.nodes
    spot = np.where(best >= 0, read.node[np.maximum(best, 0)] if places else 0, 0)
    away_m = np.hypot(
        nodes.easting_m[spot] - nodes.easting_m[middle][:, None],
        nodes.northing_m[spot] - nodes.northing_m[middle][:, None],
    )
    coefficient = averaged.step.mean(axis=0) + weighed.prior_mean
    log_weight = tree.log_weight[middle]
    mixed = np.mean([weighed.mixture_middle(int(part), log_weight) for part in chosen], axis=0)
    size, seen = len(weighed.names), weighed.observations
    ids = tuple(
        tuple(
            one
            for hole in np.flatnonzero((seen.node == node) & (seen.carried == kept_share))
            for one in seen.sample_ids[hole]
        )
        for node, kept_share in zip(read.node, read.loading, strict=True)
    )
    return Reasons(
        names=(*weighed.names[1:], MIXED),
        trend=np.column_stack([here[:, 1:size] * coefficient[1:size], mixed]),
        across=here[:, size:] @ coefficient[size:],
        sample_ids=ids,
        place=best,
        weight=best_weight,
        away_m=np.where(best >= 0, away_m, np.nan),
        rest=total - best_weight.sum(axis=1),
        nearest_m=nearest_along_m(tree, read.node)[middle],
        diluted=expit(here[:, : len(weighed.prior.mean)] @ weighed.prior.mean)
        if SOURCES in weighed.names
        else None,
    )


def _smooth(
    small: Tree,
    rows: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float64]],
    columns: NDArray[np.float64],
    error: NDArray[np.float64],
    process: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    # Posterior means of T and D at the nodes of a skeleton for each column of readings.
    count, cols = len(small), columns.shape[1]
    b, eta, up, down = (np.empty((count, cols)) for _ in range(4))
    c, v, lam = (np.empty(count) for _ in range(3))
    links = (small.downstream, small.length_m, small.log_weight)
    arrays = (*links, *rows, columns, error, process, b, c, v, lam, eta)
    solver.pass_up(*arrays, np.empty((0, 0)))
    solver.pass_down(*arrays, up, down, np.empty((count, 3)))
    return up, down
