"""What a reach holds above the cut-off grade, in loads and kilograms."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.dig.load import Shovel, expected_load_kg, load_magnetics_kg
from washgrade.dig.rank import Spread, spread
from washgrade.dig.returns import WITHIN_SD, Bed, Standing, taken_share
from washgrade.errors import InputError

__all__ = ["Stock", "StreakRule", "StreakSeen", "reach_stock"]

# Draws of the streaks come from one fixed stream, in blocks of reaches, so that a reach's own never hang on
# how many others there are.
_SEED, _BLOCK = 5180, 1024
# How many spots of a reach a look takes in: where a share p of the bed is streak, it finds none with chance
# exp(-10 p). Our choice.
SPOTS = 10.0


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
    streak_log_sd : float
        How far the share of streaks in one reach lies from ``streak_share``, standard deviation of its
        logarithm. 0.5: our choice, because one wash shows them twice as wide as the next.
    within_sd : float
        How much the loads of one reach differ (`washgrade.dig.returns.WITHIN_SD`).

    Raises
    ------
    InputError
        If a value is out of its limits.
    """

    streak_share: float = 0.15
    bite_m: float = 0.10
    depleted_share: float = 0.2
    streak_log_sd: float = 0.5
    within_sd: float = WITHIN_SD

    def __post_init__(self) -> None:
        number("streak_share", self.streak_share, above=0, at_most=1)
        number("bite_m", self.bite_m, above=0)
        number("depleted_share", self.depleted_share, at_least=0, at_most=1)
        number("streak_log_sd", self.streak_log_sd, at_least=0)
        number("within_sd", self.within_sd, at_least=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class StreakSeen:
    """What looks tell of the streaks in reaches.

    Parameters
    ----------
    reach : ndarray of int64, shape (looks,)
        Where.
    found : ndarray of bool, shape (looks,)
        Whether a streak within the bite was seen, or none.
    kept : ndarray of float64, shape (looks,)
        Share of the bed that the floods since have left as it was seen, 0 to 1: what the look counts.
    """

    reach: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    found: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))
    kept: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What the reaches hold.

    Parameters
    ----------
    loads_held : ndarray of float64, shape (reaches,)
        Loads in one bite over the streaks of a fresh reach, as expected.
    loads_left : ndarray of float64, shape (reaches,)
        Those not yet taken, as expected.
    depleted : ndarray of bool, shape (reaches,)
        Whether too little is left.
    bed : Bed
        Loads and magnetics left, in each way that the floods may have been, or in each draw of the grade.
    grade_draws : ndarray of float, shape (draws, reaches)
        Joint draws of the grade of the fresh bed.
    cutoff_grade : float
        Draws with a lower grade hold nothing worth digging.
    shovel : Shovel
        What a load is.
    streak : StreakRule
        How much of a bed is streak.
    seen : StreakSeen
        What looks tell.
    load_kg : ndarray of float64, shape (reaches,)
        Magnetics expected in a load of the fresh reach, kilograms: the draws are scaled to it.
    """

    loads_held: NDArray[np.float64]
    loads_left: NDArray[np.float64]
    depleted: NDArray[np.bool_]
    bed: Bed
    grade_draws: NDArray[np.floating]
    cutoff_grade: float
    shovel: Shovel
    streak: StreakRule
    seen: StreakSeen
    load_kg: NDArray[np.float64]

    def standing(self, reaches: ArrayLike | None = None) -> Standing:
        """Joint draws of what some reaches stand at.

        Parameters
        ----------
        reaches : array_like of int, optional
            Which; all unless told. A reach's draws are the same whichever others are asked for.

        Returns
        -------
        Standing
            What floods laid, and what of it was dug: what a day of digging is planned on.
        """
        count = len(self.loads_held)
        at = np.arange(count) if reaches is None else np.asarray(reaches, np.int64)
        draws = len(self.grade_draws)
        held = self.loads_held[at] * _streak_factor(draws, at, self.streak, self.seen)
        laid, dug, richness = _as_laid(self.bed.of(at), self.streak.within_sd)
        way = np.arange(draws) % len(laid)
        fresh_kg = load_magnetics_kg(self.grade_draws[:, at], self.shovel)
        # So that what is expected, and so the order of reaches, does not hang on the chance of draws.
        middle_kg = np.maximum(_mean_of_each(fresh_kg), 1e-12)
        fresh_kg = fresh_kg * (self.load_kg[at] / middle_kg).astype(fresh_kg.dtype)
        return Standing(
            fresh_load_kg=fresh_kg * richness.astype(fresh_kg.dtype)[way],
            loads_held=held * laid[way],
            depletion=dug[way],
            within_sd=self.streak.within_sd,
        )

    def worth_kg(self, reaches: ArrayLike | None = None) -> NDArray[np.float64]:
        """Joint draws of the magnetics left above the cut-off.

        Parameters
        ----------
        reaches : array_like of int, optional
            Which; all unless told.

        Returns
        -------
        ndarray of float64, shape (draws, reaches)
            Kilograms; nothing where a draw's grade is below the cut-off.
        """
        at = np.arange(len(self.loads_held)) if reaches is None else np.asarray(reaches, np.int64)
        above = self.grade_draws[:, at] > self.cutoff_grade
        return np.where(above, self.standing(at).stock_kg, 0.0)

    def left_kg(self, *, share: NDArray[np.float64] | None = None) -> Spread:
        """Magnetics left above the cut-off, with their doubt.

        Parameters
        ----------
        share : ndarray of float64, shape (draws,), optional
            What share of them counts in each draw, such as that of magnetite; all of it unless told.

        Returns
        -------
        Spread
            Kilograms, by reach.
        """
        # In blocks, so that memory stays flat however large the ground.
        count = len(self.loads_held)
        times = 1.0 if share is None else share[:, None]
        parts = [
            spread(self.worth_kg(np.arange(first, min(first + _BLOCK, count))) * times)
            for first in range(0, count, _BLOCK)
        ]
        names = ("mean", "p10", "p50", "p90")
        return Spread(**{name: np.concatenate([getattr(one, name) for one in parts]) for name in names})


def _as_laid(
    bed: Bed, within_sd: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Loads that floods laid, the share of their magnetics that was dug, and how rich they were, by way."""
    laid, dug = np.ones(bed.loads.shape), np.zeros(bed.loads.shape)
    # Most reaches of most sites are fresh, and the curve takes its time.
    begun = np.flatnonzero((bed.loads < 1.0).any(axis=0))
    laid[:, begun], share = bed.of(begun).on_curve(within_sd=within_sd)
    dug[:, begun] = taken_share(share, within_sd=within_sd)
    return laid, dug, bed.richness


