"""Where to go this morning: dig where the day brings most, and look first where a look pays for itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number, whole
from washgrade.dig.returns import Standing
from washgrade.errors import InputError

__all__ = [
    "DAYS_AHEAD",
    "DAY_LOADS",
    "SAMPLE_LOADS",
    "SAMPLE_LOG_SD",
    "Step",
    "learning_gain_kg",
    "next_step",
]

# A day of six hours at six minutes a load, carries and all, and the loads that a sample on the way costs: a
# quarter of an hour, and three minutes to it. Our choice.
DAY_LOADS, SAMPLE_LOADS = 60, 3
# How far a sample's logarithm lies from that of the reach's mean: scoops 30 %, place 20 %. Our choice.
SAMPLE_LOG_SD = 0.35
# Days of digging that a look is to pay for itself in, at most, because floods change what it told; and how
# many of them may fall to one reach where there are many. Our choice (docs/season.md).
DAYS_AHEAD, DAYS_A_REACH = 15, 3
# Share of a day's loads that looks may cost before it is dug. Our choice: in simulated seasons looks without
# end bring less (docs/season.md).
LOOKING_SHARE = 0.5
# Outcomes of a look that are tried, in standard deviations.
OUTCOMES = np.linspace(-5.0, 5.0, 21)


def learning_gain_kg(
    day_kg: NDArray[np.floating],
    reading_log: NDArray[np.floating],
    *,
    error_log_sd: float,
    days: int = DAYS_AHEAD,
    tried: NDArray[np.integer] | None = None,
) -> NDArray[np.float64]:
    r"""How much more the next days are expected to bring after one look at a reach.

    Parameters
    ----------
    day_kg : ndarray of float, shape (times, draws, reaches)
        Joint draws of what the first, second, ... day in each reach brings, kilograms.
    reading_log : ndarray of float, shape (draws, reaches)
        Joint draws of what an errorless look at each reach would show, logarithms.
    error_log_sd : float
        Error of the look, standard deviation of its logarithm, above 0.
    days : int, optional
        How many days are going to be dug, each where it brings most; at least 1.
    tried : ndarray of int, shape (some,), optional
        Reaches for which the gain is wanted; all unless told.

    Returns
    -------
    ndarray of float64, shape (some,)
        Kilograms, at least 0: a look brings nothing where it cannot change where the next days are dug.

    Raises
    ------
    InputError
        If the shapes disagree or a value is out of its limits.

    Notes
    -----
    The knowledge gradient with correlated beliefs. A look at reach i, with error :math:`\tau`, moves the
    expected day of every reach j by :math:`e^{s_{ij}Z-s_{ij}^2/2}`, Z standard normal and
    :math:`s_{ij}=\mathrm{cov}(x_i,\ln y_j)/\sqrt{\mathrm{var}\,x_i+\tau^2}`, x what a look shows and y what
    the first day brings: exact where both are lognormal. With S the sum of the largest ``days`` of all
    expected days, the gain is :math:`E\,S(Z)-S`, the expectation by sums over 21 outcomes. With one
    day and two independent reaches it is the difference of Black's (1976) form,
    :math:`m\Phi(d)-b\Phi(d-s)`, :math:`d=\ln(m/b)/s+s/2`, from what is certain. A correlation that so few
    draws show by chance is taken off: those within two standard errors of 0, :math:`\rho^2<4/n`, count as
    none, the rest by :math:`(\rho^2-4/n)/(\rho^2(1-4/n))`, our choice.

    References
    ----------
    Gupta, S. S., Miescke, K. J. (1996). Bayesian look ahead one-stage sampling allocations for selection of
    the best population. Journal of Statistical Planning and Inference 54:229-244. Frazier, P., Powell, W.,
    Dayanik, S. (2009). The knowledge-gradient policy for correlated normal beliefs. INFORMS Journal on
    Computing 21:599-613. There with normal, here with lognormal yields, and days in place of one choice.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> log = rng.normal(0.0, [0.05, 0.05, 0.7], (4000, 3))
    >>> day = np.exp(log) * [10.0, 8.0, 8.0]
    >>> learning_gain_kg(day[None], log, error_log_sd=0.35, days=1).round(1).tolist()
    [0.0, 0.0, 2.5]
    """
    day = np.asarray(day_kg, np.float64)
    read = np.asarray(reading_log, np.float64)
    error = number("error_log_sd", error_log_sd, above=0)
    many = whole("days", days, at_least=1)
    if day.ndim != 3 or day.shape[1:] != read.shape or len(read) < 2:
        raise InputError(
            f"Invalid 'day_kg' and 'reading_log' of shapes {day.shape} and {read.shape}. They must be times "
            "by draws by reaches, and as many draws, at least 2, by reaches."
        )
    at = np.arange(read.shape[1]) if tried is None else np.asarray(tried, np.int64)
    mean_kg = day.mean(axis=1)
    first_log = np.log(np.maximum(day[0], 1e-12))
    moves = _moves(read[:, at], first_log, error)
    weight = np.exp(-0.5 * OUTCOMES**2)
    weight /= weight.sum()
    now_kg = float(_largest(mean_kg.reshape(1, -1), many)[0])
    gain = np.empty(len(at))
    for k, move in enumerate(moves):
        factor = np.exp(OUTCOMES[:, None] * move - 0.5 * move**2)
        foretold = (factor[:, None, :] * mean_kg).reshape(len(OUTCOMES), -1)
        gain[k] = weight @ _largest(foretold, many) - now_kg
    found: NDArray[np.float64] = np.maximum(gain, 0.0)
    return found


def _moves(read: NDArray[np.float64], foretold: NDArray[np.float64], error: float) -> NDArray[np.float64]:
    """By how much a look at each of some reaches moves the logarithm of every reach's day."""
    draws = len(read)
    read, foretold = read - read.mean(axis=0), foretold - foretold.mean(axis=0)
    covariance = read.T @ foretold / draws
    read_variance = np.einsum("ij,ij->j", read, read) / draws
    variance = np.einsum("ij,ij->j", foretold, foretold) / draws
    alike = covariance**2 / np.maximum(np.outer(read_variance, variance), 1e-300)
    chance = min(4.0 / draws, 0.5)
    keep = np.maximum(alike - chance, 0.0) / np.maximum(alike * (1.0 - chance), 1e-300)
    found: NDArray[np.float64] = keep * covariance / np.sqrt(read_variance + error**2)[:, None]
    return found


