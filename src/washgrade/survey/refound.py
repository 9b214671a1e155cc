"""What was found in dug reaches since they were dug: it corrects what the ledger says is left."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.ledger import Reckoning
    from washgrade.survey.answers import Estimate
    from washgrade.survey.past import DugPart, Past

__all__ = ["Refound", "event_order", "found_again", "in_one_reach", "refound_of"]

# Below this share of its magnetics gone a reach counts as fresh: what is read there tells of the fresh bed.
FRESH_DEPLETION = 0.01
# One stream for the draws' own errors, with the number of the reach.
_SEED = 5181


@dataclass(frozen=True, slots=True, kw_only=True)
class Refound:
    """Readings of dug reaches, each beside what the ledger foretold.

    Parameters
    ----------
    reach : ndarray of int64, shape (readings,)
        Where.
    moment_days : ndarray of float64, shape (readings,)
        When, as day numbers with their part of the day.
    value : ndarray of float64, shape (readings,)
        What was read, logit of the grade as it then lay there.
    error_variance : ndarray of float64, shape (readings,)
        Of that, about what the reach held on the mean.
    carried : ndarray of float64, shape (readings,)
        Share of the fresh bed's pattern that the floods since have left.
    foretold : ndarray of float64, shape (readings, ways)
        What the ledger foretold, less the logit of the fresh bed, in each way that the floods may have been.
    dig : ndarray of int64, shape (readings,)
        Number of the dig whose product it is; -1 for a sample.
    dug_before, dug_after : ndarray of float64, shape (digs,)
        Share of the magnetics of its reach that was gone before and after each dig, by the ledger's mean.
    """

    reach: NDArray[np.int64]
    moment_days: NDArray[np.float64]
    value: NDArray[np.float64]
    error_variance: NDArray[np.float64]
    carried: NDArray[np.float64]
    foretold: NDArray[np.float64]
    dig: NDArray[np.int64]
    dug_before: NDArray[np.float64]
    dug_after: NDArray[np.float64]


def in_one_reach(dug: Sequence[DugPart]) -> list[int]:
    """Say which parts are whole digs: a product of several reaches tells of none of them alone.

    Parameters
    ----------
    dug : sequence of DugPart
        Digs by reach.

    Returns
    -------
    list of int
        Their numbers.
    """
    counts = Counter(part.record.id for part in dug)
    return [k for k, part in enumerate(dug) if counts[part.record.id] == 1]


def event_order(
    moment_days: float, *, is_dig: bool, gone_share: float, value_logit: float | None
) -> tuple[float, ...]:
    """Give the key by which digs and samples of one reach are put in their order.

    Parameters
    ----------
    moment_days : float
        Day number with its part of the day.
    is_dig : bool
        At one moment samples come before digs.
    gone_share : float
        Share of the magnetics that was gone before.
    value_logit : float or None
        What was read, if anything.

    Returns
    -------
    tuple of float
        Ties go by what was found, so that the order in which records came or their names never matter.

    Examples
    --------
    >>> sample = event_order(3.5, is_dig=False, gone_share=0.2, value_logit=-2.0)
    >>> sample < event_order(3.5, is_dig=True, gone_share=0.1, value_logit=None)
    True
    """
    return (moment_days, is_dig, gone_share, float("-inf") if value_logit is None else value_logit)


def refound_of(
    past: Past,
    reckoned: Reckoning,
    asked: NDArray[np.integer[Any]],
    taken: NDArray[np.float64],
    rows: Sequence[tuple[Any, ...]],
) -> Refound | None:
    """Gather what samples and weighed digs tell of reaches that had been dug before.

    Parameters
    ----------
    past : Past
        The past, its readings still each of its own day.
    reckoned : Reckoning
        The ledger, asked at the samples of dug reaches.
    asked : ndarray of int, shape (asks,)
        Holes of those samples.
    taken : ndarray of float64, shape (holes,)
        Moments of all samples.
    rows : sequence of tuple
        What the weighed digs say, from `washgrade.survey.heeded`.

    Returns
    -------
    Refound or None
        None where there is no such reading.
    """
    import numpy as np

    from washgrade.survey.heeded import DIG_SD, MOST_DEPLETION, SCOOP_SD, carried

    seen, nodes = past.readings, past.channels.nodes
    telling = np.flatnonzero((reckoned.asked.mean(axis=1) > FRESH_DEPLETION) & ~seen.censored[asked])
    hole = asked[telling]
    part_of = {part.record.id: k for k, part in enumerate(past.dug)}
    whole = set(in_one_reach(past.dug))
    digs, dig_value = [], []
    for row in rows:
        name = row[2][0]
        k = part_of[name]
        if part_of[name] in whole and reckoned.before[k].mean() > FRESH_DEPLETION:
            digs.append(k)
            # As read: the fresh bed's by the mean factor, and that factor.
            dig_value.append(row[3] + float(np.log(reckoned.yield_factor[k].mean())))
    if not len(hole) and not digs:
        return None
    most = np.log1p(-MOST_DEPLETION)
    dig = np.array(digs, np.int64)
    factor = reckoned.yield_factor[dig]
    node = np.concatenate([seen.node[hole], np.array([past.dug[k].node for k in digs], np.int64)])
    moment = np.concatenate([taken[hole], np.array([past.dug[k].moment_days for k in digs])])
    return Refound(
        reach=np.concatenate(
            [nodes.reach[seen.node[hole]], np.array([past.dug[k].reach for k in digs])]
        ).astype(np.int64),
        moment_days=moment,
        value=np.concatenate([seen.value[hole], np.array(dig_value)]),
        error_variance=np.concatenate(
            [seen.error_variance[hole] + SCOOP_SD**2, np.full(len(digs), DIG_SD**2)]
        ),
        carried=carried(past, node, moment, lasting_share=past.learnt.lasting_share),
        foretold=np.concatenate(
            [
                np.log1p(-np.minimum(reckoned.asked[telling], MOST_DEPLETION)),
                np.maximum(np.log(np.maximum(factor, 1e-9)), most),
            ]
        ),
        dig=np.concatenate([np.full(len(hole), -1), dig]).astype(np.int64),
        dug_before=reckoned.before.mean(axis=1),
        dug_after=reckoned.after.mean(axis=1),
    )


def found_again(
    found: Estimate, depletion: NDArray[np.float64], *, reaches: NDArray[np.integer[Any]], moment_days: float
) -> NDArray[np.floating[Any]]:
    """Correct what the ledger says was gone at a moment by all that was read in dug reaches.

    Parameters
    ----------
    found : Estimate
        The estimate.
    depletion : ndarray of float64, shape (ways, some)
        Share of the magnetics that was gone by the ledger.
    reaches : ndarray of int, shape (some,)
        Of which reaches.
    moment_days : float
        When, as a day number with its part of the day; infinite for today.

    Returns
    -------
    ndarray of float, shape (ways, some) or (draws, some)
        The ledger's, or joint with the draws of the grade where something was read.

    Notes
    -----
    A dug reach whose sample or product was poorer than foretold is poorer bed, or was dug out farther, or was
    refilled less: the grade's estimate takes the first to be so (with the ledger's doubt as error), and given
    each of its draws `washgrade.dig.refound.left_after_readings` says what is left. Readings of earlier
    floods count as far as the fresh bed's pattern is still the one of today.
    """
    import numpy as np

    from washgrade.dig.refound import LEAST_LEFT, ledger_covariance, left_after_readings

    past = found.past
    told = past.refound
    if told is None or not np.isin(told.reach, reaches).any():
        return depletion
    draws = len(found.grade.reach_draws)
    gone = depletion[np.arange(draws) % len(depletion)].astype(np.float32)
    quantities = found.grade.hyper.quantities
    moving = quantities["total sd"].p50 ** 2 * quantities["tail-up share"].p50
    flood_day = np.array([event.moment_days for event in past.events])
    # A flood that lays all anew leaves nothing of an error.
    unmoved = np.log1p(-np.minimum(past.renewed_mean, 1.0 - 1e-6))
    for column in np.flatnonzero(np.isin(reaches, told.reach)).tolist():
        reach = int(reaches[column])
        # What is asked for is one more reading, of which nothing was read.
        asked = _Event(
            moment_days=moment_days, before=float(depletion[:, column].mean()), after=float("nan"), told=-2
        )
        events = [*_timeline(past, told, reach), asked]
        events.sort(key=lambda event: event.moment_days)
        known = [event.told for event in events if event.told != -1]
        order = np.array([k for k, which in enumerate(known) if which != -2] + [known.index(-2)])
        rows = [which for which in known if which != -2]
        # What floods left unmoved by each event; the row of the very end is not asked for.
        moment = np.array([event.moment_days for event in events] + [np.inf])
        kept_log = ((flood_day[:, None] <= moment) * unmoved[:, reach, None]).sum(axis=0)
        ledger = ledger_covariance(
            depletion=np.array([event.before for event in events]),
            dug_to=np.array([event.after for event in events]),
            is_reading=np.array([event.told != -1 for event in events]),
            kept_log=kept_log,
        )
        fresh = np.clip(found.grade.reach_draws[:, reach].astype(np.float64), 1e-6, 1.0 - 1e-6)
        gone[:, column] = 1.0 - left_after_readings(
            foretold=told.foretold[rows],
            now=np.log1p(-np.minimum(depletion[:, column], 1.0 - LEAST_LEFT)),
            ledger=ledger[np.ix_(order, order)],
            reading=told.value[rows],
            error_variance=told.error_variance[rows] + (1.0 - told.carried[rows] ** 2) * moving,
            fresh=np.log(fresh / (1.0 - fresh)),
            rng=np.random.default_rng([_SEED, reach]),
        )
    return gone


@dataclass(frozen=True, slots=True, kw_only=True)
class _Event:
    """A dig or a sample: when, what the ledger says was gone before and after, and which reading it is."""

    moment_days: float
    before: float
    after: float
    told: int


def _timeline(past: Past, told: Refound, reach: int) -> list[_Event]:
    """Digs and samples of one reach in their order; at one moment samples come before digs."""
    import numpy as np

    here = np.flatnonzero(told.reach == reach).tolist()
    of_dig = {int(told.dig[k]): k for k in here if told.dig[k] >= 0}
    events = [
        _Event(
            moment_days=float(told.moment_days[k]),
            before=float(-np.expm1(told.foretold[k]).mean()),
            after=float("nan"),
            told=k,
        )
        for k in here
        if told.dig[k] < 0
    ]
    events += [
        _Event(
            moment_days=part.moment_days,
            before=float(told.dug_before[k]),
            after=float(told.dug_after[k]),
            told=of_dig.get(k, -1),
        )
        for k, part in enumerate(past.dug)
        if part.reach == reach
    ]
    return sorted(
        events,
        key=lambda event: event_order(
            event.moment_days,
            is_dig=not np.isnan(event.after),
            gone_share=event.before,
            value_logit=float(told.value[event.told]) if event.told >= 0 else None,
        ),
    )