def _mean_of_each(draws: NDArray[np.floating]) -> NDArray[np.float64]:
    """Mean over the draws of each reach, to the last digit the same whichever others there are."""
    found: NDArray[np.float64] = np.ascontiguousarray(draws.T).mean(axis=1, dtype=np.float64)
    return found


def _streak_factor(
    draws: int, reaches: NDArray[np.int64], streak: StreakRule, seen: StreakSeen
) -> NDArray[np.float64]:
    """Share of streaks in each draw over the expected one, its mean 1."""
    from scipy.special import ndtr

    normal = np.empty((draws, len(reaches)))
    for block in np.unique(reaches // _BLOCK).tolist():
        here = np.flatnonzero(reaches // _BLOCK == block)
        rng = np.random.default_rng([_SEED, block])
        drawn = rng.standard_normal((draws, _BLOCK), dtype=np.float32)
        normal[:, here] = drawn[:, reaches[here] - block * _BLOCK]
    factor: NDArray[np.float64] = np.exp(streak.streak_log_sd * normal - 0.5 * streak.streak_log_sd**2)
    for column, reach in enumerate(reaches.tolist()):
        if (seen.reach == reach).any():
            grid, weight, mean = _streak_grid(streak, seen, reach)
            at = np.searchsorted(np.cumsum(weight), ndtr(normal[:, column]))
            factor[:, column] = grid[np.minimum(at, len(grid) - 1)] / mean
    # Its mean is known to be 1, and what is expected should not hang on the chance of draws.
    factor /= _mean_of_each(factor)
    return factor


def _streak_grid(
    streak: StreakRule, seen: StreakSeen, reach: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Share of streaks over the usual one: values, weights after the looks, mean."""
    z = np.linspace(-4.0, 4.0, 401)
    grid = np.exp(streak.streak_log_sd * z - 0.5 * streak.streak_log_sd**2)
    log_weight = -0.5 * z**2
    for k in np.flatnonzero(seen.reach == reach):
        none = np.exp(-SPOTS * streak.streak_share * grid)
        log_weight += seen.kept[k] * np.log(np.maximum(1.0 - none if seen.found[k] else none, 1e-300))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return grid, weight, float(weight @ grid)


def reach_stock(
    *,
    length_m: NDArray[np.float64],
    bed_width_m: NDArray[np.float64],
    grade_draws: NDArray[np.floating],
    shovel: Shovel,
    streak: StreakRule,
    cutoff_grade: float,
    grade_mean: NDArray[np.float64] | None = None,
    bed: Bed | None = None,
    seen: StreakSeen | None = None,
    held_factor: NDArray[np.float64] | None = None,
) -> Stock:
    """Count loads and kilograms in the streaks of each reach.

    Parameters
    ----------
    length_m : ndarray of float64, shape (reaches,)
        Lengths, metres.
    bed_width_m : ndarray of float64, shape (reaches,)
        Widths of the beds, metres.
    grade_draws : ndarray of float, shape (draws, reaches)
        Joint draws of the grade of the fresh bed, 0 to 1.
    shovel : Shovel
        What a load is.
    streak : StreakRule
        How much of the bed is streak.
    cutoff_grade : float
        Below it, digging is not worth it; 0 to 1.
    grade_mean : ndarray of float64, shape (reaches,), optional
        Exact expectation of the grade; the mean of the draws unless given.
    bed : Bed, optional
        What digging and floods have left, ways by reaches, from `washgrade.dig.ledger.reckon`; the fresh bed
        unless given.
    seen : StreakSeen, optional
        What looks tell.
    held_factor : ndarray of float64, shape (reaches,), optional
        How much more each reach is known to hold, because more was dug than the rule gives; 1 unless given.

    Returns
    -------
    Stock
        Loads held and left, the bed; draws on demand.

    Raises
    ------
    InputError
        If the shapes disagree, a share of the bed lies outside 0 to 1, or the cut-off is no share.

    Notes
    -----
    Loads held = length x bed width x streak share x bite / volume of a load. The share of streaks in a reach
    is lognormal about the usual one; a look that finds none makes it likely to be small, by the chance
    ``exp(-10 share)`` of finding none, and counts as far as the bed still lies as it was seen.

    Examples
    --------
    >>> import numpy as np
    >>> stock = reach_stock(length_m=np.array([40.0]), bed_width_m=np.array([3.0]),
    ...                     grade_draws=np.array([[0.1], [0.01]]), shovel=Shovel(),
    ...                     streak=StreakRule(streak_log_sd=0.0), cutoff_grade=0.05)
    >>> stock.loads_held.round(6), stock.worth_kg().ravel().round(0)
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
    if bed is None:
        bed = Bed.dug(np.zeros((1, len(length_m))))
    for name in ("loads", "full", "left"):
        share = np.asarray(getattr(bed, name))
        if share.ndim != 2 or share.shape[1] != len(length_m) or not ((share >= 0) & (share <= 1)).all():
            raise InputError(f"Invalid '{name}' of 'bed'. It must hold shares from 0 to 1, ways by reaches.")
    seen = StreakSeen() if seen is None else seen
    held = length_m * bed_width_m * streak.streak_share * streak.bite_m / (shovel.shovel_litres * 1e-3)
    if held_factor is not None:
        held = held * held_factor
    for reach in np.unique(seen.reach).tolist():
        held[reach] *= _streak_grid(streak, seen, reach)[2]
    left = held * bed.loads.mean(axis=0, dtype=np.float64)
    return Stock(
        loads_held=held,
        loads_left=left,
        depleted=left < streak.depleted_share * held,
        bed=bed,
        grade_draws=grade_draws,
        cutoff_grade=cutoff_grade,
        shovel=shovel,
        streak=streak,
        seen=seen,
        load_kg=expected_load_kg(
            grade_draws,
            np.mean(grade_draws, axis=0, dtype=np.float64) if grade_mean is None else grade_mean,
            shovel,
        ),
    )
