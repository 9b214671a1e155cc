"""Grade of every node and reach, with honest doubt: from samples and channels to what can be ranked."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number, whole
from washgrade.errors import WashgradeWarning
from washgrade.land.channels import Channels
from washgrade.land.shape import Shape
from washgrade.sand import mixture, solver
from washgrade.sand.along import nearest_along_m
from washgrade.sand.hyper import Averaged, Priors, Quantity
from washgrade.sand.sample import Observations, Samples, SamplingSettings
from washgrade.sand.support import SUPPORT
from washgrade.sand.weighed import Weighed, weigh
from washgrade.units import show_share

__all__ = ["GradeEstimate", "HyperSummary", "estimate_grade", "grades"]

# Our choice, because the middle of the prior tail-up range is 250 m: well within it two places still share
# most of what makes them differ from the mean.
NEAR_M = 100.0
# Our choice, because what a hundredth of the weight says wrongly is lost in the rounding of a grade.
UNSETTLED_LIMIT = 0.01
# Numbers of a batch of draws held at once, so that memory stays flat however large the network.
BATCH_NUMBERS = 1_000_000
QUANTILES = (0.1, 0.5, 0.9)
NORMAL_QUANTILES = (-1.2815515655446004, 0.0, 1.2815515655446004)


@dataclass(frozen=True, slots=True, kw_only=True)
class HyperSummary:
    """What the samples say about the model's own numbers.

    Parameters
    ----------
    quantities : dict of str to Quantity
        Total sd, tail-up share, ranges in metres, local sd, mixing share; planar share and range.
    prior_quantities : dict of str to Quantity
        The same before any sample.
    coefficients : dict of str to Quantity
        Effect on the logit of the intercept and of one standard deviation of each covariate.
    effective_samples : float
        Effective number of the points averaged over; a few dozen or more is sound.
    log_likelihood : float
        Log of the mean likelihood of the samples under the prior.
    unsettled_share : float
        Share of the weight, 0 to 1, of points at which the stand-ins for traces did not come to rest.
    """

    quantities: dict[str, Quantity]
    prior_quantities: dict[str, Quantity]
    coefficients: dict[str, Quantity]
    effective_samples: float
    log_likelihood: float
    unsettled_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeEstimate:
    """Grade along the channels; all grades are shares of mass, 0 to 1.

    Parameters
    ----------
    node_mean, node_p10, node_p50, node_p90 : ndarray of float64, shape (nodes,)
        Grade of the bite at each node: exact for the mixture over ranges and variances.
    node_chance_above_cutoff : ndarray of float64, shape (nodes,)
        Chance that the node's grade exceeds the cut-off.
    node_support : ndarray of int8, shape (nodes,)
        Index into ``SUPPORT``: 0 prior (no sample on this tree), 1 inferred, 2 near, 3 sampled.
    reach_mean, reach_p10, reach_p50, reach_p90 : ndarray of float64, shape (reaches,)
        The same for the mean grade over a reach's nodes; the mean is exact, the others come from the draws.
    reach_chance_above_cutoff : ndarray of float64, shape (reaches,)
        Chance that this mean exceeds the cut-off, from the draws.
    reach_support : ndarray of str, shape (reaches,)
        'sampled' (a sample on it), 'near' (within 100 m along the channel), 'inferred' (a sample on its
        tree), or 'prior'.
    reach_draws : ndarray of float32, shape (draws, reaches)
        Joint draws of the mean grade of the reaches.
    nearest_sample_m : ndarray of float64, shape (reaches,)
        Along the channel from the reach's nearest node to the nearest sample; infinite if its tree has none.
    hyper : HyperSummary
        What was learnt about ranges, variances and covariates.
    observations : Observations
        The readings used, and the samples that were not.
    """

    node_mean: NDArray[np.float64]
    node_p10: NDArray[np.float64]
    node_p50: NDArray[np.float64]
    node_p90: NDArray[np.float64]
    node_chance_above_cutoff: NDArray[np.float64]
    node_support: NDArray[np.int8]
    reach_mean: NDArray[np.float64]
    reach_p10: NDArray[np.float64]
    reach_p50: NDArray[np.float64]
    reach_p90: NDArray[np.float64]
    reach_chance_above_cutoff: NDArray[np.float64]
    reach_support: NDArray[np.str_]
    reach_draws: NDArray[np.float32]
    nearest_sample_m: NDArray[np.float64]
    hyper: HyperSummary
    observations: Observations


def estimate_grade(
    channels: Channels,
    samples: Samples,
    *,
    rng: np.random.Generator,
    cutoff_grade: float,
    shape: Shape | None = None,
    settings: SamplingSettings | None = None,
    priors: Priors | None = None,
    source_grade: NDArray[np.float64] | None = None,
    planar: bool = True,
    draws: int = 1000,
    progress: Callable[[float], None] | None = None,
) -> GradeEstimate:
    r"""Estimate the grade of the bite along the channels from samples.

    Parameters
    ----------
    channels : Channels
        The network.
    samples : Samples
        Recorded layers; may be none, then all is prior.
    rng : numpy.random.Generator
        Source of the joint draws; nothing else depends on it.
    cutoff_grade : float
        Grade below which digging is not worth it, between 0 and 1.
    shape : Shape, optional
        Shape of the channels; without it the covariates that need it are absent.
    settings : SamplingSettings, optional
        How samples are taken and weighed.
    priors : Priors, optional
        What is thought beforehand, used as it is; unless told the defaults, carried to the size of the ground
        (:meth:`washgrade.sand.priors.Priors.on_ground`).
    source_grade : ndarray of float64, shape (nodes,), optional
        Known sources: grade of what the ground at each node's sides gives. Then the mean is their dilution.
    planar : bool, default True
        Whether places may be alike across the land where no channel joins them.
    draws : int, default 1000
        Joint draws of the reaches. Our choice, because a chance is then good to 1.6 % at worst.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    GradeEstimate
        Grades with their doubt, per node and per reach.

    Raises
    ------
    GroundError
        If there is no channel at all.
    InputError
        If the cut-off does not lie between 0 and 1 or no draw is asked for.

    Warns
    -----
    WashgradeWarning
        If the stand-ins for traces did not settle.

    Notes
    -----
    What the model leaves out, or takes as simpler than it is:

    - The effect of a place, of variance :math:`(1-s)\tau^2` (``scoop_share`` s, local variance
      :math:`\tau^2`), is independent from node to node. A reach of n nodes averages n of them, so its
      interval is somewhat narrower on a finer DEM.
    - The grade of a reach is the plain mean over its nodes, whatever their width or the length each stands
      for.
    - The doubt about where along the channel a sample was taken enters as independent noise of variance
      :math:`2\sum s^2(1-\mathrm{erfcx}(g/(\sqrt2 r)))`; the covariance of the reading with all else is not
      lowered in turn.
    - A weighed grade above 1 - ``detection_grade`` counts as that.
    - A hole whose layers cover a share c of the bite stands for all of it, its variance widened by
      ``((1 - c) * layer_sd) ** 2`` for the rest.
    - Likeness across the land shows only shapes as wide as some eighth of the ground; what is finer is left
      to the other parts.
    """
    number("cutoff_grade", cutoff_grade, above=0, below=1)
    whole("draws", draws, at_least=1)
    weighed = weigh(
        channels,
        samples,
        shape=shape,
        settings=settings,
        priors=priors,
        source_grade=source_grade,
        planar=planar,
    )
    return grades(channels, weighed, rng=rng, cutoff_grade=cutoff_grade, draws=draws, progress=progress)


def grades(
    channels: Channels,
    weighed: Weighed,
    *,
    rng: np.random.Generator,
    cutoff_grade: float,
    draws: int = 1000,
    progress: Callable[[float], None] | None = None,
) -> GradeEstimate:
    """Grades of a model whose samples have been weighed; :func:`estimate_grade` does both.

    Parameters
    ----------
    channels : Channels
        The network that was weighed on.
    weighed : Weighed
        The model.
    rng : numpy.random.Generator
        Source of the joint draws; nothing else depends on it.
    cutoff_grade : float
        Grade below which digging is not worth it, between 0 and 1.
    draws : int, default 1000
        Joint draws of the reaches.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    GradeEstimate
        Grades with their doubt, per node and per reach.

    Warns
    -----
    WashgradeWarning
        If the stand-ins for traces did not settle.
    """
    nodes, averaged = channels.nodes, weighed.averaged
    if averaged.unsettled_share > UNSETTLED_LIMIT:
        warnings.warn(
            f"The traces could not be weighed well: at {show_share(averaged.unsettled_share)} of what the "
            "samples allow, their stand-ins did not settle. It should be "
            f"{show_share(UNSETTLED_LIMIT)} at most. Take the grades near them as rough.",
            WashgradeWarning,
            stacklevel=2,
        )
    if progress:
        progress(0.2)
    summaries, totals = _mix(weighed, nodes.reach, len(channels.reaches), cutoff_grade, draws, rng, progress)

    in_reach = np.maximum(np.bincount(nodes.reach, minlength=len(channels.reaches)), 1)
    reach_draws = (totals / in_reach[:, None].astype(np.float32)).T
    reach_mean = np.bincount(nodes.reach, weights=summaries[:, 0], minlength=len(channels.reaches)) / in_reach
    p10, p50, p90 = np.quantile(reach_draws, QUANTILES, axis=0)
    node_m = nearest_along_m(weighed.tree, weighed.read.node)
    nearest_m = np.full(len(channels.reaches), np.inf)
    np.minimum.at(nearest_m, nodes.reach, node_m)
    if progress:
        progress(1.0)
    return GradeEstimate(
        node_mean=summaries[:, 0],
        node_p10=summaries[:, 1],
        node_p50=summaries[:, 2],
        node_p90=summaries[:, 3],
        node_chance_above_cutoff=summaries[:, 4],
        node_support=_support(node_m),
        reach_mean=reach_mean,
        reach_p10=p10.astype(np.float64),
        reach_p50=p50.astype(np.float64),
        reach_p90=p90.astype(np.float64),
        reach_chance_above_cutoff=np.mean(reach_draws > cutoff_grade, axis=0),
        reach_support=np.array(SUPPORT)[_support(nearest_m)],
        reach_draws=np.ascontiguousarray(reach_draws),
        nearest_sample_m=nearest_m,
        hyper=HyperSummary(
            quantities=averaged.quantities,
            prior_quantities=averaged.prior_quantities,
            coefficients=_coefficients(weighed.names, weighed.prior_mean, averaged),
            effective_samples=averaged.effective_samples,
            log_likelihood=averaged.log_likelihood,
            unsettled_share=averaged.unsettled_share,
        ),
        observations=weighed.observations,
    )


def _support(nearest_m: NDArray[np.float64]) -> NDArray[np.int8]:
    # A distance of nothing is a sample on the node itself, or on one of the reach's.
    code = np.select([nearest_m <= 0.0, nearest_m <= NEAR_M, np.isfinite(nearest_m)], [3, 2, 1], 0)
    return code.astype(np.int8)


def _mix(
    weighed: Weighed,
    reach: NDArray[np.int32],
    reaches: int,
    cutoff_grade: float,
    draws: int,
    rng: np.random.Generator,
    progress: Callable[[float], None] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    # Smooths and draws under each representative: summaries per node, grade totals per reach and draw.
    tree, averaged, regressors = weighed.tree, weighed.averaged, weighed.regressors
    count, parts = len(tree), len(averaged.points)
    place, log_weight = weighed.place, tree.log_weight
    means = np.empty((parts, count), dtype=np.float32)
    variances = np.empty((parts, count), dtype=np.float32)
    totals = np.zeros((reaches, draws), dtype=np.float32)
    # Draws are dealt to the representatives as evenly as they go.
    edges = np.round(np.linspace(0, draws, parts + 1)).astype(int)
    batch = max(1, BATCH_NUMBERS // count)
    for there in weighed.smoothed():
        part = there.part
        columns, error = averaged.columns[part], averaged.error_variance[part]
        step, covariance = averaged.step[part], averaged.covariance[part]
        shared, expected = float(averaged.shared_variance[part]), weighed.expected(part)
        mixture.latent_moments(
            there.up,
            there.down,
            there.variance,
            regressors,
            expected,
            step,
            covariance,
            place,
            weighed.read.loading,
            columns,
            error,
            shared,
            means[part],
            variances[part],
        )
        coefficients = solver.draw_coefficients(
            tree.downstream,
            tree.length_m,
            log_weight,
            place,
            weighed.read.older,
            weighed.read.loading,
            error,
            there.process,
            there.c,
            there.v,
            there.lam,
        )
        root = np.linalg.cholesky(covariance)
        for first in range(edges[part], edges[part + 1], batch):
            many = min(batch, edges[part + 1] - first)
            noise = rng.standard_normal((count, 3, many), dtype=np.float32)
            local = rng.standard_normal((count, many), dtype=np.float32)
            coefficient = step[:, None] + root @ rng.standard_normal((len(step), many))
            up, down, joining = (np.empty((count, many)) for _ in range(3))
            solver.draw_fields(tree.downstream, coefficients, noise, up, down, joining)
            some = np.zeros((reaches, many), dtype=np.float32)
            mixture.add_reach_grades(
                there.up,
                there.down,
                up,
                down,
                local,
                regressors,
                expected,
                coefficient,
                place,
                weighed.read.loading,
                columns,
                error,
                shared,
                reach,
                some,
            )
            totals[:, first : first + many] = some
        if progress:
            progress(0.2 + 0.7 * (part + 1) / parts)
    at, weight = np.polynomial.hermite_e.hermegauss(15)
    summaries = np.empty((count, 5))
    mixture.mixture_summaries(
        means,
        variances,
        at,
        weight / weight.sum(),
        math.log(cutoff_grade / (1 - cutoff_grade)),
        np.array(QUANTILES),
        np.array(NORMAL_QUANTILES),
        summaries,
    )
    return summaries, totals


def _coefficients(
    names: tuple[str, ...], prior_mean: NDArray[np.float64], averaged: Averaged
) -> dict[str, Quantity]:
    # Mixture of the normals of each coefficient over the representatives.
    sd = np.sqrt(np.einsum("kii->ki", averaged.covariance))
    middle = averaged.step + prior_mean
    out = {}
    for col, name in enumerate(names):
        p10, p50, p90 = (
            mixture.mixture_quantile(
                np.ascontiguousarray(middle[:, col]), np.ascontiguousarray(sd[:, col]), p, q
            )
            for p, q in zip(QUANTILES, NORMAL_QUANTILES, strict=True)
        )
        out[name] = Quantity(mean=float(middle[:, col].mean()), p10=p10, p50=p50, p90=p90)
    return out
