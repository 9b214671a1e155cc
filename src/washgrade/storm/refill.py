"""Refill: what floods bring into a dug reach, and from where."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers, one_each

__all__ = [
    "TRAVEL_M",
    "depletion_after",
    "reach_mean",
    "refill_wanted",
    "steady_step",
    "steady_supply_kg",
    "travel_share",
]

# Mean way of the sand that one flood sets moving, metres: our choice. Marked stones in dryland floods moved
# tens to a few hundred metres (Hassan, Church and Schick 1991, Water Resources Research 27, 503-511, from
# memory); sand goes farther, heavy sand less far than light.
TRAVEL_M = 100.0


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


def depletion_after(
    depletion: ArrayLike, *, dug_share: ArrayLike = 0.0, renewed_share: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Depletion after a dig and then a flood, with sand enough upstream.

    Parameters
    ----------
    depletion : array_like of float
        Share of the stock that is missing, 0 to 1.
    dug_share : array_like of float, optional
        Share of what is left that the dig takes.
    renewed_share : array_like of float, optional
        Share of the bed that the flood renews.

    Returns
    -------
    ndarray of float64
        ``d <- 1 - (1 - d)(1 - q)``, then ``d <- d (1 - R)``: what `washgrade.storm.season.replay` comes to
        where supply is ample.

    Examples
    --------
    >>> float(depletion_after(0.5, dug_share=0.5)), float(depletion_after(0.5, renewed_share=0.5))
    (0.75, 0.25)
    """
    missing = numbers("depletion", depletion, at_least=0, at_most=1)
    dug = numbers("dug_share", dug_share, at_least=0, at_most=1)
    renewed = numbers("renewed_share", renewed_share, at_least=0, at_most=1)
    found: NDArray[np.float64] = (1.0 - (1.0 - missing) * (1.0 - dug)) * (1.0 - renewed)
    return found


def refill_wanted(depletion: ArrayLike, *, refilled_at: ArrayLike = 0.2) -> NDArray[np.float64]:
    """Share of a reach that one flood must renew for it to count as refilled.

    Parameters
    ----------
    depletion : array_like of float
        Share of the stock that is missing, 0 to 1.
    refilled_at : array_like of float, optional
        Depletion at which a reach counts as refilled. 0.2: our choice, a fifth is hardly noticed.

    Returns
    -------
    ndarray of float64
        ``1 - refilled_at / depletion``, 0 where it is refilled already; hand it to
        `washgrade.storm.rework.least_discharge_m3_s` for the flood that does it.

    Examples
    --------
    >>> refill_wanted([0.1, 0.4, 0.8]).round(2).tolist()
    [0.0, 0.5, 0.75]
    """
    missing = numbers("depletion", depletion, at_least=0, at_most=1)
    wanted = numbers("refilled_at", refilled_at, above=0, at_most=1)
    found: NDArray[np.float64] = np.maximum(1.0 - wanted / np.maximum(missing, 1e-300), 0.0)
    return found


@kernel
def steady_step(downstream: NDArray[np.int32], room: NDArray[np.float64]) -> NDArray[np.float64]:
    """Walk down: what a full reach gives up and does not get from above must come from its banks."""
    supply = np.zeros(len(downstream))
    arriving = np.zeros(len(downstream))
    for i in range(len(downstream)):
        supply[i] = max(room[i] - arriving[i], 0.0)
        if downstream[i] >= 0:
            # It sends on what it gave up, and what it had no room for.
            arriving[downstream[i]] += max(arriving[i], room[i])
    return supply


def steady_supply_kg(
    *,
    downstream: NDArray[np.int32],
    held_kg: NDArray[np.float64],
    renewed_share: NDArray[np.float64],
    travels: ArrayLike,
) -> NDArray[np.float64]:
    """Magnetics that banks and slopes must bring in a flood for an untouched network to stay as it is.

    Parameters
    ----------
    downstream : ndarray of int32, shape (reaches,)
        Next reach downstream, -1 at an outlet; upstream before downstream.
    held_kg : ndarray of float64, shape (reaches,)
        What each reach holds when fresh, kilograms.
    renewed_share : ndarray of float64, shape (reaches,)
        Share that the flood renews.
    travels : array_like of float
        Share of the moving magnetics that leaves its reach; one for all or one a reach.

    Returns
    -------
    ndarray of float64, shape (reaches,)
        Kilograms: the least that does it.

    Notes
    -----
    That dry beds stand, over years, where they stood is what scour chains show: fill makes good the scour
    (Powell et al. 2006, Earth Surface Processes and Landforms 31).

    Examples
    --------
    >>> steady_supply_kg(downstream=np.array([1, -1], np.int32), held_kg=np.array([10.0, 20.0]),
    ...                  renewed_share=np.array([0.5, 0.5]), travels=0.4).tolist()
    [2.0, 2.0]
    """
    count = len(downstream)
    room = (
        one_each("held_kg", held_kg, count, "reach", at_least=0)
        * one_each("renewed_share", renewed_share, count, "reach", at_least=0, at_most=1)
        * one_each("travels", travels, count, "reach", at_least=0, at_most=1)
    )
    return steady_step(downstream, room)
