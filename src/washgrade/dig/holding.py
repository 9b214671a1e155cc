"""What the reaches hold today, in joint draws: floods lay it, digs take it, weights and samples correct it.

The grade's joint draws say what a load of each reach may bring. From there every draw is played through the
floods and digs as one way the ground may be, with its own numbers for how hard floods are, how far sand
travels and how much the loads of a reach differ. What a dig brought or a sample showed then moves all draws
towards those that had foretold it: the reach itself, its neighbours by as much as the draws make them alike,
and the numbers. So a reach that gives little for its second day is known to be worked out, and one that gives
little after a flood teaches that floods bring little.

To rank a site on a day: begin with the grade's joint draws from the samples, play storms, digs and later
samples in the order of their moments (`after_flood`, `after_dig`, `after_sample`), rank by the mean of
`Holding.day_kg`, and ask `washgrade.dig.choose.next_step` whether a sample on the way pays first. A sample
must enter once: either through the grade or here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.dig.returns import WITHIN_SD
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers, one_each
from washgrade.storm.learn import Prior
from washgrade.storm.refill import TRAVEL_M, steady_step, travel_share
from washgrade.storm.season import flood_step

__all__ = ["Holding", "HoldingRule", "after_dig", "after_flood", "after_sample", "begin_holding"]

# Rows of ``Holding.log_numbers``.
SEVERITY, REFILL, TRAVEL, WITHIN, RECOVERY = range(5)
# Nobody gets the last of a reach: a dig leaves at least this share of what a load held. Our choice.
LEAST_LEFT = 0.05
LEAST_KG = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldingRule:
    """What is thought of floods, beds and digs before the site has spoken.

    Parameters
    ----------
    prior : Prior
        Of the severity of floods, the refill scale and the scatter of storms.
    fresh_log_sd : float
        How much what one flood lays in a reach differs from what floods lay there on the mean, standard
        deviation of the logarithm. 0.3: our choice, the scatter of scoops (10 to 40 %) and no more, because
        the traps stay where they are.
    place_log_sd : float
        How much the scour of one reach differs from what is reckoned. 0.4: our choice, because widths and
        rain are known to no better.
    travel_log_sd : float
        Of the mean way of the moving sand about 100 m (`washgrade.storm.refill.TRAVEL_M`). 1: our choice,
        because sources differ from tens to hundreds of metres.
    within_log_sd : float
        Of the scatter of loads within a reach about `washgrade.dig.returns.WITHIN_SD`. 0.3: our choice.
    recovery : float
        Share of a load's magnetics that is brought home, middle of what is thought, 0 to 1. 0.9: our choice.
    recovery_log_sd : float
        Of that. 0.1: our choice.
    weight_log_sd : float
        Scatter of a dig's weight about what is foretold from what the reach holds. 0.2: our choice, because
        the eye finds now more and now less of the richest sand; on simulated seasons
        (`benchmarks/season.py`) 0.3 foretold the weights less surely than they were.

    Raises
    ------
    InputError
        If a number is out of its limits.
    """

    prior: Prior = field(default_factory=Prior)
    fresh_log_sd: float = 0.3
    place_log_sd: float = 0.4
    travel_log_sd: float = 1.0
    within_log_sd: float = 0.3
    recovery: float = 0.9
    recovery_log_sd: float = 0.1
    weight_log_sd: float = 0.2

    def __post_init__(self) -> None:
        for name in ("fresh_log_sd", "place_log_sd", "travel_log_sd", "within_log_sd", "recovery_log_sd"):
            number(name, getattr(self, name), at_least=0)
        number("recovery", self.recovery, above=0, at_most=1)
        number("weight_log_sd", self.weight_log_sd, above=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """Joint draws of what the reaches hold; each row is one way the whole ground may be.

    Parameters
    ----------
    fresh_kg : ndarray of float64, shape (draws, reaches)
        Magnetics in a mean load of the reach as floods lay it, kilograms.
    now_kg : ndarray of float64, shape (draws, reaches)
        The same of what lies there today, spread over all the loads that the reach holds when fresh.
    loads_held : ndarray of float64, shape (reaches,)
        Loads in the streaks of a fresh reach (`washgrade.dig.stock.reach_stock`).
    log_numbers : ndarray of float64, shape (draws, 5)
        Logarithms of the severity of floods, the refill scale, the mean way of moving sand in metres, the
        scatter of loads within a reach, and the share brought home.
    rule : HoldingRule
        What it rests on.
    """

    fresh_kg: NDArray[np.float64]
    now_kg: NDArray[np.float64]
    loads_held: NDArray[np.float64]
    log_numbers: NDArray[np.float64]
    rule: HoldingRule

    def day_kg(self, loads: float) -> NDArray[np.float64]:
        r"""What so many loads would bring in each reach today.

        Parameters
        ----------
        loads : float
            Loads of a day, above 0; a reach that holds fewer is dug to its end.

        Returns
        -------
        ndarray of float64, shape (draws, reaches)
            Kilograms brought home: recovery × loads held × what a load holds × the share of it that lies in
            the richest part dug, :math:`\Phi(\Phi^{-1}(q)+s)` (`washgrade.dig.returns.taken_share`). What a
            dig leaves is taken to be scattered as before: weights, not the curve, tell that it is poorer.
        """
        share = np.minimum(number("loads", loads, above=0) / np.maximum(self.loads_held, 1e-9), 1.0)
        part = _lorenz(share, np.exp(self.log_numbers[:, WITHIN]))
        found: NDArray[np.float64] = (
            np.exp(self.log_numbers[:, RECOVERY])[:, None] * part * self.loads_held * self.now_kg
        )
        return found


def _lorenz(share: NDArray[np.float64], within_sd: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the magnetics in the richest ``share`` of the loads, draws by reaches."""
    # SciPy's normal takes a while to import: only when it is needed.
    from scipy.special import ndtr, ndtri

    found: NDArray[np.float64] = ndtr(ndtri(share)[None, :] + within_sd[:, None])
    return found


