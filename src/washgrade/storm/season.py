"""Season: what floods and digging have left in every reach, to the last gram."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers, one_each
from washgrade.storm.refill import NEW_SHARE

__all__ = ["Events", "Ledger", "flood_step", "order_events", "replay"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Events:
    """Floods and digs in the order in which they happened.

    Parameters
    ----------
    day : ndarray of float64, shape (events,)
        Day numbers, never falling.
    flood : ndarray of int64, shape (events,)
        Which flood, or -1 for a dig.
    reach : ndarray of int64, shape (events,)
        Where was dug, or -1 for a flood.
    taken_kg : ndarray of float64, shape (events,)
        Magnetics dug, kilograms; 0 for a flood.
    """

    day: NDArray[np.float64]
    flood: NDArray[np.int64]
    reach: NDArray[np.int64]
    taken_kg: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.day)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What has become of the magnetics.

    What was there and what came in equals what is there, what was dug and what left: ``held at the start +
    supplied = stock + taken + left``, to rounding, after any events.

    Parameters
    ----------
    stock_kg : ndarray of float64, shape (reaches,)
        What each reach holds now, kilograms.
    depletion : ndarray of float64, shape (reaches,)
        Share of what it can hold that is missing, 0 to 1.
    taken_kg : ndarray of float64, shape (reaches,)
        Dug from its stock.
    missing_kg : ndarray of float64, shape (reaches,)
        Dug, by the records, beyond what the reckoning thought was there: a sign that it held more.
    supplied_kg : ndarray of float64, shape (reaches,)
        Come in from its banks and slopes.
    left_kg : float
        Gone out through the outlets.
    history : ndarray of float64, shape (events, watched)
        Depletion of the watched reaches after each event.
    """

    stock_kg: NDArray[np.float64]
    depletion: NDArray[np.float64]
    taken_kg: NDArray[np.float64]
    missing_kg: NDArray[np.float64]
    supplied_kg: NDArray[np.float64]
    left_kg: float
    history: NDArray[np.float64]


def order_events(
    *, flood_day: ArrayLike, dig_day: ArrayLike, dig_reach: ArrayLike, dig_kg: ArrayLike
) -> Events:
    """Put floods and digs in order, the same whatever order they come in.

    Parameters
    ----------
    flood_day : array_like of float, shape (floods,)
        Days of the floods; the flood keeps its place here as its number.
    dig_day : array_like of float, shape (digs,)
        Days of the digs.
    dig_reach : array_like of int, shape (digs,)
        Where was dug.
    dig_kg : array_like of float, shape (digs,)
        Magnetics dug, kilograms.

    Returns
    -------
    Events
        By day; on one day floods before digs, digs by reach and weight.

    Raises
    ------
    InputError
        If the shapes disagree or a weight is negative.

    Examples
    --------
    >>> events = order_events(flood_day=[5], dig_day=[7, 5, 2], dig_reach=[0, 1, 1], dig_kg=[3, 2, 1])
    >>> events.day.tolist(), events.flood.tolist(), events.reach.tolist()
    ([2.0, 5.0, 5.0, 7.0], [-1, 0, -1, -1], [1, -1, 1, 0])
    """
    flood_day, dig_day = numbers("flood_day", flood_day), numbers("dig_day", dig_day)
    dig_kg = numbers("dig_kg", dig_kg, at_least=0)
    reach = np.asarray(dig_reach, np.int64)
    if flood_day.ndim != 1 or not dig_day.shape == reach.shape == dig_kg.shape or dig_day.ndim != 1:
        raise InputError(
            f"Invalid digs of {dig_day.size} days, {reach.size} reaches and {dig_kg.size} weights. "
            "There must be as many of each."
        )
    floods, digs = len(flood_day), len(dig_day)
    day = np.concatenate((flood_day, dig_day))
    flood = np.concatenate((np.arange(floods), np.full(digs, -1)))
    place = np.concatenate((np.full(floods, -1), reach))
    weight = np.concatenate((np.zeros(floods), dig_kg))
    order = np.lexsort((weight, place, flood, flood < 0, day))
    return Events(
        day=day[order], flood=flood[order].astype(np.int64), reach=place[order].astype(np.int64),
        taken_kg=weight[order],
    )  # fmt: skip


