"""The knapsack of a digging day: its bound, what may be left out, pairs that share a carry, the choice."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from washgrade.dig.day_loops import best_choices, cover, pair_gains, pair_options
from washgrade.dig.day_terms import Day, DayProblem, worked

__all__ = ["STEP_MINUTES", "Pairing", "pairings", "plan_once"]

# Time is counted in steps, rounded up. Our choice: a sixth of a second's worth of walking for each hundred.
STEP_MINUTES = 0.1
# Reaches first looked at, and those that may share carries at one price of a minute. Our choice, because a
# day's plan digs a dozen reaches.
FIRST_LOOK = 40
MOST_PAIRED = 40
# Loads of a reach up to which shared carries are looked at: our choice, more than a day's.
MOST_LOADS = 200
# Prices of a minute at which pairs of reaches are formed lie so far apart (our choice). They do not hang on
# the budget, so that a longer day may use every pairing of a shorter one and never brings less.
PRICE_RATIO = 1.25
MOST_PRICES = 24
# How many of the best pairs come first in a pairing of their own, at each price: our choice.
MOST_FIRST = 4
# Stands for the time of a way that is none, minutes: longer than any day.
NEVER_MINUTES = 1e9
# Bounds are compared with so much room for rounding.
ROOM = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """Pairs of reaches that may share a carry, each reach in one at most.

    Parameters
    ----------
    pair : ndarray of int64, shape (pairs, 2)
        The reaches.
    minutes : ndarray of float64, shape (pairs, kinds)
        Time of the shared carry without the digging.
    """

    pair: NDArray[np.int64]
    minutes: NDArray[np.float64]


def pairings(problem: DayProblem, first_kg: NDArray[np.float64]) -> list[Pairing]:
    """Form pairs of reaches that gain by sharing a carry, at falling prices of a minute.

    Parameters
    ----------
    problem : DayProblem
        Reaches, carries, minutes.
    first_kg : ndarray of float64, shape (reaches,)
        What the first load of each reach is taken to bring.

    Returns
    -------
    list of Pairing
        Some for each price down to that of the budget; none where carries are not shared.
    """
    if problem.pair_minutes is None:
        return []
    search = _Search(problem=problem, first_kg=first_kg)
    there = search.there
    if len(there) < 2:
        return []
    dearest = float(((first_kg + problem.steady_kg) / search.load_minutes)[there].max())
    least = search.price
    sets, prices = [], []
    for power in range(MOST_PRICES):
        price = dearest * PRICE_RATIO**-power
        loss = search.loss(there, price)
        nearest = np.argsort(loss, kind="stable")[:MOST_PAIRED]
        sets.append(np.sort(there[nearest]))
        prices.append(price)
        if price < least:
            break
    looked_at = np.unique(np.concatenate(sets))
    minutes = problem.pair_minutes(looked_at)
    found = []
    for some, price in zip(sets, prices, strict=True):
        at = np.searchsorted(looked_at, some)
        between = np.ascontiguousarray(minutes[:, at[:, None], at[None, :]])
        found += _matched(search, some, between, price)
    return found


def _matched(
    search: _Search, some: NDArray[np.int64], between: NDArray[np.float64], price: float
) -> list[Pairing]:
    """Pairs by falling gain, each reach once; each of the best pairs comes first in one pairing."""
    problem = search.problem
    most = np.minimum(search.most[some], MOST_LOADS)
    loads = np.arange(int(most.max()) + 1)
    gain = search.gain_kg(some[:, None], loads[None, :])
    capacity = np.ascontiguousarray(problem.capacity_loads[:, some])
    saved = np.zeros((len(some), len(some)))
    pair_gains(
        gain, search.carrying(some, loads[-1]), problem.dig_minutes, capacity, most, between, price, saved
    )
    one, two = np.nonzero(saved > ROOM)
    order = np.argsort(-saved[one, two], kind="stable").tolist()
    ranked = [(int(one[k]), int(two[k])) for k in order]
    found = []
    for first in range(min(len(ranked), MOST_FIRST)):
        taken: set[int] = set()
        pairs = []
        for left, right in (ranked[first], *ranked):
            if left not in taken and right not in taken:
                taken |= {left, right}
                pairs.append((left, right))
        at = np.array(pairs, np.int64)
        minutes = np.ascontiguousarray(between[:, at[:, 0], at[:, 1]].T)
        found.append(Pairing(pair=some[at], minutes=minutes))
    return found


def plan_once(problem: DayProblem, first_kg: NDArray[np.float64], shared: list[Pairing]) -> Day:
    """Plan the day that brings most if the first load of each reach brings so much.

    Parameters
    ----------
    problem : DayProblem
        Reaches, carries, minutes; target and sureness are not looked at.
    first_kg : ndarray of float64, shape (reaches,)
        What the first load of each reach is taken to bring, kilograms.
    shared : list of Pairing
        Pairings to try; the best is kept.

    Returns
    -------
    Day
        What it brings is told by the draws, whatever it was taken to bring; so is the bound.
    """
    search = _Search(problem=problem, first_kg=first_kg)
    able = search.able
    best = _Chosen(value_kg=0.0, dug=())
    if len(able):
        bound_kg = search.dual(search.price)
        slack = search.loss(able, search.price)
        nearest = able[np.argsort(slack, kind="stable")[:FIRST_LOOK]]
        best = search.chosen(np.sort(nearest), None, np.inf)
        spare_kg = (bound_kg - best.value_kg) * (1.0 + ROOM) + ROOM
        kept = able[slack <= spare_kg]
        for pairing in (None, *shared):
            spare_kg = (bound_kg - best.value_kg) * (1.0 + ROOM) + ROOM
            found = search.chosen(kept, pairing, spare_kg)
            best = found if found.value_kg > best.value_kg else best
    return _told(problem, best)


def _told(problem: DayProblem, chosen: _Chosen) -> Day:
    """Lay a choice out carry by carry, the ones that bring most for their time first."""
    mean_kg = problem.kg_draws.mean(axis=0, dtype=np.float64)
    by_mean = _Search(problem=problem, first_kg=mean_kg)
    carries: list[tuple[tuple[int, int], tuple[int, int], int, float, float]] = []
    loads_of: dict[int, int] = {}
    for dug in chosen.dug:
        begun = {}
        for reach, loads, shared in zip(dug.reach, dug.loads, dug.shared, strict=True):
            if not loads:
                continue
            loads_of[reach] = loads
            at = 0
            for kind, size in by_mean.split(reach, loads - shared):
                minutes = float(by_mean.round_minutes[kind, reach]) + size * problem.dig_minutes
                brought = by_mean.slice_kg(reach, at, size)
                carries.append(((reach, -1), (size, 0), kind, minutes, brought))
                at += size
            begun[reach] = at
        if dug.kind >= 0:
            minutes = dug.shared_minutes + sum(dug.shared) * problem.dig_minutes
            brought = sum(
                by_mean.slice_kg(reach, begun[reach], shared)
                for reach, shared in zip(dug.reach, dug.shared, strict=True)
            )
            carries.append((dug.reach, dug.shared, dug.kind, minutes, brought))
    carries.sort(key=lambda carry: -carry[4] / carry[3])
    reach_dug = np.array(sorted(loads_of), np.int64)
    brings_kg = by_mean.gain_kg(reach_dug, np.array([loads_of[k] for k in reach_dug.tolist()], np.int64))
    order = np.argsort(-brings_kg, kind="stable")
    reach_dug = reach_dug[order]
    taken = np.array([loads_of[k] for k in reach_dug.tolist()], np.int64)
    effective = worked(np.maximum(problem.loads_left[reach_dug], 1.0), taken)
    carry_minutes = np.array([carry[3] for carry in carries], np.float64)
    return Day(
        reach=reach_dug,
        loads=taken,
        reach_kg=brings_kg[order],
        carry_reach=np.array([carry[0] for carry in carries], np.int64).reshape(-1, 2),
        carry_loads=np.array([carry[1] for carry in carries], np.int64).reshape(-1, 2),
        carry_kind=np.array([carry[2] for carry in carries], np.int64),
        carry_minutes=carry_minutes,
        kg_draws=problem.kg_draws[:, reach_dug] @ effective + problem.steady_kg * float(taken.sum()),
        minutes=float(carry_minutes.sum()),
        budget_minutes=problem.budget_minutes,
        bound_kg=by_mean.dual(by_mean.price),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dug:
    """Loads of one reach, or of two and what of them goes into the carry that they share."""

    reach: tuple[int, int]
    loads: tuple[int, int]
    shared: tuple[int, int] = (0, 0)
    kind: int = -1
    shared_minutes: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chosen:
    value_kg: float
    dug: tuple[_Dug, ...]


@dataclass(frozen=True, kw_only=True)
class _Search:
    """One problem with one expectation for each reach."""

    problem: DayProblem
    first_kg: NDArray[np.float64]

    @cached_property
    def round_minutes(self) -> NDArray[np.float64]:
        return np.minimum(self.problem.round_minutes, NEVER_MINUTES)

    @cached_property
    def load_minutes(self) -> NDArray[np.float64]:
        """Least time of one load, its share of a full carry in it."""
        share = (self.round_minutes / self.problem.capacity_loads).min(axis=0)
        found: NDArray[np.float64] = share + self.problem.dig_minutes
        return found

    @cached_property
    def most(self) -> NDArray[np.int64]:
        """Loads that may be taken."""
        whole = np.maximum(np.floor(self.problem.loads_left + ROOM), 0.0)
        there = self.round_minutes.min(axis=0) < NEVER_MINUTES
        found: NDArray[np.int64] = np.where(there, whole, 0.0).astype(np.int64)
        return found

    @cached_property
    def there(self) -> NDArray[np.int64]:
        return np.flatnonzero(self.most > 0)

    @cached_property
    def able(self) -> NDArray[np.int64]:
        """Reaches of which one load can be had in time."""
        quickest = self.round_minutes.min(axis=0) + self.problem.dig_minutes
        there: NDArray[np.int64] = self.there
        return there[quickest[there] <= self.problem.budget_minutes]

    @cached_property
    def price(self) -> float:
        """The price of a minute at which the bound is least."""
        there = self.there
        if not len(there):
            return 0.0
        low, high = 0.0, float(((self.first_kg + self.problem.steady_kg) / self.load_minutes)[there].max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            used = float((self.best_loads(there, middle) * self.load_minutes[there]).sum())
            low, high = (middle, high) if used > self.problem.budget_minutes else (low, middle)
        return min((low, high), key=self.dual)

    def best_loads(self, at: NDArray[np.int64], price: float) -> NDArray[np.int64]:
        """Loads worth taking at a price of a minute, carries cut to pieces."""
        left, most = np.maximum(self.problem.loads_left[at], 1.0), self.most[at]
        # The n-th load brings first (1 - 1/left)^(n-1) + steady.
        wanted = price * self.load_minutes[at] - self.problem.steady_kg
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(self.first_kg[at] > 0.0, wanted / self.first_kg[at], np.inf)
            count = np.floor(np.log(ratio) / np.log1p(-1.0 / left) + 1.0)
        count = np.where(wanted <= 0.0, most, np.where(ratio > 1.0, 0.0, count))
        found: NDArray[np.int64] = np.clip(count, 0, most).astype(np.int64)
        return found

    def gain_kg(self, at: NDArray[np.int64] | int, loads: NDArray[np.int64]) -> NDArray[np.float64]:
        left = np.maximum(self.problem.loads_left[at], 1.0)
        return self.first_kg[at] * worked(left, loads) + self.problem.steady_kg * loads

    def slice_kg(self, reach: int, begun: int, loads: int) -> float:
        before, after = self.gain_kg(reach, np.array([begun, begun + loads]))
        return float(after - before)

    def worth(self, at: NDArray[np.int64], price: float) -> NDArray[np.float64]:
        """What each reach is worth at most beyond its minutes, never below 0."""
        loads = self.best_loads(at, price)
        # Rounding may hold a load too many or too few: look at both neighbours, so that it is no less.
        tried = [
            self.gain_kg(at, some) - price * self.load_minutes[at] * some
            for some in (loads, np.minimum(loads + 1, self.most[at]), np.maximum(loads - 1, 0))
        ]
        found: NDArray[np.float64] = np.maximum(np.max(tried, axis=0), 0.0)
        return found

    def dual(self, price: float) -> float:
        """What no plan can pass."""
        return price * self.problem.budget_minutes + float(self.worth(self.there, price).sum())

    def loss(self, at: NDArray[np.int64], price: float) -> NDArray[np.float64]:
        """How much the bound falls where at least one load of a reach is taken."""
        one = self.gain_kg(at, np.ones(len(at), np.int64)) - price * self.load_minutes[at]
        return np.where(self.best_loads(at, price) > 0, 0.0, np.maximum(-one, 0.0))

    def carrying(self, at: NDArray[np.int64], most: int) -> NDArray[np.float64]:
        """Least time of the carries for 0 to ``most`` loads of some reaches."""
        minutes = np.empty((len(at), most + 1))
        cover(
            np.ascontiguousarray(self.round_minutes[:, at]),
            np.ascontiguousarray(self.problem.capacity_loads[:, at]),
            most,
            minutes,
        )
        return minutes

    def split(self, reach: int, loads: int) -> list[tuple[int, int]]:
        """Carries (kind, loads) for some loads of a reach in the least time, full ones first."""
        minutes = self.carrying(np.array([reach]), loads)[0]
        capacity = self.problem.capacity_loads[:, reach]
        found = []
        while loads > 0:
            before = np.maximum(loads - capacity, 0)
            kind = int(np.argmin(minutes[before] + self.round_minutes[:, reach]))
            size = min(loads, int(capacity[kind]))
            found.append((kind, size))
            loads -= size
        return sorted(found, key=lambda carry: -carry[1])

    def chosen(self, kept: NDArray[np.int64], pairing: Pairing | None, spare_kg: float) -> _Chosen:
        """Solve the knapsack over some reaches, without options that lose more against the bound."""
        problem, price = self.problem, self.price
        fit = np.minimum(problem.budget_minutes / self.load_minutes, NEVER_MINUTES)
        limit = np.minimum(self.most, fit.astype(np.int64))
        worth = np.zeros(len(self.most))
        worth[kept] = self.worth(kept, price)
        dug: list[_Dug] = []
        minutes: list[NDArray[np.float64]] = []
        gains: list[NDArray[np.float64]] = []
        start = [0]
        joined = np.empty((0, 2), np.int64)
        if pairing is not None:
            both = np.isin(pairing.pair, kept).all(axis=1)
            joined = pairing.pair[both]
            for pair, takes in zip(joined, pairing.minutes[both], strict=True):
                told, times, value = self._pair(pair, takes, limit[pair], float(worth[pair].sum()) - spare_kg)
                dug += told
                minutes.append(times)
                gains.append(value)
                start.append(len(dug))
        single = np.setdiff1d(kept, joined)
        if len(single):
            most = int(limit[single].max())
            loads = np.arange(1, most + 1)
            alone = self.carrying(single, most)[:, 1:] + problem.dig_minutes * loads
            gain = self.gain_kg(single[:, None], loads[None, :])
            useful = gain - price * alone >= worth[single, None] - spare_kg
            useful &= (loads <= limit[single, None]) & (alone <= problem.budget_minutes)
            for row, reach in enumerate(single.tolist()):
                at = np.flatnonzero(useful[row])
                dug += [_Dug(reach=(reach, -1), loads=(count, 0)) for count in loads[at].tolist()]
                minutes.append(alone[row, at])
                gains.append(gain[row, at])
                start.append(len(dug))
        if not dug:
            return _Chosen(value_kg=0.0, dug=())
        steps = int(problem.budget_minutes / STEP_MINUTES + ROOM)
        takes = np.maximum(np.ceil(np.concatenate(minutes) / STEP_MINUTES - ROOM), 1.0).astype(np.int64)
        best, taken = best_choices(np.array(start), takes, np.concatenate(gains), steps)
        chosen, time = [], steps
        for group in range(len(start) - 2, -1, -1):
            option = int(taken[group, time])
            if option >= 0:
                chosen.append(dug[option])
                time -= int(takes[option])
        return _Chosen(value_kg=float(best[steps]), dug=tuple(chosen))

    def _pair(
        self,
        pair: NDArray[np.int64],
        takes: NDArray[np.float64],
        limit: NDArray[np.int64],
        worst_kg: float,
    ) -> tuple[list[_Dug], NDArray[np.float64], NDArray[np.float64]]:
        """Options of two reaches that may share a carry, without those that another beats."""
        problem = self.problem
        counts = [np.arange(int(most) + 1) for most in limit]
        gains = [self.gain_kg(int(pair[k]), counts[k]) for k in range(2)]
        carrying = [self.carrying(pair[k : k + 1], int(limit[k]))[0] for k in range(2)]
        capacity = np.ascontiguousarray(problem.capacity_loads[:, pair])
        size, wanted = 1, 0
        while size > wanted:
            wanted = size
            found, minutes, size = pair_options(
                gains[0],
                gains[1],
                carrying[0],
                carrying[1],
                problem.dig_minutes,
                capacity,
                takes,
                worst_kg,
                self.price,
                problem.budget_minutes,
                wanted,
            )
        found, minutes = found[:size], minutes[:size]
        value = gains[0][found[:, 0]] + gains[1][found[:, 1]]
        order = np.lexsort((-value, minutes))
        before = np.concatenate([[-np.inf], np.maximum.accumulate(value[order])])[:-1]
        keep = order[value[order] > before]
        reach = (int(pair[0]), int(pair[1]))
        dug = [
            _Dug(
                reach=reach,
                loads=(one, two),
                shared=(with_one, with_two),
                kind=kind,
                shared_minutes=float(takes[kind]) if kind >= 0 else 0.0,
            )
            for one, two, kind, with_one, with_two in found[keep].tolist()
        ]
        return dug, minutes[keep], value[keep]
