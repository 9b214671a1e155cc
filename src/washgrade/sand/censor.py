"""Compiled evidence of readings, some of them censored, at many points of the hyper-parameters.

Censored readings are met by expectation propagation (Minka 2001; Rasmussen & Williams 2006, Gaussian
Processes for Machine Learning, section 3.6). All the traces of one place share one site, whose moments are
integrated; so with a single censored place, whatever the number of its traces, nothing is approximate.
"""
# mypy: disable-error-code="no-untyped-call,no-untyped-def"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from washgrade.sand.solver import middle_of_mixture, pass_down, pass_up, variance_share
from washgrade.sand.tails import along_doubt, below_limits

__all__ = ["log_evidences"]

MOST_SWEEPS = 300
# All sites move at once, so each goes only part of the way: less far when they turn back, farther when not.
FIRST_STRIDE = 0.9
LEAST_STRIDE = 0.02
SETTLED = 1e-4
LOG_2PI = math.log(2.0 * math.pi)
LEAST_VARIANCE = 1e-6


@njit(cache=True, nogil=True)
def _factor(matrix, root):
    # Upper Cholesky root of a small positive definite matrix, row by row so that the inner loop runs along
    # memory; returns its log determinant.
    size = matrix.shape[0]
    log_determinant = 0.0
    for i in range(size):
        for k in range(i, size):
            root[i, k] = matrix[i, k]
    for i in range(size):
        pivot = math.sqrt(root[i, i])
        log_determinant += 2.0 * math.log(pivot)
        for k in range(i, size):
            root[i, k] /= pivot
        for j in range(i + 1, size):
            factor = root[i, j]
            for k in range(j, size):
                root[j, k] -= factor * root[i, k]
    return log_determinant


@njit(cache=True, nogil=True)
def _half_solve(root, vector):
    # Solve R'x = vector in place, so that x'x is the vector's square in the inverse of R'R.
    size = root.shape[0]
    for i in range(size):
        vector[i] /= root[i, i]
        for k in range(i + 1, size):
            vector[k] -= root[i, k] * vector[i]


@njit(cache=True, nogil=True)
def _solve(root, vector):
    # Solve R'R x = vector in place.
    _half_solve(root, vector)
    for i in range(root.shape[0] - 1, -1, -1):
        rest = vector[i]
        for k in range(i + 1, root.shape[0]):
            rest -= root[i, k] * vector[k]
        vector[i] = rest / root[i, i]


@njit(cache=True, nogil=True)
def _invert(root, inverse):
    # Inverse of R'R.
    inverse[:] = 0.0
    for i in range(root.shape[0]):
        inverse[i, i] = 1.0
        _solve(root, inverse[i])