@kernel
def flood_step(
    downstream: NDArray[np.int32],
    held: NDArray[np.float64],
    stock: NDArray[np.float64],
    renewed: NDArray[np.float64],
    travels: NDArray[np.float64],
    settles: NDArray[np.float64],
    new_share: float,
    supplied: NDArray[np.float64],
    arriving: NDArray[np.float64],
    untouched: NDArray[np.float64],
) -> float:
    """Walk down the network once: one flood; kilograms that leave it. The last two arrays are scratch."""
    # The share R of a reach that is reworked gives up the travelling part of what it held and is laid anew:
    # the new share from banks and slopes, while as much goes out for good; of the rest so much as an
    # untouched reach would take from above, as rich as what comes by is against the untouched network's, and
    # the remainder the reach's own, from its banks and from below the bite.
    left = 0.0
    arriving[:] = 0.0
    untouched[:] = 0.0
    for i in range(len(downstream)):
        room = renewed[i] * held[i] * travels[i]
        old = (1.0 - new_share) * room
        above = min(old, settles[i] * untouched[i])
        full = stock[i] / held[i] if held[i] > 0.0 else 1.0
        falls = above * (arriving[i] / untouched[i]) if untouched[i] > 0.0 else 0.0
        slopes = new_share * room + (old - above) * full
        gives = room * full
        stock[i] += falls + slopes - gives
        supplied[i] += slopes
        onward = arriving[i] - falls + (1.0 - new_share) * gives
        left += new_share * gives
        if downstream[i] >= 0:
            arriving[downstream[i]] += onward
            untouched[downstream[i]] += untouched[i] - above + old
        else:
            left += onward
    return left


@kernel
def _replay(
    downstream: NDArray[np.int32],
    held: NDArray[np.float64],
    stock: NDArray[np.float64],
    flood: NDArray[np.int64],
    reach: NDArray[np.int64],
    kilograms: NDArray[np.float64],
    renewed: NDArray[np.float64],
    travels: NDArray[np.float64],
    settles: NDArray[np.float64],
    new_share: float,
    watched: NDArray[np.int64],
    taken: NDArray[np.float64],
    missing: NDArray[np.float64],
    supplied: NDArray[np.float64],
    history: NDArray[np.float64],
) -> float:
    """Walk through the events; in a flood walk down the network once."""
    arriving, untouched = np.empty(len(downstream)), np.empty(len(downstream))
    left = 0.0
    for event in range(len(flood)):
        k = flood[event]
        if k < 0:
            i = reach[event]
            took = min(kilograms[event], stock[i])
            stock[i] -= took
            taken[i] += took
            missing[i] += kilograms[event] - took
        else:
            left += flood_step(
                downstream,
                held,
                stock,
                renewed[k],
                travels[k],
                settles[k],
                new_share,
                supplied,
                arriving,
                untouched,
            )
        for place in range(len(watched)):
            i = watched[place]
            history[event, place] = 1.0 - stock[i] / held[i] if held[i] > 0.0 else 0.0
    return left


