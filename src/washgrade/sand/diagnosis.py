"""Each reading against what all the others say of it: how honest the intervals are, and what stands out.

A reading is left out in two ways. *By itself*: its duplicates at the same place stay and vouch for the place.
*With its place*: all readings at its node go, so that two scoops at one wrong place cannot vouch for each
other. Either is one pass up and one pass down the skeleton of the samples for each representative of ranges
and variances, whatever the number of readings: the marginal of a place is divided by what the reading said of
it. Nothing is fitted again.

The representatives were weighed by all readings, the left-out one among them. So each counts here by one over
the likelihood it gives the left-out reading, which is what its weight without that reading would be (Gelfand,
Dey & Chang 1992; capped as Ionides 2008 does, since few representatives make few weights).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrik, expit, ndtr, ndtri

from washgrade.land.channels import Channels
from washgrade.sand import solver
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.priors import Priors
from washgrade.sand.tails import along_doubt
from washgrade.sand.tree import Tree, skeleton
from washgrade.sand.weighed import Weighed, weigh

__all__ = ["SHARES", "Diagnosis", "LeftOut", "diagnose", "judge", "latent_at", "place_variance"]

SHARES = (0.5, 0.8, 0.9)
"""Shares of readings that their intervals should hold."""
FARTHEST_SCORE = 38.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """What the others say of each reading, on the logit.

    Parameters
    ----------
    mean, sd : ndarray of float64, shape (readings,)
        Of the prediction of the reading, its own errors included.
    pit : ndarray of float64, shape (readings,)
        Share of the prediction below the reading, 0 to 1; of a trace, below its limit.
    score : ndarray of float64, shape (readings,)
        The same as a standard normal number: how many standard deviations off a normal reading would be; of a
        trace, at most 0 and how surprising it is that so little was found.
    log_density : ndarray of float64, shape (readings,)
        Log of the density, or of a trace the chance, that the others give the reading.
    """

    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    pit: NDArray[np.float64]
    score: NDArray[np.float64]
    log_density: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Readings beside what the others say of them; arrays in the order of ``Observations``.

    Parameters
    ----------
    sample_ids : tuple of tuple of str
        The records of each reading.
    node : ndarray of int32, shape (readings,)
        Where it is.
    value : ndarray of float64, shape (readings,)
        Logit of the grade; NaN for a trace.
    limit : ndarray of float64, shape (readings,)
        Logit of the least grade that could have been weighed.
    trace : ndarray of bool, shape (readings,)
        Nothing weighable.
    alone : LeftOut
        With only the reading left out.
    with_place : LeftOut
        With all readings of its place left out.
    """

    sample_ids: tuple[tuple[str, ...], ...]
    node: NDArray[np.int32]
    value: NDArray[np.float64]
    limit: NDArray[np.float64]
    trace: NDArray[np.bool_]
    alone: LeftOut
    with_place: LeftOut

    def coverage(self, share: float) -> float:
        """Share of the weighed readings that the middle interval of a share of their predictions holds.

        Parameters
        ----------
        share : float
            Of the prediction, 0 to 1; places are left out whole.

        Returns
        -------
        float
            0 to 1; NaN without a weighed reading.
        """
        pit = self.with_place.pit[~self.trace]
        return float(np.mean(np.abs(pit - 0.5) <= share / 2)) if len(pit) else math.nan

    @property
    def sentence(self) -> str:
        """Whether the intervals are right as often as they say."""
        count = int(np.sum(~self.trace))
        if count < 3:
            return "Fewer than three weighed readings: nothing can be held against the others."
        held = round(self.coverage(0.9) * count)
        low, high = _usual(count, 0.9)
        told = (
            f"Predicted from the others, {held} of {count} readings lie in the interval that should hold "
            f"90 %; {low} to {high} would be usual."
        )
        if held < low:
            told += " The intervals are too narrow here: look at the readings that stand out."
        elif held > high:
            told += " The intervals are wider than they need to be."
        return told

    def chart(self, width: int = 60, *, most: int = 40) -> str:
        """Draw readings and predictions with letters, the farthest off first.

        Parameters
        ----------
        width : int, default 60
            Columns of the scale.
        most : int, default 40
            Readings drawn at most. Our choice, because they fill a screen, and the rest lie where expected.

        Returns
        -------
        str
            What the letters mean, the scale, and a line for each reading.
        """
        if not len(self.value):
            return "No readings."
        low = self.with_place.mean - 1.6449 * self.with_place.sd
        high = self.with_place.mean + 1.6449 * self.with_place.sd
        at = np.where(self.trace, self.limit, self.value)
        least, richest = min(low.min(), at.min()), max(high.max(), at.max())
        scale = (width - 1) / max(richest - least, 1e-9)
        lines = [
            "Each sample (o, or X outside; < a trace) and where the others put it 9 times in 10 (===), the "
            "farthest off first:",
            f"{expit(least):<10.2%}{'grade':^{max(width - 20, 5)}}{expit(richest):>10.2%}",
        ]
        for k in np.argsort(-np.abs(self.with_place.score), kind="stable")[:most]:
            row = [" "] * width
            first, last = (round((bound[k] - least) * scale) for bound in (low, high))
            row[first : last + 1] = "=" * (last + 1 - first)
            inside = abs(self.with_place.pit[k] - 0.5) <= 0.45
            row[round((at[k] - least) * scale)] = "<" if self.trace[k] else "o" if inside else "X"
            names = "+".join(name[:8] for name in self.sample_ids[k])
            lines.append(f"{''.join(row)} {self.with_place.score[k]:+5.1f} {names}")
        if len(self.value) > most:
            lines.append(f"{len(self.value) - most} more, all nearer to what was expected.")
        return "\n".join(lines)


