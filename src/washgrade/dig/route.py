"""Which stops to make and in which order within a budget of time, on legs that differ there and back."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number, whole
from washgrade.dig import route_loops
from washgrade.dig.doubt import Doubt
from washgrade.errors import InputError

__all__ = ["Route", "RouteProblem", "most_stops_in", "plan_route", "upper_bound"]

# Turns of destroying and refilling. Our choice, from the open instances: see benchmarks/route.py.
ROUNDS = 12000
BATCH = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class RouteProblem:
    """Stops to choose from and to put in order.

    Parameters
    ----------
    leg_minutes : ndarray of float64, shape (points, points)
        Time from each point to each other, at least 0; inf where there is no way. Any one unit of time or
        distance will do, if the others have it too.
    budget_minutes : float
        What the whole round may take, legs and stops, at least 0.
    start : int
        Point where the round begins; no stop.
    end : int, optional
        Point where it ends, no stop either; ``start`` for a closed round, None to end at any stop.
    stop_minutes : ndarray of float64, shape (points,), optional
        Time at each stop, at least 0; 0 unless told.
    prize : ndarray of float64, shape (points,), optional
        Worth of each stop that adds up, at least 0; 0 unless told.
    doubt : Doubt, optional
        Worth that stops share: what samples at a set of points settle. Its points are these points.
    group : ndarray of int64, shape (points,), optional
        Group of each point, such as its tributary, or -1.
    group_score : float, default 0
        Worth of the first stop in each group.
    may_stop : ndarray of bool, shape (points,), optional
        Whether a point may be a stop; all but the ends unless told.
    fixed : tuple of int, optional
        Stops that must be made.
    most_stops : int, optional
        How many stops at most, the fixed ones included.

    Raises
    ------
    InputError
        If an array does not fit the points, a number is outside its limits, or a fixed stop is no stop.
    """

    leg_minutes: NDArray[np.float64]
    budget_minutes: float
    start: int
    end: int | None = None
    stop_minutes: NDArray[np.float64] | None = None
    prize: NDArray[np.float64] | None = None
    doubt: Doubt | None = None
    group: NDArray[np.integer[Any]] | None = None
    group_score: float = 0.0
    may_stop: NDArray[np.bool_] | None = None
    fixed: tuple[int, ...] = ()
    most_stops: int | None = None

    def __post_init__(self) -> None:
        legs = np.asarray(self.leg_minutes, np.float64)
        if legs.ndim != 2 or legs.shape[0] != legs.shape[1] or not np.all(legs >= 0):
            raise InputError(
                f"Invalid 'leg_minutes' of shape {legs.shape}. They must be times of at least 0 between all "
                "points, as many rows as columns."
            )
        count = len(legs)
        number("budget_minutes", self.budget_minutes, at_least=0)
        number("group_score", self.group_score, at_least=0)
        if self.most_stops is not None:
            whole("most_stops", self.most_stops, at_least=0)
        for name in ("stop_minutes", "prize", "group", "may_stop"):
            given = getattr(self, name)
            if given is None:
                continue
            if np.shape(given) != (count,):
                raise InputError(
                    f"Invalid '{name}' of shape {np.shape(given)}. There must be one for each of the {count} "
                    "points."
                )
            least = -1 if name == "group" else 0
            if name != "may_stop" and not (np.all(np.isfinite(given)) and np.all(given >= least)):
                raise InputError(f"Invalid '{name}'. They must be finite numbers of at least {least}.")
        if self.doubt is not None and self.doubt.points != count:
            raise InputError(
                f"Invalid doubt of {self.doubt.points} points. It must be of the {count} points of the round."
            )
        for point in (self.start, *(() if self.end is None else (self.end,)), *self.fixed):
            if not 0 <= point < count:
                raise InputError(f"Invalid point {point}. It must lie from 0 to {count - 1}.")
        stops = self.stops
        for point in self.fixed:
            if not stops[point]:
                raise InputError(f"Invalid fixed stop {point}. It must be a point where one may stop.")
        if len(set(self.fixed)) < len(self.fixed):
            raise InputError("Invalid fixed stops. Each must be named once.")
        if self.most_stops is not None and len(self.fixed) > self.most_stops:
            raise InputError(
                f"Invalid 'most_stops' of {self.most_stops}. It must be at least {len(self.fixed)}, the "
                "fixed stops."
            )

    @property
    def stops(self) -> NDArray[np.bool_]:
        """Where one may stop, shape (points,)."""
        count = len(self.leg_minutes)
        may = np.ones(count, bool) if self.may_stop is None else np.array(self.may_stop, bool)
        may[self.start] = False
        if self.end is not None:
            may[self.end] = False
        return may


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """A round of stops.

    Parameters
    ----------
    stops : ndarray of int64, shape (stops,)
        Points in the order they are visited, without start and end.
    value_score : float
        Worth of the stops, group prizes included.
    minutes : float
        What the round takes, stops included.
    rounds : int
        Turns of the search.
    """

    stops: NDArray[np.int64]
    value_score: float
    minutes: float
    rounds: int = field(default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Laid:
    """A problem as the compiled loops take it: stop times in the legs, an end in any case."""

    legs: NDArray[np.float64]
    prize: NDArray[np.float64]
    group: NDArray[np.int64]
    covariance: NDArray[np.float64]
    wanted: NDArray[np.float64]
    error: NDArray[np.float64]
    may_stop: NDArray[np.bool_]
    fixed: NDArray[np.bool_]
    end: int
    most_stops: int


def _lay(problem: RouteProblem) -> _Laid:
    count = len(problem.leg_minutes)
    extra = int(problem.end is None)
    size = count + extra
    # A leg longer than all there is never fits, and sums of it stay exact enough; infinities would not.
    never = 4.0 * problem.budget_minutes + 1.0
    legs = np.zeros((size, size))
    legs[:count, :count] = problem.leg_minutes
    if problem.stop_minutes is not None:
        stop = np.array(problem.stop_minutes, np.float64)
        stop[problem.start] = 0.0
        if problem.end is not None:
            stop[problem.end] = 0.0
        legs[:count, :count] += stop[None, :]
    legs = np.minimum(legs, never)

    def laid(given: NDArray[Any] | None, else_value: float) -> NDArray[np.float64]:
        full = np.full(size, else_value)
        if given is not None:
            full[:count] = given
        return full

    may = np.zeros(size, bool)
    may[:count] = problem.stops
    fixed = np.zeros(size, bool)
    fixed[list(problem.fixed)] = True
    parts = 0 if problem.doubt is None else len(problem.doubt.covariance)
    covariance, wanted = np.zeros((parts, size, size)), np.zeros((parts, size, size))
    error = np.ones((parts, size))
    if problem.doubt is not None:
        covariance[:, :count, :count] = problem.doubt.covariance
        wanted[:, :count, :count] = problem.doubt.wanted / parts
        error[:, :count] = problem.doubt.error_variance
    most = int(may.sum())
    return _Laid(
        legs=legs,
        prize=laid(problem.prize, 0.0),
        group=laid(problem.group, -1.0).astype(np.int64),
        covariance=covariance,
        wanted=wanted,
        error=error,
        may_stop=may,
        fixed=fixed,
        end=count if problem.end is None else problem.end,
        most_stops=most if problem.most_stops is None else min(most, problem.most_stops),
    )


def plan_route(
    problem: RouteProblem,
    *,
    rng: np.random.Generator,
    rounds: int = ROUNDS,
    within_s: float | None = None,
) -> Route:
    """Find a round of stops of great worth that keeps the budget.

    Parameters
    ----------
    problem : RouteProblem
        The stops to choose from.
    rng : numpy.random.Generator
        Decides what is destroyed; the same state gives the same round.
    rounds : int, default 12000
        Turns of destroying and refilling. Our choice, because on the open instances little is gained after.
    within_s : float, optional
        Stop after so many seconds, above 0, instead of after the turns; then the round depends on the
        machine.

    Returns
    -------
    Route
        Never over the budget; without any stop if none fits.

    Raises
    ------
    InputError
        If the way to the end or the fixed stops do not fit the budget, or a number is outside its limits.

    Notes
    -----
    Greedy insertion by worth for the time, then turns of a local search: some stops are left out (by chance,
    a stretch, the worst for their time, those near a newcomer), or too many are taken and the worst sent
    away; what is left is refilled and its order mended by reversing stretches and moving one to three stops.
    The orienteering problem is NP-hard; `upper_bound` says what no round can pass.

    References
    ----------
    Tsiligirides, T. (1984). Heuristic methods applied to orienteering. J. Oper. Res. Soc. 35, 797-809.
    Shaw, P. (1998). Using constraint programming and local search methods to solve vehicle routing problems.
    CP 98, Lecture Notes in Computer Science 1520, 417-431 (destroying and refilling).

    Examples
    --------
    Three houses on a line at 1, 2 and 4, out and back in 5:

    >>> place = np.array([0.0, 1.0, 2.0, 4.0])
    >>> problem = RouteProblem(leg_minutes=np.abs(place[:, None] - place), budget_minutes=5.0, start=0, end=0,
    ...                        prize=np.array([0.0, 2.0, 1.0, 9.0]))
    >>> found = plan_route(problem, rng=np.random.default_rng(1), rounds=50)
    >>> sorted(found.stops.tolist()), found.value_score, found.minutes
    ([1, 2], 3.0, 4.0)
    """
    whole("rounds", rounds, at_least=0)
    if within_s is not None:
        number("within_s", within_s, above=0)
    began_s = time.perf_counter()
    laid = _lay(problem)
    route = _with_fixed(problem, laid)
    state = rng.integers(0, 2**63, size=1).astype(np.uint64)
    done = 0
    while True:
        turns = rounds if within_s is None else BATCH
        route, value, minutes = route_loops.search(
            laid.legs,
            laid.prize,
            laid.group,
            float(problem.group_score),
            laid.covariance,
            laid.wanted,
            laid.error,
            laid.may_stop,
            laid.fixed,
            problem.start,
            laid.end,
            float(problem.budget_minutes),
            laid.most_stops,
            turns,
            state,
            route,
        )
        done += turns
        if within_s is None or time.perf_counter() - began_s >= within_s:
            return Route(stops=route[1:-1].copy(), value_score=value, minutes=minutes, rounds=done)


def _with_fixed(problem: RouteProblem, laid: _Laid) -> NDArray[np.int64]:
    """Return the shortest round found through the fixed stops alone, or say that it does not fit."""
    route = np.array([problem.start, laid.end], np.int64)
    for point in problem.fixed:
        extra = laid.legs[route[:-1], point] + laid.legs[point, route[1:]] - laid.legs[route[:-1], route[1:]]
        route = np.insert(route, int(np.argmin(extra)) + 1, point)
    least = problem.budget_minutes * route_loops.ROUNDING
    minutes = route_loops.shorten(laid.legs, route, len(route), least)
    if minutes > problem.budget_minutes:
        what = "The way to the end" if not problem.fixed else "The round of the fixed stops"
        takes = "there is none" if minutes >= 4.0 * problem.budget_minutes else f"it takes {minutes:.1f}"
        raise InputError(
            f"{what} does not fit 'budget_minutes' of {problem.budget_minutes:g}: {takes}. It must not take "
            "longer."
        )
    return route


def most_stops_in(problem: RouteProblem) -> int:
    """Count the stops that no round within the budget can pass.

    Parameters
    ----------
    problem : RouteProblem
        The stops to choose from.

    Returns
    -------
    int
        At least the number of stops of any round.
    """
    laid = _lay(problem)
    cost, free = _least_cost(problem, laid)
    fits = np.cumsum(np.sort(cost)) <= free * (1.0 + 1e-12)
    return min(int(fits.sum()), laid.most_stops)


def upper_bound(problem: RouteProblem) -> float:
    """Worth that no round within the budget can pass.

    Parameters
    ----------
    problem : RouteProblem
        The stops to choose from.

    Returns
    -------
    float
        In the unit of the worth.

    Notes
    -----
    Every stop has a leg in and a leg out, so it costs no less than half the shortest of each and the time
    there. Under these costs prizes are packed as by Dantzig (1957), parts of a stop allowed; what samples
    settle is bounded for the number of stops that fit (`Doubt.at_most`). The ways themselves are left out,
    so the truth may lie well below.

    References
    ----------
    Dantzig, G. B. (1957). Discrete-variable extremum problems. Operations Research 5, 266-288.
    """
    laid = _lay(problem)
    cost, free = _least_cost(problem, laid)
    prize = laid.prize[laid.may_stop]
    order = np.argsort(-prize / np.maximum(cost, 1e-300), kind="stable")
    total, left = 0.0, free
    for at in order:
        share = 1.0 if cost[at] <= left else left / cost[at]
        total += share * prize[at]
        left -= share * cost[at]
        if share < 1.0:
            break
    most = most_stops_in(problem)
    total = min(total, float(np.sort(prize)[::-1][:most].sum()))
    if problem.group is not None:
        total += problem.group_score * min(most, len(np.unique(laid.group[laid.group >= 0])))
    if problem.doubt is not None:
        total += problem.doubt.only(np.flatnonzero(laid.may_stop)).at_most(most)
    return total


def _least_cost(problem: RouteProblem, laid: _Laid) -> tuple[NDArray[np.float64], float]:
    """Return least minutes of each point that may be a stop, and the minutes there are for them."""
    legs = laid.legs.copy()
    if problem.start != laid.end:
        # Nothing leads back to the start or on from the end.
        legs[:, problem.start] = math.inf
        legs[laid.end, :] = math.inf
    np.fill_diagonal(legs, math.inf)
    shut = ~laid.may_stop
    shut[[problem.start, laid.end]] = False
    legs[shut, :] = math.inf
    legs[:, shut] = math.inf
    least_in, least_out = legs.min(axis=0), legs.min(axis=1)
    at = np.flatnonzero(laid.may_stop)
    cost = 0.5 * (least_in[at] + least_out[at])
    ends = 0.5 * (least_out[problem.start] + least_in[laid.end]) if len(at) else 0.0
    return np.where(np.isfinite(cost), cost, problem.budget_minutes + 1.0), problem.budget_minutes - min(
        ends, problem.budget_minutes
    )