def replay(
    *,
    downstream: NDArray[np.int32],
    held_kg: ArrayLike,
    events: Events,
    renewed_share: ArrayLike,
    travels: ArrayLike,
    settles: ArrayLike,
    new_share: float = NEW_SHARE,
    stock_kg: ArrayLike | None = None,
    watch: ArrayLike = (),
) -> Ledger:
    """Play floods and digs through the network.

    Parameters
    ----------
    downstream : ndarray of int32, shape (reaches,)
        Next reach downstream, -1 at an outlet; upstream before downstream.
    held_kg : array_like of float
        Magnetics that each reach holds when fresh, kilograms; one for all or one a reach.
    events : Events
        From `order_events`.
    renewed_share : array_like of float, shape (floods, reaches)
        Share of each reach that each flood renews (`washgrade.storm.rework.refill_share`), 0 to 1.
    travels : array_like of float
        Share of the moving magnetics that leaves its reach (`washgrade.storm.refill.travel_share`); broadcast
        to floods by reaches.
    settles : array_like of float
        Share of those from above that settles in a reach that has room for it
        (`washgrade.storm.refill.settle_share`); broadcast likewise.
    new_share : float, optional
        Of what a flood lays, the share that is new sand from banks and slopes and comes whatever was dug. 0
        to 1.
    stock_kg : array_like of float, optional
        What each reach holds at the start, at most what it holds when fresh; that unless told.
    watch : array_like of int, optional
        Reaches whose history is wanted.

    Returns
    -------
    Ledger
        The state after the last event.

    Raises
    ------
    InputError
        If the shapes disagree, a value is out of its limits, or an event names a flood or reach there is not.

    Notes
    -----
    A flood that renews the share R of a reach moves R of what it holds; the travelling part t of that leaves.
    An untouched reach gets as much again: the share ``new_share`` as new sand from banks and slopes, whatever
    was dug, for as much as goes out for good of what was moved; of the rest, from above, what of the passing
    magnetics settles there and has room, and what still is wanting from the reach's own banks and depth. Of a
    touched network the last two are as much less as there is less of them: what comes from above by the share
    of the untouched network's flow that is still in it, the reach's own by what is missing in it. So an
    untouched network stays as it is, a dug one refills from new sand and from what is within a few mean ways
    above it, and nothing is lost or made: supplies and losses are counted. That dry beds stand, over years,
    where they stood is what scour chains show: fill makes good the scour (Powell et al. 2006, Earth Surface
    Processes and Landforms 31).

    Examples
    --------
    >>> events = order_events(flood_day=[2], dig_day=[1], dig_reach=[1], dig_kg=[6.0])
    >>> ledger = replay(downstream=np.array([1, -1], np.int32), held_kg=[10.0, 10.0], events=events,
    ...                 renewed_share=[[0.5, 0.5]], travels=0.4, settles=0.5, new_share=1.0, watch=[1])
    >>> ledger.stock_kg.tolist(), ledger.left_kg, ledger.history.round(2).ravel().tolist()
    ([10.0, 5.2], 2.8, [0.6, 0.48])
    """
    count = len(downstream)
    held = one_each("held_kg", held_kg, count, "reach", at_least=0)
    stock = held if stock_kg is None else one_each("stock_kg", stock_kg, count, "reach", at_least=0)
    if (stock > held).any():
        raise InputError("Invalid 'stock_kg'. No reach may start with more than 'held_kg'.")
    renewed = numbers("renewed_share", renewed_share, at_least=0, at_most=1)
    if renewed.ndim != 2 or renewed.shape[1] != count:
        raise InputError(
            f"Invalid 'renewed_share' of shape {renewed.shape}. It must be floods by {count} reaches."
        )
    watched = np.asarray(watch, np.int64).ravel()
    digs = events.flood < 0
    for name, value, size in (
        ("flood", events.flood[~digs], len(renewed)),
        ("reach", events.reach[digs], count),
        ("watch", watched, count),
    ):
        if ((value < 0) | (value >= size)).any():
            raise InputError(f"Invalid '{name}' of an event. It must be between 0 and {size - 1}.")
    stock = stock.copy()
    taken, missing, supplied = np.zeros(count), np.zeros(count), np.zeros(count)
    history = np.zeros((len(events), len(watched)))
    left = _replay(
        downstream,
        held,
        stock,
        events.flood,
        events.reach,
        events.taken_kg,
        np.ascontiguousarray(renewed),
        _spread("travels", travels, renewed.shape),
        _spread("settles", settles, renewed.shape),
        number("new_share", new_share, at_least=0, at_most=1),
        watched,
        taken,
        missing,
        supplied,
        history,
    )
    return Ledger(
        stock_kg=stock,
        depletion=1.0 - np.divide(stock, held, out=np.ones_like(stock), where=held > 0),
        taken_kg=taken,
        missing_kg=missing,
        supplied_kg=supplied,
        left_kg=left,
        history=history,
    )


def _spread(name: str, values: ArrayLike, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Broadcast to floods by reaches."""
    found = numbers(name, values, at_least=0, at_most=1)
    try:
        return np.ascontiguousarray(np.broadcast_to(found, shape))
    except ValueError:
        raise InputError(
            f"Invalid '{name}' of shape {found.shape}. It must fit {shape[0]} floods by {shape[1]} reaches."
        ) from None
