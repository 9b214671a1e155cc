"""The knapsack of a digging day: what may be left out, the choice, and the carries it is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.dig.day_loops import best_choices, pair_options
from washgrade.dig.day_pairs import Pairing
from washgrade.dig.day_table import ROOM, Priced
from washgrade.dig.day_terms import Day

__all__ = ["STEP_MINUTES", "plan_once"]

# Time is counted in steps, rounded up. Our choice, because with steps of 0.1 a day lost up to half a percent
# on trials, with these less than a thousandth.
STEP_MINUTES = 0.02
# Reaches looked at for a first plan. Our choice, because a day's plan digs a dozen.
FIRST_LOOK = 40
# Room made at first for the options of a pair.
FIRST_OPTIONS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dug:
    """Loads of one row of the table, or of two and what of them goes into the carry that they share."""

    row: tuple[int, int]
    loads: tuple[int, int]
    shared: tuple[int, int] = (0, 0)
    kind: int = -1
    shared_minutes: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Carry:
    """One carry: rows, -1 for no second one, loads of each, how it is carried."""

    row: tuple[int, int]
    loads: tuple[float, float]
    kind: int
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chosen:
    value_kg: float
    dug: tuple[_Dug, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Options:
    """Options in groups of which one may be taken: those of a row or pair stand together.

    ``told`` has a row for each: row, other row or -1, loads of both, kind of the shared carry or -1, loads of
    both in it; ``shared_minutes`` is the time of that carry.
    """

    start: NDArray[np.int64]
    told: NDArray[np.int64]
    minutes: NDArray[np.float64]
    gain_kg: NDArray[np.float64]
    shared_minutes: NDArray[np.float64]

    def without(self, rows: NDArray[np.int64]) -> _Options:
        """Leave the groups of some rows out."""
        first = self.told[self.start[:-1], 0]
        size = np.diff(self.start)
        keep = ~np.isin(first, rows)
        each = np.repeat(keep, size)
        return _Options(
            start=np.concatenate([[0], np.cumsum(size[keep])]),
            told=self.told[each],
            minutes=self.minutes[each],
            gain_kg=self.gain_kg[each],
            shared_minutes=self.shared_minutes[each],
        )

    def joined(self, others: list[_Options]) -> _Options:
        """Add groups."""
        every = [self, *(other for other in others if len(other.told))]
        size = np.concatenate([np.diff(one.start) for one in every])
        return _Options(
            start=np.concatenate([[0], np.cumsum(size)]),
            told=np.concatenate([one.told for one in every]),
            minutes=np.concatenate([one.minutes for one in every]),
            gain_kg=np.concatenate([one.gain_kg for one in every]),
            shared_minutes=np.concatenate([one.shared_minutes for one in every]),
        )

    def dug(self, option: int) -> _Dug:
        """What one of them means."""
        one, two, loads, others, kind, shared, also = self.told[option].tolist()
        return _Dug(
            row=(one, two),
            loads=(loads, others),
            shared=(shared, also),
            kind=kind,
            shared_minutes=float(self.shared_minutes[option]),
        )


def plan_once(priced: Priced, shared: list[Pairing]) -> Day:
    """Plan the day that brings most if the reaches bring what they are taken to.

    Parameters
    ----------
    priced : Priced
        The reaches, what they are taken to bring, the minutes.
    shared : list of Pairing
        Pairings to try; the best is kept.

    Returns
    -------
    Day
        What it brings is told by the draws, whatever it was taken to bring; so is the bound.
    """
    best = _Chosen(value_kg=0.0, dug=())
    if len(priced.table.reach):
        bound_kg = priced.bound_kg(priced.price)
        loss_kg = priced.loss_kg(priced.price)
        nearest = np.argsort(loss_kg, kind="stable")[:FIRST_LOOK]
        best = _chosen(priced, _row_options(priced, np.sort(nearest), np.inf))
        spare_kg = _spare(bound_kg, best)
        kept = np.flatnonzero(loss_kg <= spare_kg)
        alone = _row_options(priced, kept, spare_kg)
        best = _better(best, _chosen(priced, alone))
        for pairing in shared:
            paired = _pairs(priced, kept, pairing, _spare(bound_kg, best))
            if paired:
                both = np.concatenate([options.told[:1, :2].ravel() for options in paired])
                best = _better(best, _chosen(priced, alone.without(both).joined(paired)))
    return _told(priced, best)


def _spare(bound_kg: float, best: _Chosen) -> float:
    """Loss against the bound beyond which nothing is part of a better plan."""
    return max(bound_kg - best.value_kg, 0.0) + ROOM * (1.0 + bound_kg)


def _better(one: _Chosen, other: _Chosen) -> _Chosen:
    return other if other.value_kg > one.value_kg else one


def _chosen(priced: Priced, options: _Options) -> _Chosen:
    """Solve the knapsack."""
    steps = int(priced.budget_minutes / STEP_MINUTES + ROOM)
    takes = np.maximum(np.ceil(options.minutes / STEP_MINUTES - ROOM), 1.0).astype(np.int64)
    best, taken = best_choices(options.start, takes, options.gain_kg, steps)
    dug, time = [], steps
    for group in range(len(taken) - 1, -1, -1):
        option = int(taken[group, time])
        if option >= 0:
            dug.append(options.dug(option))
            time -= int(takes[option])
    return _Chosen(value_kg=float(best[steps]), dug=tuple(dug))


def _row_options(priced: Priced, rows: NDArray[np.int64], spare_kg: float) -> _Options:
    """Numbers of loads of some rows that lose no more than so much against the bound."""
    minutes, gain_kg = priced.table.minutes[rows], priced.gain_kg[rows]
    worst_kg = priced.worth_kg(priced.price)[rows] - spare_kg
    useful = (gain_kg - priced.price * minutes >= worst_kg[:, None]) & (minutes <= priced.budget_minutes)
    useful[:, 0] = False
    at, loads = np.nonzero(useful)
    told = np.full((len(at), 7), -1, np.int64)
    told[:, 0], told[:, 2] = rows[at], loads
    told[:, [3, 5, 6]] = 0
    size = np.bincount(at, minlength=len(rows))
    return _Options(
        start=np.concatenate([[0], np.cumsum(size[size > 0])]),
        told=told,
        minutes=minutes[at, loads],
        gain_kg=gain_kg[at, loads],
        shared_minutes=np.zeros(len(at)),
    )


def _pairs(priced: Priced, kept: NDArray[np.int64], pairing: Pairing, spare_kg: float) -> list[_Options]:
    """Options of the pairs of which both rows are kept."""
    worth_kg = priced.worth_kg(priced.price)
    both = np.flatnonzero(np.isin(pairing.pair, kept).all(axis=1)).tolist()
    found = [
        _pair_options(
            priced, pairing.pair[k], pairing.minutes[k], float(worth_kg[pairing.pair[k]].sum()) - spare_kg
        )
        for k in both
    ]
    return [options for options in found if len(options.told)]


def _pair_options(
    priced: Priced, pair: NDArray[np.int64], takes: NDArray[np.float64], worst_kg: float
) -> _Options:
    """Numbers of loads of two rows that may share a carry, without those that another beats."""
    table = priced.table
    gains = [priced.gain_kg[row, : table.most[row] + 1] for row in pair.tolist()]
    carrying = [table.carrying[row, : table.most[row] + 1] for row in pair.tolist()]
    capacity = np.ascontiguousarray(table.capacity[:, pair])
    size, wanted = FIRST_OPTIONS, 0
    while size > wanted:
        wanted = size
        found, minutes, size = pair_options(
            gains[0],
            gains[1],
            carrying[0],
            carrying[1],
            table.problem.dig_minutes,
            capacity,
            takes,
            worst_kg,
            priced.price,
            priced.budget_minutes,
            wanted,
        )
    found, minutes = found[:size], minutes[:size]
    gain_kg = gains[0][found[:, 0]] + gains[1][found[:, 1]]
    order = np.lexsort((-gain_kg, minutes))
    before = np.concatenate([[-np.inf], np.maximum.accumulate(gain_kg[order])])[:-1]
    keep = order[gain_kg[order] > before]
    kind = found[keep, 2]
    told = np.column_stack([np.tile(pair, (len(keep), 1)), found[keep]])
    return _Options(
        start=np.array([0, len(keep)]),
        told=told,
        minutes=minutes[keep],
        gain_kg=gain_kg[keep],
        shared_minutes=np.where(kind >= 0, takes[kind], 0.0),
    )


def _told(priced: Priced, chosen: _Chosen) -> Day:
    """Lay a choice out carry by carry; reaches that bring most for their time first."""
    table, problem = priced.table, priced.table.problem
    expected = Priced(table=table, factor=np.ones(len(table.reach)), budget_minutes=priced.budget_minutes)
    blocks = [(_carries(expected, dug), dug) for dug in chosen.dug]
    blocks.sort(key=lambda block: -_brings_kg(expected, block[1]) / sum(carry.minutes for carry in block[0]))
    carries = [carry for block, _ in blocks for carry in block]
    dug_rows = [
        (row, loads) for _, dug in blocks for row, loads in zip(dug.row, dug.loads, strict=True) if loads
    ]
    rows = np.array([row for row, _ in dug_rows], np.int64)
    loads = np.array([loads for _, loads in dug_rows], np.int64)
    names = np.append(table.reach, -1)
    return Day(
        reach=table.reach[rows],
        loads=loads,
        reach_kg=expected.gain_kg[rows, loads] if len(rows) else np.empty(0),
        carry_reach=names[np.array([carry.row for carry in carries], np.int64).reshape(-1, 2)],
        carry_loads=np.array([carry.loads for carry in carries], np.float64).reshape(-1, 2),
        carry_kind=np.array([carry.kind for carry in carries], np.int64),
        carry_minutes=np.array([carry.minutes for carry in carries], np.float64),
        kg_draws=problem.brings_kg(table.reach[rows], loads),
        minutes=float(sum(carry.minutes for carry in carries)),
        budget_minutes=priced.budget_minutes,
        bound_kg=expected.bound_kg(expected.price) if len(table.reach) else 0.0,
    )


def _brings_kg(expected: Priced, dug: _Dug) -> float:
    return sum(
        float(expected.gain_kg[row, loads]) for row, loads in zip(dug.row, dug.loads, strict=True) if loads
    )


def _carries(expected: Priced, dug: _Dug) -> list[_Carry]:
    """Full carries of each row, and in the end the one that both share."""
    table, dig_minutes = expected.table, expected.table.problem.dig_minutes
    found = []
    for row, loads, shared in zip(dug.row, dug.loads, dug.shared, strict=True):
        for kind, size in table.carries(row, loads - shared):
            minutes = float(table.round_minutes[kind, row]) + size * dig_minutes
            found.append(_Carry(row=(row, -1), loads=(size, 0.0), kind=kind, minutes=minutes))
    if dug.kind >= 0:
        minutes = dug.shared_minutes + sum(dug.shared) * dig_minutes
        found.append(_Carry(row=dug.row, loads=dug.shared, kind=dug.kind, minutes=minutes))
    return found
