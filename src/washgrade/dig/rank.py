"""Which reach comes first: order by expected yield, and how sure that order is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import whole
from washgrade.errors import InputError

__all__ = ["Spread", "chance_top", "rank_reaches", "spread"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A quantity with its doubt, per reach, in the unit of the draws.

    Parameters
    ----------
    mean, p10, p50, p90 : ndarray of float64, shape (reaches,)
        Expected value; and the values with a chance of 10, 50 and 90 % to lie above the truth.
    """

    mean: NDArray[np.float64]
    p10: NDArray[np.float64]
    p50: NDArray[np.float64]
    p90: NDArray[np.float64]


def spread(draws: NDArray[np.floating]) -> Spread:
    """Mean and quantiles of joint draws.

    Parameters
    ----------
    draws : ndarray of float, shape (draws, reaches)
        Values, any unit.

    Returns
    -------
    Spread
        In the same unit.

    Examples
    --------
    >>> import numpy as np
    >>> float(spread(np.arange(11.0)[:, None]).p90[0])
    9.0
    """
    p10, p50, p90 = np.quantile(draws, (0.1, 0.5, 0.9), axis=0)
    return Spread(mean=draws.mean(axis=0, dtype=np.float64), p10=p10, p50=p50, p90=p90)


def rank_reaches(value: NDArray[np.float64], *, last: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
    """Rank by falling value, 1 for the best.

    Parameters
    ----------
    value : ndarray of float64, shape (reaches,)
        What is expected of each reach; NaN ranks behind all numbers.
    last : ndarray of bool, shape (reaches,), optional
        Reaches that rank behind all others whatever their value: the depleted ones.

    Returns
    -------
    ndarray of int64, shape (reaches,)
        Ranks from 1; equal values keep the order of the reaches.

    Examples
    --------
    >>> import numpy as np
    >>> rank_reaches(np.array([0.2, 0.7, 0.5]), last=np.array([False, True, False])).tolist()
    [2, 3, 1]
    """
    behind = np.zeros(len(value), dtype=bool) if last is None else last
    order = np.lexsort((-np.nan_to_num(value, nan=-np.inf), behind))
    rank = np.empty(len(value), dtype=np.int64)
    rank[order] = np.arange(1, len(value) + 1)
    return rank


def chance_top(draws: NDArray[np.floating], top: int) -> NDArray[np.float64]:
    """Chance of each reach to be among the best few.

    Parameters
    ----------
    draws : ndarray of float, shape (draws, reaches)
        Joint draws of the yield, any unit: each row is one way the whole ground may be.
    top : int
        How many reaches count as the best few.

    Returns
    -------
    ndarray of float64, shape (reaches,)
        Share of the draws in which the reach is among them; sums to the number of places.

    Raises
    ------
    InputError
        If ``top`` is no whole number of at least 1 or there is no draw.

    Examples
    --------
    >>> import numpy as np
    >>> chance_top(np.array([[3.0, 1.0, 2.0], [1.0, 3.0, 2.0]]), top=1)
    array([0.5, 0.5, 0. ])
    """
    whole("top", top, at_least=1)
    count, reaches = draws.shape
    if count == 0:
        raise InputError("Invalid 'draws' of 0 rows. There must be at least one draw.")
    if top >= reaches:
        return np.ones(reaches)
    best = np.argpartition(draws, reaches - top, axis=1)[:, reaches - top :]
    chance: NDArray[np.float64] = np.bincount(best.ravel(), minlength=reaches) / count
    return chance