def _largest(values: NDArray[np.float64], many: int) -> NDArray[np.float64]:
    """Sum of the largest so many of each row."""
    count = values.shape[1]
    if many < count:
        values = np.partition(values, count - many, axis=1)[:, count - many :]
    found: NDArray[np.float64] = values.sum(axis=1)
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
    day_kg : float
        What the rest of the day is expected to bring where it brings most, kilograms.
    day_loads : float
        Loads of that rest: those of the day less what samples of today have cost.
    """

    reach: int
    look_first: bool
    gain_kg: float
    day_kg: float
    day_loads: float


def next_step(
    standing: Standing,
    *,
    day_loads: float = DAY_LOADS,
    sample_loads: float = SAMPLE_LOADS,
    error_log_sd: float = SAMPLE_LOG_SD,
    days: int = DAYS_AHEAD,
    open_reach: NDArray[np.bool_] | None = None,
    looked: NDArray[np.bool_] | None = None,
) -> Step:
    """Say whether to take one more sample before a day of digging, and where; or where to dig.

    Parameters
    ----------
    standing : Standing
        What every reach stands at, in joint draws (`washgrade.dig.stock.Stock.standing`).
    day_loads : float, optional
        Loads of a day, above 0.
    sample_loads : float, optional
        Loads that the time of one sample costs, at least 0 and below ``day_loads``.
    error_log_sd : float, optional
        Error of a sample, standard deviation of its logarithm.
    days : int, optional
        Days of digging still to come, at least 1: a look is to pay for itself in them, and no more than
        ``DAYS_AHEAD`` count.
    open_reach : ndarray of bool, shape (reaches,), optional
        Reaches where one may dig; all unless told.
    looked : ndarray of bool, shape (reaches,), optional
        Reaches sampled today already, each for the loads that a sample costs; none unless told.

    Returns
    -------
    Step
        A look where `learning_gain_kg` exceeds the cost by most, else a dig where what remains of the day is
        expected to bring most.

    Raises
    ------
    InputError
        If no reach is open or a value is out of its limits.

    Notes
    -----
    A look costs what the rest of the day brings less in the best reach with so many loads fewer. Ask in the
    morning, take the sample, write it down, ask again, until the answer is to dig: looks go on as long as
    each pays for itself, and at most until half of the day is gone.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> standing = Standing(
    ...     fresh_load_kg=np.exp(rng.normal(0.0, [0.1, 0.1, 0.9], (500, 3))) * [0.5, 0.45, 0.3],
    ...     loads_held=np.full(3, 400.0),
    ...     depletion=np.zeros(3),
    ... )
    >>> step = next_step(standing)
    >>> step.reach, step.look_first
    (2, True)
    >>> next_step(standing, looked=np.arange(3) == 2).look_first
    False
    """
    loads = number("day_loads", day_loads, above=0)
    cost_loads = number("sample_loads", sample_loads, at_least=0, below=loads)
    draws, count = np.shape(standing.fresh_load_kg)
    at = np.arange(count) if open_reach is None else np.flatnonzero(open_reach)
    if not len(at):
        raise InputError("Invalid 'open_reach'. At least one reach must be open.")
    there = standing.at(at)
    seen = np.zeros(count, np.bool_) if looked is None else np.asarray(looked, np.bool_)
    spent = float(np.count_nonzero(seen)) * cost_loads
    today = max(loads - spent, (1.0 - LOOKING_SHARE) * loads)
    ahead = min(whole("days", days, at_least=1), DAYS_AHEAD)
    times = min(ahead, max(DAYS_A_REACH, math.ceil(2 * ahead / len(at))))
    sums_kg = [there.brings_kg(np.full(len(at), loads * (time + 1))) for time in range(times)]
    mean_kg = (sums_kg[0] if today == loads else there.brings_kg(np.full(len(at), today))).mean(axis=0)
    best = int(np.argmax(mean_kg))
    dig = Step(
        reach=int(at[best]), look_first=False, gain_kg=0.0, day_kg=float(mean_kg[best]), day_loads=today
    )
    tried = np.flatnonzero(~seen[at])
    if draws < 2 or not len(tried) or today - cost_loads < (1.0 - LOOKING_SHARE) * loads:
        return dig
    fewer_kg = float(there.at(np.array([best])).brings_kg([today - cost_loads]).mean())
    gain_kg = learning_gain_kg(
        np.diff(np.array(sums_kg), axis=0, prepend=0.0),
        np.log(np.maximum(there.load_kg, 1e-12)),
        error_log_sd=error_log_sd,
        days=ahead,
        tried=tried,
    ) - max(dig.day_kg - fewer_kg, 0.0)
    most = int(np.argmax(gain_kg))
    if gain_kg[most] <= 0.0:
        return dig
    return replace(dig, reach=int(at[tried[most]]), look_first=True, gain_kg=float(gain_kg[most]))
