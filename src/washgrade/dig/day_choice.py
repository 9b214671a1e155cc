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

# Time is counted in steps, rounded up. Our choice, because a step of walking is done in a hundredth of it.
STEP_MINUTES = 0.1
# Reaches looked at for a first plan. Our choice, because a day's plan digs a dozen.
FIRST_LOOK = 40


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
    """Options of one row or pair: no two may be taken together."""

    dug: list[_Dug]
    minutes: NDArray[np.float64]
    gain_kg: NDArray[np.float64]


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
        best = _chosen(priced, np.sort(nearest), None, np.inf)
        kept = np.flatnonzero(loss_kg <= _spare(bound_kg, best))
        for pairing in (None, *shared):
            found = _chosen(priced, kept, pairing, _spare(bound_kg, best))
            best = found if found.value_kg > best.value_kg else best
    return _told(priced, best)


def _spare(bound_kg: float, best: _Chosen) -> float:
    """Loss against the bound beyond which nothing is part of a better plan."""
    return max(bound_kg - best.value_kg, 0.0) + ROOM * (1.0 + bound_kg)


def _chosen(priced: Priced, kept: NDArray[np.int64], pairing: Pairing | None, spare_kg: float) -> _Chosen:
    """Solve the knapsack over some rows, without options that lose more against the bound."""
    worth_kg = priced.worth_kg(priced.price)
    groups = []
    joined = np.empty((0, 2), np.int64)
    if pairing is not None:
        both = np.isin(pairing.pair, kept).all(axis=1)
        joined = pairing.pair[both]
        for pair, takes in zip(joined, pairing.minutes[both], strict=True):
            groups.append(_pair_options(priced, pair, takes, float(worth_kg[pair].sum()) - spare_kg))
    for row in np.setdiff1d(kept, joined).tolist():
        groups.append(_row_options(priced, row, float(worth_kg[row]) - spare_kg))
    groups = [group for group in groups if group.dug]
    if not groups:
        return _Chosen(value_kg=0.0, dug=())
    start = np.cumsum([0, *(len(group.dug) for group in groups)])
    minutes = np.concatenate([group.minutes for group in groups])
    steps = int(priced.budget_minutes / STEP_MINUTES + ROOM)
    takes = np.maximum(np.ceil(minutes / STEP_MINUTES - ROOM), 1.0).astype(np.int64)
    best, taken = best_choices(start, takes, np.concatenate([group.gain_kg for group in groups]), steps)
    dug, time = [], steps
    for place in range(len(groups) - 1, -1, -1):
        option = int(taken[place, time])
        if option >= 0:
            dug.append(groups[place].dug[option - int(start[place])])
            time -= int(takes[option])
    return _Chosen(value_kg=float(best[steps]), dug=tuple(dug))


def _row_options(priced: Priced, row: int, worst_kg: float) -> _Options:
    """Numbers of loads of one row that are worth enough at the price of their minutes."""
    minutes, gain_kg = priced.table.minutes[row], priced.gain_kg[row]
    useful = (gain_kg - priced.price * minutes >= worst_kg) & (minutes <= priced.budget_minutes)
    loads = np.flatnonzero(useful[1:]) + 1
    return _Options(
        dug=[_Dug(row=(row, -1), loads=(count, 0)) for count in loads.tolist()],
        minutes=minutes[loads],
        gain_kg=gain_kg[loads],
    )


def _pair_options(
    priced: Priced, pair: NDArray[np.int64], takes: NDArray[np.float64], worst_kg: float
) -> _Options:
    """Numbers of loads of two rows that may share a carry, without those that another beats."""
    table = priced.table
    gains = [priced.gain_kg[row, : table.most[row] + 1] for row in pair.tolist()]
    carrying = [table.carrying[row, : table.most[row] + 1] for row in pair.tolist()]
    capacity = np.ascontiguousarray(table.capacity[:, pair])
    size, wanted = 1, 0
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
    row = (int(pair[0]), int(pair[1]))
    dug = [
        _Dug(
            row=row,
            loads=(one, two),
            shared=(with_one, with_two),
            kind=kind,
            shared_minutes=float(takes[kind]) if kind >= 0 else 0.0,
        )
        for one, two, kind, with_one, with_two in found[keep].tolist()
    ]
    return _Options(dug=dug, minutes=minutes[keep], gain_kg=gain_kg[keep])


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
