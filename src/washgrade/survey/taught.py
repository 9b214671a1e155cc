"""What marks, looks and readings of one reach at different times teach of floods, refill and lasting sand."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from washgrade.survey.floods import Floods

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.ledger import Reckoning
    from washgrade.files.settings import Settings
    from washgrade.sand.sample import Observations
    from washgrade.storm.flood import Ground
    from washgrade.storm.learn import Learnt, Looks, Repeats
    from washgrade.survey.past import DugPart, SeenLook

__all__ = ["learn_from"]

# A streak that floods have laid anew is thinner than this, metres, and a bed looked at closely shows whether
# it moved down to there. Our choice.
STREAK_M = 0.02
# A bed on which water ran at all has moved by this much, metres. Our choice.
TOUCHED_M = 0.005
# Readings that what is thought beforehand of the sand's variance counts for. Our choice.
PRIOR_READINGS = 5.0
# Paces of refill that are tried: logarithms of what scour in bites is multiplied by. They reach three
# standard deviations of what is thought beforehand (`washgrade.storm.learn.Prior`).
PACES = 9
FARTHEST_PACE = 2.6


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
    """Hold marks, looks and what reaches gave again against what the floods should have done.

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
        repeats=_repeats_for(ground, floods, seen, taken, dug, loads_held, network, settings),
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


def _repeats_for(
    ground: Ground,
    floods: Floods,
    seen: Observations,
    taken: NDArray[np.float64],
    dug: Sequence[DugPart],
    loads_held: NDArray[np.float64],
    network: Mapping[str, Any],
    settings: Settings,
) -> Repeats:
    """Samples and weighed digs of one reach with floods between them, at each pace of refill."""
    import numpy as np

    from washgrade.dig.ledger import Asks, reckon
    from washgrade.land.channels import middle_nodes
    from washgrade.storm.learn import Repeats, lasting_shares
    from washgrade.storm.rework import refill_share
    from washgrade.survey.past import _digs
    from washgrade.survey.refound import in_one_reach

    flood_day = np.array([event.moment_days for event in floods.events])
    reach = ground.channels.nodes.reach[seen.node].astype(np.int64)
    weighed = [
        k for k in in_one_reach(dug) if dug[k].loads > 0.0 and np.isfinite(dug[k].loads + dug[k].magnetics_kg)
    ]
    hole = np.flatnonzero(~seen.censored)
    # Readings of all reaches, then those of reaches that floods came between.
    place = np.concatenate([reach[hole], np.array([dug[k].reach for k in weighed], np.int64)])
    moment = np.concatenate([taken[hole], np.array([dug[k].moment_days for k in weighed], np.float64)])
    first, last = np.full(len(loads_held), np.inf), np.full(len(loads_held), -np.inf)
    np.minimum.at(first, place, moment)
    np.maximum.at(last, place, moment)
    since = np.searchsorted(np.sort(flood_day), [first, last], side="right")
    telling = np.flatnonzero(since[1] > since[0])
    if not len(telling):
        return Repeats()
    pace_log = np.linspace(-FARTHEST_PACE, FARTHEST_PACE, PACES)
    at = floods.at(np.asarray(middle_nodes(ground.channels), np.int64))

    def renewed(storm: int) -> NDArray[np.float64]:
        return np.stack(
            [
                refill_share(
                    scour_m=floods.scour_m[storm, at],
                    bite_m=settings.bite_m,
                    wetted_share=floods.wetted_share[storm, at],
                    refill_scale=float(np.exp(-pace)),
                )
                for pace in pace_log
            ]
        )

    here = hole[np.isin(reach[hole], telling)]
    played = reckon(
        **network,
        held_kg=loads_held,
        flood_day=flood_day,
        renewed=renewed,
        draws=PACES,
        digs=_digs(dug, loads_held, loads_held),
        asks=Asks(day=taken[here], reach=reach[here]),
    )
    # What each flood leaves unmoved, logarithms; a flood that lays all anew leaves next to nothing.
    unmoved_log = np.array(
        [np.log1p(-np.minimum(renewed(k)[:, telling], 1.0 - 1e-6)) for k in range(len(flood_day))]
    )
    before, variance = lasting_shares()[1], _total_variance(seen.value[hole])
    found, records = np.zeros((PACES, len(before))), 0
    # Gathered once, because there may be thousands of reaches.
    dug_in: dict[int, list[int]] = {}
    for k, part in enumerate(dug):
        dug_in.setdefault(part.reach, []).append(k)
    read_in: dict[int, list[int]] = {}
    for row, one in enumerate(reach[here].tolist()):
        read_in.setdefault(one, []).append(row)
    telling_digs = set(weighed)
    for column, one in enumerate(telling.tolist()):
        digs = dug_in.get(one, [])
        events = _events(read_in.get(one, []), digs, seen, taken, here, dug, telling_digs, played, settings)
        told = _log_likelihood(events, flood_day, unmoved_log[:, :, column], variance)
        if digs:
            # What a digger left differs from what is foretold in more ways than the sand's own change: such
            # a reach tells of its refill, and nothing of how much of a pattern lasts.
            told = np.logaddexp.reduce(told + np.log(before), axis=1, keepdims=True)
        found += told
        records += sum(event.value is not None for event in events) - 1
    return Repeats(strength_log=pace_log, log_likelihood=found, records=records)


