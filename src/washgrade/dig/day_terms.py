"""What a digging day is asked for and what it is told by: problem and plan."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.dig.returns import Standing
from washgrade.errors import InputError

__all__ = ["Day", "DayProblem"]

PairMinutes = Callable[[NDArray[np.int64]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class DayProblem:
    """Reaches to dig, what they bring, and what carrying costs.

    Parameters
    ----------
    budget_minutes : float
        Minutes of work there are, at least 0.
    standing : Standing
        What the reaches hold, in joint draws.
    round_minutes : ndarray of float64, shape (kinds, reaches)
        Time of a carry by each way to carry, without the digging; inf where there is no way.
    capacity_loads : ndarray of float64, shape (kinds, reaches)
        Loads of a full carry, at least 1, not always whole: the last one may be part of a load.
    dig_minutes : float
        Time to dig one load, at least 0.
    counts_per_kg : float, default 1
        Kilograms of what counts from each kilogram of magnetics, above 0.
    steady_kg : float, default 0
        Kilograms of what counts that come with every load besides, at least 0.
    pair_minutes : callable, optional
        Takes some reaches and gives the times of carries filled at two of them, shape (kinds, some, some),
        not below those of either alone. Without it each carry is filled at one reach.
    target_kg : float, optional
        Then the shortest day that brings so much, within the budget.
    sure : bool, default False
        Whether the day shall be best in its P10 over the draws instead of its mean.

    Raises
    ------
    InputError
        If an array does not fit or a value is outside its limits.
    """

    budget_minutes: float
    standing: Standing
    round_minutes: NDArray[np.float64]
    capacity_loads: NDArray[np.floating]
    dig_minutes: float
    counts_per_kg: float = 1.0
    steady_kg: float = 0.0
    pair_minutes: PairMinutes | None = None
    target_kg: float | None = None
    sure: bool = False

    def __post_init__(self) -> None:
        number("budget_minutes", self.budget_minutes, at_least=0)
        number("dig_minutes", self.dig_minutes, at_least=0)
        number("counts_per_kg", self.counts_per_kg, above=0)
        number("steady_kg", self.steady_kg, at_least=0)
        if self.target_kg is not None:
            number("target_kg", self.target_kg, above=0)
        count = self.standing.fresh_load_kg.shape[1]
        for name in ("round_minutes", "capacity_loads"):
            shape = np.shape(getattr(self, name))
            if len(shape) != 2 or shape[0] < 1 or shape[1] != count:
                raise InputError(f"Invalid '{name}' of shape {shape}. It must be ways by {count} reaches.")
        if self.round_minutes.shape != self.capacity_loads.shape:
            raise InputError(
                f"Invalid 'capacity_loads' of shape {self.capacity_loads.shape}. It must be "
                f"{self.round_minutes.shape}, as the times."
            )
        if not (self.capacity_loads >= 1).all():
            raise InputError("Invalid 'capacity_loads'. A carry must hold one load or more.")
        if len(self.round_minutes) > 2:
            raise InputError(f"Invalid ways to carry: {len(self.round_minutes)}. There may be one or two.")
        if not (self.round_minutes > 0).all():
            raise InputError("Invalid 'round_minutes'. It must hold numbers above 0, or inf.")

    def brings_kg(self, reach: NDArray[np.int64], loads: NDArray[np.int64]) -> NDArray[np.float64]:
        """Tell what some loads from some reaches bring together.

        Parameters
        ----------
        reach : ndarray of int64, shape (dug,)
            The reaches.
        loads : ndarray of int64, shape (dug,)
            Loads of each.

        Returns
        -------
        ndarray of float64, shape (draws,)
            Kilograms of what counts, in each of the joint draws.
        """
        found: NDArray[np.float64] = self.counts_per_kg * self.standing.at(reach).brings_kg(loads).sum(axis=1)
        return found + self.steady_kg * float(loads.sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A plan of a digging day: what is dug where, carry by carry.

    Parameters
    ----------
    reach : ndarray of int64, shape (dug,)
        Reaches that are dug, in the order of the work: those that bring most for their time first.
    loads : ndarray of int64, shape (dug,)
        Loads of each.
    reach_kg : ndarray of float64, shape (dug,)
        What each is expected to bring.
    carry_reach : ndarray of int64, shape (carries, 2)
        Where each carry is filled, in the order of the work; -1 for no second reach.
    carry_loads : ndarray of float64, shape (carries, 2)
        Loads from each.
    carry_kind : ndarray of int64, shape (carries,)
        Way to carry, as in the rows of ``round_minutes``.
    carry_minutes : ndarray of float64, shape (carries,)
        Walking, digging and unloading of each.
    kg_draws : ndarray of float64, shape (draws,)
        What the day brings in each of the joint draws.
    minutes : float
        What the day takes, rest not counted.
    budget_minutes : float
        What it may take.
    bound_kg : float
        Expected kilograms that no day within the budget could pass, however it fills its carries.
    p10_bound_kg : float, optional
        Of a sure day of so many hours: a P10 that no day within the budget could pass; NaN unless reckoned.
    """

    reach: NDArray[np.int64]
    loads: NDArray[np.int64]
    reach_kg: NDArray[np.float64]
    carry_reach: NDArray[np.int64]
    carry_loads: NDArray[np.float64]
    carry_kind: NDArray[np.int64]
    carry_minutes: NDArray[np.float64]
    kg_draws: NDArray[np.float64]
    minutes: float
    budget_minutes: float
    bound_kg: float
    p10_bound_kg: float = math.nan

    @property
    def expected_kg(self) -> float:
        """What the day is expected to bring, kilograms."""
        return float(self.reach_kg.sum())

    @property
    def p10_kg(self) -> float:
        """What it brings with a chance of nine in ten, kilograms."""
        return float(np.quantile(self.kg_draws, 0.1))
