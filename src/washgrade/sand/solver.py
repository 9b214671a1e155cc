r"""Compiled passes up and down a tree: the exact Gaussian solver, linear in the number of nodes.

The latent value is T + D. T (tail-up) runs down: :math:`T_j = \sum u_i T_i + e_j` over the branches i that
join at j. D (tail-down) spreads up from the outlet: :math:`D_i = a_i D_j + \text{noise}(q_i)`. Here
:math:`u_i = (A_i/A_j)^{(1+m)/2}\,e^{-h_i/r_T}`, :math:`a_i = e^{-h_i/r_D}`,
:math:`q_i = s_D^2(1-a_i^2)`, and the variance of T at a node is :math:`s_T^2 (A_i/A_0)^{-m}`. Both are
Markov on the tree (Ver Hoef & Peterson 2010, J. Am. Stat. Assoc. 105:6-18, exponential models), so all that
the ground above a node knows about the rest is: T given D is normal with mean b + cD and variance v, and the
likelihood of D is proportional to :math:`\exp(-\lambda D^2/2 + \eta D)`.

Several right-hand sides (the readings and each regressor) run together: b and eta have one entry for each.

A reading at a node is of l T + D, with l = 1 unless floods have come since (``loading``, by row): what they
have put in the place of the old sand is noise, in its error variance. A node may have several rows, the
youngest first: ``place[i]`` is the first, ``older[row]`` the next, -1 where there is none.

The arrays keep the state of a node *before* its own reading; every pass that needs the state after it works
it out anew, which is cheaper than fetching it.
"""
# mypy: disable-error-code="no-untyped-def"

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = [
    "draw_coefficients",
    "draw_fields",
    "middle_of_mixture",
    "pass_down",
    "pass_up",
    "variance_share",
]


@njit(cache=True, nogil=True)
def variance_share(log_weight, mixing):
    r"""Variance of T at one or many nodes over that at the usual weight: :math:`(A/A_0)^{-m}`.

    Returns
    -------
    float or ndarray of float64
        1 where nothing mixes.
    """
    return np.exp(-mixing * log_weight)


@njit(cache=True, nogil=True)
def middle_of_mixture(up_variance, share):
    r"""How far the middle at a node lies above that at the usual weight: :math:`s_T^2(1-(A/A_0)^{-m})/2`.

    So that lognormal grades have one mean everywhere, as mixtures of loads have.

    Returns
    -------
    float
        0 where ``share``, of :func:`variance_share`, is 1.
    """
    return 0.5 * up_variance * (1.0 - share)


@njit(cache=True, nogil=True)
def pass_up(
    downstream,
    length_m,
    log_weight,
    place,
    older,
    loading,
    columns,
    error_variance,
    process,
    b,
    c,
    v,
    lam,
    eta,
    gram,
):
    """Walk from the leaves to the outlets; fill the states and the Gram matrix.

    ``process`` is (variance up, range up in m, variance down, range down in m, mixing share). All outputs are
    overwritten. ``gram`` may be smaller than the columns: products are then summed for the first ones only,
    and an empty one saves the time.

    Returns
    -------
    float
        Log determinant of the covariance of the readings.
    """
    var_up, range_up_m, var_down, range_down_m = process[0], process[1], process[2], process[3]
    mixing, power = process[4], 0.5 * (1.0 + process[4])
    count = len(downstream)
    cols = columns.shape[1]
    b_after = np.empty(cols)
    eta_after = np.empty(cols)
    off = np.empty(cols)
    summed = gram.shape[0]
    b[:] = 0.0
    c[:] = 0.0
    untold = np.empty(count)
    for i in range(count):
        untold[i] = var_up * variance_share(log_weight[i], mixing)
        v[i] = untold[i]
    lam[:] = 0.0
    eta[:] = 0.0
    gram[:] = 0.0
    log_determinant = 0.0
    last_m = -1.0
    fade_up = 1.0
    a = 1.0
    for i in range(count):
        if v[i] < 0.0:
            v[i] = 0.0
        c_after = c[i]
        v_after = v[i]
        lam_after = lam[i]
        for k in range(cols):
            b_after[k] = b[i, k]
            eta_after[k] = eta[i, k]
        row = place[i]
        while row >= 0:
            kept = loading[row]
            f = kept * kept * v_after + error_variance[row]
            gain = kept * v_after / f
            w = 1.0 + kept * c_after
            lam_after += w * w / f
            for k in range(cols):
                off[k] = columns[row, k] - kept * b_after[k]
                eta_after[k] += w * off[k] / f
                b_after[k] += gain * off[k]
            for k in range(summed):
                share = off[k] / f
                for m in range(k + 1):
                    gram[k, m] += share * off[m]
            log_determinant += math.log(f)
            c_after -= gain * w
            v_after = v_after * error_variance[row] / f
            row = older[row]
        j = downstream[i]
        if j < 0:
            t = 1.0 + lam_after * var_down
            log_determinant += math.log(t)
            for k in range(summed):
                share = var_down * eta_after[k] / t
                for m in range(k + 1):
                    gram[k, m] -= share * eta_after[m]
            continue
        if length_m[i] != last_m:
            # On a DEM nearly all lengths are one of two, so the exponentials are seldom needed.
            last_m = length_m[i]
            fade_up = math.exp(-last_m / range_up_m)
            a = math.exp(-last_m / range_down_m)
        u = math.exp(power * (log_weight[i] - log_weight[j])) * fade_up
        q = var_down * (1.0 - a * a)
        s = 1.0 / (1.0 + lam_after * q)
        spread = q * s
        v[j] += u * u * (v_after + c_after * c_after * spread - untold[i])
        c[j] += u * c_after * s * a
        lam[j] += a * a * s * lam_after
        for k in range(cols):
            b[j, k] += u * (b_after[k] + c_after * spread * eta_after[k])
            eta[j, k] += a * s * eta_after[k]
        if lam_after > 0.0:
            log_determinant -= math.log(s)
            for k in range(summed):
                share = spread * eta_after[k]
                for m in range(k + 1):
                    gram[k, m] -= share * eta_after[m]
    for k in range(summed):
        for m in range(k):
            gram[m, k] = gram[k, m]
    return log_determinant


