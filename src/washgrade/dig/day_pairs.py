"""Pairs of reaches that may share a carry."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.dig.day_loops import pair_gains
from washgrade.dig.day_table import ROOM, DayTable, Priced

__all__ = ["Pairing", "pairings"]

# Reaches that may share carries at one price of a minute. Our choice, because a day's plan digs a dozen.
MOST_PAIRED = 40
# Prices of a minute at which pairs are formed lie so far apart (our choice). They do not hang on the budget,
# so that a longer day may use every pairing of a shorter one and never brings less.
PRICE_RATIO = 1.25
MOST_PRICES = 24
# Reaches of which each two are tried as the only pair, at each price. Our choice, because in a day of a carry
# or two the minutes are no good measure of what a pair is worth.
MOST_ALONE = 5
# Share of the budget's own price down to which it goes on: our choice, because in a short day whole carries
# leave minutes over that are worth less.
CHEAPEST = 0.3
# How many of the best pairs come first in a pairing of their own, at each price: our choice.
MOST_FIRST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """Pairs of reaches that may share a carry, each reach in one at most.

    Parameters
    ----------
    pair : ndarray of int64, shape (pairs, 2)
        The reaches, as rows of the table.
    minutes : ndarray of float64, shape (pairs, kinds)
        Time of the shared carry without the digging.
    """

    pair: NDArray[np.int64]
    minutes: NDArray[np.float64]


def pairings(priced: Priced) -> list[Pairing]:
    """Form pairs of reaches that gain by sharing a carry, at falling prices of a minute.

    Parameters
    ----------
    priced : Priced
        The reaches and what they bring.

    Returns
    -------
    list of Pairing
        Some for each price down to a share of the budget's; none where carries are not shared.
    """
    table = priced.table
    between_of = table.problem.pair_minutes
    if between_of is None or len(table.reach) < 2:
        return []
    sets, prices = [], []
    for power in range(MOST_PRICES):
        price = priced.dearest * PRICE_RATIO**-power
        nearest = np.argsort(priced.loss_kg(price), kind="stable")[:MOST_PAIRED]
        sets.append(np.sort(nearest))
        prices.append(price)
        if price < CHEAPEST * priced.price:
            break
    looked_at = np.unique(np.concatenate(sets))
    minutes = between_of(table.reach[looked_at])
    found = []
    for rows, price in zip(sets, prices, strict=True):
        at = np.searchsorted(looked_at, rows)
        between = np.ascontiguousarray(minutes[:, at[:, None], at[None, :]])
        found += _matched(table, priced.gain_kg, rows, between, price)
        best = np.argsort(-priced.worth_kg(price)[rows], kind="stable")[:MOST_ALONE]
        for left, right in itertools.combinations(sorted(best.tolist()), 2):
            if np.isfinite(between[:, left, right]).any():
                pair = rows[[left, right]][None, :]
                found.append(Pairing(pair=pair, minutes=between[:, left, right][None, :].copy()))
    alike = {pairing.pair.tobytes(): pairing for pairing in found}
    return list(alike.values())


def _matched(
    table: DayTable,
    gain_kg: NDArray[np.float64],
    rows: NDArray[np.int64],
    between: NDArray[np.float64],
    price: float,
) -> list[Pairing]:
    """Pairs by falling gain, each reach once; each of the best pairs comes first in one pairing."""
    saved = np.zeros((len(rows), len(rows)))
    pair_gains(
        gain_kg[rows],
        table.carrying[rows],
        table.problem.dig_minutes,
        np.ascontiguousarray(table.capacity[:, rows]),
        table.most[rows],
        between,
        price,
        saved,
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
        at = np.array(sorted(pairs), np.int64)
        minutes = np.ascontiguousarray(between[:, at[:, 0], at[:, 1]].T)
        found.append(Pairing(pair=rows[at], minutes=minutes))
    return found
