"""The digging day: which reaches, how many loads of each, in which carries, within the minutes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from washgrade.dig.day_choice import STEP_MINUTES, plan_once
from washgrade.dig.day_pairs import Pairing, pairings
from washgrade.dig.day_table import ROOM, DayTable, Priced, day_table, diggable
from washgrade.dig.day_terms import Day, DayProblem
from washgrade.dig.returns import Standing

__all__ = ["Day", "DayProblem", "Standing", "plan_day"]

# How many standard deviations each reach may be shaded by when a sure day is looked for: our choice.
SHADES = tuple(np.arange(0.5, 2.6, 0.5).tolist())
# Reaches that are all looked at; of more, those that cannot be part of the best plan are left out unseen. Our
# choice, because so many take no second.
MANY = 400
# Of more, the best so many give the price of a minute by which the others are left out. Our choice, because a
# day's plan digs a dozen.
FEW = 100
# Share of the draws, the worst for a sure plan, over which the bound of its P10 is taken. Any share is right;
# our choice, because of several tried on made days this gave the least bound.
WORST_SHARE = 0.4
# Pairings looked at for each of them: our choice, because they gain little by others.
LAST_PAIRINGS = 4


def plan_day(problem: DayProblem) -> Day:
    """Plan the digging day that brings most, or the shortest that brings enough.

    Parameters
    ----------
    problem : DayProblem
        Reaches, carries, minutes.

    Returns
    -------
    Day
        Never longer than the budget. With a target that cannot be met it is the day that brings most.

    Notes
    -----
    What a reach brings is concave in the loads (`washgrade.dig.returns`); carries are whole. Where each carry
    is filled at one reach this is a multiple-choice knapsack over minutes, solved exactly by dynamic
    programming in steps of 0.02 minutes (rounded up). Reaches and numbers of loads that cannot be part of a
    better plan than one already known are left out beforehand, by the reduced costs of the bound.

    One carry may be filled at two reaches: pairs of reaches that gain most by it, at several prices of a
    minute, are joined to one choice each, and the best pairing is kept. Of two reaches one shared carry is
    enough: two of them can always be exchanged for one shared and one whole. A reach is paired with one other
    only; the bound says how much better any other plan could be at most.

    The bound lets carries be cut to pieces of one load: each costs its share of the carry from its reach,
    which no shared carry undercuts. It is the Lagrangian dual of that knapsack.

    A sure day: the expectation of each reach is shaded by some standard deviations, and by its part in the
    doubt of the plan; of all plans so found the one with the best P10 over the joint draws is kept. The plain
    one is among them, so it is never less sure. How much surer another day could be is bounded, loosely: of
    the m draws that are worst for this plan no more than k (a tenth of all draws) bring less than the P10 of
    whatever day, so that P10 is at most m / (m - k) times that day's mean over them, and the mean over any
    draws has the bound of the knapsack.

    References
    ----------
    Kellerer, H., Pferschy, U., Pisinger, D. (2004). Knapsack Problems. Springer, chapter 11 (multiple-choice
    knapsack, dynamic programming and reduction by bounds).

    Examples
    --------
    >>> standing = Standing(fresh_load_kg=np.array([[2.0, 1.0]]), loads_held=np.array([30.0, 300.0]),
    ...                     depletion=np.zeros(2))
    >>> day = plan_day(DayProblem(budget_minutes=60.0, standing=standing,
    ...     round_minutes=np.array([[12.0, 9.0]]), capacity_loads=np.array([[3, 3]]), dig_minutes=1.0))
    >>> day.reach.tolist(), day.loads.tolist(), day.minutes, round(day.expected_kg, 1)
    ([1, 0], [3, 9], 57.0, 35.1)
    """
    table = _table(problem)
    shared = pairings(_priced(table, problem.budget_minutes))
    if problem.target_kg is not None:
        return _shortest(table, problem.target_kg, shared)
    found = _fullest(table, problem.budget_minutes, shared)
    return replace(found, p10_bound_kg=_p10_bound_kg(problem, found)) if problem.sure else found


def _table(problem: DayProblem) -> DayTable:
    """Lay out the reaches that may be part of the best plan; of many, most cannot."""
    reach = diggable(problem)
    if len(reach) <= MANY:
        return day_table(problem, reach)
    first_kg = problem.counts_per_kg * problem.standing.expected_kg(1)[reach, 1] + problem.steady_kg
    load_minutes = _load_minutes(problem, reach)
    order = np.argsort(-first_kg / load_minutes, kind="stable")
    many = FEW
    while True:
        priced = _priced(day_table(problem, np.sort(reach[order[:many]])), problem.budget_minutes)
        others = order[many:]
        # No load of a reach brings more than its first: below the price all of its loads lose.
        loss_kg = priced.price * load_minutes[others] - first_kg[others]
        if (loss_kg >= 0.0).all():
            break
        many *= 2
    spare_kg = priced.bound_kg(priced.price) - plan_once(priced, []).expected_kg
    kept = np.concatenate([order[:many], others[loss_kg <= spare_kg + ROOM * (1.0 + spare_kg)]])
    if problem.sure or problem.target_kg is not None:
        # The price is that of the mean and of the whole time: for other ends look at more.
        kept = np.union1d(kept, order[:MANY])
    return day_table(problem, np.sort(reach[kept]))


def _load_minutes(problem: DayProblem, reach: NDArray[np.int64]) -> NDArray[np.float64]:
    """Least time of a load from each reach, its share of a full carry in it."""
    share = (problem.round_minutes[:, reach] / problem.capacity_loads[:, reach]).min(axis=0)
    found: NDArray[np.float64] = share + problem.dig_minutes
    return found


def _priced(table: DayTable, budget_minutes: float, factor: NDArray[np.float64] | None = None) -> Priced:
    """Take the reaches for what they are expected to bring, or for less."""
    taken_for = np.ones(len(table.reach)) if factor is None else factor
    return Priced(table=table, factor=taken_for, budget_minutes=budget_minutes)


def _fullest(table: DayTable, budget_minutes: float, shared: list[Pairing]) -> Day:
    """The day that uses the minutes best."""
    plain = plan_once(_priced(table, budget_minutes), shared)
    return _surest(table, plain, shared) if table.problem.sure else plain


def _shortest(table: DayTable, target_kg: float, shared: list[Pairing]) -> Day:
    """The shortest day that brings so much."""
    problem = table.problem

    def brings_kg(day: Day) -> float:
        return day.p10_kg if problem.sure else day.expected_kg

    most = int(problem.budget_minutes / STEP_MINUTES + ROOM)
    found = _fullest(table, problem.budget_minutes, shared)
    if brings_kg(found) < target_kg:
        return found
    # What is brought grows nearly straight with the time: look where the straight line says, then halve.
    little, little_kg = 0, 0.0
    enough, enough_kg = min(most, math.ceil(found.minutes / STEP_MINUTES + 1.0)), brings_kg(found)
    turn = 0
    while enough - little > 1:
        middle = (enough + little) // 2
        if turn % 3 < 2:
            along = (target_kg - little_kg) / max(enough_kg - little_kg, 1e-12)
            middle = min(max(little + int(along * (enough - little)), little + 1), enough - 1)
        day = _fullest(table, middle * STEP_MINUTES, shared)
        if brings_kg(day) >= target_kg:
            found, enough, enough_kg = day, middle, brings_kg(day)
        else:
            little, little_kg = middle, brings_kg(day)
        turn += 1
    return found


def _surest(table: DayTable, plain: Day, shared: list[Pairing]) -> Day:
    """The day of best P10 among those found by shading."""
    best, budget = plain, plain.budget_minutes
    draws_kg = table.problem.counts_per_kg * table.problem.standing.at(table.reach).load_kg
    mean_kg = np.maximum(draws_kg.mean(axis=0), 1e-12)
    doubt = draws_kg.std(axis=0) / mean_kg
    shared = shared[-LAST_PAIRINGS:]
    for shade in SHADES:
        best = _surer(best, plan_once(_priced(table, budget, 1.0 - shade * doubt), shared))
    # What each reach adds to the doubt of the plan so far: reaches that rise and fall together count more.
    for _ in range(3):
        about_kg = best.kg_draws - best.kg_draws.mean()
        spread_kg = float(about_kg.std())
        if spread_kg <= 0.0:
            break
        part = (about_kg @ draws_kg) / (len(about_kg) * spread_kg * mean_kg)
        # 1.2816 standard deviations lie between mean and P10 of a normal.
        found = plan_once(_priced(table, budget, 1.0 - 1.2816 * part), shared)
        if found.p10_kg <= best.p10_kg:
            break
        best = found
    return best


def _p10_bound_kg(problem: DayProblem, best: Day) -> float:
    """Tell a P10 that no day within the budget can pass; see `plan_day`."""
    count = len(best.kg_draws)
    # So many draws at most lie below the P10 as NumPy interpolates it.
    below = math.ceil(0.1 * (count - 1))
    worst = np.argsort(best.kg_draws, kind="stable")[: max(math.ceil(WORST_SHARE * count), below + 1)]
    reach = diggable(problem)
    if not len(reach):
        return 0.0
    few, rest = reach, reach[:0]
    if len(reach) > MANY:
        seen = problem.standing.in_draws(worst)
        first_kg = problem.counts_per_kg * seen.expected_kg(1)[reach, 1] + problem.steady_kg
        load_minutes = _load_minutes(problem, reach)
        order = np.argsort(-first_kg / load_minutes, kind="stable")
        few, rest = np.sort(reach[order[:MANY]]), order[MANY:]
    priced = _priced(day_table(problem, few, draws=worst), problem.budget_minutes)
    bound_kg = priced.bound_kg(priced.price)
    if len(rest):
        # No load brings more than the first, and no more loads are taken than fit the time.
        over_kg = np.maximum(first_kg[rest] - priced.price * load_minutes[rest], 0.0)
        bound_kg += float((over_kg * np.floor(problem.budget_minutes / load_minutes[rest])).sum())
    return bound_kg * len(worst) / (len(worst) - below)


def _surer(one: Day, other: Day) -> Day:
    return other if other.p10_kg > one.p10_kg else one
