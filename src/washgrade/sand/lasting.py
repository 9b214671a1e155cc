"""How much of the sand's pattern lasts: what readings of different days say together."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washgrade.sand import solver
from washgrade.sand.covariance import distances, tail_down_exponential, tail_up_exponential
from washgrade.sand.tree import skeleton
from washgrade.sand.weighed import Weighed

__all__ = ["lasting_log_likelihood"]

# Places and representatives looked at. Our choice, because the covariances of all pairs are written out, and
# the time grows with the cube of the places.
MOST_PLACES, PARTS = 300, 12


def lasting_log_likelihood(
    weighed: Weighed, unmoved: NDArray[np.float64], lasting_share: NDArray[np.float64]
) -> NDArray[np.float64]:
    r"""How likely all readings are together at each lasting share, given ranges and variances.

    Parameters
    ----------
    weighed : Weighed
        The model with the readings.
    unmoved : ndarray of float64, shape (places, places)
        Share of the bed that the floods between the days of two places of ``weighed.read`` left unmoved: 1
        where none came between; a positive semidefinite matrix.
    lasting_share : ndarray of float64, shape (shares,)
        Shares of the moving sand's pattern that no flood renews, 0 to 1.

    Returns
    -------
    ndarray of float64, shape (representatives, shares)
        Log likelihood of the pooled readings, but for a constant in each row.

    Notes
    -----
    The moving sand is the sum of a part that stays and of one that floods renew, both alike along the
    channels: the covariance of two readings is :math:`T_{ij}(L+(1-L)k_{ij})+D_{ij}`, errors and regression
    added. So two old readings are held to have met one field, which the estimate itself, linear in nodes,
    does not (`washgrade.storm.memory.carried_share`). All pairs are written out, of at most 300 places,
    evenly chosen, under twelve of the representatives.
    """
    read, averaged = weighed.read, weighed.averaged
    count = len(read.node)
    few = np.unique(np.linspace(0, count - 1, min(count, MOST_PLACES)).round().astype(np.int64))
    parts = np.unique(np.linspace(0, len(averaged.points) - 1, PARTS).round().astype(np.int64))
    small, kept = skeleton(weighed.tree, read.node[few])
    at = np.searchsorted(kept, read.node[few])
    apart = distances(small)
    share = np.asarray(lasting_share, np.float64)
    between = np.asarray(unmoved, np.float64)[np.ix_(few, few)]
    found = np.empty((len(parts), len(share)))
    for row, part in enumerate(parts.tolist()):
        process = averaged.process(part)
        up = tail_up_exponential(
            apart,
            variance=process.up_variance,
            range_m=process.up_range_m,
            mixing_share=process.mixing_share,
        )[np.ix_(at, at)]
        down = tail_down_exponential(apart, variance=process.down_variance, range_m=process.down_range_m)[
            np.ix_(at, at)
        ]
        # The error holds what floods renewed, by the loadings: here the pairs say that.
        here = solver.variance_share(small.log_weight[at], process.mixing_share)
        error = (
            averaged.error_variance[part, few] - (1.0 - read.loading[few] ** 2) * process.up_variance * here
        )
        columns = averaged.columns[part, few]
        still = (
            down + np.diag(error) + (columns[:, 1:] * _coefficient_variance(weighed, part)) @ columns[:, 1:].T
        )
        for k, lasting in enumerate(share.tolist()):
            root = np.linalg.cholesky(up * (lasting + (1.0 - lasting) * between) + still)
            standard = np.linalg.solve(root, columns[:, 0])
            found[row, k] = -0.5 * standard @ standard - np.log(np.diagonal(root)).sum()
    return found


def _coefficient_variance(weighed: Weighed, part: int) -> NDArray[np.float64]:
    """Prior variances of all coefficients under one representative."""
    point, prior, planar = weighed.averaged.points[part], weighed.prior, weighed.read.planar
    variance = prior.sd**2
    if len(point) > 6:
        # The intercept and known sources keep their own.
        variance[1:] *= np.where(prior.mean[1:] == 0.0, math.exp(2.0 * point[6]), 1.0)
    if planar is None:
        return variance
    across = weighed.averaged.planar_variance(part) * planar.variances_at(float(point[8]))
    return np.concatenate([variance, across])