def begin_holding(
    load_kg: ArrayLike,
    loads_held: ArrayLike,
    *,
    rng: np.random.Generator,
    rule: HoldingRule | None = None,
) -> Holding:
    """Start from the joint draws of the grade.

    Parameters
    ----------
    load_kg : array_like of float, shape (draws, reaches)
        Magnetics in a mean load of each reach on the first day (`washgrade.dig.load.load_magnetics_kg` of
        the grade's joint draws), kilograms.
    loads_held : array_like of float, shape (reaches,)
        Loads in the streaks of each reach.
    rng : numpy.random.Generator
        Source of the draws' own numbers.
    rule : HoldingRule, optional
        What is thought beforehand.

    Returns
    -------
    Holding
        Nothing dug, no flood yet.

    Raises
    ------
    InputError
        If there are fewer than ten draws or the shapes disagree.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> holding = begin_holding(np.exp(rng.normal(0, 0.5, (400, 2))), [500.0, 500.0], rng=rng)
    >>> poor = after_dig(holding, reach=0, loads=60, product_kg=20.0)
    >>> before, after = holding.day_kg(60).mean(axis=0), poor.day_kg(60).mean(axis=0)
    >>> bool(after[0] < 0.6 * before[0]), bool(abs(after[1] / before[1] - 1) < 0.2)
    (True, True)
    """
    rule = HoldingRule() if rule is None else rule
    now = np.maximum(numbers("load_kg", load_kg, at_least=0), LEAST_KG)
    if now.ndim != 2 or len(now) < 10:
        raise InputError(
            f"Invalid 'load_kg' of shape {now.shape}. It must be draws, at least 10, by reaches."
        )
    draws, count = now.shape
    # The readings saw what lies there today; what floods lay there on the mean may be more or less.
    fresh = now * np.exp(_scatter(rng, rule.fresh_log_sd, (draws, count)))
    prior = rule.prior
    middle = np.array([0.0, 0.0, math.log(TRAVEL_M), math.log(WITHIN_SD), math.log(rule.recovery)])
    spread = np.array(
        [
            prior.severity_log_sd,
            prior.refill_log_sd,
            rule.travel_log_sd,
            rule.within_log_sd,
            rule.recovery_log_sd,
        ]
    )
    return Holding(
        fresh_kg=fresh,
        now_kg=now,
        loads_held=one_each("loads_held", loads_held, count, "reach", at_least=0),
        log_numbers=middle + spread * rng.standard_normal((draws, 5)),
        rule=rule,
    )


