"""Chances of what is best, counted over joint draws: plain arrays in, plain numbers out.

A draw is one way things may be: one number (grade, kilograms, kilograms an hour) for every reach at once. So
what reaches share, they share here too.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import whole
from washgrade.errors import InputError

__all__ = ["chance_beats", "expected_regret", "rank_chances"]


def _checked(draws: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    if np.ndim(draws) != 2 or not draws.size:
        raise InputError(
            f"Invalid draws of shape {np.shape(draws)}. They must have rows (draws) and columns (reaches)."
        )
    return draws


def chance_beats(draws: NDArray[np.floating[Any]], one: int, other: int) -> float:
    """Chance that one reach is better than another; a tie counts half.

    Parameters
    ----------
    draws : ndarray of float, shape (draws, reaches)
        Joint draws of what is compared; more is better.
    one, other : int
        Columns of the two.

    Returns
    -------
    float
        0 to 1; the standard error is at most half over the root of the number of draws.

    Raises
    ------
    InputError
        If the draws are no table or a reach is not in it.

    Examples
    --------
    >>> import numpy as np
    >>> chance_beats(np.array([[1.0, 2.0], [3.0, 2.0], [3.0, 1.0], [1.0, 1.0]]), 0, 1)
    0.625
    """
    table = _checked(draws)
    for column in (one, other):
        whole("column of a reach", column, at_least=0)
        if column >= table.shape[1]:
            raise InputError(f"Invalid reach {column}. It must lie from 0 to {table.shape[1] - 1}.")
    apart = table[:, one] - table[:, other]
    return float(np.mean(apart > 0) + 0.5 * np.mean(apart == 0))


def rank_chances(draws: NDArray[np.floating[Any]], top: int) -> NDArray[np.float64]:
    """Chance of every reach to hold each of the first ranks.

    Parameters
    ----------
    draws : ndarray of float, shape (draws, reaches)
        Joint draws of what is compared; more is better.
    top : int
        Ranks wanted.

    Returns
    -------
    ndarray of float64, shape (ranks, reaches)
        Chance of rank 1, 2, … of each reach; each row sums to 1, and the sum over the rows is the chance to
        be among the best. Ranks beyond the number of reaches are left out. Ties go to the reach that comes
        first.

    Raises
    ------
    InputError
        If the draws are no table or no rank is wanted.

    Examples
    --------
    >>> import numpy as np
    >>> rank_chances(np.array([[1.0, 2.0, 0.0], [3.0, 2.0, 0.0]]), 2).tolist()
    [[0.5, 0.5, 0.0], [0.5, 0.5, 0.0]]
    """
    table = _checked(draws)
    ranks = min(whole("top", top, at_least=1), table.shape[1])
    if ranks < table.shape[1]:
        # Only the best of each draw are sorted: a ranking of thousands of reaches asks for a handful.
        least = -np.partition(-table, ranks - 1, axis=1)[:, ranks - 1 : ranks]
    else:
        least = table.min(axis=1, keepdims=True)
    chance = np.zeros((ranks, table.shape[1]))
    for row, bound in zip(table, least[:, 0], strict=True):
        good = np.flatnonzero(row >= bound)
        order = good[np.argsort(-row[good], kind="stable")][:ranks]
        chance[np.arange(ranks), order] += 1.0
    return chance / len(table)


def expected_regret(draws: NDArray[np.floating[Any]], order: NDArray[np.integer[Any]], top: int) -> float:
    """What is missed on average by taking the first of an order instead of the truly best ones.

    Parameters
    ----------
    draws : ndarray of float, shape (draws, reaches)
        Joint draws of what a reach brings; more is better.
    order : ndarray of int, shape (reaches,)
        Reaches as they would be dug, the best first.
    top : int
        How many are dug.

    Returns
    -------
    float
        Mean over the draws of the best sum of so many reaches less the sum of the chosen ones; 0 when it is
        known which are best.

    Raises
    ------
    InputError
        If the draws are no table, none is dug, or the order names too few reaches, a reach twice or one that
        does not exist.

    Examples
    --------
    >>> import numpy as np
    >>> expected_regret(np.array([[1.0, 2.0], [3.0, 2.0]]), np.array([0, 1]), 1)
    0.5
    """
    table = _checked(draws)
    count = min(whole("top", top, at_least=1), table.shape[1])
    chosen = np.asarray(order)[:count]
    if (
        len(chosen) < count
        or len(np.unique(chosen)) < count
        or np.any((chosen < 0) | (chosen >= table.shape[1]))
    ):
        raise InputError(
            f"Invalid order. Its first {count} entries must be different reaches from 0 to "
            f"{table.shape[1] - 1}."
        )
    split = table.shape[1] - count
    best = np.partition(table, split, axis=1)[:, split:] if split else table
    # In double precision: thousands of single ones would lose the small differences that are asked for.
    return float(np.mean(best.sum(axis=1, dtype=np.float64) - table[:, chosen].sum(axis=1, dtype=np.float64)))
