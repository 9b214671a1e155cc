r"""Where one more sample would help: the gain at every node, exact, in one pass up and one down.

A sample of error variance r at node s lowers the weighted total variance by
:math:`\sum_d w_d\,C(d,s)^2 / (C(s,s)+r)`, C being the posterior covariance. C itself is never made. What lies
above a node is cut off from the rest by the node's state (T, D), so sums over d of products with C travel
from node to node as 2 × 2 matrices; branches that meet are not independent given the node below, and the
pass takes off what they explain of each other.
"""
# mypy: disable-error-code="no-untyped-call,no-untyped-def"

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.sand import solver
from washgrade.sand.regression import CoefficientPrior, Process, solve
from washgrade.sand.tree import Tree, pool, rows_of
from washgrade.sand.weighed import Weighed

__all__ = ["contested_weight", "gain_of_one_more", "gain_on_average"]

# Representatives looked at for the average. Our choice, because the order of the nodes no longer changes.
PARTS = 8


@njit(cache=True, nogil=True)
def _gain(
    downstream,
    length_m,
    log_weight,
    place,
    older,
    loading,
    error_variance,
    process,
    c,
    v,
    lam,
    up,
    down,
    variance,
    regressors,
    covariance,
    weight,
    sample_variance,
    gain,
):
    """Fill the fall of the weighted total variance of regression + T + D by a sample at each node.

    ``up``, ``down`` hold means of T and D for the readings (column 0, not used) and each regressor.
    """
    range_up_m, var_down, range_down_m, power = process[1], process[2], process[3], 0.5 * (1.0 + process[4])
    count, size = regressors.shape
    # Sums over a node's subtree, itself included: 2 x 2 (three numbers) and 2 for each regressor.
    inner, pull = np.zeros((count, 3)), np.zeros((count, 2 * size))
    # Sums over its branches: F'RF (3 numbers) and F'p (2 for each regressor).
    joined, joined_pull = np.zeros((count, 3)), np.zeros((count, 2 * size))
    link = np.empty((count, 6))
    free = np.empty((count, size))
    total = np.zeros((size, size))
    for i in range(count):
        for m in range(size):
            free[i, m] = regressors[i, m] - up[i, 1 + m] - down[i, 1 + m]
        for m in range(size):
            for k in range(m + 1):
                total[m, k] += weight[i] * free[i, m] * free[i, k]
    for m in range(size):
        for k in range(m):
            total[k, m] = total[m, k]
    held = covariance @ total @ covariance
    last_m = -1.0
    fade_up = 1.0
    a = 1.0
    for i in range(count):
        # Up: what is wanted above the node, seen from it.
        inner[i, 0] = weight[i] + joined[i, 0]
        inner[i, 1] = weight[i] + joined[i, 1]
        inner[i, 2] = weight[i] + joined[i, 2]
        for m in range(size):
            pull[i, 2 * m] = weight[i] * free[i, m] + joined_pull[i, 2 * m]
            pull[i, 2 * m + 1] = weight[i] * free[i, m] + joined_pull[i, 2 * m + 1]
        j = downstream[i]
        if j < 0:
            continue
        c_after, v_after, lam_after = c[i], v[i], lam[i]
        row = place[i]
        while row >= 0:
            kept = loading[row]
            f = kept * kept * v_after + error_variance[row]
            w = 1.0 + kept * c_after
            lam_after += w * w / f
            c_after -= kept * v_after / f * w
            v_after = v_after * error_variance[row] / f
            row = older[row]
        if length_m[i] != last_m:
            last_m = length_m[i]
            fade_up = math.exp(-last_m / range_up_m)
            a = math.exp(-last_m / range_down_m)
        q = var_down * (1.0 - a * a)
        s = 1.0 / (1.0 + lam_after * q)
        g_t, g_d = 0.0, 0.0
        if v[j] > 0.0:
            u = math.exp(power * (log_weight[i] - log_weight[j])) * fade_up
            g_t = u * (v_after + c_after * c_after * q * s) / v[j]
            g_d = u * c_after * q * s / v[j]
        f_td, f_dd = c_after * s * a - g_t * c[j], s * a - g_d * c[j]
        link[i, 0], link[i, 1], link[i, 2], link[i, 3] = g_t, f_td, g_d, f_dd
        # F = [[g_t, f_td], [g_d, f_dd]]; R g and R (second column of F).
        rg_t = inner[i, 0] * g_t + inner[i, 1] * g_d
        rg_d = inner[i, 1] * g_t + inner[i, 2] * g_d
        rf_t = inner[i, 0] * f_td + inner[i, 1] * f_dd
        rf_d = inner[i, 1] * f_td + inner[i, 2] * f_dd
        joined[j, 0] += g_t * rg_t + g_d * rg_d
        joined[j, 1] += f_td * rg_t + f_dd * rg_d
        joined[j, 2] += f_td * rf_t + f_dd * rf_d
        for m in range(size):
            joined_pull[j, 2 * m] += g_t * pull[i, 2 * m] + g_d * pull[i, 2 * m + 1]
            joined_pull[j, 2 * m + 1] += f_td * pull[i, 2 * m] + f_dd * pull[i, 2 * m + 1]
    # Down: what is wanted everywhere else.
    outer, outer_pull = np.zeros((count, 3)), np.zeros((count, 2 * size))
    tilt = np.empty(size)
    spread = np.empty(size)
    for i in range(count - 1, -1, -1):
        j = downstream[i]
        if j >= 0:
            g_t, f_td, g_d, f_dd = link[i, 0], link[i, 1], link[i, 2], link[i, 3]
            before = v[j]
            p_tt, p_td, p_dd = variance[j, 0], variance[j, 1], variance[j, 2]
            rg_t = inner[i, 0] * g_t + inner[i, 1] * g_d
            rg_d = inner[i, 1] * g_t + inner[i, 2] * g_d
            rf_t = inner[i, 0] * f_td + inner[i, 1] * f_dd
            rf_d = inner[i, 1] * f_td + inner[i, 2] * f_dd
            m_tt = joined[j, 0] - (g_t * rg_t + g_d * rg_d)
            m_td = joined[j, 1] - (f_td * rg_t + f_dd * rg_d)
            m_dd = joined[j, 2] - (f_td * rf_t + f_dd * rf_d)
            # Branches i and k that meet at j: Cov = F_i (P - v ee') F_k', e = (1, 0) and F e = g, for what
            # the one brings explains the other away.
            k_tt = p_tt - before
            e_tt = outer[j, 0] + k_tt * k_tt * m_tt + 2.0 * k_tt * p_td * m_td + p_td * p_td * m_dd
            e_td = outer[j, 1] + k_tt * (m_tt * p_td + m_td * p_dd) + p_td * (m_td * p_td + m_dd * p_dd)
            e_dd = outer[j, 2] + p_td * p_td * m_tt + 2.0 * p_td * p_dd * m_td + p_dd * p_dd * m_dd
            e_tt += weight[j] * (p_tt + p_td) * (p_tt + p_td)
            e_td += weight[j] * (p_tt + p_td) * (p_td + p_dd)
            e_dd += weight[j] * (p_td + p_dd) * (p_td + p_dd)
            outer[i, 0] = g_t * g_t * e_tt + 2.0 * g_t * f_td * e_td + f_td * f_td * e_dd
            outer[i, 1] = g_t * g_d * e_tt + (g_t * f_dd + f_td * g_d) * e_td + f_td * f_dd * e_dd
            outer[i, 2] = g_d * g_d * e_tt + 2.0 * g_d * f_dd * e_td + f_dd * f_dd * e_dd
            for m in range(size):
                n_t = joined_pull[j, 2 * m] - (g_t * pull[i, 2 * m] + g_d * pull[i, 2 * m + 1])
                n_d = joined_pull[j, 2 * m + 1] - (f_td * pull[i, 2 * m] + f_dd * pull[i, 2 * m + 1])
                own = weight[j] * free[j, m]
                o_t = outer_pull[j, 2 * m] + k_tt * n_t + p_td * n_d + (p_tt + p_td) * own
                o_d = outer_pull[j, 2 * m + 1] + p_td * n_t + p_dd * n_d + (p_td + p_dd) * own
                outer_pull[i, 2 * m] = g_t * o_t + f_td * o_d
                outer_pull[i, 2 * m + 1] = g_d * o_t + f_dd * o_d
        h_t, h_d = variance[i, 0] + variance[i, 1], variance[i, 1] + variance[i, 2]
        found = h_t * h_t * inner[i, 0] + 2.0 * h_t * h_d * inner[i, 1] + h_d * h_d * inner[i, 2]
        found += outer[i, 0] + 2.0 * outer[i, 1] + outer[i, 2]
        wide = h_t + h_d
        for m in range(size):
            tilt[m] = h_t * pull[i, 2 * m] + h_d * pull[i, 2 * m + 1]
            tilt[m] += outer_pull[i, 2 * m] + outer_pull[i, 2 * m + 1]
            spread[m] = 0.0
            for k in range(size):
                spread[m] += covariance[m, k] * free[i, k]
                found += free[i, m] * held[m, k] * free[i, k]
            wide += spread[m] * free[i, m]
        for m in range(size):
            found += 2.0 * tilt[m] * spread[m]
        gain[i] = found / (wide + sample_variance)


