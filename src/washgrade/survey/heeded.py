"""What readings tell once floods and digs are heeded, and what they teach of floods and refill."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from washgrade.survey.floods import Event, Floods

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.files.settings import Settings
    from washgrade.sand.sample import Observations
    from washgrade.storm.flood import Ground
    from washgrade.storm.learn import Learnt, Looks, Resamples
    from washgrade.survey.past import DugPart, Past, SeenLook
    from washgrade.survey.refound import Refound

__all__ = ["DIG_SD", "carried", "learn_from", "readings_of", "scatter_of"]

# Relative error of what a weighed product tells of a load: count and fill of the loads (15 %), recovery and
# purity (10 % each), and where on the curve of decreasing returns they lay (20 %). Our choice.
DIG_SD = 0.3
# A streak that floods have laid anew is thinner than this, metres, and a bed looked at closely shows whether
# it moved down to there. Our choice.
STREAK_M = 0.02
# A bed on which water ran at all has moved by this much, metres. Our choice.
TOUCHED_M = 0.005
# Depletion beyond which a sample says nothing of what was there before, and below which it says all.
MOST_DEPLETION, LEAST_DEPLETION = 0.9, 0.01
# A reach must have been dug so far for a later sample to tell of its refill. Our choice.
TELLING_DEPLETION = 0.1
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


def learn_from(
    ground: Ground,
    floods: Floods,
    seen: Observations,
    taken: NDArray[np.float64],
    looks: Sequence[SeenLook],
    dug: Sequence[DugPart],
    loads_held: NDArray[np.float64],
    network: Mapping[str, Any],
    settings: Settings,
) -> Learnt:
    """Hold marks, looks and samples taken again against what the floods should have done.

    Parameters
    ----------
    ground : Ground
        The ground.
    floods : Floods
        Reckoned with a severity of 1.
    seen : Observations
        What the samples say.
    taken : ndarray of float64, shape (holes,)
        Their moments.
    looks : sequence of SeenLook
        Looks on channels.
    dug : sequence of DugPart
        Digs by reach.
    loads_held : ndarray of float64, shape (reaches,)
        Loads of a fresh reach.
    network : mapping
        Downstream reaches, travel and scatter, as `washgrade.dig.ledger.reckon` takes them.
    settings : Settings
        The site's settings.

    Returns
    -------
    Learnt
        Prior and posterior.
    """
    from washgrade.storm.learn import learn

    return learn(
        mark_log_ratio=floods.mark_log_ratio,
        mark_log_sd=floods.mark_log_sd,
        looks=_looks_for(ground, floods, looks),
        resamples=_resamples_for(ground, floods, seen, taken, dug, loads_held, network, settings),
    )


def _looks_for(ground: Ground, floods: Floods, looks: Sequence[SeenLook]) -> Looks:
    """Looks after floods known by rain, one for each place and flood, and word that nothing ran."""
    import numpy as np

    from washgrade.storm.flood import flood_of_rain
    from washgrade.storm.learn import Looks

    rows: dict[tuple[int, int], tuple[float, float, float, bool]] = {}
    for look in looks:
        before = [k for k, event in enumerate(floods.events) if event.moment_days <= look.moment_days]
        if not before or floods.source[before[-1]] != "rain" or look.record.seen == "bare":
            # A bare bed may have moved and kept nothing: it tells of no depth.
            continue
        storm = before[-1]
        at = int(floods.at(np.array([look.node]))[0])
        depth_m = look.record.depth_m if look.record.depth_m is not None else STREAK_M
        rows[look.node, storm] = (
            float(floods.scour_m[storm, at]),
            float(floods.wetted_share[storm, at]),
            depth_m,
            look.record.seen != "unchanged",
        )
    for storm, event in enumerate(floods.events):
        dry = event.dry_node if event.ran else (int(np.argmax(ground.basins.area_m2)),)
        if event.rain is None or not dry:
            continue
        flood = flood_of_rain(
            ground,
            event.rain,
            curve_number=float(floods.curve_number[storm]),
            only=np.array(dry, np.int64),
        )
        for k, node in enumerate(dry):
            rows[node, storm] = (
                float(flood.scour_m[k]),
                float(flood.flow.wetted_share[k]),
                TOUCHED_M,
                False,
            )
    table = [rows[key] for key in sorted(rows)]
    return Looks(
        scour_m=np.array([row[0] for row in table], np.float64),
        wetted_share=np.array([row[1] for row in table], np.float64),
        depth_m=np.array([row[2] for row in table], np.float64),
        moved=np.array([row[3] for row in table], np.bool_),
    )


def _resamples_for(
    ground: Ground,
    floods: Floods,
    seen: Observations,
    taken: NDArray[np.float64],
    dug: Sequence[DugPart],
    loads_held: NDArray[np.float64],
    network: Mapping[str, Any],
    settings: Settings,
) -> Resamples:
    """Samples of one reach before and after floods, the first taken when the reach was dug out."""
    import numpy as np

    from washgrade.dig.ledger import Asks, reckon
    from washgrade.land.channels import middle_nodes
    from washgrade.storm.learn import Resamples
    from washgrade.storm.rework import refill_share
    from washgrade.survey.past import _digs

    if not dug:
        return Resamples()
    reach = ground.channels.nodes.reach[seen.node]
    dug_reach = {part.reach for part in dug}
    pairs: list[tuple[int, int, list[int]]] = []
    for one in sorted(dug_reach):
        holes = np.flatnonzero((reach == one) & ~seen.censored).tolist()
        holes.sort(key=lambda h: (taken[h], seen.sample_ids[h]))
        for first, then in pairwise(holes):
            between = [k for k, e in enumerate(floods.events) if taken[first] < e.moment_days <= taken[then]]
            dug_between = any(p.reach == one and taken[first] < p.moment_days < taken[then] for p in dug)
            if between and not dug_between:
                pairs.append((first, then, between))
    if not pairs:
        return Resamples()
    middle = np.asarray(middle_nodes(ground.channels), np.int64)
    at = floods.at(middle)
    found = reckon(
        **network,
        held_kg=loads_held,
        flood_day=[event.moment_days for event in floods.events],
        renewed=lambda storm: refill_share(
            scour_m=floods.scour_m[storm, at],
            bite_m=settings.bite_m,
            wetted_share=floods.wetted_share[storm, at],
        )[None, :],
        draws=1,
        digs=_digs(dug, loads_held, loads_held),
        asks=Asks(
            day=np.array([taken[first] for first, _, _ in pairs]),
            reach=np.array([reach[first] for first, _, _ in pairs], np.int64),
        ),
    )
    gone = found.asked[:, 0]
    telling = [k for k in range(len(pairs)) if TELLING_DEPLETION < gone[k] <= MOST_DEPLETION]
    row, strength, wetted = [], [], []
    for place, k in enumerate(telling):
        column = at[reach[pairs[k][0]]]
        for storm in pairs[k][2]:
            row.append(place)
            strength.append(float(floods.scour_m[storm, column]) / settings.bite_m)
            wetted.append(float(floods.wetted_share[storm, column]))
    before = np.array([pairs[k][0] for k in telling], np.int64)
    after = np.array([pairs[k][1] for k in telling], np.int64)
    return Resamples(
        depletion=gone[telling],
        logit_difference=seen.value[after] - seen.value[before],
        difference_sd=np.sqrt(seen.error_variance[after] + seen.error_variance[before] + 2.0 * SCOOP_SD**2),
        row=np.array(row, np.int64),
        strength=np.array(strength, np.float64),
        wetted_share=np.array(wetted, np.float64),
    )


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
    from washgrade.storm.memory import LASTING_SHARE
    from washgrade.survey.refound import refound_of

    seen, nodes = past.readings, past.channels.nodes
    refound = None
    value, limit, variance = seen.value.copy(), seen.limit.copy(), seen.error_variance.copy()
    rows: list[tuple[Any, ...]] = []
    if past.dug:
        dug_reach = {part.reach for part in past.dug}
        asked = np.flatnonzero(np.isin(nodes.reach[seen.node], list(dug_reach)))
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
        carried=carried(past, seen.node, taken, lasting_share=LASTING_SHARE),
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
    from washgrade.storm.memory import LASTING_SHARE

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
    kept = carried(past, node_of, moments, lasting_share=LASTING_SHARE)
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
