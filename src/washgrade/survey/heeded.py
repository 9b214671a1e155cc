"""What readings tell of the bed of the day once floods and digs are heeded."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from washgrade.survey.floods import Event

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.sand.sample import Observations
    from washgrade.survey.past import Past
    from washgrade.survey.refound import Refound

__all__ = ["DIG_SD", "MOST_DEPLETION", "SCOOP_SD", "carried", "readings_of", "scatter_of"]

# Relative error of what a weighed product tells of a load: count and fill of the loads (15 %), recovery and
# purity (10 % each), and where on the curve of decreasing returns they lay (20 %). Our choice.
DIG_SD = 0.3
# Depletion beyond which a sample says nothing of what was there before, and below which it says all.
MOST_DEPLETION, LEAST_DEPLETION = 0.9, 0.01
# Scatter from scoop to scoop and place to place in a reach, standard deviation on the logit. Our choice.
SCOOP_SD = 0.3


def scatter_of(events: Sequence[Event], draws: int) -> NDArray[np.float64]:
    """Each storm's own departure in every draw, in standard deviations.

    Parameters
    ----------
    events : sequence of Event
        The storms.
    draws : int
        How many draws.

    Returns
    -------
    ndarray of float64, shape (storms, draws)
        Even steps of the normal, shuffled by the storm's moment: they hang on nothing else, so that a storm
        entered later does not change those of the others, and one that is struck and entered again gets its
        own back.
    """
    import numpy as np
    from scipy.special import ndtri

    even = ndtri((np.arange(draws) + 0.5) / draws)
    found = np.empty((len(events), draws))
    for k, event in enumerate(events):
        digest = hashlib.sha256(f"{event.moment_days:.6f}".encode()).digest()
        found[k] = np.random.default_rng(int.from_bytes(digest[:8], "big")).permutation(even)
    return found


def readings_of(past: Past, taken: NDArray[np.float64]) -> tuple[Observations, Refound | None]:
    """Readings as they tell of the bed of the day, the weighed products of digs among them.

    Parameters
    ----------
    past : Past
        The past, its readings still each of its own day.
    taken : ndarray of float64, shape (holes,)
        Moments of the samples.

    Returns
    -------
    heeded : Observations
        With the share that floods have left, and samples of dug reaches raised to what the fresh bed held.
    refound : Refound or None
        What samples and digs of dug reaches tell of the digging itself; None where there are none.

    Notes
    -----
    A sample taken at depletion d lies lower by log(1 - d) on the mean; it is raised by that, with half of it
    as standard error, because nobody knows whether it was taken where the shovel had been. A product tells
    the mean grade of its reach: magnetics by load, over what loads so far down the curve of decreasing
    returns bring (`washgrade.dig.ledger.Reckoning`).
    """
    from dataclasses import replace

    import numpy as np

    from washgrade.dig.ledger import Asks
    from washgrade.survey.refound import refound_of

    seen, nodes = past.readings, past.channels.nodes
    refound = None
    value, limit, variance = seen.value.copy(), seen.limit.copy(), seen.error_variance.copy()
    rows: list[tuple[Any, ...]] = []
    if past.dug:
        # Of all samples, because what was dug upstream is missing below.
        asked = np.arange(len(seen))
        found = past.reckon(
            past.loads_held,
            Asks(day=taken[asked], reach=nodes.reach[seen.node[asked]].astype(np.int64)),
        )
        gone = np.minimum(found.asked.mean(axis=1), MOST_DEPLETION)
        raised = np.where(gone > LEAST_DEPLETION, -np.log1p(-gone), 0.0)
        value[asked] += raised
        limit[asked] += raised
        variance[asked] += (0.5 * raised) ** 2
        rows = _dig_rows(past, found.yield_factor.mean(axis=1))
        refound = refound_of(past, found, asked, taken, rows)
    heeded = replace(
        seen,
        value=value,
        limit=limit,
        error_variance=variance,
        carried=carried(past, seen.node, taken, lasting_share=past.learnt.lasting_share),
    )
    return (_joined(heeded, rows) if rows else heeded), refound


def carried(
    past: Past,
    node: NDArray[np.integer[Any]],
    moment_days: NDArray[np.float64],
    *,
    lasting_share: float = 0.0,
) -> NDArray[np.float64]:
    """Share of the sand met at each place and moment that the floods since have left.

    Parameters
    ----------
    past : Past
        The past.
    node : ndarray of int, shape (places,)
        Nodes among those asked for.
    moment_days : ndarray of float64, shape (places,)
        Moments, as day numbers with their part of the day.
    lasting_share : float, optional
        Share of the pattern that no flood renews (`washgrade.storm.memory.carried_share`); 0 for the bed
        itself.

    Returns
    -------
    ndarray of float64, shape (places,)
        Mean over the ways the floods may have been; exactly 1 where none came since.
    """
    import numpy as np

    from washgrade.storm.memory import carried_share

    if not past.events:
        return np.ones(len(node))
    memory = 1.0 - np.array([past.renewed(storm, node) for storm in range(len(past.events))])
    flood_day = [event.moment_days for event in past.events]
    draws = [
        carried_share(
            sample_day=moment_days,
            flood_day=flood_day,
            memory=memory[:, draw],
            on_day=past.day.toordinal() + 1.0,
            lasting_share=lasting_share,
        )
        for draw in range(memory.shape[1])
    ]
    found: NDArray[np.float64] = np.mean(draws, axis=0)
    return found


def _dig_rows(past: Past, yield_factor: NDArray[np.float64]) -> list[tuple[Any, ...]]:
    """What each weighed product says: node, day, ids, logit, variance, accuracy, offset, share left."""
    import numpy as np

    from washgrade.dig.load import grade_of_load

    settings, reaches = past.settings, past.channels.reaches
    least = settings.detection_grade
    parts: dict[str, list[int]] = {}
    for k, part in enumerate(past.dug):
        parts.setdefault(part.record.id, []).append(k)
    rows: list[tuple[Any, ...]] = []
    for members in parts.values():
        loads = np.array([past.dug[k].loads for k in members])
        kilograms = sum(past.dug[k].magnetics_kg for k in members)
        factor = yield_factor[members]
        if not (np.isfinite(kilograms) and np.isfinite(loads).all() and np.isfinite(factor).all()):
            continue
        fresh_loads = float(loads @ factor)
        if not (loads.sum() > 0.0 and fresh_loads > 0.0):
            continue
        record = past.dug[members[0]].record
        node = past.dug[members[0]].node
        grade = grade_of_load(kilograms / fresh_loads, settings.shovel)
        grade = min(max(grade, least), 1.0 - least)
        length_m = float(sum(reaches.length_m[past.dug[k].reach] for k in members))
        whole = fresh_loads / float(loads.sum())
        rows.append(
            (
                node,
                np.datetime64(record.time[:10], "D"),
                (record.id,),
                float(np.log(grade / (1.0 - grade))),
                # The farther down the curve, the less sure it is how far.
                (DIG_SD**2 + (0.5 * np.log(min(whole, 1.0))) ** 2) / (1.0 - grade) ** 2,
                max(record.accuracy_m or settings.typical_accuracy_m, length_m / 3.0),
                past.dug[members[0]].offset_m,
                past.dug[members[0]].moment_days,
            )
        )
    node_of = np.array([row[0] for row in rows], np.int64)
    moments = np.array([row[-1] for row in rows], np.float64)
    kept = carried(past, node_of, moments, lasting_share=past.learnt.lasting_share)
    return [(*row[:-1], float(share)) for row, share in zip(rows, kept, strict=True)]


def _joined(seen: Observations, rows: Sequence[tuple[Any, ...]]) -> Observations:
    """Readings of samples and of digs in one order."""
    from dataclasses import replace

    import numpy as np

    count = len(rows)
    ids = (*seen.sample_ids, *(row[2] for row in rows))
    node = np.concatenate([seen.node, np.array([row[0] for row in rows], np.int32)])
    day = np.concatenate([seen.day, np.array([row[1] for row in rows], "datetime64[D]")])
    order = sorted(range(len(node)), key=lambda k: (int(node[k]), str(day[k]), ids[k]))

    def column(name: str, more: Sequence[float]) -> NDArray[Any]:
        own = getattr(seen, name)
        return np.concatenate([own, np.array(more, own.dtype)])[order]

    return replace(
        seen,
        node=node[order],
        day=day[order],
        sample_ids=tuple(ids[k] for k in order),
        value=column("value", [row[3] for row in rows]),
        error_variance=column("error_variance", [row[4] for row in rows]),
        censored=column("censored", [False] * count),
        limit=column("limit", [row[3] for row in rows]),
        accuracy_m=column("accuracy_m", [row[5] for row in rows]),
        offset_m=column("offset_m", [row[6] for row in rows]),
        covered=column("covered", [1.0] * count),
        carried=column("carried", [row[7] for row in rows]),
    )
