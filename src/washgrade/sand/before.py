"""What the model expects before any sample, so that its priors can be held against what one knows."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import erf, expit, ndtr

from washgrade.checks import number, whole
from washgrade.sand.even import even_points
from washgrade.sand.hyper import Quantity, natural_numbers, quantity_of
from washgrade.sand.priors import Priors
from washgrade.sand.weighed import Weighed

__all__ = ["grade_before", "numbers_before", "ratio_before"]

POINTS_LOG2 = 11


def _parts(priors: Priors) -> dict[str, NDArray[np.float64]]:
    # At a place with the usual catchment, where the mixing (column 5) changes nothing.
    points = priors.points(even_points(POINTS_LOG2, 9))
    total, planar = np.exp(2 * points[:, 0]), expit(points[:, 7])
    up, local = expit(points[:, 1]), np.exp(2 * points[:, 4])
    return {
        "up": total * (1 - planar) * up,
        "down": total * (1 - planar) * (1 - up),
        "planar": total * planar,
        "place": (1 - priors.scoop_share) * local,
        "up_m": np.exp(points[:, 2]),
        "down_m": np.exp(points[:, 3]),
        "scale": np.exp(points[:, 6]),
        "planar_range": np.exp(points[:, 8]),
    }


def numbers_before(weighed: Weighed) -> dict[str, Quantity]:
    """What was thought of ranges and variances before the samples, to be held beside what is thought now.

    Parameters
    ----------
    weighed : Weighed
        The model.

    Returns
    -------
    dict of str to Quantity
        Under the names of ``HyperSummary.quantities``.
    """
    points = weighed.priors.points(even_points(POINTS_LOG2, weighed.averaged.points.shape[1]))
    even = np.full(len(points), 1.0 / len(points))
    return {
        name: quantity_of(numbers, even)
        for name, numbers in natural_numbers(points, weighed.read, weighed.prior).items()
    }


def grade_before(priors: Priors, *, regressors: int = 3) -> Quantity:
    """Grade of any one place where the covariates are as varied as on the ground, before any sample.

    Parameters
    ----------
    priors : Priors
        What is thought beforehand.
    regressors : int, default 3
        Regressors, the intercept among them.

    Returns
    -------
    Quantity
        Mean and quantiles of the grade, 0 to 1.

    Examples
    --------
    >>> there = grade_before(Priors())
    >>> there.p10 < 0.05 < there.p90
    True
    """
    whole("regressors", regressors, at_least=1)
    trend, part = priors.coefficients(regressors), _parts(priors)
    fixed = trend.sd[0] ** 2 + part["scale"] ** 2 * np.sum(trend.sd[1:] ** 2)
    sd = np.sqrt(fixed + part["up"] + part["down"] + part["planar"] + part["place"])
    at, weight = np.polynomial.hermite_e.hermegauss(31)
    mean = float(np.mean(expit(trend.mean[0] + sd[:, None] * at) @ (weight / weight.sum())))
    quantile = [
        float(expit(brentq(lambda z, p=p: float(np.mean(ndtr((z - trend.mean[0]) / sd))) - p, -60, 60)))
        for p in (0.1, 0.5, 0.9)
    ]
    return Quantity(mean=mean, p10=quantile[0], p50=quantile[1], p90=quantile[2])


def ratio_before(priors: Priors, *, apart_m: float, diameter_m: float = 3000.0) -> Quantity:
    r"""How many times richer the richer of two places on one channel is, before any sample.

    Parameters
    ----------
    priors : Priors
        What is thought beforehand.
    apart_m : float
        Distance along a straight channel on which no other joins, metres.
    diameter_m : float, default 3000
        Diameter of the ground, metres.

    Returns
    -------
    Quantity
        Ratio of the odds of the grades, 1 and more: for poor sand the ratio of the grades. Covariates are
        taken to be alike at both.

    Notes
    -----
    The difference of the logits is a mixture of normals around 0 of variances
    :math:`2\sum_k s_k^2(1-e^{-h/r_k})` over the parts k, the place effect in full.

    Examples
    --------
    >>> near, far = ratio_before(Priors(), apart_m=100.0), ratio_before(Priors(), apart_m=1000.0)
    >>> 1.0 < near.p50 < far.p50
    True
    """
    number("apart_m", apart_m, at_least=0)
    number("diameter_m", diameter_m, above=0)
    part = _parts(priors)
    variance = part["place"].copy()
    for name in ("up", "down"):
        variance -= part[name] * np.expm1(-apart_m / part[name + "_m"])
    variance -= part["planar"] * np.expm1(-apart_m / (part["planar_range"] * diameter_m))
    sd = np.sqrt(2.0 * variance)
    p10, p50, p90 = (
        math.exp(brentq(lambda z, p=p: float(np.mean(erf(z / (sd * math.sqrt(2))))) - p, 0.0, 60.0))
        for p in (0.1, 0.5, 0.9)
    )
    # Mean of e^|Z| of a normal: 2 e^(s²/2) Φ(s); the widest scatters would rule it, so they are held to 3.
    held = np.minimum(sd, 3.0)
    return Quantity(mean=float(np.mean(2 * np.exp(held**2 / 2) * ndtr(held))), p10=p10, p50=p50, p90=p90)