@njit(cache=True, nogil=True)
def log_evidences(
    points,
    downstream,
    length_m,
    log_weight,
    place,
    older,
    loading,
    member,
    value,
    error_variance,
    trace_place,
    trace_first,
    limit,
    trace_variance,
    trace_count,
    regressors,
    along_sd_m,
    prior_mean,
    prior_precision,
    is_scaled,
    planar_log_range,
    planar_variance,
    scoop_share,
    evidence,
    columns,
    error,
    step,
    covariance,
    unsettled,
):
    """Fill the log evidence and the pooled readings at each point of the hyper-parameters.

    ``points`` holds log total sd, logit tail-up share, log ranges up and down, log local sd, logit
    mixing share; then, unless left out, the log of what the prior sds of the scaled regressors are multiplied
    by; then, where there are planar columns (the last ones), logit planar share and log planar range. Traces
    of place ``trace_place[k]`` are entries ``trace_first[k]`` to ``trace_first[k + 1]``. ``unsettled`` tells
    where the sites had not come to rest. ``columns``, ``error``, ``step`` and ``covariance`` have one entry
    for each point; or one in all, which then is scratch, and the covariances, which only the chosen points
    need, are not worked out.
    """
    small = len(downstream)
    places, size = regressors.shape
    holes, sites = len(value), len(trace_place)
    b, eta = np.empty((small, 1 + size)), np.empty((small, 1 + size))
    c, v, lam = np.empty(small), np.empty(small), np.empty(small)
    up, down = np.empty((small, 1 + size)), np.empty((small, 1 + size))
    variance = np.empty((small, 3))
    gram, total = np.empty((1 + size, 1 + size)), np.empty((size, size))
    root = np.empty((size, size))
    process = np.empty(5)
    omega, precision, weighted = np.empty(places), np.empty(places), np.empty(places)
    expected = np.empty(places)
    unexplained, spot = np.empty(size), np.empty(places, np.int64)
    for i in range(small):
        row = place[i]
        while row >= 0:
            spot[row] = i
            row = older[row]
    site_precision, site_weighted = np.empty(sites), np.empty(sites)
    last_move = np.empty((sites, 2))
    trace_sd = np.empty(len(limit))
    for k in range(sites):
        # A first guess that says next to nothing; later points start from where the last one ended.
        site_precision[k] = 1e-3
        site_weighted[k] = 1e-3 * limit[trace_first[k]]
    planar = planar_variance.shape[1]
    known = np.empty(size)

    # What is known without a single site does not depend on it, so it may go all the way at once.
    far = FIRST_STRIDE if sites > 1 else 1.0
    stride = far
    for point in range(len(points)):
        at = point if len(columns) == len(points) else 0
        spread = math.exp(2.0 * points[point, 0])
        share = 1.0 / (1.0 + math.exp(-points[point, 1]))
        log_prior_precision = 0.0
        for m in range(size - planar):
            known[m] = prior_precision[m]
            if is_scaled[m]:
                known[m] *= math.exp(-2.0 * points[point, 6])
            log_prior_precision += math.log(known[m])
        if planar > 0:
            flat = spread / (1.0 + math.exp(-points[point, 7]))
            spread -= flat
            upper = 1
            while upper < len(planar_log_range) - 1 and planar_log_range[upper] < points[point, 8]:
                upper += 1
            along = (points[point, 8] - planar_log_range[upper - 1]) / (
                planar_log_range[upper] - planar_log_range[upper - 1]
            )
            along = min(max(along, 0.0), 1.0)
            for m in range(planar):
                one = planar_variance[upper - 1, m]
                one += along * (planar_variance[upper, m] - one)
                t = 1.0 / max(flat * one, LEAST_VARIANCE)
                known[size - planar + m] = t
                log_prior_precision += math.log(t)
        process[0], process[1] = spread * share, math.exp(points[point, 2])
        process[2], process[3] = spread * (1.0 - share), math.exp(points[point, 3])
        process[4] = 1.0 / (1.0 + math.exp(-points[point, 5]))
        local = math.exp(2.0 * points[point, 4])
        scoop = scoop_share * local
        for k in range(len(limit)):
            trace_sd[k] = math.sqrt(max(trace_variance[k] + scoop, LEAST_VARIANCE))
        for row in range(places):
            # What the place effect, the doubt about the place along the channel, and the sand that floods
            # have laid in the place of the old add, shared by its holes.
            here = variance_share(log_weight[spot[row]], process[4])
            omega[row] = local - scoop + along_doubt(process, here, along_sd_m[row])
            omega[row] += (1.0 - loading[row] * loading[row]) * process[0] * here
            expected[row] = middle_of_mixture(process[0], here)
            for m in range(size):
                expected[row] += regressors[row, m] * prior_mean[m]
        last_move[:] = 0.0
        unsettled[point] = sites > 0
        for _ in range(MOST_SWEEPS):
            log_determinant = 0.0
            quad = 0.0
            precision[:] = 0.0
            weighted[:] = 0.0
            for k in range(holes):
                t = 1.0 / max(error_variance[k] + scoop, LEAST_VARIANCE)
                precision[member[k]] += t
                weighted[member[k]] += t * value[k]
                log_determinant -= math.log(t)
            for k in range(sites):
                precision[trace_place[k]] += site_precision[k]
                weighted[trace_place[k]] += site_weighted[k]
                log_determinant -= math.log(site_precision[k])
            for row in range(places):
                average = weighted[row] / precision[row]
                log_determinant += math.log(precision[row])
                error[at, row] = omega[row] + 1.0 / precision[row]
                columns[at, row, 0] = average - expected[row]
                for m in range(size):
                    columns[at, row, 1 + m] = regressors[row, m]
            for k in range(holes):
                off = value[k] - weighted[member[k]] / precision[member[k]]
                quad += off * off / max(error_variance[k] + scoop, LEAST_VARIANCE)
            for k in range(sites):
                row = trace_place[k]
                off = site_weighted[k] / site_precision[k] - weighted[row] / precision[row]
                quad += site_precision[k] * off * off
            log_determinant += pass_up(
                downstream,
                length_m,
                log_weight,
                place,
                older,
                loading,
                columns[at],
                error[at],
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
                total[m, m] += known[m]
                step[at, m] = gram[1 + m, 0]
            log_determinant += _factor(total, root) - log_prior_precision
            _solve(root, step[at])
            quad += gram[0, 0]
            for m in range(size):
                quad -= gram[1 + m, 0] * step[at, m]
            found = -0.5 * (log_determinant + quad + (holes + sites) * LOG_2PI)
            evidence[point] = found
            if sites == 0:
                break

            pass_down(
                downstream,
                length_m,
                log_weight,
                place,
                older,
                loading,
                columns[at],
                error[at],
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
            change, turn, before = 0.0, 0.0, 0.0
            for k in range(sites):
                row = trace_place[k]
                i = spot[row]
                kept = loading[row]
                middle = expected[row] + kept * up[i, 0] + down[i, 0]
                wide = kept * (kept * variance[i, 0] + 2.0 * variance[i, 1]) + variance[i, 2]
                for m in range(size):
                    unexplained[m] = regressors[row, m] - kept * up[i, 1 + m] - down[i, 1 + m]
                    middle += unexplained[m] * step[at, m]
                _half_solve(root, unexplained)
                for m in range(size):
                    wide += unexplained[m] * unexplained[m]
                own = omega[row] / error[at, row]
                latent = middle + own * (weighted[row] / precision[row] - middle)
                doubt = (1.0 - own) * ((1.0 - own) * wide + omega[row])
                t, h = site_precision[k], site_weighted[k]
                cavity_precision = 1.0 / doubt - t
                if cavity_precision <= 0.0:
                    # Only rounding can bring this about: let the site say less, and look again.
                    change = 1.0
                    site_precision[k], site_weighted[k] = 0.5 * t, 0.5 * h
                    continue
                s2 = 1.0 / cavity_precision
                centre = s2 * (latent / doubt - h)
                log_total, mean, narrow = below_limits(
                    centre, s2, limit, trace_sd, trace_count, trace_first[k], trace_first[k + 1]
                )
                off = h / t - centre
                found += log_total + 0.5 * (LOG_2PI + math.log(s2 + 1.0 / t) + off * off / (s2 + 1.0 / t))
                t_new = max(1.0 / narrow - cavity_precision, 1e-9)
                h_new = mean * (t_new + cavity_precision) - centre * cavity_precision
                change = max(change, abs(t_new - t) * doubt, abs(h_new - h) * math.sqrt(doubt) * 0.1)
                turn += (t_new - t) * doubt * last_move[k, 0]
                turn += (h_new - h) * math.sqrt(doubt) * last_move[k, 1]
                before += last_move[k, 0] ** 2 + last_move[k, 1] ** 2
                last_move[k, 0] = (t_new - t) * doubt
                last_move[k, 1] = (h_new - h) * math.sqrt(doubt)
                site_precision[k] = t + stride * (t_new - t)
                site_weighted[k] = h + stride * (h_new - h)
            evidence[point] = found
            if change < SETTLED:
                unsettled[point] = False
                break
            # A small swing back dies by itself.
            back = turn < -0.3 * before
            stride = max(0.6 * stride, LEAST_STRIDE) if back else min(1.2 * stride, far)
        if len(covariance) == len(points):
            _invert(root, covariance[at])
