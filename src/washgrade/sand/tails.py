"""Tails of the normal distribution, and what a normal becomes below limits that are themselves blurred."""
# mypy: disable-error-code="no-untyped-call,no-untyped-def"

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["along_doubt", "below_limits", "erfcx", "log_share_below", "mills"]

SQRT2 = math.sqrt(2.0)
SQRT_PI = math.sqrt(math.pi)
LOG_2PI = math.log(2.0 * math.pi)
GAUSS_AT, GAUSS_WEIGHT = np.polynomial.legendre.leggauss(8)
MOST_PANELS = 64


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
def along_doubt(process, up_share, along_sd_m):
    """Variance that a doubt about the place along the channel adds: 2 Σ s² (1 − erfcx(g / (√2 r))).

    ``process`` holds variance and range of tail-up, then of tail-down; ``up_share`` is what the first
    variance is multiplied by there. It is the mean squared difference
    between the true place and the one written down; it is used as independent noise, and what the reading
    shares with others is not lowered.

    Returns
    -------
    float
        Variance on the logit.
    """
    up = up_share * process[0] * (1.0 - erfcx(along_sd_m / (SQRT2 * process[1])))
    down = process[2] * (1.0 - erfcx(along_sd_m / (SQRT2 * process[3])))
    return 2.0 * (up + down)


@njit(cache=True, nogil=True)
def _log_height(at, centre, variance, limit, sd, count, first, last):
    height = -0.5 * (at - centre) * (at - centre) / variance
    for k in range(first, last):
        height += count[k] * log_share_below((limit[k] - at) / sd[k])
    return height


@njit(cache=True, nogil=True)
def below_limits(centre, variance, limit, sd, count, first, last):
    """Moments of a normal times normal distribution functions, those first to last, each ``count`` times.

    One function alone has a closed form (Rasmussen & Williams 2006, section 3.9). More are integrated: from
    where all of them are one leftwards in closed form, over the rest by Gauss-Legendre in panels no longer
    than the sharpest feature allows.

    Returns
    -------
    log_total, mean, variance : float
        Log of the integral, and the moments.
    """
    if last - first == 1 and count[first] == 1.0:
        wide = variance + sd[first] * sd[first]
        z = (limit[first] - centre) / math.sqrt(wide)
        ratio = mills(z)
        mean = centre - variance * ratio / math.sqrt(wide)
        return log_share_below(z), mean, variance * (1.0 - variance * ratio * (z + ratio) / wide)

    # The slope falls ever faster to the right, so Newton comes down from the centre without a miss.
    top = centre
    curvature = 1.0 / variance
    for _ in range(50):
        slope = -(top - centre) / variance
        curvature = 1.0 / variance
        for k in range(first, last):
            z = (limit[k] - top) / sd[k]
            ratio = mills(z)
            slope -= count[k] * ratio / sd[k]
            curvature += count[k] * ratio * (z + ratio) / (sd[k] * sd[k])
        move = slope / curvature
        top += move
        if abs(move) * math.sqrt(curvature) < 1e-3:
            break
    # For the same reason the right bound leaves out less than e^-30 of the peak; the left one is sought.
    peak = _log_height(top, centre, variance, limit, sd, count, first, last)
    reach = math.sqrt(60.0 / curvature)
    right = top + reach
    left = top - reach
    while _log_height(left, centre, variance, limit, sd, count, first, last) > peak - 30.0:
        reach *= 1.5
        left = top - reach
    free = math.inf
    # What is left of the normal may be far narrower than any of the parts.
    scale = 1.0 / math.sqrt(curvature)
    for k in range(first, last):
        free = min(free, limit[k] - 6.0 * sd[k])
        right = min(right, max(top, limit[k]) + 8.0 * sd[k])
        scale = min(scale, sd[k])
    total, once, twice = 0.0, 0.0, 0.0
    if free > left:
        left = min(free, right)
        z = (left - centre) / math.sqrt(variance)
        ratio = mills(z)
        total = math.exp(log_share_below(z) + 0.5 * (LOG_2PI + math.log(variance)) - peak)
        off = centre - math.sqrt(variance) * ratio - top
        once = total * off
        twice = total * (variance * (1.0 - ratio * (z + ratio)) + off * off)
    panels = min(MOST_PANELS, int((right - left) / (3.0 * scale)) + 1)
    half = 0.5 * (right - left) / panels
    for panel in range(panels):
        middle = left + (2 * panel + 1) * half
        for k in range(len(GAUSS_AT)):
            at = middle + half * GAUSS_AT[k]
            share = (
                half
                * GAUSS_WEIGHT[k]
                * math.exp(_log_height(at, centre, variance, limit, sd, count, first, last) - peak)
            )
            total += share
            once += share * (at - top)
            twice += share * (at - top) * (at - top)
    off = once / total
    return (
        peak + math.log(total) - 0.5 * (LOG_2PI + math.log(variance)),
        top + off,
        twice / total - off * off,
    )
