"""The sampling walk: where to stop, in which order, how long each leg takes and what it settles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.dig.doubt import Doubt, doubt_of, doubt_weight
from washgrade.dig.legs import NEAR, WalkLegs, legs_between, open_cells
from washgrade.dig.load_walk import speed_factor_with_load
from washgrade.dig.route import Route, RouteProblem, plan_route, upper_bound
from washgrade.dig.stops import nodes_apart
from washgrade.dig.walk_terms import Walk, WalkProblem, WalkRule
from washgrade.errors import InputError
from washgrade.land.walkable import NOWHERE, WalkingSurface, walking_speed_m_s
from washgrade.sand.nextsample import gain_on_average

__all__ = ["Walk", "WalkProblem", "WalkRule", "plan_walk"]

# Turns of the search, see the benchmark. Our choice, because more never gained a thousandth on trials.
ROUNDS = 1500


def plan_walk(
    problem: WalkProblem,
    *,
    rng: np.random.Generator,
    rounds: int = ROUNDS,
    near: int = NEAR,
    progress: Callable[[float], None] | None = None,
) -> Walk:
    """Plan a sampling walk that settles much of the doubt about the ranking within the hours.

    Parameters
    ----------
    problem : WalkProblem
        Ground, knowledge, start and rule.
    rng : numpy.random.Generator
        Decides the turns of the search; the same state gives the same walk.
    rounds : int, default 1500
        Turns of the search.
    near : int, default 12
        Places near each candidate to which walking times are searched (`washgrade.dig.legs.legs_between`).
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Walk
        Never longer than the time there is and never off open ground; without a stop if none fits.

    Raises
    ------
    InputError
        If the start, the end or a fixed stop cannot be reached, or they do not fit the time.

    Notes
    -----
    Every node that can be reached in time counts; the most telling ones that lie apart are the candidates
    (`nodes_apart`). The worth of a set of stops is the fall of the weighted variance of the latent grade on
    the whole ground (`Doubt`), which does not depend on what the samples will show; `plan_route` chooses and
    orders. A leg's time is Tobler's on the walking surface, longer under the load carried then; times between
    places far apart may go by way of other candidates while choosing, and are worked out anew in the end.

    It is a plan, not a promise: heat, floods, thirst and the state of the ground are for the walker to judge.
    """
    rule, nodes = problem.rule, problem.nodes
    budget = rule.budget_minutes
    say = progress or (lambda _share: None)
    start = _end_cell(problem.surface, "start", problem.start_easting_m, problem.start_northing_m)
    end: int | None = start
    if problem.ends_anywhere:
        end = None
    elif problem.end_easting_m is not None and problem.end_northing_m is not None:
        end = _end_cell(problem.surface, "end", problem.end_easting_m, problem.end_northing_m)
    cells = open_cells(problem.surface, nodes.easting_m, nodes.northing_m)
    # Without samples on the way out and back, so that nobody is called too far who is not.
    slow = _slowness(rule, problem.surface, rule.pack_kg)
    ways = WalkLegs(surface=problem.surface, start=start, end=end, within_minutes=budget / slow)
    say(0.1)

    there, back = slow * ways.out_minutes(cells), slow * ways.back_minutes(cells)
    # What is too steep is so both ways, so whatever can be reached can be left again, in whatever time.
    cut_off = ~np.isfinite(there)
    too_far = ~cut_off & (there + rule.sample_minutes + back > budget)
    eligible = ~cut_off & ~too_far
    if problem.allowed is not None:
        eligible &= problem.allowed
    eligible[list(problem.done_nodes)] = False
    for node in problem.fixed_nodes:
        if not eligible[node]:
            why = "no walk leads there" if cut_off[node] else "it lies too far for the time"
            if not cut_off[node] and not too_far[node]:
                why = "it is not allowed"
            raise InputError(f"Invalid fixed stop at node {node}: {why}. It must be within reach.")

    weight = problem.weight
    if weight is None:
        weight = doubt_weight(problem.weighed, cutoff_grade=problem.cutoff_grade)
    # Only the order of the places counts here, so a few representatives will do.
    gain = gain_on_average(problem.weighed, weight=weight, own_variance=rule.own_variance, parts=3)
    say(0.25)
    points = _candidates(problem, gain, eligible)
    done = np.unique(np.array(problem.done_nodes, np.int64))
    doubt = doubt_of(
        problem.weighed, np.concatenate([points, done]), weight=weight, own_variance=rule.own_variance
    )
    doubt = doubt.after(len(points) + np.arange(len(done))).only(np.arange(len(points)))
    say(0.4)
    # Whoever goes from one stop to another makes two.
    legs = legs_between(
        ways, cells[points], near=near, within_minutes=budget / slow - 2.0 * rule.sample_minutes
    )
    say(0.8)
    routed, bound = _choose(problem, points, doubt, legs, rng, rounds)
    say(0.95)
    return _told(problem, routed, bound, points, cells, doubt, ways, legs, cut_off, too_far)


def _end_cell(surface: WalkingSurface, name: str, easting_m: float, northing_m: float) -> int:
    number(f"{name}_easting_m", easting_m)
    number(f"{name}_northing_m", northing_m)
    cell = int(open_cells(surface, np.array([easting_m]), np.array([northing_m]))[0])
    if cell == NOWHERE:
        raise InputError(
            f"Invalid {name} of the walk at {easting_m:.0f} E, {northing_m:.0f} N. It must lie on or beside "
            "ground that is open to walkers."
        )
    return cell


def _slowness(rule: WalkRule, surface: WalkingSurface, load_kg: float) -> float:
    """Return the factor on walking times under a load."""
    level_m_s = float(walking_speed_m_s(np.array(0.0), surface.walking))
    factor = speed_factor_with_load(
        load_kg, speed_m_s=level_m_s, body_kg=rule.body_kg, terrain_factor=rule.terrain_factor
    )
    return 1.0 / float(factor)


def _candidates(
    problem: WalkProblem, gain: NDArray[np.float64], eligible: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Return fixed stops, then the most telling places apart, then the best of each tributary left out."""
    fixed = np.array(problem.fixed_nodes, np.int64)
    apart = nodes_apart(problem.weighed.tree, gain, eligible, problem.rule.most_candidates)
    more = np.empty(0, np.int64)
    if problem.tributary is not None:
        at = np.flatnonzero(eligible)
        best = at[np.argsort(-gain[at], kind="stable")]
        _, first = np.unique(problem.tributary[best], return_index=True)
        more = best[first]
    joined = np.concatenate([fixed, apart, more])
    _, where = np.unique(joined, return_index=True)
    return joined[np.sort(where)]


