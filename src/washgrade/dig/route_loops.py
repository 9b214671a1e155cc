"""Compiled search for the best round of stops within a budget: destroy, refill, shorten, again and again.

The value of a set of stops is a sum of prizes, a reward for each group of stops that is touched, and the
fall of a weighted variance, kept by `settle_loops`.
"""
# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from __future__ import annotations

import math

import numpy as np

from washgrade.dig.settle_loops import add_stop, gain_of, weigh
from washgrade.land.kernel import kernel

__all__ = ["cheapest_place", "search", "shorten", "way_minutes"]

# Gains of time smaller than this share of the budget are rounding.
ROUNDING = 1e-12
# How much less than the best of its line a route may be worth to go on from; turns without a better one until
# the line goes back to the best; chance that it begins from nothing instead; how far over the budget stops
# are taken at most when some are sent away again. Our choice, from trials on open instances and small cases:
# benchmarks/route.py.
SLACK = 0.12
PATIENCE = 600
AFRESH = 0.05
OVER = 0.4


@kernel
def chance(state):
    """Draw a number from 0 up to 1 (splitmix64) and move the state on."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    mixed = state[0]
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    mixed ^= mixed >> np.uint64(31)
    return np.float64(mixed >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@kernel
def below(state, count):
    """Draw a whole number from 0 to ``count`` - 1."""
    return min(int(chance(state) * count), count - 1)


@kernel
def way_minutes(legs, route, size):
    """Sum the legs of a route of ``size`` points; each leg holds the time at its end."""
    total = 0.0
    for at in range(size - 1):
        total += legs[route[at], route[at + 1]]
    return total


@kernel
def cheapest_place(point, legs, onward, start, end):
    """Find after which point of a linked route a stop costs least; returns that point and the minutes."""
    least = math.inf
    after = -1
    at = start
    while True:
        following = onward[at]
        extra = legs[at, point] + legs[point, following] - legs[at, following]
        if extra < least:
            least = extra
            after = at
        if following == end:
            return after, least
        at = following


@kernel
def shorten(legs, route, size, least_gain):
    """Shorten a route in place by reversing stretches and moving one to three stops; ends stay.

    Returns
    -------
    float
        Its minutes.
    """
    forth = np.zeros(size)
    back = np.zeros(size)
    held = np.empty(3, np.int64)
    better = True
    while better:
        better = False
        for at in range(1, size):
            forth[at] = forth[at - 1] + legs[route[at - 1], route[at]]
            back[at] = back[at - 1] + legs[route[at], route[at - 1]]
        # Reverse the stretch from first to last.
        for first in range(1, size - 2):
            before = route[first - 1]
            for last in range(first + 1, size - 1):
                change = (
                    legs[before, route[last]]
                    + legs[route[first], route[last + 1]]
                    - legs[before, route[first]]
                    - legs[route[last], route[last + 1]]
                    + (back[last] - back[first])
                    - (forth[last] - forth[first])
                )
                if change < -least_gain:
                    low, high = first, last
                    while low < high:
                        route[low], route[high] = route[high], route[low]
                        low += 1
                        high -= 1
                    for at in range(first, size):
                        forth[at] = forth[at - 1] + legs[route[at - 1], route[at]]
                        back[at] = back[at - 1] + legs[route[at], route[at - 1]]
                    better = True
        # Move a stretch of one to three stops elsewhere, as it stands or turned.
        for length in range(1, 4):
            first = 1
            while first + length < size:
                last = first + length - 1
                head, tail = route[first], route[last]
                before, after = route[first - 1], route[last + 1]
                freed = legs[before, head] + legs[tail, after] - legs[before, after]
                turn = (back[last] - back[first]) - (forth[last] - forth[first])
                best = -least_gain
                place = -1
                turned = False
                for at in range(size - 1):
                    if first - 1 <= at <= last:
                        continue
                    left, right = route[at], route[at + 1]
                    plain = legs[left, head] + legs[tail, right] - legs[left, right] - freed
                    if plain < best:
                        best, place, turned = plain, at, False
                    if length > 1:
                        around = legs[left, tail] + legs[head, right] - legs[left, right] - freed + turn
                        if around < best:
                            best, place, turned = around, at, True
                if place >= 0:
                    for step in range(length):
                        held[step] = route[last - step] if turned else route[first + step]
                    if place > last:
                        for at in range(first, place - length + 1):
                            route[at] = route[at + length]
                        target = place - length + 1
                    else:
                        for at in range(last, place + length, -1):
                            route[at] = route[at - length]
                        target = place + 1
                    for step in range(length):
                        route[target + step] = held[step]
                    for at in range(1, size):
                        forth[at] = forth[at - 1] + legs[route[at - 1], route[at]]
                        back[at] = back[at - 1] + legs[route[at], route[at - 1]]
                    better = True
                first += 1
    return forth[size - 1]


@kernel
def leave_out_worst(legs, route, size, keep, fixed, credit, least_gain, luck, state):
    """Leave out the stop that is worth least for the time it takes, with some luck; returns its saving."""
    worst = math.inf
    out = -1
    saving = 0.0
    low = 0
    for at in range(1, size - 1):
        if not keep[at]:
            continue
        if not fixed[route[at]]:
            high = at + 1
            while not keep[high]:
                high += 1
            saved = legs[route[low], route[at]] + legs[route[at], route[high]] - legs[route[low], route[high]]
            rate = credit[route[at]] / max(saved, least_gain) * (1.0 + luck * (chance(state) - 0.5))
            if rate < worst:
                worst = rate
                out = at
                saving = saved
        low = at
    if out >= 0:
        keep[out] = False
    return saving


@kernel
def leave_out_near(legs, route, size, keep, fixed, point, many, state):
    """Leave out the stops nearest to a point, with some luck, to make room for it."""
    for _ in range(many):
        nearest = math.inf
        out = -1
        for at in range(1, size - 1):
            if keep[at] and not fixed[route[at]]:
                away = min(legs[route[at], point], legs[point, route[at]]) * (0.5 + chance(state))
                if away < nearest:
                    nearest = away
                    out = at
        if out >= 0:
            keep[out] = False


@kernel
def close_up(route, size, keep):
    """Close the gaps of what is left out; returns the new size."""
    left = 1
    for at in range(1, size):
        if keep[at]:
            route[left] = route[at]
            left += 1
    return left


@kernel
def search(
    legs,
    prize,
    group,
    bonus,
    covariance,
    wanted,
    error,
    may_stop,
    fixed,
    start,
    end,
    budget,
    most_stops,
    rounds,
    state,
    first_route,
):
    """Improve a route that keeps the budget by destroying and refilling it.

    ``legs[i, j]`` is the time to j and at j; ``fixed`` stops are in ``first_route`` and stay. ``state`` is
    the generator's, moved on.

    Returns
    -------
    tuple
        The best route, its value and its minutes.
    """
    count = legs.shape[0]
    parts = covariance.shape[0]
    points = covariance.shape[1]
    groups = 0
    for point in range(count):
        groups = max(groups, group[point] + 1)
    room = max(most_stops, len(first_route)) + 3
    slots = room if parts else 1
    col_c, col_m = np.empty((parts, slots, points)), np.empty((parts, slots, points))
    col_q = np.empty((parts, slots))
    spread, want = np.empty((parts, points)), np.empty((parts, points))
    touched = np.zeros(groups, np.int64)
    used = np.zeros(count, np.bool_)
    onward = np.full(count, -1, np.int64)
    extra = np.empty(count)
    place = np.empty(count, np.int64)
    luck = np.empty(count)
    credit = np.zeros(count)
    trial = np.empty(room, np.int64)
    current = np.empty(room, np.int64)
    best = np.empty(room, np.int64)
    keep = np.empty(room, np.bool_)
    least_gain = budget * ROUNDING

    current_size = len(first_route)
    current[:current_size] = first_route
    best_size = current_size
    best[:best_size] = first_route
    current_value = line_value = best_value = -math.inf
    best_minutes = math.inf
    idle = 0
    for turn in range(rounds + 1):
        size = current_size
        trial[:size] = current[:size]
        stops = size - 2
        forced = -1
        limit = budget
        if turn > 0:
            # Destroy.
            keep[:size] = True
            way = below(state, 5) if stops else 4
            most = stops if chance(state) < 0.1 else max(3, (2 * stops) // 5)
            many = 1 + below(state, max(1, min(stops, most)))
            if way == 0:
                for _ in range(many):
                    keep[1 + below(state, stops)] = False
            elif way == 1:
                first = 1 + below(state, stops)
                keep[first : min(first + many, size - 1)] = False
            elif way == 2:
                for _ in range(many):
                    leave_out_worst(legs, trial, size, keep, fixed, credit, least_gain, 1.0, state)
            elif way == 3:
                # Take too many and send some away again: the stops that stay need not be among these.
                limit = budget * (1.0 + OVER * chance(state))
                for _ in range(many // 3):
                    keep[1 + below(state, stops)] = False
            else:
                # A stop that is not in the route goes in; those nearest to it make room.
                point = below(state, count)
                if may_stop[point]:
                    forced = point
                    for at in range(size):
                        if trial[at] == point:
                            forced = -1
                if forced >= 0 and stops > 0:
                    leave_out_near(legs, trial, size, keep, fixed, forced, min(many, 1 + stops // 4), state)
            for at in range(1, size - 1):
                if fixed[trial[at]]:
                    keep[at] = True
            size = close_up(trial, size, keep)
        value = weigh(
            trial, size, prize, group, bonus, covariance, wanted, error,
            touched, used, credit, col_c, col_m, col_q, spread, want,
        )  # fmt: skip
        taken = size - 2
        minutes = way_minutes(legs, trial, size)

        # Refill by worth for the time, shorten, and again while that made room.
        power = 0.6 + 1.6 * chance(state)
        swing = 0.0 if turn == 0 else 0.8 * chance(state)
        for point in range(count):
            luck[point] = 1.0 + swing * (chance(state) - 0.5)
        again = True
        while again:
            for at in range(size - 1):
                onward[trial[at]] = trial[at + 1]
            for point in range(count):
                if may_stop[point] and not used[point]:
                    place[point], extra[point] = cheapest_place(point, legs, onward, start, end)
            while taken < most_stops:
                chosen = -1
                if forced >= 0:
                    if not used[forced] and minutes + extra[forced] <= limit:
                        chosen = forced
                    forced = -1
                if chosen < 0:
                    rate = 0.0
                    for point in range(count):
                        if may_stop[point] and not used[point] and minutes + extra[point] <= limit:
                            gain = gain_of(point, prize, group, bonus, touched, error, spread, want)
                            if gain > 0.0:
                                found = gain**power * luck[point] / max(extra[point], least_gain)
                                if found > rate:
                                    rate = found
                                    chosen = point
                if chosen < 0:
                    break
                gain = gain_of(chosen, prize, group, bonus, touched, error, spread, want)
                credit[chosen] = gain
                value += gain
                minutes += extra[chosen]
                used[chosen] = True
                if group[chosen] >= 0:
                    touched[group[chosen]] += 1
                if parts:
                    add_stop(chosen, taken, covariance, wanted, error, col_c, col_m, col_q, spread, want)
                taken += 1
                size += 1
                after = place[chosen]
                following = onward[after]
                onward[after] = chosen
                onward[chosen] = following
                for point in range(count):
                    if may_stop[point] and not used[point]:
                        if place[point] == after:
                            # The leg it would have gone into is no more.
                            place[point], extra[point] = cheapest_place(point, legs, onward, start, end)
                        else:
                            here = legs[after, point] + legs[point, chosen] - legs[after, chosen]
                            if here < extra[point]:
                                extra[point], place[point] = here, after
                            here = legs[chosen, point] + legs[point, following] - legs[chosen, following]
                            if here < extra[point]:
                                extra[point], place[point] = here, chosen
            at = start
            for step in range(1, size):
                at = onward[at]
                trial[step] = at
            before = way_minutes(legs, trial, size)
            minutes = shorten(legs, trial, size, least_gain)
            again = minutes < before - least_gain and taken < most_stops
            if minutes > budget:
                keep[:size] = True
                for _ in range(size):
                    if minutes <= budget:
                        break
                    minutes -= leave_out_worst(legs, trial, size, keep, fixed, credit, least_gain, 0.3, state)
                size = close_up(trial, size, keep)
                value = weigh(
                    trial, size, prize, group, bonus, covariance, wanted, error,
                    touched, used, credit, col_c, col_m, col_q, spread, want,
                )  # fmt: skip
                taken = size - 2
                minutes = shorten(legs, trial, size, least_gain)
                again = limit > budget
            limit = budget
        minutes = way_minutes(legs, trial, size)

        idle += 1
        if minutes <= budget:
            tie = ROUNDING * abs(value)
            if value > line_value + tie:
                line_value = value
                idle = 0
            if value > best_value + tie or (
                value >= best_value - tie and minutes < best_minutes - least_gain
            ):
                best[:size] = trial[:size]
                best_size, best_value, best_minutes = size, value, minutes
            # A little worse than the best of its line will do: it leads out of dead ends.
            if value >= current_value or value >= line_value * (1.0 - SLACK * chance(state) ** 2):
                current[:size] = trial[:size]
                current_size, current_value = size, value
        if idle > PATIENCE:
            # A new line: from the best, or from nothing, so that other parts of the land are tried too.
            idle = 0
            if chance(state) >= AFRESH:
                current[:best_size] = best[:best_size]
                current_size, current_value, line_value = best_size, best_value, best_value
            else:
                current_size = len(first_route)
                current[:current_size] = first_route
                current_value = line_value = -math.inf
    return best[:best_size].copy(), best_value, best_minutes
