"""What a digging day is asked for and what it is told by: problem and plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import InputError

__all__ = ["Day", "DayProblem", "worked"]

PairMinutes = Callable[[NDArray[np.int64]], NDArray[np.float64]]


def worked(loads_left: NDArray[np.float64], loads: NDArray[np.integer]) -> NDArray[np.float64]:
    r"""How many loads as good as the first some loads from a reach are worth.

    Parameters
    ----------
    loads_left : ndarray of float64
        Loads that the reach still holds, at least 1.
    loads : ndarray of int
        Loads taken, of a shape that goes with it.

    Returns
    -------
    ndarray of float64
        Between 0 and ``loads_left``.

    Notes
    -----
    :math:`L (1 - (1 - 1/L)^n)`: each load takes its share of what is left, so that the best spots go first
    and no more comes out than there is. Our choice; the same law as that of the share dug in the memory of a
    reach (``d`` becomes ``1 - (1 - d)(1 - q)``).

    Examples
    --------
    >>> worked(np.array([10.0]), np.array([1, 5, 10])).round(2).tolist()
    [1.0, 4.1, 6.51]
    """
    left = np.asarray(loads_left, np.float64)
    found: NDArray[np.float64] = left * (1.0 - (1.0 - 1.0 / left) ** loads)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class DayProblem:
    """Reaches to dig, what they bring, and what carrying costs.

    Parameters
    ----------
    budget_minutes : float
        Minutes of work there are, above 0.
    kg_draws : ndarray of float, shape (draws, reaches)
        Joint draws of what the first load of each reach brings, kilograms of whatever counts.
    loads_left : ndarray of float64, shape (reaches,)
        Loads that each reach holds; below 1 it is not dug.
    round_minutes : ndarray of float64, shape (kinds, reaches)
        Time of a carry by each way to carry, without the digging; inf where there is no way.
    capacity_loads : ndarray of int64, shape (kinds, reaches)
        Loads of a full carry, at least 1.
    dig_minutes : float
        Time to dig one load, at least 0.
    steady_kg : float
        What every load brings besides, at least 0, however much was taken before it.
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
    kg_draws: NDArray[np.floating]
    loads_left: NDArray[np.float64]
    round_minutes: NDArray[np.float64]
    capacity_loads: NDArray[np.int64]
    dig_minutes: float
    steady_kg: float = 0.0
    pair_minutes: PairMinutes | None = None
    target_kg: float | None = None
    sure: bool = False

    def __post_init__(self) -> None:
        number("budget_minutes", self.budget_minutes, at_least=0)
        number("dig_minutes", self.dig_minutes, at_least=0)
        number("steady_kg", self.steady_kg, at_least=0)
        if self.target_kg is not None:
            number("target_kg", self.target_kg, above=0)
        count = len(self.loads_left)
        for name in ("round_minutes", "capacity_loads", "kg_draws"):
            shape = np.shape(getattr(self, name))
            if len(shape) != 2 or shape[0] < 1 or shape[1] != count:
                raise InputError(
                    f"Invalid '{name}' of shape {shape}. It must be some rows by {count} reaches."
                )
        if self.round_minutes.shape != self.capacity_loads.shape:
            raise InputError(
                f"Invalid 'capacity_loads' of shape {self.capacity_loads.shape}. It must be "
                f"{self.round_minutes.shape}, as the times."
            )
        if not (np.isfinite(self.kg_draws).all() and (self.kg_draws >= 0).all()):
            raise InputError("Invalid 'kg_draws'. It must hold finite numbers of at least 0.")
        if not (np.isfinite(self.loads_left).all() and (self.capacity_loads >= 1).all()):
            raise InputError("Invalid loads. They must be finite, and a carry must hold one or more.")
        if not (self.round_minutes > 0).all():
            raise InputError("Invalid 'round_minutes'. It must hold numbers above 0, or inf.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A plan of a digging day: what is dug where, carry by carry.

    Parameters
    ----------
    reach : ndarray of int64, shape (dug,)
        Reaches that are dug, the one that brings most first.
    loads : ndarray of int64, shape (dug,)
        Loads of each.
    reach_kg : ndarray of float64, shape (dug,)
        What each is expected to bring.
    carry_reach : ndarray of int64, shape (carries, 2)
        Where each carry is filled, in the order of what they bring for their time; -1 for no second reach.
    carry_loads : ndarray of int64, shape (carries, 2)
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
        Expected kilograms that no day of so many minutes could pass, however it fills its carries.
    """

    reach: NDArray[np.int64]
    loads: NDArray[np.int64]
    reach_kg: NDArray[np.float64]
    carry_reach: NDArray[np.int64]
    carry_loads: NDArray[np.int64]
    carry_kind: NDArray[np.int64]
    carry_minutes: NDArray[np.float64]
    kg_draws: NDArray[np.float64]
    minutes: float
    budget_minutes: float
    bound_kg: float

    @property
    def expected_kg(self) -> float:
        """What the day is expected to bring, kilograms."""
        return float(self.reach_kg.sum())

    @property
    def p10_kg(self) -> float:
        """What it brings with a chance of nine in ten, kilograms."""
        return float(np.quantile(self.kg_draws, 0.1))