@njit(cache=True, nogil=True)
def pass_down(
    downstream,
    length_m,
    log_weight,
    place,
    older,
    loading,
    columns,
    error_variance,
    process,
    b,
    c,
    v,
    lam,
    eta,
    up,
    down,
    variance,
):
    """Walk from the outlets to the leaves; fill the means of T and D and the variances of T, TD, D."""
    range_up_m, var_down, range_down_m, power = process[1], process[2], process[3], 0.5 * (1.0 + process[4])
    cols = columns.shape[1]
    last_m = -1.0
    fade_up = 1.0
    a = 1.0
    b_after = np.empty(cols)
    eta_after = np.empty(cols)
    for i in range(len(downstream) - 1, -1, -1):
        c_after = c[i]
        v_after = v[i]
        lam_after = lam[i]
        for k in range(cols):
            b_after[k] = b[i, k]
            eta_after[k] = eta[i, k]
        row = place[i]
        while row >= 0:
            kept = loading[row]
            f = kept * kept * v_after + error_variance[row]
            gain = kept * v_after / f
            w = 1.0 + kept * c_after
            lam_after += w * w / f
            for k in range(cols):
                off = columns[row, k] - kept * b_after[k]
                eta_after[k] += w * off / f
                b_after[k] += gain * off
            c_after -= gain * w
            v_after = v_after * error_variance[row] / f
            row = older[row]
        j = downstream[i]
        if j < 0:
            var_d = var_down / (1.0 + lam_after * var_down)
            for k in range(cols):
                down[i, k] = var_d * eta_after[k]
                up[i, k] = b_after[k] + c_after * down[i, k]
            variance[i, 0] = v_after + c_after * c_after * var_d
            variance[i, 1] = c_after * var_d
            variance[i, 2] = var_d
            continue
        if length_m[i] != last_m:
            last_m = length_m[i]
            fade_up = math.exp(-last_m / range_up_m)
            a = math.exp(-last_m / range_down_m)
        u = math.exp(power * (log_weight[i] - log_weight[j])) * fade_up
        q = var_down * (1.0 - a * a)
        s = 1.0 / (1.0 + lam_after * q)
        spread = q * s
        total = v_after + c_after * c_after * spread
        gain_t = 0.0
        gain_d = 0.0
        if v[j] > 0.0:
            gain_t = u * total / v[j]
            gain_d = u * c_after * spread / v[j]
        f_td = c_after * s * a - gain_t * c[j]
        f_dd = s * a - gain_d * c[j]
        for k in range(cols):
            up[i, k] = (
                b_after[k]
                + c_after * spread * eta_after[k]
                + gain_t * (up[j, k] - b[j, k])
                + f_td * down[j, k]
            )
            down[i, k] = spread * eta_after[k] + gain_d * (up[j, k] - b[j, k]) + f_dd * down[j, k]
        p_tt, p_td, p_dd = variance[j, 0] - v[j], variance[j, 1], variance[j, 2]
        variance[i, 0] = total + gain_t * gain_t * p_tt + 2.0 * gain_t * f_td * p_td + f_td * f_td * p_dd
        variance[i, 1] = (
            c_after * spread
            + gain_t * gain_d * p_tt
            + (gain_t * f_dd + f_td * gain_d) * p_td
            + f_td * f_dd * p_dd
        )
        variance[i, 2] = spread + gain_d * gain_d * p_tt + 2.0 * gain_d * f_dd * p_td + f_dd * f_dd * p_dd


