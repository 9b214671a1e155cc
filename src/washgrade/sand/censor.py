"""Compiled evidence of readings, some of them censored, at many points of the hyper-parameters.

Censored readings are met by expectation propagation (Minka 2001; Rasmussen & Williams 2006, Gaussian
Processes for Machine Learning, section 3.6, for the normal distribution function as likelihood).
"""
# mypy: disable-error-code="no-untyped-call,no-untyped-def"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from washgrade.sand.solver import pass_down, pass_up

__all__ = ["erfcx", "log_evidences", "log_share_below", "mills"]

MOST_SWEEPS = 60
SQRT2 = math.sqrt(2.0)
SQRT_PI = math.sqrt(math.pi)
LOG_2PI = math.log(2.0 * math.pi)


@njit(cache=True, nogil=True)
def erfcx(value):
    """Scaled complementary error function exp(value²)·erfc(value), for values from 0 up.

    Returns
    -------
    float
        The value.
    """
    if value < 10.0:
        return math.exp(value * value) * math.erfc(value)
    square = 1.0 / (2.0 * value * value)
    return (
        1.0
        - square * (1.0 - 3.0 * square * (1.0 - 5.0 * square * (1.0 - 7.0 * square * (1.0 - 9.0 * square))))
    ) / (value * SQRT_PI)


@njit(cache=True, nogil=True)
def log_share_below(z):
    """Log of the normal distribution function.

    Returns
    -------
    float
        The value.
    """
    if z > -5.0:
        return math.log(0.5 * math.erfc(-z / SQRT2))
    return -0.5 * z * z + math.log(0.5 * erfcx(-z / SQRT2))


@njit(cache=True, nogil=True)
def mills(z):
    """Normal density over distribution function.

    Returns
    -------
    float
        The value.
    """
    if z > -5.0:
        return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) / (0.5 * math.erfc(-z / SQRT2))
    return math.sqrt(2.0 / math.pi) / erfcx(-z / SQRT2)


@njit(cache=True, nogil=True)
def _invert(matrix, inverse):
    # Gauss-Jordan for a small positive definite matrix; returns its log determinant.
    size = matrix.shape[0]
    work = matrix.copy()
    inverse[:] = 0.0
    log_determinant = 0.0
    for i in range(size):
        inverse[i, i] = 1.0
    for i in range(size):
        pivot = work[i, i]
        log_determinant += math.log(pivot)
        for k in range(size):
            work[i, k] /= pivot
            inverse[i, k] /= pivot
        for j in range(size):
            if j != i:
                factor = work[j, i]
                for k in range(size):
                    work[j, k] -= factor * work[i, k]
                    inverse[j, k] -= factor * inverse[i, k]
    return log_determinant


