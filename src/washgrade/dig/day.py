"""The digging day: which reaches, how many loads of each, in which carries, within the minutes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from washgrade.dig.day_choice import STEP_MINUTES, Pairing, pairings, plan_once
from washgrade.dig.day_terms import Day, DayProblem

__all__ = ["Day", "DayProblem", "plan_day"]

# How many standard deviations each reach may be shaded by when a sure day is looked for: our choice.
SHADES = tuple(np.arange(0.25, 2.6, 0.25).tolist())


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
    What a reach brings is concave in the loads (`worked`); carries are whole. Where each carry is filled at
    one reach this is a multiple-choice knapsack over minutes, solved exactly by dynamic programming in steps
    of 0.1 minutes (rounded up). Reaches and numbers of loads that cannot be part of a better plan than one
    already known are left out beforehand, by the reduced costs of the bound.

    One carry may be filled at two reaches: pairs of reaches that gain most by it, at several prices of a
    minute, are joined to one choice each, and the best pairing is kept. Of two reaches one shared carry is
    enough: two of them can always be exchanged for one shared and one whole. A reach is paired with one other
    only; the bound says how much better any other plan could be at most.

    The bound lets carries be cut to pieces of one load: each costs its share of the carry from its reach,
    which no shared carry undercuts. It is the Lagrangian dual of that knapsack.

    A sure day: the expectation of each reach is shaded by some standard deviations, and by its part in the
    doubt of the plan; of all plans so found the one with the best P10 over the joint draws is kept. The plain
    one is among them, so it is never less sure.

    References
    ----------
    Kellerer, H., Pferschy, U., Pisinger, D. (2004). Knapsack Problems. Springer, chapter 11 (multiple-choice
    knapsack, dynamic programming and reduction by bounds).

    Examples
    --------
    >>> day = plan_day(DayProblem(budget_minutes=60.0, kg_draws=np.array([[2.0, 1.0]]),
    ...     loads_left=np.array([30.0, 300.0]), round_minutes=np.array([[12.0, 9.0]]),
    ...     capacity_loads=np.array([[3, 3]]), dig_minutes=1.0))
    >>> day.reach.tolist(), day.loads.tolist(), day.minutes, round(day.expected_kg, 1)
    ([0], [12], 60.0, 20.1)
    """
    mean_kg = problem.kg_draws.mean(axis=0, dtype=np.float64)
    shared = pairings(problem, mean_kg)
    if problem.target_kg is not None:
        return _shortest(problem, problem.target_kg, mean_kg, shared)
    return _longest(problem, mean_kg, shared)


def _longest(problem: DayProblem, mean_kg: NDArray[np.float64], shared: list[Pairing]) -> Day:
    """The day that uses the minutes best."""
    plain = plan_once(problem, mean_kg, shared)
    return _surest(problem, plain, mean_kg, shared) if problem.sure else plain


def _shortest(
    problem: DayProblem, target_kg: float, mean_kg: NDArray[np.float64], shared: list[Pairing]
) -> Day:
    """The shortest day that brings so much."""

    def day_of(steps: int) -> Day:
        return _longest(replace(problem, budget_minutes=steps * STEP_MINUTES), mean_kg, shared)

    def brings(day: Day) -> float:
        return day.p10_kg if problem.sure else day.expected_kg

    most = int(problem.budget_minutes / STEP_MINUTES + 1e-9)
    found = day_of(most)
    if brings(found) < target_kg:
        return replace(found, budget_minutes=problem.budget_minutes)
    # What is brought grows nearly straight with the time: look where the straight line says, then halve.
    little, little_kg = 0, 0.0
    enough, enough_kg = min(most, round(found.minutes / STEP_MINUTES + 0.5)), brings(found)
    for turn in range(60):
        if enough - little <= 1:
            break
        middle = (enough + little) // 2
        if turn % 3 < 2:
            along = (target_kg - little_kg) / max(enough_kg - little_kg, 1e-12)
            middle = min(max(little + int(along * (enough - little)), little + 1), enough - 1)
        day = day_of(middle)
        if brings(day) >= target_kg:
            found, enough, enough_kg = day, middle, brings(day)
        else:
            little, little_kg = middle, brings(day)
    return replace(found, budget_minutes=problem.budget_minutes)


def _surest(problem: DayProblem, plain: Day, mean_kg: NDArray[np.float64], shared: list[Pairing]) -> Day:
    """The day of best P10 among those found by shading."""
    best = plain
    sd_kg = problem.kg_draws.std(axis=0, dtype=np.float64)
    for shade in SHADES:
        best = _surer(best, plan_once(problem, np.maximum(mean_kg - shade * sd_kg, 0.0), shared))
    # What each reach adds to the doubt of the plan so far: reaches that rise and fall together count more.
    for _ in range(3):
        about = best.kg_draws - best.kg_draws.mean()
        spread = float(about.std())
        if spread <= 0.0:
            break
        part_kg = (about @ problem.kg_draws) / (len(about) * spread)
        # 1.2816 standard deviations lie between mean and P10 of a normal.
        found = plan_once(problem, np.maximum(mean_kg - 1.2816 * part_kg, 0.0), shared)
        if found.p10_kg <= best.p10_kg:
            break
        best = found
    return best


def _surer(one: Day, other: Day) -> Day:
    return other if other.p10_kg > one.p10_kg else one