def _choose(
    problem: WalkProblem,
    points: NDArray[np.int64],
    doubt: Doubt,
    legs: NDArray[np.float64],
    rng: np.random.Generator,
    rounds: int,
) -> tuple[NDArray[np.int64], float]:
    """Return the stops in order as places among the points, and the bound on what they settle."""
    rule, many = problem.rule, len(points)
    # The ends have no doubt of their own: points that know and tell nothing.
    ends = len(legs) - many
    wide = Doubt(
        covariance=np.pad(doubt.covariance, ((0, 0), (0, ends), (0, ends))),
        wanted=np.pad(doubt.wanted, ((0, 0), (0, ends), (0, ends))),
        error_variance=np.pad(doubt.error_variance, ((0, 0), (0, ends)), constant_values=1.0),
        total_variance=doubt.total_variance,
    )
    end: int | None = many + ends - 1
    if problem.ends_anywhere:
        end = None
    group, group_score = np.full(many + ends, -1, np.int64), 0.0
    if problem.tributary is not None:
        known = problem.tributary[np.array(problem.done_nodes, np.int64)]
        group[:many] = problem.tributary[points]
        group[np.isin(group, known)] = -1
        group[group >= 0] = np.unique(group[group >= 0], return_inverse=True)[1]
        # More than all samples together can settle, so that tributaries come first.
        group_score = 2.0 * doubt.total_variance
    stop_minutes = np.full(many + ends, rule.sample_minutes)
    fixed = tuple(int(np.flatnonzero(points == node)[0]) for node in dict.fromkeys(problem.fixed_nodes))
    # A hair less, so that times summed in another order still fit.
    whole = rule.budget_minutes * (1.0 - 1e-9)
    budget = whole - rule.duplicates * rule.sample_minutes

    def at_load(load_kg: float) -> RouteProblem:
        return RouteProblem(
            leg_minutes=legs * _slowness(rule, problem.surface, load_kg),
            budget_minutes=max(budget, 0.0),
            start=many,
            end=end,
            stop_minutes=stop_minutes,
            doubt=wide,
            group=group,
            group_score=group_score,
            fixed=fixed,
            most_stops=rule.most_stops,
        )

    def minutes_of(found: Route) -> float:
        way = [many, *found.stops.tolist(), *([] if end is None else [end])]
        # Second samples count from the first stop on: where they are taken is not known yet.
        samples = np.arange(len(way) - 1)
        loads = rule.pack_kg + rule.sample_kg * (samples + rule.duplicates * (samples > 0))
        slow = np.array([_slowness(rule, problem.surface, float(load)) for load in loads])
        walked = float((legs[way[:-1], way[1:]] * slow).sum())
        return walked + rule.sample_minutes * len(found.stops)

    lightest = at_load(rule.pack_kg)
    found = plan_route(lightest, rng=rng, rounds=rounds)
    kept = found if minutes_of(found) <= budget else None
    if kept is None:
        # The load grows on the way: plan for the mean load of such a walk, then for its last leg.
        size = len(found.stops)
        for load_kg in _later_loads(rule, size):
            found = plan_route(at_load(load_kg), rng=rng, rounds=rounds)
            if minutes_of(found) <= budget:
                kept = found
                break
    if kept is None:
        kept = _lightened(found, fixed, minutes_of, budget, whole)
    return kept.stops, upper_bound(replace(lightest, group=None))