@njit(cache=True, nogil=True)
def log_evidences(
    points,
    downstream,
    length_m,
    mix,
    place,
    member,
    value,
    error_variance,
    limit,
    censored,
    regressors,
    along_sd_m,
    prior_mean,
    prior_precision,
    scoop_share,
    evidence,
    columns,
    error,
    step,
    covariance,
):
    """Fill the log evidence and the pooled readings at each point of the hyper-parameters.

    ``points`` holds log total sd, logit tail-up share, log ranges up and down, log local sd.
    """
    small = len(downstream)
    places, size = regressors.shape
    holes = len(value)
    b, eta = np.empty((small, 1 + size)), np.empty((small, 1 + size))
    c, v, lam = np.empty(small), np.empty(small), np.empty(small)
    up, down = np.empty((small, 1 + size)), np.empty((small, 1 + size))
    variance = np.empty((small, 3))
    gram, total = np.empty((1 + size, 1 + size)), np.empty((size, size))
    process = np.empty(4)
    omega, precision, weighted = np.empty(places), np.empty(places), np.empty(places)
    latent, doubt, unexplained = np.empty(places), np.empty(places), np.empty(size)
    site_precision, site_weighted = np.empty(holes), np.empty(holes)
    some = 0
    for k in range(holes):
        if censored[k]:
            some += 1
    for k in range(holes):
        # A first guess that says next to nothing; later points start from where the last one ended.
        site_precision[k] = 1e-3
        site_weighted[k] = 1e-3 * limit[k]
    log_prior_precision = 0.0
    for m in range(size):
        log_prior_precision += math.log(prior_precision[m])

    for point in range(len(points)):
        spread = math.exp(2.0 * points[point, 0])
        share = 1.0 / (1.0 + math.exp(-points[point, 1]))
        process[0], process[1] = spread * share, math.exp(points[point, 2])
        process[2], process[3] = spread * (1.0 - share), math.exp(points[point, 3])
        local = math.exp(2.0 * points[point, 4])
        scoop = scoop_share * local
        for row in range(places):
            # What the place effect and the doubt about the place along the channel add, shared by its holes.
            omega[row] = (
                local
                - scoop
                + 2.0 * process[0] * (1.0 - erfcx(along_sd_m[row] / (SQRT2 * process[1])))
                + 2.0 * process[2] * (1.0 - erfcx(along_sd_m[row] / (SQRT2 * process[3])))
            )
        for _ in range(MOST_SWEEPS):
            log_determinant = 0.0
            quad = 0.0
            precision[:] = 0.0
            weighted[:] = 0.0
            for k in range(holes):
                if censored[k]:
                    t, h = site_precision[k], site_weighted[k]
                else:
                    t = 1.0 / max(error_variance[k] + scoop, 1e-6)
                    h = t * value[k]
                precision[member[k]] += t
                weighted[member[k]] += h
                log_determinant -= math.log(t)
            for row in range(places):
                average = weighted[row] / precision[row]
                log_determinant += math.log(precision[row])
                error[point, row] = omega[row] + 1.0 / precision[row]
                columns[point, row, 0] = average
                for m in range(size):
                    columns[point, row, 0] -= regressors[row, m] * prior_mean[m]
                    columns[point, row, 1 + m] = regressors[row, m]
            for k in range(holes):
                if censored[k]:
                    t, reading = site_precision[k], site_weighted[k] / site_precision[k]
                else:
                    t, reading = 1.0 / max(error_variance[k] + scoop, 1e-6), value[k]
                off = reading - weighted[member[k]] / precision[member[k]]
                quad += t * off * off
            log_determinant += pass_up(
                downstream,
                length_m,
                mix,
                place,
                columns[point],
                error[point],
                process,
                b,
                c,
                v,
                lam,
                eta,
                gram,
            )
            for m in range(size):
                for k in range(size):
                    total[m, k] = gram[1 + m, 1 + k]
                total[m, m] += prior_precision[m]
            log_determinant += _invert(total, covariance[point]) - log_prior_precision
            quad += gram[0, 0]
            for m in range(size):
                step[point, m] = 0.0
                for k in range(size):
                    step[point, m] += covariance[point, m, k] * gram[1 + k, 0]
            for m in range(size):
                quad -= gram[1 + m, 0] * step[point, m]
            found = -0.5 * (log_determinant + quad + holes * LOG_2PI)
            evidence[point] = found
            if some == 0:
                break

            pass_down(
                downstream,
                length_m,
                mix,
                place,
                columns[point],
                error[point],
                process,
                b,
                c,
                v,
                lam,
                eta,
                up,
                down,
                variance,
            )
            for i in range(small):
                row = place[i]
                if row < 0:
                    continue
                middle = up[i, 0] + down[i, 0]
                wide = variance[i, 0] + 2.0 * variance[i, 1] + variance[i, 2]
                for m in range(size):
                    unexplained[m] = regressors[row, m] - up[i, 1 + m] - down[i, 1 + m]
                    middle += regressors[row, m] * prior_mean[m] + unexplained[m] * step[point, m]
                for m in range(size):
                    for k in range(size):
                        wide += unexplained[m] * covariance[point, m, k] * unexplained[k]
                own = omega[row] / error[point, row]
                latent[row] = middle + own * (weighted[row] / precision[row] - middle)
                doubt[row] = (1.0 - own) * ((1.0 - own) * wide + omega[row])
            change = 0.0
            for k in range(holes):
                if not censored[k]:
                    continue
                row = member[k]
                t, h = site_precision[k], site_weighted[k]
                cavity_precision = 1.0 / doubt[row] - t
                if cavity_precision <= 0.0:
                    change = 1.0
                    continue
                s2 = 1.0 / cavity_precision
                m_ = s2 * (latent[row] / doubt[row] - h)
                wide = s2 + max(error_variance[k] + scoop, 1e-6)
                z = (limit[k] - m_) / math.sqrt(wide)
                ratio = mills(z)
                off = h / t - m_
                found += log_share_below(z) + 0.5 * (
                    LOG_2PI + math.log(s2 + 1.0 / t) + off * off / (s2 + 1.0 / t)
                )
                shrink = s2 * ratio * (z + ratio) / wide
                mean = m_ - s2 * ratio / math.sqrt(wide)
                narrow = s2 * (1.0 - shrink)
                t_new = max(1.0 / narrow - cavity_precision, 1e-9)
                h_new = mean * (t_new + cavity_precision) - m_ * cavity_precision
                change = max(
                    change, abs(t_new - t) * doubt[row], abs(h_new - h) * math.sqrt(doubt[row]) * 0.1
                )
                # All sites move at once, so each goes only part of the way.
                site_precision[k] = t + 0.9 * (t_new - t)
                site_weighted[k] = h + 0.9 * (h_new - h)
            evidence[point] = found
            if change < 1e-4:
                break
