"""Where to go this morning: dig where the day brings most, and look first where a look pays for itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number, whole
from washgrade.errors import InputError
from washgrade.storm.arrays import numbers

__all__ = ["PLACES", "Step", "learning_gain_kg", "next_step"]

# How many of the next days' places a look is to settle. Our choice: a week's digging. On simulated seasons
# 1, 3, 6 and 10 brought the same within the error of the trial (`benchmarks/season.py`).
PLACES = 5


def learning_gain_kg(
    mean_kg: ArrayLike, log_sd: ArrayLike, *, error_log_sd: float, places: int = PLACES
) -> NDArray[np.float64]:
    r"""How much more the next days are expected to bring after one look at a reach.

    Parameters
    ----------
    mean_kg : array_like of float, shape (reaches,)
        Expected weight of a day in each reach, kilograms, above 0.
    log_sd : array_like of float, shape (reaches,)
        Doubt about it: standard deviation of its logarithm.
    error_log_sd : float
        Error of the look, standard deviation of its logarithm, above 0.
    places : int, optional
        How many of the best places are going to be dug, a day each; at least 1, and fewer than the reaches.

    Returns
    -------
    ndarray of float64, shape (reaches,)
        Kilograms, at least 0: a look brings nothing at a reach that is surely poorer or surely known.

    Raises
    ------
    InputError
        If there are fewer than two reaches or a value is out of its limits.

    Notes
    -----
    The knowledge gradient. After the look the expected day m there is lognormal about its old mean, with the
    log standard deviation :math:`\tilde s = s^2/\sqrt{s^2+\tau^2}`. The best k places are to be dug; b is
    what one falls back on, the k-th best for a reach that is not among them and the next best for one that
    is. One then digs the better of the two, so the gain is :math:`E\max(m', b) - \max(m, b)` with
    :math:`E(m'-b)^+ = m\,\Phi(d) - b\,\Phi(d-\tilde s)`, :math:`d = \ln(m/b)/\tilde s + \tilde s/2` (the
    lognormal's partial expectation). What a look at one reach tells of others is left out of the choice (not
    out of the reckoning), so the gain is rather too small.

    References
    ----------
    Gupta, S. S., Miescke, K. J. (1996). Bayesian look ahead one-stage sampling allocations for selection of
    the best population. Journal of Statistical Planning and Inference 54:229-244. Frazier, P. I., Powell,
    W. B., Dayanik, S. (2008). A knowledge-gradient policy for sequential information collection. SIAM Journal
    on Control and Optimization 47:2410-2439. There with normal, here with lognormal yields.

    Examples
    --------
    >>> learning_gain_kg([10.0, 8.0, 8.0, 1.0], [0.1, 0.0, 0.7, 0.7], error_log_sd=0.35,
    ...                  places=1).round(2).tolist()
    [0.0, 0.0, 1.35, 0.0]
    """
    from scipy.special import ndtr

    mean = numbers("mean_kg", mean_kg, at_least=0)
    sd = numbers("log_sd", log_sd, at_least=0)
    error = number("error_log_sd", error_log_sd, above=0)
    if mean.ndim != 1 or mean.shape != sd.shape or len(mean) < 2:
        raise InputError(
            f"Invalid 'mean_kg' and 'log_sd' of shapes {mean.shape} and {sd.shape}. "
            "They must hold one number for each of at least 2 reaches."
        )
    dug = whole("places", places, at_least=1)
    if dug >= len(mean):
        raise InputError(f"Invalid 'places' of {dug}. There must be more reaches, and there are {len(mean)}.")
    mean = np.maximum(mean, 1e-12)
    order = np.argsort(-mean, kind="stable")
    # What one falls back on: for those to be dug anyway the next one, for the others the last
    other = np.full(len(mean), mean[order[dug - 1]])
    other[order[:dug]] = mean[order[dug]]
    moves = np.maximum(sd**2 / np.sqrt(sd**2 + error**2), 1e-9)
    d = np.log(mean / other) / moves + moves / 2.0
    better = mean * ndtr(d) - other * ndtr(d - moves)
    found: NDArray[np.float64] = np.maximum(better - np.maximum(mean - other, 0.0), 0.0)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What to do next.

    Parameters
    ----------
    reach : int
        Where.
    look_first : bool
        Take a sample there and ask again; or dig there.
    gain_kg : float
        What the look is expected to bring, kilograms, less what it costs; 0 for digging.
    """

    reach: int
    look_first: bool
    gain_kg: float


def next_step(
    day_kg: NDArray[np.floating],
    *,
    look_cost_kg: float,
    error_log_sd: float,
    open_reach: NDArray[np.bool_] | None = None,
    looked: NDArray[np.bool_] | None = None,
    places: int = PLACES,
) -> Step:
    """Say whether to take one more sample before digging, and where; or where to dig.

    Parameters
    ----------
    day_kg : ndarray of float, shape (draws, reaches)
        Joint draws of what a day brings in each reach (`washgrade.dig.holding.Holding.day_kg`), above 0.
    look_cost_kg : float
        What the day brings less for the time of one sample, the way to it included: expected ``day_kg`` of
        the best reach less that of so many loads fewer.
    error_log_sd : float
        Error of a sample, standard deviation of its logarithm.
    open_reach : ndarray of bool, shape (reaches,), optional
        Reaches where one may dig; all unless told.
    looked : ndarray of bool, shape (reaches,), optional
        Reaches sampled today already; none unless told.
    places : int, optional
        How many of the best places are going to be dug, a day each; no more than all open reaches but one.

    Returns
    -------
    Step
        A look where `learning_gain_kg` exceeds the cost by most, else a dig where the day is expected to
        bring most.

    Raises
    ------
    InputError
        If no reach is open or a value is out of its limits.

    Notes
    -----
    Ask in the morning, take the sample, tell the reckoning (`washgrade.dig.holding.after_sample`), ask again,
    until the answer is to dig: looks go on as long as each pays for itself.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> day = np.exp(rng.normal(0.0, [0.1, 0.1, 0.9], (500, 3))) * [10.0, 9.0, 6.0]
    >>> step = next_step(day, look_cost_kg=0.4, error_log_sd=0.35)
    >>> step.reach, step.look_first
    (2, True)
    >>> next_step(day, look_cost_kg=0.4, error_log_sd=0.35, looked=np.arange(3) == 2).look_first
    False
    """
    draws, count = day_kg.shape
    cost_kg = number("look_cost_kg", look_cost_kg, at_least=0)
    may_dig = np.ones(count, np.bool_) if open_reach is None else open_reach
    at = np.flatnonzero(may_dig)
    if not len(at):
        raise InputError("Invalid 'open_reach'. At least one reach must be open.")
    there = np.asarray(day_kg, np.float64)[:, at]
    mean = there.mean(axis=0)
    best = int(np.argmax(mean))
    if len(at) > 1 and draws > 1:
        doubt = np.log(np.maximum(there, 1e-12)).std(axis=0)
        few = min(places, len(at) - 1)
        gain = learning_gain_kg(mean, doubt, error_log_sd=error_log_sd, places=few) - cost_kg
        if looked is not None:
            gain = np.where(looked[at], -np.inf, gain)
        most = int(np.argmax(gain))
        if gain[most] > 0.0:
            return Step(reach=int(at[most]), look_first=True, gain_kg=float(gain[most]))
    return Step(reach=int(at[best]), look_first=False, gain_kg=0.0)