def _scatter(rng: np.random.Generator, sd: float, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Normal logarithms whose exponentials have the mean 1."""
    found: NDArray[np.float64] = sd * rng.standard_normal(shape) - 0.5 * sd**2
    return found


@kernel
def _flood_all(
    downstream: NDArray[np.int32],
    fresh: NDArray[np.float64],
    laid: NDArray[np.float64],
    renewed: NDArray[np.float64],
    travels: NDArray[np.float64],
    stock: NDArray[np.float64],
) -> None:
    """One flood in every draw, with the steady supply of sand as floods lay it on the mean."""
    arriving = np.empty(len(downstream))
    supplied = np.empty(len(downstream))
    for draw in range(len(stock)):
        supply = steady_step(downstream, fresh[draw] * renewed[draw] * travels[draw])
        flood_step(
            downstream, laid[draw], stock[draw], renewed[draw], travels[draw], supply, supplied, arriving
        )


def after_flood(
    holding: Holding,
    *,
    downstream: NDArray[np.int32],
    length_m: ArrayLike,
    scour_bites: ArrayLike,
    wetted_share: ArrayLike = 1.0,
    rng: np.random.Generator,
) -> Holding:
    r"""Play one flood through every draw.

    Parameters
    ----------
    holding : Holding
        Before.
    downstream : ndarray of int32, shape (reaches,)
        Next reach downstream, -1 at an outlet; upstream before downstream.
    length_m : array_like of float, shape (reaches,)
        Lengths of the reaches, metres.
    scour_bites : array_like of float, shape (reaches,)
        Mean scour over bite as reckoned with a severity of 1 (`washgrade.storm.rework.mean_scour_m`).
    wetted_share : array_like of float, optional
        Share of each bed under water.
    rng : numpy.random.Generator
        Source of what the reckoning does not know: the storm's own strength, the scour of each reach, and how
        rich the sand is that it lays. Give each storm its own, seeded by its record, and the order of import
        changes nothing.

    Returns
    -------
    Holding
        After.

    Notes
    -----
    Share renewed :math:`R = w(1-e^{-\sqrt f\,S/S_0})`, f the draw's severity times the storm's, S the scour
    in bites times the reach's own scatter (`washgrade.storm.learn.learn`). Then one step of the mass balance
    of `washgrade.storm.season.replay` with the draw's own way of travel and the steady supply: what a reach
    gives up comes to the next, and no reach takes in more than arrives. So dug headwaters refill slowly where
    sand travels little, and reaches below them the more slowly the more was dug above.
    """
    draws, count = holding.now_kg.shape
    rule, log = holding.rule, holding.log_numbers
    strength = one_each("scour_bites", scour_bites, count, "reach", at_least=0)
    wetted = one_each("wetted_share", wetted_share, count, "reach", at_least=0, at_most=1)
    length = one_each("length_m", length_m, count, "reach", at_least=0)
    storm = log[:, SEVERITY] + rule.prior.storm_log_sd * rng.standard_normal(draws)
    own = rule.place_log_sd * rng.standard_normal((draws, count))
    scour = np.exp(0.5 * storm - log[:, REFILL])[:, None] * np.exp(own) * strength
    # Many reaches have one length: travel is reckoned once for each.
    kinds, which = np.unique(length, return_inverse=True)
    way_m = np.exp(log[:, TRAVEL])
    travels = np.stack([travel_share(kinds / one_m) for one_m in way_m / TRAVEL_M])[:, which]
    laid = holding.fresh_kg * np.exp(_scatter(rng, rule.fresh_log_sd, (draws, count)))
    stock = holding.now_kg * holding.loads_held
    _flood_all(
        np.asarray(downstream, np.int32),
        holding.fresh_kg * holding.loads_held,
        laid * holding.loads_held,
        wetted * -np.expm1(-scour),
        np.ascontiguousarray(travels),
        stock,
    )
    held = np.maximum(holding.loads_held, 1e-9)
    return replace(holding, now_kg=np.maximum(stock / held, LEAST_KG))


def after_dig(holding: Holding, *, reach: int, loads: float, product_kg: float | None = None) -> Holding:
    """Learn from what a dig brought, and take it off.

    Parameters
    ----------
    holding : Holding
        Before.
    reach : int
        Where.
    loads : float
        Loads dug, above 0.
    product_kg : float, optional
        Magnetics brought home (weight × purity), kilograms; without it every draw loses what it foretold.

    Returns
    -------
    Holding
        After.
    """
    foretold = holding.day_kg(loads)[:, _reach(holding, reach)]
    if product_kg is not None:
        weight_kg = number("product_kg", product_kg, at_least=0)
        holding = _corrected(
            holding, np.log(foretold), math.log(max(weight_kg, LEAST_KG)), holding.rule.weight_log_sd
        )
        foretold = np.full(len(foretold), weight_kg)
    now = holding.now_kg.copy()
    taken = foretold / max(holding.loads_held[reach], 1e-9)
    now[:, reach] = np.maximum(now[:, reach] - taken, LEAST_LEFT * now[:, reach])
    return replace(holding, now_kg=now)


def after_sample(holding: Holding, *, reach: int, load_kg: float, log_sd: float) -> Holding:
    """Learn from a sample of what lies in a reach today.

    Parameters
    ----------
    holding : Holding
        Before.
    reach : int
        Where.
    load_kg : float
        Magnetics that a load of the sampled grade would hold, kilograms, above 0.
    log_sd : float
        How far a sample's logarithm lies from that of the reach's mean, standard deviation, above 0.

    Returns
    -------
    Holding
        After; the sand itself is as before.
    """
    return _corrected(
        holding,
        np.log(holding.now_kg[:, _reach(holding, reach)]),
        math.log(number("load_kg", load_kg, above=0)),
        number("log_sd", log_sd, above=0),
    )


def _reach(holding: Holding, reach: int) -> int:
    count = len(holding.loads_held)
    if not 0 <= reach < count:
        raise InputError(f"Invalid 'reach' of {reach}. It must be between 0 and {count - 1}.")
    return reach


def _corrected(
    holding: Holding, foretold_log: NDArray[np.float64], seen_log: float, error_sd: float
) -> Holding:
    # The ensemble square-root filter for one reading (Whitaker and Hamill 2002, Monthly Weather Review
    # 130:1913-1924, equations 10 to 13; from memory) on the logarithms: with the draws' own covariance c of
    # each number with the reading foretold, and its variance v, the mean moves by K = c / (v + r) times the
    # surprise, and deviations shrink by alpha K, alpha = 1 / (1 + sqrt(r / (v + r))). For normal draws that
    # is the Kalman filter. A correlation that so few draws show by chance is taken off: those within two
    # standard errors of 0, rho^2 < 4 / n, count as none, the rest by (rho^2 - 4/n) / (rho^2 (1 - 4/n)): our
    # choice, so that a far reach does not follow by chance.
    draws = len(holding.now_kg)
    off = foretold_log - foretold_log.mean()
    variance = float(off @ off) / (draws - 1)
    noise = error_sd**2
    surprise = seen_log - float(foretold_log.mean())
    shrink = 1.0 / (1.0 + math.sqrt(noise / (variance + noise)))
    # How far each draw moves, in units of the gain.
    move = surprise - shrink * off
    chance = 4.0 / draws

    def moved(log: NDArray[np.float64]) -> NDArray[np.float64]:
        apart = log - log.mean(axis=0)
        covariance = off @ apart / (draws - 1)
        squares = np.einsum("ij,ij->j", apart, apart) / (draws - 1) * variance
        alike = covariance**2 / np.where(squares > 0, squares, 1.0)
        keep = np.maximum(alike - chance, 0.0) / (np.where(alike > 0, alike, 1.0) * (1.0 - chance))
        found: NDArray[np.float64] = log + np.outer(move, keep * covariance / (variance + noise))
        return found

    return replace(
        holding,
        fresh_kg=np.exp(moved(np.log(holding.fresh_kg))),
        now_kg=np.maximum(np.exp(moved(np.log(holding.now_kg))), LEAST_KG),
        log_numbers=moved(holding.log_numbers),
    )