@njit(cache=True, nogil=True)
def draw_coefficients(
    downstream, length_m, log_weight, place, older, loading, error_variance, process, c, v, lam
):
    """Numbers that turn independent noise into a posterior deviation, nine rows with one for each node.

    In order: u, s·a, c after, c before, gain of T, gain of D, and the standard deviations of D given D
    downstream, of T given D, and of what joins at the node from no branch.

    Returns
    -------
    ndarray of float64, shape (9, nodes)
        The coefficients.
    """
    var_up, range_up_m, var_down, range_down_m = process[0], process[1], process[2], process[3]
    mixing, power = process[4], 0.5 * (1.0 + process[4])
    count = len(downstream)
    out = np.zeros((9, count))
    joined = np.zeros(count)
    last_m = -1.0
    fade_up = 1.0
    a = 1.0
    for i in range(count):
        own = variance_share(log_weight[i], mixing)
        out[8, i] = math.sqrt(max(0.0, var_up * (own - joined[i])))
        c_after = c[i]
        v_after = v[i]
        lam_after = lam[i]
        row = place[i]
        while row >= 0:
            kept = loading[row]
            f = kept * kept * v_after + error_variance[row]
            w = 1.0 + kept * c_after
            lam_after += w * w / f
            c_after -= kept * v_after / f * w
            v_after = v_after * error_variance[row] / f
            row = older[row]
        out[2, i] = c_after
        out[3, i] = c[i]
        out[7, i] = math.sqrt(v_after)
        j = downstream[i]
        if j < 0:
            out[6, i] = math.sqrt(var_down / (1.0 + lam_after * var_down))
            continue
        if length_m[i] != last_m:
            last_m = length_m[i]
            fade_up = math.exp(-last_m / range_up_m)
            a = math.exp(-last_m / range_down_m)
        u = math.exp(power * (log_weight[i] - log_weight[j])) * fade_up
        q = var_down * (1.0 - a * a)
        s = 1.0 / (1.0 + lam_after * q)
        joined[j] += u * u * own
        out[0, i] = u
        out[1, i] = s * a
        if v[j] > 0.0:
            out[4, i] = u * (v_after + c_after * c_after * q * s) / v[j]
            out[5, i] = u * c_after * q * s / v[j]
        out[6, i] = math.sqrt(q * s)
    return out


@njit(cache=True, nogil=True)
def draw_fields(downstream, coefficients, noise, up, down, joining):
    """Turn noise of shape (nodes, 3, draws) into deviations of T and D from their posterior means.

    First a draw in which each branch ignores what is known of T where it joins, leaves to outlets; then, back
    up, each branch takes its share of the difference to the T that was drawn there (conditioning by kriging,
    exact). ``joining`` is scratch of shape (nodes, draws).
    """
    count = len(downstream)
    draws = noise.shape[2]
    for i in range(count):
        for d in range(draws):
            joining[i, d] = coefficients[8, i] * noise[i, 2, d]
    for i in range(count):
        j = downstream[i]
        sd_down, sd_up, slant, u = (
            coefficients[6, i],
            coefficients[7, i],
            coefficients[2, i],
            coefficients[0, i],
        )
        for d in range(draws):
            down[i, d] = sd_down * noise[i, 0, d]
            up[i, d] = slant * down[i, d] + sd_up * noise[i, 1, d]
        if j >= 0:
            for d in range(draws):
                joining[j, d] += u * up[i, d]
    for i in range(count - 1, -1, -1):
        j = downstream[i]
        if j < 0:
            continue
        carry, slant, before = coefficients[1, i], coefficients[2, i], coefficients[3, j]
        gain_t, gain_d = coefficients[4, i], coefficients[5, i]
        for d in range(draws):
            off = up[j, d] - before * down[j, d] - joining[j, d]
            up[i, d] += slant * carry * down[j, d] + gain_t * off
            down[i, d] += carry * down[j, d] + gain_d * off