def _usual(count: int, share: float) -> tuple[int, int]:
    # The middle 95 % of a binomial number.
    low, high = (math.ceil(bdtrik(tail, count, share)) for tail in (0.025, 0.975))
    return max(low, 0), min(high, count)


def diagnose(
    channels: Channels,
    samples: Samples,
    *,
    settings: SamplingSettings | None = None,
    priors: Priors | None = None,
) -> Diagnosis:
    """Hold every reading against what all the others say of it.

    Parameters
    ----------
    channels : Channels
        The network.
    samples : Samples
        Recorded layers.
    settings : SamplingSettings, optional
        How samples are taken and weighed.
    priors : Priors, optional
        What is thought beforehand.

    Returns
    -------
    Diagnosis
        Predictions, residuals and coverage.
    """
    return judge(weigh(channels, samples, settings=settings, priors=priors))


def judge(weighed: Weighed) -> Diagnosis:
    r"""Hold every reading of a model against what all the others say of it.

    Parameters
    ----------
    weighed : Weighed
        The model, its samples weighed.

    Returns
    -------
    Diagnosis
        Predictions, residuals and coverage.

    Notes
    -----
    With posterior mean m and variance p of the place's value (trend, T, D and the effect of the place), a
    reading y of variance r there is taken out by :math:`1/p_- = 1/p - 1/r`, :math:`m_-/p_- = m/p - y/r`. The
    pooled reading of a place is taken out likewise from trend, T and D. A trace by itself is not taken out of
    a place with other readings: its stand-in serves all traces there, so for it ``alone`` is
    ``with_place``.
    """
    seen, read, averaged = weighed.observations, weighed.read, weighed.averaged
    count, parts = len(seen), len(averaged.points)
    _, member = np.unique(np.column_stack([seen.node, -seen.carried]), axis=0, return_inverse=True)
    member = member.ravel()
    single = seen.censored | (np.bincount(member, minlength=len(read.node))[member] == 1)
    alone, together = (np.empty((2, parts, count)) for _ in range(2))
    whole = skeleton(weighed.tree, read.node)[1]
    at = np.searchsorted(whole, read.node)
    for part in range(parts):
        middle, wide = latent_at(
            weighed, part, read.small, read.place, at, read.regressors, loading=read.loading
        )
        shared = averaged.shared_variance[part]
        scoop = np.exp(2.0 * averaged.points[part, 4]) - shared
        own = np.maximum(seen.error_variance + scoop, 1e-6)
        error = averaged.error_variance[part]
        pooled = averaged.columns[part][:, 0] + weighed.expected(part)[read.node]
        # Trend, T and D without the place's readings; what the place has of its own comes on top.
        free = wide * error / (error - wide)
        before = free * (middle / wide - pooled / error)
        local = place_variance(weighed, part)
        together[0, part] = before[member]
        together[1, part] = free[member] + local[member] + own
        # Of the place's value, all readings in, then one out.
        gain = local / error
        value = middle + gain * (pooled - middle)
        sure = (1.0 - gain) * ((1.0 - gain) * wide + local)
        without = 1.0 / np.maximum(1.0 / sure[member] - 1.0 / own, 1e-9)
        here = without * (value[member] / sure[member] - np.where(seen.censored, 0.0, seen.value) / own)
        alone[0, part] = np.where(single, together[0, part], here)
        alone[1, part] = np.where(single, together[1, part], without + own)
    return Diagnosis(
        sample_ids=seen.sample_ids,
        node=seen.node,
        value=seen.value,
        limit=seen.limit,
        trace=seen.censored,
        alone=_mixed(alone[0], alone[1], seen.value, seen.limit, seen.censored),
        with_place=_mixed(together[0], together[1], seen.value, seen.limit, seen.censored),
    )