def gain_of_one_more(
    tree: Tree,
    process: Process,
    *,
    node: NDArray[np.integer[Any]],
    error_variance: NDArray[np.float64],
    regressors: NDArray[np.float64],
    weight: NDArray[np.float64],
    sample_variance: float,
    prior: CoefficientPrior | None = None,
    shared_variance: float = 0.0,
) -> NDArray[np.float64]:
    r"""Fall of the weighted total variance by one more sample, for every node it might be taken at.

    Parameters
    ----------
    tree : Tree
        The network.
    process : Process
        Variances and ranges.
    node : ndarray of int, shape (readings,)
        Node of each reading there is; what was read does not matter.
    error_variance : ndarray of float64, shape (readings,)
        Error variance of each.
    regressors : ndarray of float64, shape (nodes, regressors)
        Regressors at every node; may have no column.
    weight : ndarray of float64, shape (nodes,)
        What a node's variance counts, at least 0: see :func:`contested_weight`.
    sample_variance : float
        Error variance of the new sample, the effect of its place included; above 0.
    prior : CoefficientPrior, optional
        None is a flat prior: then there must be readings enough to know the coefficients.
    shared_variance : float, default 0
        Variance of an effect that all readings at one node share.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Gain, in weight times variance. At a node with a reading the place effect is taken to be new, so the
        gain there is a little too high.

    Raises
    ------
    InputError
        If the weights do not fit the nodes or one is negative, or the new sample has no error variance.

    Examples
    --------
    >>> import numpy as np
    >>> line = Tree(downstream=np.array([1, 2, -1], np.int32), length_m=np.array([100.0, 100.0, 0.0]),
    ...             weight=np.ones(3))
    >>> sand = Process(up_variance=1.0, up_range_m=100.0, down_variance=0.0, down_range_m=1.0)
    >>> gain_of_one_more(line, sand, node=np.array([0]), error_variance=np.array([0.1]),
    ...                  regressors=np.empty((3, 0)), weight=np.ones(3),
    ...                  sample_variance=0.1).round(3).tolist()
    [0.05, 0.895, 0.989]
    """
    wanted = np.ascontiguousarray(weight, dtype=np.float64)
    if wanted.shape != (len(tree),) or not np.all(wanted >= 0):
        raise InputError(
            f"Invalid weights of shape {wanted.shape}. There must be one of at least 0 per node, {len(tree)}."
        )
    number("sample_variance", sample_variance, above=0)
    pooled = pool(
        node,
        np.column_stack([np.zeros(len(node)), regressors[np.asarray(node)]]),
        error_variance,
        shared_variance=shared_variance,
    )
    count, cols = len(tree), 1 + regressors.shape[1]
    place, older = rows_of(pooled.node, count)
    b, eta, up, down = (np.empty((count, cols)) for _ in range(4))
    c, v, lam = (np.empty(count) for _ in range(3))
    variance, gram, gain = np.empty((count, 3)), np.empty((cols, cols)), np.empty(count)
    arrays = (tree.downstream, tree.length_m, tree.log_weight, place, older, pooled.loading)
    given = (pooled.columns, pooled.error_variance, process.numbers)
    solver.pass_up(*arrays, *given, b, c, v, lam, eta, gram)
    solver.pass_down(*arrays, *given, b, c, v, lam, eta, up, down, variance)
    covariance = solve(gram + pooled.within_gram, 0.0, len(node), prior).covariance
    _gain(
        *arrays,
        pooled.error_variance,
        process.numbers,
        c,
        v,
        lam,
        up,
        down,
        variance,
        np.ascontiguousarray(regressors, dtype=np.float64),
        np.ascontiguousarray(covariance),
        wanted,
        float(sample_variance),
        gain,
    )
    return gain


