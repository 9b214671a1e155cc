"""How a reach came to be as it is: what happened to it, what was left of it, and its grade, day by day."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from washgrade.survey.answers import Estimate, estimate_on
from washgrade.survey.belief import find_reach
from washgrade.units import show_share

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.survey.past import Past
    from washgrade.survey.ranking import Ranking

__all__ = ["Happening", "ReachHistory", "happenings", "left_on", "reach_history", "telling_days"]

# So many days are estimated anew for one history; each takes a fraction of an estimate (our choice).
MOST_DAYS = 12
HISTORY_DRAWS = 240


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened to a reach, or to all of them.

    Parameters
    ----------
    day : date
        When.
    kind : {"sample", "storm", "dig", "look"}
        What.
    reach : int
        Index of the reach; -1 where it concerns all.
    told : tuple of str
        What it was, in US units and in metric ones.
    """

    day: date
    kind: str
    reach: int
    told: tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReachHistory:
    """The history of one reach.

    Parameters
    ----------
    reach : str
        Its name.
    days : tuple of date
        Days that were looked at, rising; the day asked for last.
    grade_mean, grade_p10, grade_p90 : ndarray of float64, shape (days,)
        Grade of the bite at the end of each day, 0 to 1.
    left_mean, left_p10, left_p90 : ndarray of float64, shape (days,)
        Share of the magnetics of the fresh reach that was left then, 0 to 1.
    happenings : tuple of Happening
        What happened to it, by day.
    """

    reach: str
    days: tuple[date, ...]
    grade_mean: NDArray[np.float64]
    grade_p10: NDArray[np.float64]
    grade_p90: NDArray[np.float64]
    left_mean: NDArray[np.float64]
    left_p10: NDArray[np.float64]
    left_p90: NDArray[np.float64]
    happenings: tuple[Happening, ...]

    def as_json(self) -> dict[str, Any]:
        """Lay it out for other programs.

        Returns
        -------
        dict
            Stable names, shares and grades from 0 to 1.
        """
        return {
            "reach": self.reach,
            "days": [
                {
                    "day": day.isoformat(),
                    "grade": {
                        "mean": float(self.grade_mean[k]),
                        "p10": float(self.grade_p10[k]),
                        "p90": float(self.grade_p90[k]),
                    },
                    "left_share": {
                        "mean": float(self.left_mean[k]),
                        "p10": float(self.left_p10[k]),
                        "p90": float(self.left_p90[k]),
                    },
                }
                for k, day in enumerate(self.days)
            ],
            "happenings": [
                {"day": one.day.isoformat(), "kind": one.kind, "told": one.told[1]} for one in self.happenings
            ],
        }

    def chart(self, units: str, *, width: int = 30) -> list[str]:
        """Draw it with letters: a line for each day, what is left as a bar and the grade as a range.

        Parameters
        ----------
        units : {"us", "metric"}
            Units of what is told beside it.
        width : int, default 30
            Columns of each scale.

        Returns
        -------
        list of str
            Lines: the heading, then a line a day with what happened since the one before.
        """
        import numpy as np

        most = max(float(self.grade_p90.max()), 1e-6)
        lines = [
            f"{'day':<11}{'left of it':<{width + 1}}  {'grade: o middle, - 8 times in 10':<{width}} "
            f"up to {show_share(most, 1)}"
        ]
        by_day: dict[date, list[Happening]] = {}
        for one in self.happenings:
            at = int(np.searchsorted(np.array([d.toordinal() for d in self.days]), one.day.toordinal()))
            by_day.setdefault(self.days[min(at, len(self.days) - 1)], []).append(one)
        for k, day in enumerate(self.days):
            bar = "#" * round(width * float(self.left_mean[k]))
            row = [" "] * width
            low, high, middle = (
                min(round((width - 1) * float(value[k]) / most), width - 1)
                for value in (self.grade_p10, self.grade_p90, self.grade_mean)
            )
            row[low : high + 1] = "-" * (high + 1 - low)
            row[middle] = "o"
            what = "; ".join(
                f"{one.kind}: {one.told[0 if units == 'us' else 1]}" for one in by_day.get(day, [])[:3]
            )
            more = len(by_day.get(day, [])) - 3
            what += f"; and {more} more" if more > 0 else ""
            lines.append(f"{day.isoformat():<11}{bar:<{width}}|  {''.join(row)}  {what}".rstrip())
        return lines