def _later_loads(rule: WalkRule, stops: int) -> tuple[float, float]:
    """Return the load about the middle and on the last leg of a walk, second samples counted."""
    heaviest = rule.sample_kg * (stops + rule.duplicates)
    return rule.pack_kg + 0.5 * heaviest, rule.pack_kg + heaviest


def _lightened(
    found: Route,
    fixed: tuple[int, ...],
    minutes_of: Callable[[Route], float],
    budget_minutes: float,
    whole_minutes: float,
) -> Route:
    """Leave out the last stops that are not fixed until the walk fits."""
    stops = found.stops
    while True:
        route = Route(stops=stops, value_score=0.0, minutes=0.0)
        takes = minutes_of(route)
        # Where nothing is sampled, nothing is sampled twice.
        if takes <= (budget_minutes if len(stops) else whole_minutes):
            return route
        free = [at for at in range(len(stops)) if stops[at] not in fixed]
        if not free:
            raise InputError(
                f"The walk takes {takes:.0f} minutes with the fixed stops alone, load counted; "
                f"{max(budget_minutes, 0.0):.0f} are there, duplicates taken off. It must not take longer."
            )
        stops = np.delete(stops, free[-1])


def _told(
    problem: WalkProblem,
    routed: NDArray[np.int64],
    bound: float,
    points: NDArray[np.int64],
    cells: NDArray[np.int64],
    doubt: Doubt,
    ways: WalkLegs,
    legs: NDArray[np.float64],
    cut_off: NDArray[np.bool_],
    too_far: NDArray[np.bool_],
) -> Walk:
    """Work out times under load, ways and shares of a chosen round."""
    rule = problem.rule
    at = points[routed]
    planned_minutes = legs[routed[:-1], routed[1:]]
    walked, lines_m = ways.along(cells[at], planned_minutes)
    duplicate = _duplicates(problem, doubt, routed)
    samples = np.concatenate([[0.0], np.cumsum(1.0 + duplicate)])[: len(walked)]
    loads = rule.pack_kg + rule.sample_kg * samples
    leg_minutes = walked * np.array([_slowness(rule, problem.surface, float(load)) for load in loads])
    stop_minutes = np.where(duplicate, 2.0, 1.0) * rule.sample_minutes
    before = np.concatenate([[0.0], np.cumsum(stop_minutes)])[: len(at)]
    arrival = np.cumsum(leg_minutes[: len(at)]) + before
    falls = [doubt.settled(routed[: size + 1]) for size in range(len(routed))]
    total = max(doubt.total_variance, 1e-300)
    missed = np.empty(0, np.int64)
    if problem.tributary is not None:
        have = problem.tributary[np.concatenate([at, np.array(problem.done_nodes, np.int64)])]
        missed = np.setdiff1d(problem.tributary[problem.tributary >= 0], have)
    return Walk(
        node=at,
        arrival_minutes=arrival,
        leg_minutes=leg_minutes,
        stop_minutes=stop_minutes,
        load_kg=loads,
        duplicate=duplicate,
        settled_share=np.diff(np.array([0.0, *falls])) / total,
        bound_share=min(bound / total, 1.0),
        minutes=float(leg_minutes.sum() + stop_minutes.sum()),
        budget_minutes=rule.budget_minutes,
        lines_m=lines_m,
        candidate=points,
        cut_off=cut_off,
        too_far=too_far,
        missed_tributary=missed.astype(np.int64),
    )


def _duplicates(problem: WalkProblem, doubt: Doubt, routed: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Mark the stops where a second sample settles most."""
    rule = problem.rule
    twice = np.zeros(len(routed), bool)
    share = problem.weighed.priors.scoop_share
    error = doubt.error_variance
    for _ in range(min(rule.duplicates, len(routed))):
        worth = np.full(len(routed), -np.inf)
        for place in np.flatnonzero(~twice):
            changed = error.copy()
            for point in routed[[*np.flatnonzero(twice), place]]:
                local = error[:, point] - rule.own_variance
                changed[:, point] = (rule.own_variance + share * local) / 2.0 + (1.0 - share) * local
            worth[place] = Doubt(
                covariance=doubt.covariance,
                wanted=doubt.wanted,
                error_variance=changed,
                total_variance=doubt.total_variance,
            ).settled(routed)
        twice[int(np.argmax(worth))] = True
    return twice