def _total_variance(value: NDArray[np.float64]) -> float:
    """How much beds of this ground differ, variance of the logit: by its readings and what is thought."""
    import numpy as np

    from washgrade.sand.priors import Priors
    from washgrade.survey.heeded import SCOOP_SD

    before = Priors().total_sd ** 2
    apart = float(np.sum((value - value.mean()) ** 2)) - (len(value) - 1) * SCOOP_SD**2 if len(value) else 0.0
    return (PRIOR_READINGS * before + max(apart, 0.0)) / (PRIOR_READINGS + max(len(value) - 1, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Event:
    """A dig or a sample in one reach, and what it told, if anything."""

    moment_days: float
    before: float
    after: float
    value: float | None
    error_variance: float
    foretold: NDArray[np.float64] | None


def _events(
    rows: Sequence[int],
    digs: Sequence[int],
    seen: Observations,
    taken: NDArray[np.float64],
    asked: NDArray[np.int64],
    dug: Sequence[DugPart],
    weighed: Collection[int],
    played: Reckoning,
    settings: Settings,
) -> list[_Event]:
    """Samples and digs of one reach, given by their numbers, in their order."""
    import numpy as np

    from washgrade.dig.load import grade_of_load
    from washgrade.survey.heeded import DIG_SD, MOST_DEPLETION, SCOOP_SD
    from washgrade.survey.refound import event_order

    middle, least = PACES // 2, settings.detection_grade
    most = float(np.log1p(-MOST_DEPLETION))
    events = []
    for row in rows:
        hole = asked[row]
        events.append(
            _Event(
                moment_days=float(taken[hole]),
                before=float(played.asked[row, middle]),
                after=float("nan"),
                value=float(seen.value[hole]),
                error_variance=float(seen.error_variance[hole]) + SCOOP_SD**2,
                foretold=np.log1p(-np.minimum(played.asked[row], MOST_DEPLETION)),
            )
        )
    for k in digs:
        part, value, variance, foretold = dug[k], None, 0.0, None
        if k in weighed:
            grade = grade_of_load(part.magnetics_kg / part.loads, settings.shovel)
            grade = min(max(grade, least), 1.0 - least)
            value = float(np.log(grade / (1.0 - grade)))
            variance = DIG_SD**2 / (1.0 - grade) ** 2
            foretold = np.maximum(np.log(np.maximum(played.yield_factor[k], 1e-9)), most)
        events.append(
            _Event(
                moment_days=part.moment_days,
                before=float(played.before[k, middle]),
                after=float(played.after[k, middle]),
                value=value,
                error_variance=variance,
                foretold=foretold,
            )
        )
    return sorted(
        events,
        key=lambda event: event_order(
            event.moment_days,
            is_dig=not np.isnan(event.after),
            gone_share=event.before,
            value_logit=event.value,
        ),
    )


def _log_likelihood(
    events: Sequence[_Event],
    flood_day: NDArray[np.float64],
    unmoved_log: NDArray[np.float64],
    variance: float,
) -> NDArray[np.float64]:
    """How likely the readings of one reach are, paces by lasting shares; ``unmoved_log``: floods, paces."""
    import numpy as np

    from washgrade.dig.refound import ledger_covariance, repeats_log_likelihood
    from washgrade.sand.priors import Priors
    from washgrade.storm.learn import lasting_shares

    priors = Priors()
    up_share = priors.up_share_a / (priors.up_share_a + priors.up_share_b)
    moment = np.array([event.moment_days for event in events])
    # What all floods up to each event have left, events by paces.
    kept_log = (flood_day <= moment[:, None]).astype(np.float64) @ unmoved_log
    told = np.array([k for k, event in enumerate(events) if event.value is not None], np.int64)
    ledger = ledger_covariance(
        depletion=np.array([event.before for event in events]),
        dug_to=np.array([event.after for event in events]),
        is_reading=np.array([event.value is not None for event in events]),
        kept_log=np.append(kept_log[:, PACES // 2], kept_log[-1, PACES // 2]),
    )[:-1, :-1]
    between = kept_log[told].T
    return repeats_log_likelihood(
        value=np.array([events[k].value for k in told], np.float64),
        error_variance=np.array([events[k].error_variance for k in told]),
        foretold=np.array([events[k].foretold for k in told], np.float64).T,
        unmoved=np.exp(-np.abs(between[:, :, None] - between[:, None, :])),
        ledger=ledger,
        lasting_share=lasting_shares()[0],
        middle_logit=float(np.log(priors.grade / (1.0 - priors.grade))),
        still_variance=priors.intercept_sd**2 + variance * (1.0 - up_share),
        moving_variance=variance * up_share,
    )
