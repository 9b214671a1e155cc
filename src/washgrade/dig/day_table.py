"""What every number of loads of a reach brings and takes, and the bound that follows from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from washgrade.dig.day_loops import HAIR, cover
from washgrade.dig.day_terms import DayProblem

__all__ = ["ROOM", "DayTable", "Priced", "day_table", "diggable"]

# Stands for the time of a way that is none, minutes: longer than any day.
NEVER_MINUTES = 1e9
# Bounds are compared with so much room for rounding.
ROOM = 1e-9
# Loads of one reach that are looked at: our choice, more than anybody digs in a day.
MOST_LOADS = 400


@dataclass(frozen=True, kw_only=True)
class DayTable:
    """The reaches that can be dug at all, and what their loads bring and take.

    Parameters
    ----------
    problem : DayProblem
        What is asked.
    reach : ndarray of int64, shape (rows,)
        Reaches with a load to dig and a way to it; everything else here counts in rows.
    most : ndarray of int64, shape (rows,)
        Loads that may be taken.
    mean_kg : ndarray of float64, shape (rows, loads + 1)
        What 0, 1, ... loads are expected to bring, without the steady part; -inf beyond ``most``.
    round_minutes : ndarray of float64, shape (kinds, rows)
        Time of a carry; very long where there is no way.
    capacity : ndarray of float64, shape (kinds, rows)
        Loads of a full carry, not always whole.
    """

    problem: DayProblem
    reach: NDArray[np.int64]
    most: NDArray[np.int64]
    mean_kg: NDArray[np.float64]
    round_minutes: NDArray[np.float64]
    capacity: NDArray[np.float64]

    @cached_property
    def load_minutes(self) -> NDArray[np.float64]:
        """Least time of one load, its share of a full carry in it, shape (rows,)."""
        share = (self.round_minutes / self.capacity).min(axis=0)
        found: NDArray[np.float64] = share + self.problem.dig_minutes
        return found

    @cached_property
    def minutes(self) -> NDArray[np.float64]:
        """Least time of 0, 1, ... loads from one row in carries of its own, shape (rows, loads + 1)."""
        digging = self.problem.dig_minutes * np.arange(self.mean_kg.shape[1])
        found: NDArray[np.float64] = self.carrying + digging
        return found

    @cached_property
    def carrying(self) -> NDArray[np.float64]:
        """The same without the digging."""
        found = np.empty(self.mean_kg.shape)
        cover(self.round_minutes, self.capacity, found)
        return found

    def carries(self, row: int, loads: int) -> list[tuple[int, float]]:
        """Split loads into carries that take the least time; the last of them may be part of a load.

        Parameters
        ----------
        row : int
            Which reach.
        loads : int
            How many.

        Returns
        -------
        list of tuple of int and float
            Way to carry and loads of each, the fullest first; of one way they are all alike.
        """
        best: tuple[float, list[int]] = (np.inf, [])
        size, minutes = self.capacity[:, row], self.round_minutes[:, row]
        most = math.ceil(loads / size[-1] - HAIR) if len(size) > 1 else 0
        for second in range(most + 1):
            left = loads - second * size[-1] if second else float(loads)
            first = max(math.ceil(left / size[0] - HAIR), 0)
            time = first * minutes[0] + (second * minutes[-1] if second else 0.0)
            best = min(best, (time, [0] * first + [1] * second), key=lambda one: one[0])
        full = float(size[best[1]].sum())
        shared = min(loads / full, 1.0) if full > 0 else 0.0
        found = [(kind, shared * float(size[kind])) for kind in best[1]]
        return sorted(found, key=lambda carry: -carry[1])


def diggable(problem: DayProblem) -> NDArray[np.int64]:
    """Find the reaches from which a load can be had within the budget.

    Parameters
    ----------
    problem : DayProblem
        What is asked.

    Returns
    -------
    ndarray of int64, shape (some,)
        Reaches.
    """
    quickest = problem.round_minutes.min(axis=0) + problem.dig_minutes
    in_time = np.flatnonzero(quickest <= problem.budget_minutes)
    left = problem.standing.expected_loads_left[in_time]
    found: NDArray[np.int64] = in_time[left + ROOM >= 1.0]
    return found


def day_table(
    problem: DayProblem, reach: NDArray[np.int64], *, draws: NDArray[np.int64] | None = None
) -> DayTable:
    """Lay out what the loads of some reaches bring and take.

    Parameters
    ----------
    problem : DayProblem
        What is asked.
    reach : ndarray of int64, shape (rows,)
        Reaches, of those found by `diggable`.
    draws : ndarray of int64, shape (some,), optional
        Joint draws over which the expectation is taken; all unless told. How many loads may be taken is told
        by all of them in any case.

    Returns
    -------
    DayTable
        Of these.
    """
    times = np.minimum(problem.round_minutes, NEVER_MINUTES)
    load_minutes = (times / problem.capacity_loads).min(axis=0) + problem.dig_minutes
    standing = problem.standing.at(reach)
    fit = np.floor(problem.budget_minutes / load_minutes[reach] + ROOM)
    left = np.floor(standing.expected_loads_left + ROOM)
    most = np.minimum(np.minimum(left, fit), MOST_LOADS).astype(np.int64)
    widest = int(most.max()) if len(most) else 0
    seen = standing if draws is None else standing.in_draws(draws)
    mean_kg = problem.counts_per_kg * seen.expected_kg(widest)
    mean_kg[np.arange(widest + 1) > most[:, None]] = -np.inf
    return DayTable(
        problem=problem,
        reach=reach,
        most=most,
        mean_kg=mean_kg,
        round_minutes=np.ascontiguousarray(times[:, reach]),
        capacity=np.ascontiguousarray(problem.capacity_loads[:, reach], np.float64),
    )


@dataclass(frozen=True, kw_only=True)
class Priced:
    """A table with what its loads are taken to bring, and the price of a minute in some budget.

    Parameters
    ----------
    table : DayTable
        The reaches.
    factor : ndarray of float64, shape (rows,)
        What each reach is taken to bring, over what it is expected to: 1, or less for a cautious plan.
    budget_minutes : float
        Minutes there are.
    """

    table: DayTable
    factor: NDArray[np.float64]
    budget_minutes: float

    @cached_property
    def gain_kg(self) -> NDArray[np.float64]:
        """What 0, 1, ... loads are taken to bring, shape (rows, loads + 1)."""
        mean_kg = self.table.mean_kg
        loads = np.arange(mean_kg.shape[1])
        # Loads that are not there stay at -inf, whatever the factor.
        factor = np.where(np.isneginf(mean_kg), 1.0, np.maximum(self.factor, 0.0)[:, None])
        scaled = factor * mean_kg
        found: NDArray[np.float64] = scaled + self.table.problem.steady_kg * loads
        return found

    @cached_property
    def price(self) -> float:
        """Kilograms per minute at which the bound is least."""
        if not len(self.table.reach):
            return 0.0
        low, high = 0.0, self.dearest
        for _ in range(50):
            middle = 0.5 * (low + high)
            best = np.argmax(self._net_kg(middle), axis=1)
            used = float((best * self.table.load_minutes).sum())
            low, high = (middle, high) if used > self.budget_minutes else (low, middle)
        return min((low, high), key=self.bound_kg)

    @cached_property
    def dearest(self) -> float:
        """The most that a minute brings anywhere."""
        loads = np.arange(1, self.gain_kg.shape[1])
        return float((self.gain_kg[:, 1:] / (loads * self.table.load_minutes[:, None])).max())

    def _net_kg(self, price: float) -> NDArray[np.float64]:
        """What loads bring beyond the price of their minutes, carries cut to pieces of one load."""
        loads = np.arange(self.gain_kg.shape[1])
        found: NDArray[np.float64] = self.gain_kg - price * self.table.load_minutes[:, None] * loads
        return found

    def worth_kg(self, minute_kg: float) -> NDArray[np.float64]:
        """Tell what each reach is worth at most beyond the price of its minutes.

        Parameters
        ----------
        minute_kg : float
            Price of a minute, kilograms.

        Returns
        -------
        ndarray of float64, shape (rows,)
            At least 0.
        """
        found: NDArray[np.float64] = self._net_kg(minute_kg).max(axis=1, initial=0.0)
        return found

    def bound_kg(self, minute_kg: float) -> float:
        """Tell what no plan can pass, whatever the price.

        Parameters
        ----------
        minute_kg : float
            Price of a minute, kilograms.

        Returns
        -------
        float
            Kilograms.
        """
        return minute_kg * self.budget_minutes + float(self.worth_kg(minute_kg).sum())

    def loss_kg(self, minute_kg: float) -> NDArray[np.float64]:
        """Tell how much the bound falls where at least one load of a reach is taken.

        Parameters
        ----------
        minute_kg : float
            Price of a minute, kilograms.

        Returns
        -------
        ndarray of float64, shape (rows,)
            At least 0.
        """
        found: NDArray[np.float64] = self.worth_kg(minute_kg) - self._net_kg(minute_kg)[:, 1:].max(axis=1)
        return found