def place_variance(weighed: Weighed, part: int) -> NDArray[np.float64]:
    """Variance that all readings of a place share beside trend, T and D, under one representative.

    Parameters
    ----------
    weighed : Weighed
        The model.
    part : int
        Which representative.

    Returns
    -------
    ndarray of float64, shape (places,)
        Of the place's own effect, of the doubt about where along the channel it is, and of the sand that
        floods have laid since in the place of what was read.
    """
    process = weighed.averaged.process(part).numbers
    read = weighed.read
    share = solver.variance_share(weighed.tree.log_weight[read.node], process[4])
    along = [along_doubt(process, here, sd_m) for here, sd_m in zip(share, read.along_sd_m, strict=True)]
    renewed = (1.0 - read.loading**2) * process[0] * share
    return np.asarray(weighed.averaged.shared_variance[part] + np.array(along) + renewed, dtype=np.float64)


def latent_at(
    weighed: Weighed,
    part: int,
    tree: Tree,
    place: NDArray[np.int32],
    at: NDArray[np.int64],
    regressors: NDArray[np.float64],
    *,
    loading: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and variance of trend + T + D at some nodes of a skeleton under one representative.

    Parameters
    ----------
    weighed : Weighed
        The model.
    part : int
        Which representative.
    tree : Tree
        A skeleton that holds the places and the nodes asked for: it loses nothing.
    place : ndarray of int32, shape (skeleton nodes,)
        Row of the pooled reading at each node, or -1 where there is none or it is to be left out. The
        coefficients of the trend are those of all readings.
    at : ndarray of int64, shape (asked,)
        Nodes of the skeleton.
    regressors : ndarray of float64, shape (asked, regressors)
        There.
    loading : ndarray of float64, shape (asked,), optional
        Share of T that is asked for; all of it unless told.

    Returns
    -------
    mean, variance : ndarray of float64, shape (asked,)
        On the logit.
    """
    averaged = weighed.averaged
    columns, error = averaged.columns[part], averaged.error_variance[part]
    size = len(tree), columns.shape[1]
    b, eta, up, down = (np.empty(size) for _ in range(4))
    c, v, lam = (np.empty(len(tree)) for _ in range(3))
    variance, no_gram = np.empty((len(tree), 3)), np.empty((0, 0))
    read = weighed.read
    rows = (place, read.older, read.loading, columns, error)
    arrays = (tree.downstream, tree.length_m, tree.log_weight, *rows, averaged.process(part).numbers)
    solver.pass_up(*arrays, b, c, v, lam, eta, no_gram)
    solver.pass_down(*arrays, b, c, v, lam, eta, up, down, variance)
    kept = np.ones(len(at)) if loading is None else loading
    unexplained = regressors - kept[:, None] * up[at, 1:] - down[at, 1:]
    known = regressors @ weighed.prior_mean + weighed.mixture_middle(part, tree.log_weight[at])
    known += kept * up[at, 0] + down[at, 0]
    wide = kept**2 * variance[at, 0] + 2.0 * kept * variance[at, 1] + variance[at, 2]
    wide += np.einsum("ij,jk,ik->i", unexplained, averaged.covariance[part], unexplained)
    return known + unexplained @ averaged.step[part], wide


def _mixed(
    mean: NDArray[np.float64],
    variance: NDArray[np.float64],
    value: NDArray[np.float64],
    limit: NDArray[np.float64],
    trace: NDArray[np.bool_],
) -> LeftOut:
    # Mixture over representatives, each by what its weight would be without the reading.
    sd = np.sqrt(variance)
    z = (np.where(trace, limit, value) - mean) / sd
    below, above = ndtr(z), ndtr(-z)
    log_each = np.where(trace, np.log(np.maximum(below, 1e-300)), -0.5 * z**2 - np.log(sd) - 0.9189385332)
    log_weight = -log_each
    log_weight -= log_weight.max(axis=0)
    weight = np.exp(log_weight)
    weight = np.minimum(weight, weight.mean(axis=0) * math.sqrt(len(weight)))
    weight /= weight.sum(axis=0)
    middle = np.sum(weight * mean, axis=0)
    spread = np.sum(weight * (variance + (mean - middle) ** 2), axis=0)
    low, high = np.sum(weight * below, axis=0), np.sum(weight * above, axis=0)
    score = np.where(low < high, ndtri(low), -ndtri(high))
    score = np.clip(score, -FARTHEST_SCORE, np.where(trace, 0.0, FARTHEST_SCORE))
    top = log_each.max(axis=0)
    return LeftOut(
        mean=middle,
        sd=np.sqrt(spread),
        pit=low,
        score=score,
        log_density=top + np.log(np.sum(weight * np.exp(log_each - top), axis=0)),
    )
