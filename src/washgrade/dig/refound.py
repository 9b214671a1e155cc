"""What is left of a dug reach, corrected by what was found there since it was dug."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "LEAST_LEFT",
    "LEDGER_SD",
    "ledger_covariance",
    "left_after_readings",
    "repeats_log_likelihood",
]

# How far a dig's true effect lies from what the curve of decreasing returns foretells, over the effect on the
# logarithm of what is left. 0.5: our choice, as for samples of dug reaches.
LEDGER_SD = 0.5
# Nobody gets the last of a reach. Our choice.
LEAST_LEFT = 0.02


def ledger_covariance(
    *,
    depletion: NDArray[np.float64],
    dug_to: NDArray[np.float64],
    is_reading: NDArray[np.bool_],
    kept_log: NDArray[np.float64],
) -> NDArray[np.float64]:
    r"""Covariance of the ledger's errors at the readings of one reach and today.

    Parameters
    ----------
    depletion : ndarray of float64, shape (events,)
        Share of the magnetics that the ledger says was gone just before each dig or reading, in their order.
    dug_to : ndarray of float64, shape (events,)
        The same just after; NaN where nothing was dug.
    is_reading : ndarray of bool, shape (events,)
        Which of them told something of what was there just before.
    kept_log : ndarray of float64, shape (events + 1,)
        Logarithm of the share of the bed that floods had left unmoved by each, and by today; never rising.

    Returns
    -------
    ndarray of float64, shape (readings + 1, readings + 1)
        Of the logarithm of the share left, the last row today's.

    Notes
    -----
    A dig that moves the logarithm by D brings an error of variance :math:`(0.5D)^2` of its own. Floods that
    leave the share k unmoved turn the depletion d to kd, and so multiply an error of log(1 - d) by
    :math:`k(1-d)/(1-kd)`, to first order.

    Examples
    --------
    >>> half, twice = np.array([0.0, 0.5]), np.array([0.5, np.nan])
    >>> ledger_covariance(depletion=half, dug_to=twice, is_reading=np.array([False, True]),
    ...                   kept_log=np.array([0.0, 0.0, np.log(0.5)])).round(3).tolist()
    [[0.12, 0.04], [0.04, 0.013]]
    """
    size = int(is_reading.sum()) + 1
    found, current = np.zeros((size, size)), np.zeros(size)
    variance, seen, gone, kept = 0.0, 0, 0.0, 0.0
    for event in range(len(depletion) + 1):
        stays = math.exp(kept_log[event] - kept)
        slope = stays * (1.0 - gone) / max(1.0 - stays * gone, LEAST_LEFT)
        variance, current = variance * slope**2, current * slope
        last = event == len(depletion)
        if last or is_reading[event]:
            found[seen, :seen] = found[:seen, seen] = current[:seen]
            found[seen, seen] = current[seen] = variance
            seen += 1
        if last:
            break
        gone, kept = min(float(depletion[event]), 1.0 - LEAST_LEFT), float(kept_log[event])
        if not np.isnan(dug_to[event]):
            after = min(float(dug_to[event]), 1.0 - LEAST_LEFT)
            variance += (LEDGER_SD * (math.log1p(-gone) - math.log1p(-max(after, gone)))) ** 2
            gone = max(after, gone)
    return found


def left_after_readings(
    *,
    foretold: NDArray[np.float64],
    now: NDArray[np.float64],
    ledger: NDArray[np.float64],
    reading: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    fresh: NDArray[np.float64],
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    r"""Share left of one dug reach in joint draws, given readings of it since it was dug.

    Parameters
    ----------
    foretold : ndarray of float64, shape (readings, ways)
        What the ledger foretells of each reading, less the fresh bed's: logarithms, in each way that the
        floods may have been.
    now : ndarray of float64, shape (ways,)
        Logarithm of the share left today.
    ledger : ndarray of float64, shape (readings + 1, readings + 1)
        Covariance of the ledger's own errors, from `ledger_covariance`.
    reading : ndarray of float64, shape (readings,)
        What was read, logit of the grade.
    error_variance : ndarray of float64, shape (readings,)
        Of the readings, above 0.
    fresh : ndarray of float64, shape (draws,)
        Joint draws of the fresh bed's, logit of the grade.
    rng : numpy.random.Generator
        Source of the draws' own errors.

    Returns
    -------
    ndarray of float64, shape (draws,)
        Shares left, above 0 and at most 1; draw n is of the way n modulo their number.

    Notes
    -----
    Conditioning by kriging of an unconditional draw (Journel and Huijbregts 1978, from memory; Evensen 2003
    for an ensemble): with the covariance C of the readings foretold over the ways and the ledger's errors,
    c that of today's with them and E the errors of the readings,
    :math:`x_n = x_w+\epsilon + c'(C+E)^{-1}(y-f_n-h_w-\epsilon_y-\eta)`. Exact for normal errors; the
    fresh bed's draws f were found with the same readings, so that x is drawn given f.

    Examples
    --------
    >>> found = left_after_readings(foretold=np.full((1, 24), -0.7), now=np.full(24, -0.7),
    ...                             ledger=np.full((2, 2), 0.12), reading=np.array([-3.0]),
    ...                             error_variance=np.array([1e-6]), fresh=np.full(500, -3.2),
    ...                             rng=np.random.default_rng(1))
    >>> bool(found.round(2).min() == found.round(2).max() == 1.0)
    True
    """
    count, ways = foretold.shape
    draws = len(fresh)
    way = np.arange(draws) % ways
    apart = np.vstack([foretold, now])
    apart = apart - apart.mean(axis=1, keepdims=True)
    joint = apart @ apart.T / max(ways - 1, 1) + ledger
    gain = np.linalg.solve(joint[:count, :count] + np.diag(error_variance), joint[:count, count])
    # The ledger's covariance may be short of full rank: its root by eigenvalues.
    size, axes = np.linalg.eigh(ledger)
    own = (axes * np.sqrt(np.maximum(size, 0.0))) @ rng.standard_normal((count + 1, draws))
    noise = np.sqrt(error_variance)[:, None] * rng.standard_normal((count, draws))
    surprise = reading[:, None] - fresh - foretold[:, way] - own[:count] - noise
    log_left = now[way] + own[count] + gain @ surprise
    found: NDArray[np.float64] = np.clip(np.exp(np.minimum(log_left, 0.0)), LEAST_LEFT, 1.0)
    return found


def repeats_log_likelihood(
    *,
    value: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    foretold: NDArray[np.float64],
    unmoved: NDArray[np.float64],
    ledger: NDArray[np.float64],
    lasting_share: NDArray[np.float64],
    middle_logit: float,
    still_variance: float,
    moving_variance: float,
) -> NDArray[np.float64]:
    r"""How likely the readings of one reach are, at each pace of its refill and each lasting share.

    Parameters
    ----------
    value : ndarray of float64, shape (readings,)
        What was read, logit of the grade as it then lay there.
    error_variance : ndarray of float64, shape (readings,)
        Of that, about what the reach held on the mean; above 0.
    foretold : ndarray of float64, shape (steps, readings)
        What the ledger foretells at each pace, less the fresh bed's.
    unmoved : ndarray of float64, shape (steps, readings, readings)
        Share of the bed that the floods between two readings left unmoved, at each pace; 1 on the diagonal.
    ledger : ndarray of float64, shape (readings, readings)
        Covariance of the ledger's own errors, from `ledger_covariance`.
    lasting_share : ndarray of float64, shape (shares,)
        Shares of the moving sand's pattern that no flood renews.
    middle_logit : float
        Middle of what the fresh bed's logit may be.
    still_variance, moving_variance : float
        Variance about it of what lasts anyway, and of the moving sand T.

    Returns
    -------
    ndarray of float64, shape (steps, shares)
        Log densities.

    Notes
    -----
    The readings are normal with the means m + foretold and the covariance
    :math:`s_D^2 + s_T^2(L+(1-L)k_{ij})` plus ledger and errors, L the lasting share and k what floods have
    left unmoved between the two: the model by which old samples fade
    (`washgrade.storm.memory.carried_share`), for one place.

    Examples
    --------
    A reach whose second reading is as the first, with all of its bed moved between: its pattern lasts.

    >>> found = repeats_log_likelihood(value=np.array([-2.0, -2.0]), error_variance=np.full(2, 0.01),
    ...                                foretold=np.zeros((1, 2)), unmoved=np.eye(2)[None],
    ...                                ledger=np.zeros((2, 2)), lasting_share=np.array([0.1, 0.9]),
    ...                                middle_logit=-3.0, still_variance=1.0, moving_variance=0.4)
    >>> bool(found[0, 1] > found[0, 0])
    True
    """
    share = lasting_share[:, None, None]
    alike = share + (1.0 - share) * unmoved[:, None]
    covariance = still_variance + moving_variance * alike + ledger + np.diag(error_variance)
    root = np.linalg.cholesky(covariance)
    off = np.broadcast_to((value - middle_logit - foretold)[:, None, :, None], (*root.shape[:3], 1))
    standard = np.linalg.solve(root, off)[..., 0]
    diagonal = np.diagonal(root, axis1=-2, axis2=-1)
    found: NDArray[np.float64] = (
        -0.5 * np.sum(standard**2, axis=-1)
        - np.log(diagonal).sum(axis=-1)
        - 0.5 * len(value) * math.log(2.0 * math.pi)
    )
    return found
