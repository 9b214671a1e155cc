"""What a page shows of the past: the last storm, the day before it, and how each reach came to be so."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from washgrade.survey.answers import estimate_on
from washgrade.survey.history import happenings, left_on, telling_days
from washgrade.survey.ranking import Ranking, rank

if TYPE_CHECKING:
    from washgrade.page.dated import History, OtherDay

__all__ = ["other_day", "past_view"]

# Days of a page's charts, each estimated anew for all reaches; and draws of their ranges (our choice).
MOST_DAYS, DRAWS = 8, 200


def past_view(ranking: Ranking) -> dict[str, Any]:
    """Lay out what a page shows of the past.

    Parameters
    ----------
    ranking : Ranking
        The ranking of the page's day.

    Returns
    -------
    dict
        ``storm``, ``fresh_share``, ``left_share``, ``other`` and ``history`` of `PageView`; empty where
        nothing but samples was recorded.
    """
    from washgrade.page.dated import LastStorm

    past = ranking.estimate.past
    if not (past.events or past.dug):
        return {}
    found: dict[str, Any] = {
        "left_share": 1.0 - ranking.remains.depletion,
        "fresh_share": past.fresh_share,
        "history": _history(ranking),
    }
    if past.events:
        last = [one for one in happenings(ranking.estimate) if one.kind == "storm"][-1]
        found |= {
            "storm": LastStorm(day=last.day.isoformat(), told=last.told),
            "other": other_day(ranking, past.events[-1].day - timedelta(days=1), "before the storm"),
        }
    return found


def other_day(ranking: Ranking, on: str | date, told: str = "") -> OtherDay:
    """Lay out the reaches as they were on another day.

    Parameters
    ----------
    ranking : Ranking
        The ranking of the page's day.
    on : str or date
        The other day.
    told : str, optional
        What sets it apart.

    Returns
    -------
    OtherDay
        Ranking and grades of that day.
    """
    from washgrade.page.dated import OtherDay

    found = ranking.estimate
    then = rank(estimate_on(found, on))
    load = then.kg_per_load
    grade = then.estimate.grade
    return OtherDay(
        day=then.estimate.day.isoformat(),
        told=told,
        rank=then.rank,
        grade_mean=grade.reach_mean,
        grade_p10=grade.reach_p10,
        grade_p90=grade.reach_p90,
        kg_per_load_mean=load.mean,
        kg_per_load_p10=load.p10,
        kg_per_load_p90=load.p90,
        loads_left=then.stock.loads_left,
    )


def _history(ranking: Ranking) -> History:
    """Grade and what was left of every reach on the days that matter."""
    import numpy as np

    from washgrade.page.dated import History, HistoryEvent

    found = ranking.estimate
    reach_id, count = found.channels.reaches.reach_id, len(found.channels.reaches)
    told = happenings(found)
    # Samples alone are many and change little but near by: days of storms and digs carry the chart.
    days = telling_days(found.past, [one.day for one in told if one.kind in ("storm", "dig")], most=MOST_DAYS)
    grades = [found.grade if day == found.day else estimate_on(found, day, draws=DRAWS).grade for day in days]
    return History(
        days=tuple(day.isoformat() for day in days),
        grade_mean=np.column_stack([one.reach_mean for one in grades]),
        grade_p10=np.column_stack([one.reach_p10 for one in grades]),
        grade_p90=np.column_stack([one.reach_p90 for one in grades]),
        left_share=np.column_stack([one.mean(axis=0) for one in left_on(ranking, days, np.arange(count))]),
        events=tuple(
            HistoryEvent(
                day=one.day.isoformat(),
                kind=one.kind,
                reach="" if one.reach < 0 else str(reach_id[one.reach]),
                told=one.told,
            )
            for one in told
        ),
    )
