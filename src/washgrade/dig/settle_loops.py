"""Compiled state of what a growing set of samples settles.

Of the fall of a weighted variance only two matrices over the points are needed: the covariance C of what is
sampled there, and ``M = C' W C`` (what all places that count share with them). A sample at s, error variance
r, is worth ``M_ss / (C_ss + r)``, and leaves ``C - cc'`` and ``M - cm' - mc' + q cc'`` behind, with c and m
the columns of s over the root of ``C_ss + r``, and q its worth. So the vectors c, m of the stops already
taken are the whole state: one more stop costs stops × points, never points × points.
"""
# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from __future__ import annotations

import math

from washgrade.land.kernel import kernel

__all__ = ["add_stop", "gain_of", "reset", "weigh"]


@kernel
def reset(covariance, wanted, spread, want):
    """Forget all stops: diagonals as they are before any sample."""
    for part in range(covariance.shape[0]):
        for point in range(covariance.shape[1]):
            spread[part, point] = covariance[part, point, point]
            want[part, point] = wanted[part, point, point]


@kernel
def gain_of(point, prize, group, bonus, touched, error, spread, want):
    """Worth of one more stop given those taken."""
    gain = prize[point]
    if group[point] >= 0 and touched[group[point]] == 0:
        gain += bonus
    for part in range(error.shape[0]):
        gain += want[part, point] / (spread[part, point] + error[part, point])
    return gain


@kernel
def add_stop(point, taken, covariance, wanted, error, col_c, col_m, col_q, spread, want):
    """Note what a sample at ``point`` leaves, after ``taken`` others; fills row ``taken`` of the columns."""
    count = covariance.shape[1]
    for part in range(covariance.shape[0]):
        scale = 1.0 / math.sqrt(spread[part, point] + error[part, point])
        c = col_c[part, taken]
        m = col_m[part, taken]
        for other in range(count):
            c[other] = covariance[part, point, other]
            m[other] = wanted[part, point, other]
        for before in range(taken):
            old_c = col_c[part, before]
            old_m = col_m[part, before]
            at_c = old_c[point]
            at_m = old_m[point] - col_q[part, before] * at_c
            for other in range(count):
                c[other] -= at_c * old_c[other]
                m[other] -= at_m * old_c[other] + at_c * old_m[other]
        for other in range(count):
            c[other] *= scale
            m[other] *= scale
        q = m[point] * scale
        col_q[part, taken] = q
        for other in range(count):
            spread[part, other] = max(spread[part, other] - c[other] * c[other], 0.0)
            want[part, other] = max(want[part, other] - c[other] * (2.0 * m[other] - q * c[other]), 0.0)


@kernel
def weigh(
    route,
    size,
    prize,
    group,
    bonus,
    covariance,
    wanted,
    error,
    touched,
    used,
    credit,
    col_c,
    col_m,
    col_q,
    spread,
    want,
):
    """Value the stops of a route from the beginning; each is credited with what it adds to those before."""
    used[:] = False
    used[route[0]] = True
    used[route[size - 1]] = True
    touched[:] = 0
    reset(covariance, wanted, spread, want)
    value = 0.0
    for at in range(1, size - 1):
        point = route[at]
        used[point] = True
        credit[point] = gain_of(point, prize, group, bonus, touched, error, spread, want)
        value += credit[point]
        if group[point] >= 0:
            touched[group[point]] += 1
        if covariance.shape[0]:
            add_stop(point, at - 1, covariance, wanted, error, col_c, col_m, col_q, spread, want)
    return value
