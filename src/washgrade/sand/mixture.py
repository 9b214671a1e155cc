"""Compiled sums over representatives: mixtures of normals at every node, and mean grades of reaches."""
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["add_reach_grades", "latent_moments", "mixture_quantile", "mixture_summaries"]

SQRT2 = math.sqrt(2.0)


@njit(cache=True, nogil=True)
def latent_moments(
    up,
    down,
    variance,
    regressors,
    expected,
    step,
    covariance,
    place,
    loading,
    columns,
    error_variance,
    shared_variance,
    mean,
    spread,
):
    """Fill mean and variance of regression + T + D + place effect at every node.

    ``expected``, of shape (nodes,), is the middle that was thought before any sample.
    Of a place read before floods, the effect is taken to have faded as T has; the youngest reading tells of
    it.
    """
    size = regressors.shape[1]
    unexplained, carried = np.empty(size), np.empty(size)
    for i in range(len(mean)):
        middle = up[i, 0] + down[i, 0]
        wide = variance[i, 0] + 2.0 * variance[i, 1] + variance[i, 2]
        for m in range(size):
            unexplained[m] = regressors[i, m] - up[i, 1 + m] - down[i, 1 + m]
            middle += unexplained[m] * step[m]
            carried[m] = 0.0
        # Along the rows of the covariance, so that several sums grow at once.
        for m in range(size):
            for k in range(size):
                carried[k] += unexplained[m] * covariance[m, k]
        for m in range(size):
            wide += unexplained[m] * carried[m]
        row = place[i]
        if row >= 0 and loading[row] == 1.0:
            own = shared_variance / error_variance[row]
            middle += own * (columns[row, 0] - middle)
            wide = (1.0 - own) * ((1.0 - own) * wide + shared_variance)
        elif row >= 0:
            kept = loading[row]
            own = kept * shared_variance / error_variance[row]
            lost = 1.0 - kept
            seen = middle - lost * up[i, 0]
            part_up, part_down = 1.0 - own * kept, 1.0 - own
            wide = part_up * (part_up * variance[i, 0] + 2.0 * part_down * variance[i, 1])
            wide += part_down * part_down * variance[i, 2] + shared_variance * part_up
            for m in range(size):
                seen += lost * up[i, 1 + m] * step[m]
                unexplained[m] = part_down * (regressors[i, m] - down[i, 1 + m]) - part_up * up[i, 1 + m]
            for m in range(size):
                for k in range(size):
                    wide += unexplained[m] * covariance[m, k] * unexplained[k]
            middle += own * (columns[row, 0] - seen)
        else:
            wide += shared_variance
        mean[i] = expected[i] + middle
        spread[i] = wide


@njit(cache=True, nogil=True)
def _share_below(means, sds, at):
    total = 0.0
    density = 0.0
    for k in range(len(means)):
        z = (at - means[k]) / sds[k]
        total += 0.5 * math.erfc(-z / SQRT2)
        density += math.exp(-0.5 * z * z) / sds[k]
    return total / len(means), density / (len(means) * math.sqrt(2.0 * math.pi))


@njit(cache=True, nogil=True)
def mixture_quantile(means, sds, share, normal_quantile):
    """Quantile of an even mixture of normals; ``normal_quantile`` is that of the standard normal.

    Returns
    -------
    float
        The value.
    """
    # The mixture's quantile lies between the least and the greatest of its parts: Newton, kept inside.
    low = math.inf
    high = -math.inf
    start = 0.0
    for k in range(len(means)):
        at = means[k] + normal_quantile * sds[k]
        low = min(low, at)
        high = max(high, at)
        start += at
    at = start / len(means)
    for _ in range(60):
        below, density = _share_below(means, sds, at)
        if below > share:
            high = at
        else:
            low = at
        move = (share - below) / density if density > 0.0 else math.inf
        last = at
        at = last + move
        if not (low < at < high):
            at = 0.5 * (low + high)
        if abs(at - last) < 1e-5:
            break
    return at


@njit(cache=True, nogil=True)
def mixture_summaries(
    means, variances, nodes_of_hermite, weights_of_hermite, cutoff_logit, shares, quantiles, out
):
    """Fill mean grade, three quantiles of grade, and chance above the cut-off for every node.

    ``means`` and ``variances`` have shape (representatives, nodes), on the logit scale.
    """
    parts = means.shape[0]
    centre = np.empty(parts)
    sds = np.empty(parts)
    for i in range(means.shape[1]):
        total = 0.0
        above = 0.0
        for k in range(parts):
            centre[k] = means[k, i]
            sds[k] = math.sqrt(variances[k, i])
            above += 0.5 * math.erfc((cutoff_logit - centre[k]) / (sds[k] * SQRT2))
            for m in range(len(nodes_of_hermite)):
                at = centre[k] + sds[k] * nodes_of_hermite[m]
                total += weights_of_hermite[m] / (1.0 + math.exp(-at))
        out[i, 0] = total / parts
        for m in range(3):
            out[i, 1 + m] = 1.0 / (1.0 + math.exp(-mixture_quantile(centre, sds, shares[m], quantiles[m])))
        out[i, 4] = above / parts


@njit(cache=True, nogil=True)
def add_reach_grades(
    up,
    down,
    deviation_up,
    deviation_down,
    local,
    regressors,
    expected,
    coefficient,
    place,
    loading,
    columns,
    error_variance,
    shared_variance,
    reach,
    total,
):
    """Add the grade of every node of a batch of joint draws to its reach.

    ``coefficient`` has shape (regressors, draws) and holds draws less the prior mean; ``local`` is standard
    normal of shape (nodes, draws); ``total`` has shape (reaches, draws).
    """
    size = regressors.shape[1]
    draws = total.shape[1]
    free_sd = math.sqrt(shared_variance)
    z = np.empty(draws)
    lost_up = np.zeros(draws)
    for i in range(len(reach)):
        known = up[i, 0] + down[i, 0]
        for d in range(draws):
            z[d] = known + deviation_up[i, d] + deviation_down[i, d]
        for m in range(size):
            unexplained = regressors[i, m] - up[i, 1 + m] - down[i, 1 + m]
            for d in range(draws):
                z[d] += unexplained * coefficient[m, d]
        row = place[i]
        own, reading, sd, lost = 0.0, 0.0, free_sd, 0.0
        if row >= 0:
            own = loading[row] * shared_variance / error_variance[row]
            reading = columns[row, 0]
            sd = math.sqrt(shared_variance * (1.0 - own * loading[row]))
            lost = 1.0 - loading[row]
        if lost > 0.0:
            # The reading was of less of T than is there now.
            for d in range(draws):
                lost_up[d] = lost * (up[i, 0] + deviation_up[i, d])
            for m in range(size):
                for d in range(draws):
                    lost_up[d] -= lost * up[i, 1 + m] * coefficient[m, d]
        at = reach[i]
        for d in range(draws):
            off = reading - z[d]
            if lost > 0.0:
                off += lost_up[d]
            here = expected[i] + z[d] + own * off + sd * local[i, d]
            # Single precision here: the grade needs no more, and its exponential is twice as fast.
            total[at, d] += np.float32(1.0) / (np.float32(1.0) + np.exp(np.float32(-here)))