def happenings(found: Estimate) -> tuple[Happening, ...]:
    """List what happened to the reaches, by day.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    tuple of Happening
        Storms for all reaches, the rest each for its own.
    """
    from washgrade.survey.tell import tell_record

    past, nodes = found.past, found.channels.nodes
    porosity = found.settings.porosity

    def both(record: Any) -> tuple[str, str]:
        return tell_record(record, "us", porosity=porosity), tell_record(record, "metric", porosity=porosity)

    told = []
    for event in past.events:
        words = [both(record) for record in event.records]
        told.append(
            Happening(
                day=event.day,
                kind="storm",
                reach=-1,
                told=("; ".join(one[0] for one in words), "; ".join(one[1] for one in words)),
            )
        )
    for part in past.dug:
        told.append(Happening(day=part.record.day, kind="dig", reach=part.reach, told=both(part.record)))
    for look in past.looks:
        told.append(Happening(day=look.record.day, kind="look", reach=look.reach, told=both(look.record)))
    by_id = {sample.id: sample for sample in found.samples}
    for node, ids in zip(past.readings.node.tolist(), past.readings.sample_ids, strict=True):
        for one in ids:
            if one in by_id:
                told.append(
                    Happening(
                        day=by_id[one].day,
                        kind="sample",
                        reach=int(nodes.reach[node]),
                        told=both(by_id[one]),
                    )
                )
    return tuple(sorted(told, key=lambda one: (one.day, one.kind, one.reach, one.told)))


def telling_days(past: Past, days: Sequence[date], *, most: int = MOST_DAYS) -> tuple[date, ...]:
    """Choose the days of a history: the eve of the first happening, days of happenings, and the day asked.

    Parameters
    ----------
    past : Past
        The past.
    days : sequence of date
        Days on which something happened.
    most : int, default 12
        How many at most; storms and the latest stay.

    Returns
    -------
    tuple of date
        Rising, the day asked for last.
    """
    found = sorted({day for day in days if day < past.day})
    if not found:
        return (past.day,)
    eve = found[0] - timedelta(days=1)
    stormy = {event.day for event in past.events}
    while len(found) > most - 2:
        plain = [day for day in found if day not in stormy]
        found.remove((plain or found)[0])
    return (eve, *found, past.day)


def left_on(
    ranking: Ranking, days: Sequence[date], reaches: NDArray[np.integer]
) -> Iterator[NDArray[np.floating]]:
    """Share of the magnetics of a fresh reach that was left at the end of each day.

    Parameters
    ----------
    ranking : Ranking
        The ranking of the last day.
    days : sequence of date
        Days up to it.
    reaches : ndarray of int, shape (reaches,)
        Which reaches.

    Yields
    ------
    ndarray of float, shape (draws, reaches)
        Shares of one day after another, as they are reckoned from what is known on the last day.
    """
    import numpy as np

    from washgrade.dig.ledger import Asks
    from washgrade.survey.refound import found_again

    found = ranking.estimate
    at = np.asarray(reaches, np.int64)
    count = len(days)
    if ranking.remains.reckoning is None:
        yield from np.ones((count, 1, len(at)))
        return
    held = ranking.stock.loads_held
    # Asked at the very end of the day, after its digs.
    end = np.array([day.toordinal() + 0.99999 for day in days])
    reckoned = found.past.reckon(
        held * ranking.stock.load_kg,
        Asks(day=np.tile(end, len(at)), reach=np.repeat(at, count)),
        loads_held=held,
    )
    gone = np.moveaxis(reckoned.asked.reshape(len(at), count, -1), 2, 0)
    for k, day in enumerate(days):
        moment_days = np.inf if day >= found.day else float(end[k])
        yield 1.0 - found_again(found, gone[:, :, k], reaches=at, moment_days=moment_days)


def reach_history(ranking: Ranking, name: str) -> ReachHistory:
    """Tell the history of one reach.

    Parameters
    ----------
    ranking : Ranking
        The ranking of the day asked for.
    name : str
        The reach, such as A7.

    Returns
    -------
    ReachHistory
        By day.

    Raises
    ------
    InputError
        If there is no such reach.

    Notes
    -----
    Grades are estimated as of each day, from the records up to it, with the ranges and variances that are
    known on the last day.
    """
    import numpy as np

    found = ranking.estimate
    reach = find_reach(found, name)
    mine = tuple(one for one in happenings(found) if one.reach in (reach, -1))
    days = telling_days(found.past, [one.day for one in mine])
    grades = [
        found.grade if day == found.day else estimate_on(found, day, draws=HISTORY_DRAWS).grade
        for day in days
    ]
    left = np.column_stack([one[:, 0] for one in left_on(ranking, days, np.array([reach]))])
    low, high = np.quantile(left, (0.1, 0.9), axis=0)
    return ReachHistory(
        reach=str(found.channels.reaches.reach_id[reach]),
        days=days,
        grade_mean=np.array([one.reach_mean[reach] for one in grades]),
        grade_p10=np.array([one.reach_p10[reach] for one in grades]),
        grade_p90=np.array([one.reach_p90[reach] for one in grades]),
        left_mean=left.mean(axis=0),
        left_p10=low,
        left_p90=high,
        happenings=mine,
    )
