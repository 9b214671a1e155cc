"""Refill: what floods bring into a dug reach, and from where."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers, one_each

__all__ = [
    "NEW_SHARE",
    "TRAVEL_M",
    "new_sand_share",
    "reach_mean",
    "refill_wanted",
    "settle_share",
    "travel_share",
]

# Mean way of the sand that one flood sets moving, metres: our choice. Marked stones in dryland floods moved
# tens to a few hundred metres (Hassan, Church and Schick 1991, Water Resources Research 27, 503-511, from
# memory); sand goes farther, heavy sand less far than light.
TRAVEL_M = 100.0
# Of what a flood lays, the share that is new sand from banks and slopes and comes whatever was dug; as much
# of what it moves goes out for good. Half: our choice, because nobody has measured it and either may be
# nearly all.
NEW_SHARE = 0.5


def travel_share(length_m: ArrayLike, *, travel_m: float = TRAVEL_M) -> NDArray[np.float64]:
    """Share of the sand set moving in a reach that leaves it.

    Parameters
    ----------
    length_m : array_like of float
        Length of the reach, metres.
    travel_m : float, optional
        Mean way of the moving sand in one flood, metres.

    Returns
    -------
    ndarray of float64
        ``(l / L) (1 - exp(-L / l))``: ways distributed exponentially, from all along the reach.

    Examples
    --------
    >>> travel_share([0.0, 50.0, 1000.0]).round(2).tolist()
    [1.0, 0.79, 0.1]
    """
    ratio = numbers("length_m", length_m, at_least=0) / float(numbers("travel_m", travel_m, above=0))
    found: NDArray[np.float64] = np.divide(-np.expm1(-ratio), ratio, out=np.ones_like(ratio), where=ratio > 0)
    return found


def settle_share(length_m: ArrayLike, *, travel_m: float = TRAVEL_M) -> NDArray[np.float64]:
    """Share of the sand that comes down from above a reach which settles in it.

    Parameters
    ----------
    length_m : array_like of float
        Length of the reach, metres.
    travel_m : float, optional
        Mean way of the moving sand in one flood, metres.

    Returns
    -------
    ndarray of float64
        ``1 - exp(-L / l)``: ways distributed exponentially.

    Examples
    --------
    >>> settle_share([0.0, 50.0, 1000.0]).round(2).tolist()
    [0.0, 0.39, 1.0]
    """
    ratio = numbers("length_m", length_m, at_least=0) / float(numbers("travel_m", travel_m, above=0))
    found: NDArray[np.float64] = -np.expm1(-ratio)
    return found


def reach_mean(
    node_values: NDArray[np.float64], reach: NDArray[np.int32], reaches: int
) -> NDArray[np.float64]:
    """Mean over the nodes of each reach.

    Parameters
    ----------
    node_values : ndarray of float64, shape (nodes,)
        Such as shares reworked.
    reach : ndarray of int32, shape (nodes,)
        Reach of each node.
    reaches : int
        How many reaches there are.

    Returns
    -------
    ndarray of float64, shape (reaches,)
        Means.

    Examples
    --------
    >>> reach_mean(np.array([0.0, 1.0, 0.5]), np.array([0, 0, 1], np.int32), 2).tolist()
    [0.5, 0.5]
    """
    total = np.bincount(reach, weights=node_values, minlength=reaches)
    found: NDArray[np.float64] = total / np.maximum(np.bincount(reach, minlength=reaches), 1)
    return found


def refill_wanted(
    depletion: ArrayLike, *, fresh: ArrayLike = 1.0, refilled_at: ArrayLike = 0.2
) -> NDArray[np.float64]:
    """Share of a reach that one flood must renew for it to count as refilled.

    Parameters
    ----------
    depletion : array_like of float
        Share of the stock that is missing, 0 to 1.
    fresh : array_like of float, optional
        Share of what a flood lays that is new to the reach (`new_sand_share`), above 0.
    refilled_at : array_like of float, optional
        Depletion at which a reach counts as refilled. 0.2: our choice, a fifth is hardly noticed.

    Returns
    -------
    ndarray of float64
        ``(1 - refilled_at / depletion) / fresh``, 0 where it is refilled already; above 1 where no single
        flood can do it. Hand it to `washgrade.storm.rework.least_discharge_m3_s` for the flood that does.

    Examples
    --------
    >>> refill_wanted([0.1, 0.4, 0.8]).round(2).tolist(), refill_wanted([0.4, 0.8], fresh=0.5).tolist()
    ([0.0, 0.5, 0.75], [1.0, 1.5])
    """
    missing = numbers("depletion", depletion, at_least=0, at_most=1)
    wanted = numbers("refilled_at", refilled_at, above=0, at_most=1)
    new = numbers("fresh", fresh, above=0, at_most=1)
    found: NDArray[np.float64] = np.maximum(1.0 - wanted / np.maximum(missing, 1e-300), 0.0) / new
    return found


@kernel
def _from_above(
    downstream: NDArray[np.int32], room: NDArray[np.float64], settles: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Walk down an untouched network: what each reach takes from above of the old sand it gives up."""
    found, arriving = np.zeros(len(downstream)), np.zeros(len(downstream))
    for i in range(len(downstream)):
        found[i] = min(room[i], settles[i] * arriving[i])
        if downstream[i] >= 0:
            arriving[downstream[i]] += arriving[i] - found[i] + room[i]
    return found


def new_sand_share(
    *,
    downstream: NDArray[np.int32],
    held_kg: ArrayLike,
    travels: ArrayLike,
    settles: ArrayLike,
    new_share: float = NEW_SHARE,
) -> NDArray[np.float64]:
    """Share of the sand that a flood lays anew which is new to the reach.

    Parameters
    ----------
    downstream : ndarray of int32, shape (reaches,)
        Next reach downstream, -1 at an outlet; upstream before downstream.
    held_kg : array_like of float
        Magnetics that each reach holds when fresh, kilograms; one for all or one a reach.
    travels, settles : array_like of float
        From `travel_share` and `settle_share`, likewise.
    new_share : float, optional
        Of what a flood lays, the share that is new sand and comes whatever was dug.

    Returns
    -------
    ndarray of float64, shape (reaches,)
        The missing share of a reach that alone was dug falls by this times the share renewed, in a flood that
        renews all reaches alike: what `washgrade.storm.season.replay` comes to there.

    Examples
    --------
    >>> new_sand_share(downstream=np.array([1, -1], np.int32), held_kg=1.0, travels=0.8, settles=0.4).round(2)
    array([0.4 , 0.56])
    """
    count = len(downstream)
    part = one_each("travels", travels, count, "reach", at_least=0, at_most=1)
    new = float(numbers("new_share", new_share, at_least=0, at_most=1))
    room = one_each("held_kg", held_kg, count, "reach", at_least=0) * part * (1.0 - new)
    above = _from_above(downstream, room, one_each("settles", settles, count, "reach", at_least=0, at_most=1))
    of_room = np.divide(above, room, out=np.zeros(count), where=room > 0)
    found: NDArray[np.float64] = part * (new + (1.0 - new) * of_room)
    return found
