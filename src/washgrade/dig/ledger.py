"""The stock's ledger in joint draws: floods that may have been weaker or stronger, and digs by the load."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.dig.returns import WITHIN_SD, Bed, dug_share_of, taken_share
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers, one_each
from washgrade.storm.refill import NEW_SHARE
from washgrade.storm.season import flood_step

__all__ = ["Asks", "Digs", "Reckoning", "reckon"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Digs:
    """What was dug, each dig in one reach.

    Parameters
    ----------
    day : ndarray of float64, shape (digs,)
        Day numbers, with their part of the day.
    reach : ndarray of int64, shape (digs,)
        Where.
    loads_share : ndarray of float64, shape (digs,)
        Loads dug over those of a fresh reach; NaN where the loads are not known.
    taken_share : ndarray of float64, shape (digs,)
        Where they are not: magnetics dug over those of a fresh reach.
    """

    day: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    reach: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    loads_share: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    taken_share: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def __len__(self) -> int:
        return len(self.day)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asks:
    """Moments at which the depletion of a reach is wanted.

    Parameters
    ----------
    day : ndarray of float64, shape (asks,)
        Day numbers; at a flood's own moment it is asked after the flood, at a dig's before the dig.
    reach : ndarray of int64, shape (asks,)
        Where.
    """

    day: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    reach: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reckoning:
    """What has become of the magnetics, in each draw.

    ``held at the start + supplied = stock + taken + left``, to rounding, in every draw.

    Parameters
    ----------
    stock_kg : ndarray of float64, shape (draws, reaches)
        What each reach holds now, kilograms.
    bed : Bed
        Loads and magnetics left, as shares of what each reach holds when fresh; its ways are the draws.
    taken_kg, supplied_kg : ndarray of float64, shape (draws, reaches)
        Dug, and come in from banks and slopes.
    left_kg : ndarray of float64, shape (draws,)
        Gone out through the outlets.
    over_share : ndarray of float64, shape (digs,)
        Loads dug beyond what was thought to be left, over those of a fresh reach, on the mean: a sign that
        the reach held more.
    before, after : ndarray of float64, shape (digs, draws)
        Depletion of the reach before and after each dig.
    yield_factor : ndarray of float64, shape (digs, draws)
        Yield of the loads of each dig over that of a fresh reach; NaN where loads are not known.
    asked : ndarray of float64, shape (asks, draws)
        Depletion when asked.
    """

    stock_kg: NDArray[np.float64]
    bed: Bed
    taken_kg: NDArray[np.float64]
    supplied_kg: NDArray[np.float64]
    left_kg: NDArray[np.float64]
    over_share: NDArray[np.float64]
    before: NDArray[np.float64]
    after: NDArray[np.float64]
    yield_factor: NDArray[np.float64]
    asked: NDArray[np.float64]

    @property
    def depletion(self) -> NDArray[np.float64]:
        """Share of what a fresh reach holds that is missing, 0 to 1, shape (draws, reaches)."""
        return np.asarray(1.0 - self.bed.left)


@kernel
def _flood_all(
    downstream: NDArray[np.int32],
    held: NDArray[np.float64],
    travels: NDArray[np.float64],
    settles: NDArray[np.float64],
    new_share: float,
    renewed: NDArray[np.float64],
    stock: NDArray[np.float64],
    loads: NDArray[np.float64],
    full: NDArray[np.float64],
    supplied: NDArray[np.float64],
    left: NDArray[np.float64],
) -> None:
    """One flood in every draw."""
    arriving, untouched = np.empty(len(held)), np.empty(len(held))
    for draw in range(len(stock)):
        for i in range(len(held)):
            loads[draw, i] += renewed[draw, i] * (1.0 - loads[draw, i])
            full[draw, i] += renewed[draw, i] * (1.0 - full[draw, i])
        left[draw] += flood_step(
            downstream, held, stock[draw], renewed[draw], travels, settles, new_share, supplied[draw],
            arriving, untouched,
        )  # fmt: skip


def reckon(
    *,
    downstream: NDArray[np.int32],
    held_kg: ArrayLike,
    flood_day: ArrayLike,
    renewed: Callable[[int], NDArray[np.float64]],
    draws: int,
    travels: ArrayLike,
    settles: ArrayLike,
    digs: Digs,
    asks: Asks | None = None,
    within_sd: float = WITHIN_SD,
    new_share: float = NEW_SHARE,
) -> Reckoning:
    """Play floods and digs through the network, in every draw.

    Parameters
    ----------
    downstream : ndarray of int32, shape (reaches,)
        Next reach downstream, -1 at an outlet; upstream before downstream.
    held_kg : array_like of float, shape (reaches,)
        Magnetics that each reach holds when fresh, kilograms.
    flood_day : array_like of float, shape (floods,)
        Days of the floods, in any order.
    renewed : callable
        Given the number of a flood, the share of each reach that it renews, shape (draws, reaches).
    draws : int
        How many draws.
    travels : array_like of float
        Share of the moving magnetics that leaves its reach (`washgrade.storm.refill.travel_share`).
    settles : array_like of float
        Share of those from above that settles in a reach (`washgrade.storm.refill.settle_share`).
    digs : Digs
        What was dug.
    asks : Asks, optional
        Moments at which the depletion is wanted.
    within_sd : float, default 0.4
        How much the loads of a reach differ; see `washgrade.dig.returns.taken_share`.
    new_share : float, optional
        Of what a flood lays, the share that is new sand and comes whatever was dug
        (`washgrade.storm.season.replay`).

    Returns
    -------
    Reckoning
        The state after the last event.

    Raises
    ------
    InputError
        If the shapes disagree or a value is out of its limits.

    Notes
    -----
    A flood is one step of `washgrade.storm.season.replay`, which keeps an untouched network as it is. So
    floods before the first dig change nothing and are passed over. It also lays the share R of the places
    anew, dug or not: of the loads that were dug 1 - R stay so (`washgrade.dig.returns.Bed`).

    A dig takes the richest of the loads that are there. Of a bed that digging alone would have left so, of n
    loads with the richest share d gone (`Bed.on_curve`), a dig of q loads takes what lies between d and
    ``d + q / n`` on the curve of decreasing returns, as rich as what floods laid. On one moment floods come
    before asks, asks before digs; digs at one moment in the order of reach and size, so that the order in
    which they are given never matters.

    Examples
    --------
    >>> found = reckon(downstream=np.array([1, -1], np.int32), held_kg=[10.0, 10.0], flood_day=[2.0],
    ...                renewed=lambda flood: np.array([[0.5, 0.5]]), draws=1, travels=0.4, settles=0.5,
    ...                digs=Digs(day=np.array([1.0]), reach=np.array([1]), loads_share=np.array([0.5]),
    ...                          taken_share=np.array([np.nan])))
    >>> found.before.tolist(), found.yield_factor.round(2).tolist(), found.depletion.round(2).tolist()
    ([[0.0]], [[1.31]], [[0.0, 0.56]])
    """
    count = len(downstream)
    held = one_each("held_kg", held_kg, count, "reach", at_least=0)
    part = one_each("travels", travels, count, "reach", at_least=0, at_most=1)
    settled = one_each("settles", settles, count, "reach", at_least=0, at_most=1)
    anew = number("new_share", new_share, at_least=0, at_most=1)
    floods = numbers("flood_day", flood_day).ravel()
    number("within_sd", within_sd, at_least=0)
    asks = Asks() if asks is None else asks
    for name, places in (("digs", digs.reach), ("asks", asks.reach)):
        if ((places < 0) | (places >= count)).any():
            raise InputError(f"Invalid reach of {name}. It must be between 0 and {count - 1}.")
    stock = np.repeat(held[None, :], draws, axis=0)
    there, full = np.ones((draws, count)), np.ones((draws, count))
    taken, supplied, left = np.zeros((draws, count)), np.zeros((draws, count)), np.zeros(draws)
    over, factor = np.zeros(len(digs)), np.full((len(digs), draws), np.nan)
    before, after = np.zeros((len(digs), draws)), np.zeros((len(digs), draws))
    asked = np.zeros((len(asks.day), draws))

    def missing(reach: int) -> NDArray[np.float64]:
        if held[reach] <= 0.0:
            return np.zeros(draws)
        gone: NDArray[np.float64] = np.clip(1.0 - stock[:, reach] / held[reach], 0.0, 1.0)
        return gone

    dug = False
    for kind, which in _ordered(floods, asks, digs):
        if kind == 0:
            if dug:
                shares = np.ascontiguousarray(renewed(which), dtype=np.float64)
                _flood_all(
                    downstream, held, part, settled, anew, shares, stock, there, full, supplied, left
                )  # fmt: skip
            continue
        reach = int((asks if kind == 1 else digs).reach[which])
        gone = missing(reach)
        if kind == 1:
            asked[which] = gone
            continue
        before[which] = gone
        here = Bed(loads=there[:, [reach]], full=full[:, [reach]], left=1.0 - gone[:, None])
        laid, start = (column[:, 0] for column in here.on_curve(within_sd=within_sd))
        rich, curve = here.richness[:, 0], taken_share(start, within_sd=within_sd)
        loads = float(digs.loads_share[which])
        if np.isnan(loads):
            takes = np.minimum(float(digs.taken_share[which]), 1.0 - gone)
            wanted = curve + np.divide(takes, rich * laid, out=np.zeros(draws), where=takes > 0.0)
            end = dug_share_of(np.minimum(wanted, 1.0), within_sd=within_sd)
        else:
            end = np.minimum(start + np.divide(loads, laid, out=np.ones(draws), where=laid > 0.0), 1.0)
            takes = rich * laid * (taken_share(end, within_sd=within_sd) - curve)
            takes = np.clip(takes, 0.0, 1.0 - gone)
            over[which] = float(np.mean(np.maximum(loads - laid * (1.0 - start), 0.0)))
            if loads > 0.0:
                factor[which] = takes / loads
        there[:, reach] = np.maximum(there[:, reach] - laid * (end - start), 0.0)
        full[:, reach] -= np.divide(takes, rich, out=np.zeros(draws), where=rich > 0.0)
        np.maximum(full[:, reach], 0.0, out=full[:, reach])
        took = np.minimum(takes * held[reach], stock[:, reach])
        stock[:, reach] -= took
        taken[:, reach] += took
        after[which] = missing(reach)
        dug = dug or bool((took > 0).any())
    share = np.divide(stock, held, out=np.ones_like(stock), where=held > 0)
    return Reckoning(
        stock_kg=stock,
        bed=Bed(loads=there, full=full, left=np.clip(share, 0.0, 1.0)),
        taken_kg=taken,
        supplied_kg=supplied,
        left_kg=left,
        over_share=over,
        before=before,
        after=after,
        yield_factor=factor,
        asked=asked,
    )


def _ordered(floods: NDArray[np.float64], asks: Asks, digs: Digs) -> list[tuple[int, int]]:
    """Events as kind (0 flood, 1 ask, 2 dig) and number, in the order in which they are played."""
    day = np.concatenate([floods, asks.day, digs.day])
    kind = np.repeat([0, 1, 2], [len(floods), len(asks.day), len(digs)])
    which = np.concatenate([np.arange(len(floods)), np.arange(len(asks.day)), np.arange(len(digs))])
    none = np.zeros(len(floods) + len(asks.day))
    reach = np.concatenate([none, digs.reach])
    loads = np.concatenate([none, np.nan_to_num(digs.loads_share, nan=-1.0)])
    taken = np.concatenate([none, np.nan_to_num(digs.taken_share, nan=-1.0)])
    order = np.lexsort((which, taken, loads, reach, kind, day))
    return list(zip(kind[order].tolist(), which[order].tolist(), strict=True))
