"""Compiled loops of the digging day: the knapsack over minutes, and two reaches that share a carry."""
# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from __future__ import annotations

import math

import numpy as np

from washgrade.land.kernel import kernel

__all__ = ["HAIR", "best_choices", "brought", "cover", "pair_gains", "pair_options"]

NO_PAIR = -1.0

# A number of carries is whole if it is whole but for so much.
HAIR = 1e-9


@kernel
def best_choices(group_start, minutes_steps, value, steps):
    """Choose at most one option of each group for every number of steps of time.

    Multiple-choice knapsack by dynamic programming, one group after the other; every option takes a step or
    more.

    Returns
    -------
    best : ndarray of float64, shape (steps + 1,)
        The best value for each time.
    taken : ndarray of int32, shape (groups, steps + 1)
        The option taken there, or -1.
    """
    groups = len(group_start) - 1
    best = np.zeros(steps + 1)
    taken = np.full((groups, steps + 1), -1, np.int32)
    for group in range(groups):
        before = best.copy()
        row = taken[group]
        for option in range(group_start[group], group_start[group + 1]):
            takes, worth = minutes_steps[option], value[option]
            for time in range(takes, steps + 1):
                found = before[time - takes] + worth
                if found > best[time]:
                    best[time] = found
                    row[time] = option
    return best, taken


@kernel
def brought(fresh_kg, held, depletion, dug, curve, gained_kg):
    """Add up what the next 0, 1, ... loads of each reach bring over all draws, the richest first.

    ``curve`` holds the share of the magnetics in the richest share q of the loads, at even steps of the root
    of q.
    """
    last = len(curve) - 1
    for draw in range(fresh_kg.shape[0]):
        for reach in range(fresh_kg.shape[1]):
            whole_kg = fresh_kg[draw, reach] * held[draw, reach]
            for loads in range(1, gained_kg.shape[1]):
                share = dug[draw, reach] + loads / max(held[draw, reach], HAIR)
                if share >= 1.0:
                    gained_kg[reach, loads:] += whole_kg * (1.0 - depletion[draw, reach])
                    break
                at = math.sqrt(share) * last
                below = int(at)
                gone = curve[below] + (at - below) * (curve[below + 1] - curve[below])
                gained_kg[reach, loads] += whole_kg * max(gone - depletion[draw, reach], 0.0)


@kernel
def cover(round_minutes, capacity, minutes):
    """Fill in the least time of carries that hold 0, 1, ... loads of each reach, by one or two ways to carry.

    Every number of carries of the second way is tried; those of the first one hold the rest.
    """
    two = len(capacity) > 1
    for reach in range(minutes.shape[0]):
        for loads in range(minutes.shape[1]):
            least = np.inf
            most = math.ceil(loads / capacity[1, reach] - HAIR) if two else 0
            for second in range(most + 1):
                time, left = 0.0, float(loads)
                if second:
                    time, left = second * round_minutes[1, reach], loads - second * capacity[1, reach]
                if left > 0.0:
                    time += math.ceil(left / capacity[0, reach] - HAIR) * round_minutes[0, reach]
                least = min(least, time)
            minutes[reach, loads] = least


@kernel
def pair_gains(gain, carrying, dig_minutes, capacity, most, pair_minutes, price, saved):
    """Fill in what a carry filled at two reaches saves, at a price of a minute, for each pair of reaches.

    ``gain`` and ``carrying`` are those of 0, 1, 2, ... loads of one reach alone.
    """
    count, kinds = len(most), len(capacity)
    # The best that each reach brings beside so many loads of it in a shared carry.
    widest = int(capacity.max())
    beside = np.full((count, widest + 1), -np.inf)
    for reach in range(count):
        for shared in range(min(widest, most[reach]) + 1):
            for loads in range(shared, most[reach] + 1):
                worth = gain[reach, loads] - price * (carrying[reach, loads - shared] + dig_minutes * loads)
                beside[reach, shared] = max(beside[reach, shared], worth)
    for one in range(count):
        for two in range(one + 1, count):
            for kind in range(kinds):
                takes = pair_minutes[kind, one, two]
                if not np.isfinite(takes):
                    continue
                room = int(min(capacity[kind, one], capacity[kind, two]) + HAIR)
                for left in range(1, room):
                    worth = beside[one, left] + beside[two, room - left] - price * takes
                    saved[one, two] = max(saved[one, two], worth - beside[one, 0] - beside[two, 0])


@kernel
def pair_options(
    gain_one, gain_two, carrying_one, carrying_two, dig_minutes, capacity, takes, worst, price, budget, wanted
):
    """Find the useful numbers of loads at two reaches that may share a carry.

    ``worst`` is what an option must be worth at least, at a price of a minute, to be kept.

    Returns
    -------
    found : ndarray of int64, shape (options, 5)
        Loads at the two, kind of the shared carry or -1, loads of the two in it.
    minutes : ndarray of float64, shape (options,)
        Time of each.
    size : int
        How many there are; no more than ``wanted`` of them are told.
    """
    size = 0
    found = np.empty((wanted, 5), np.int64)
    minutes = np.empty(wanted)
    for one in range(len(gain_one)):
        for two in range(len(gain_two)):
            if one + two == 0:
                continue
            digging = dig_minutes * (one + two)
            least = carrying_one[one] + carrying_two[two] + digging
            way, with_one, with_two = -1, 0, 0
            for kind in range(len(takes)):
                room = int(min(capacity[kind, 0], capacity[kind, 1]) + HAIR)
                for left in range(1, min(room - 1, one) + 1):
                    right = min(room - left, two)
                    if right < 1:
                        continue
                    time = carrying_one[one - left] + carrying_two[two - right] + takes[kind] + digging
                    if time < least:
                        least, way, with_one, with_two = time, kind, left, right
            if least > budget or gain_one[one] + gain_two[two] - price * least < worst:
                continue
            if size < wanted:
                found[size] = (one, two, way, with_one, with_two)
                minutes[size] = least
            size += 1
    return found, minutes, size