def gain_on_average(
    weighed: Weighed, *, weight: NDArray[np.float64], own_variance: float, parts: int = PARTS
) -> NDArray[np.float64]:
    """Gain of one more sample at every node, on average over what is not known of ranges and variances.

    Parameters
    ----------
    weighed : Weighed
        The model with the samples there are.
    weight : ndarray of float64, shape (nodes,)
        What a node's variance counts, at least 0.
    own_variance : float
        Variance of the new sample's own error on the logit (grains and weighing); the scatter from scoop to
        scoop and from place to place is added. Above 0.
    parts : int, default 8
        Representatives looked at. Our choice, because more hardly change the order of the nodes.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Mean gain, in weight times variance of the logit.

    Raises
    ------
    InputError
        If the weights do not fit the nodes or one is negative, or the variance is not above 0.
    """
    wanted = np.ascontiguousarray(weight, dtype=np.float64)
    if wanted.shape != (len(weighed.tree),) or not np.all(wanted >= 0):
        raise InputError(
            f"Invalid weights of shape {wanted.shape}. There must be one of at least 0 per node, "
            f"{len(weighed.tree)}."
        )
    number("own_variance", own_variance, above=0)
    averaged, tree = weighed.averaged, weighed.tree
    chosen = np.unique(np.linspace(0, len(averaged.points) - 1, parts).round().astype(np.int64))
    place, log_weight, gain = weighed.place, tree.log_weight, np.empty(len(tree))
    total = np.zeros(len(tree))
    regressors = np.ascontiguousarray(weighed.regressors)
    for there in weighed.smoothed(chosen):
        local = math.exp(2.0 * averaged.points[there.part, 4])
        _gain(
            tree.downstream,
            tree.length_m,
            log_weight,
            place,
            weighed.read.older,
            weighed.read.loading,
            averaged.error_variance[there.part],
            there.process,
            there.c,
            there.v,
            there.lam,
            there.up,
            there.down,
            there.variance,
            regressors,
            np.ascontiguousarray(averaged.covariance[there.part]),
            wanted,
            own_variance + local,
            gain,
        )
        total += gain
    return total / len(chosen)


def contested_weight(
    mean: NDArray[np.float64],
    variance: NDArray[np.float64],
    cut_logit: float,
    *,
    worth: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    r"""Weights that ask for knowledge where it may change what is chosen.

    Parameters
    ----------
    mean, variance : ndarray of float64, shape (nodes,)
        Of the logit of the grade.
    cut_logit : float
        Logit of the grade at which the ranking is cut: above it one would dig.
    worth : ndarray of float64, shape (nodes,), optional
        How much a change of the logit changes what is dug; the slope g (1 - g) of the grade unless told, at a
        grade g near the expected one: that of the logit's mean and half its variance, which for poor sand is
        the mean of the grade. So a place of wide doubt counts by what it may bring, not by its middle.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        :math:`f^2 e^{-\max(\text{cut}-m, 0)^2/(2 v)}`: places that are surely poor do not count.
    """
    grade = 1.0 / (1.0 + np.exp(-mean - 0.5 * variance))
    slope = grade * (1.0 - grade) if worth is None else worth
    below = np.maximum(cut_logit - mean, 0.0)
    return np.asarray(slope**2 * np.exp(-0.5 * below**2 / variance), dtype=np.float64)
