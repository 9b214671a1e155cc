"""What a reach holds above the cut-off grade, in loads and kilograms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.dig.load import Shovel, load_magnetics_kg
from washgrade.errors import InputError

__all__ = ["Stock", "StreakRule", "reach_stock"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StreakRule:
    """How much of a bed is streak.

    Parameters
    ----------
    streak_share : float
        Share of the bed that carries a streak. 0.15: our choice, thin strips along bars and bends.
    bite_m : float
        Depth of one scrape, metres.
    depleted_share : float
        A reach with less than this share of its loads left is depleted. 0.2: our choice.

    Raises
    ------
    InputError
        If a value is out of its limits.
    """

    streak_share: float = 0.15
    bite_m: float = 0.10
    depleted_share: float = 0.2

    def __post_init__(self) -> None:
        number("streak_share", self.streak_share, above=0, at_most=1)
        number("bite_m", self.bite_m, above=0)
        number("depleted_share", self.depleted_share, at_least=0, at_most=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What the reaches hold.

    Parameters
    ----------
    loads_held : ndarray of float64, shape (reaches,)
        Loads in one bite over the streaks of an untouched reach.
    loads_left : ndarray of float64, shape (reaches,)
        Those not yet taken.
    stock_kg_draws : ndarray of float64, shape (draws, reaches)
        Kilograms of magnetics in what is left, counted only where the draw's grade is above the cut-off.
    depleted : ndarray of bool, shape (reaches,)
        Whether too little is left.
    """

    loads_held: NDArray[np.float64]
    loads_left: NDArray[np.float64]
    stock_kg_draws: NDArray[np.float64]
    depleted: NDArray[np.bool_]


def reach_stock(
    *,
    length_m: NDArray[np.float64],
    bed_width_m: NDArray[np.float64],
    grade_draws: NDArray[np.floating],
    shovel: Shovel,
    streak: StreakRule,
    cutoff_grade: float,
    loads_taken: NDArray[np.float64] | None = None,
) -> Stock:
    """Count loads and kilograms in the streaks of each reach.

    Parameters
    ----------
    length_m : ndarray of float64, shape (reaches,)
        Lengths, metres.
    bed_width_m : ndarray of float64, shape (reaches,)
        Widths of the beds, metres.
    grade_draws : ndarray of float, shape (draws, reaches)
        Joint draws of the grade, 0 to 1.
    shovel : Shovel
        What a load is.
    streak : StreakRule
        How much of the bed is streak.
    cutoff_grade : float
        Below it, digging is not worth it; 0 to 1.
    loads_taken : ndarray of float64, shape (reaches,), optional
        Loads already dug; none unless given. More than was held counts as all of it.

    Returns
    -------
    Stock
        Loads held and left, kilograms by draw, depletion.

    Raises
    ------
    InputError
        If the shapes disagree, loads taken are negative, or the cut-off is no share.

    Notes
    -----
    Loads held = length x bed width x streak share x bite / volume of a load.

    Examples
    --------
    >>> import numpy as np
    >>> stock = reach_stock(length_m=np.array([40.0]), bed_width_m=np.array([3.0]),
    ...                     grade_draws=np.array([[0.1], [0.01]]), shovel=Shovel(), streak=StreakRule(),
    ...                     cutoff_grade=0.05)
    >>> stock.loads_held.round(6), stock.stock_kg_draws.ravel().round(0)
    (array([450.]), array([301.,   0.]))
    """
    number("cutoff_grade", cutoff_grade, at_least=0, below=1)
    if bed_width_m.shape != length_m.shape or not (bed_width_m > 0).all():
        raise InputError("Invalid 'bed_width_m'. It must hold one number above 0 for each reach.")
    if grade_draws.ndim != 2 or grade_draws.shape[1] != len(length_m):
        raise InputError(
            f"Invalid 'grade_draws' of shape {grade_draws.shape}. "
            f"It must be draws by {len(length_m)} reaches."
        )
    taken = np.zeros(len(length_m)) if loads_taken is None else np.asarray(loads_taken, dtype=np.float64)
    if taken.shape != length_m.shape or not (taken >= 0).all():
        raise InputError("Invalid 'loads_taken'. It must hold one number of at least 0 for each reach.")
    held = length_m * bed_width_m * streak.streak_share * streak.bite_m / (shovel.shovel_litres * 1e-3)
    left = np.maximum(held - taken, 0.0)
    per_load = np.where(grade_draws > cutoff_grade, load_magnetics_kg(grade_draws, shovel), 0.0)
    return Stock(
        loads_held=held,
        loads_left=left,
        stock_kg_draws=per_load * left,
        depleted=left < streak.depleted_share * held,
    )
