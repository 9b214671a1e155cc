"""Before a day of digging: whether a sample pays first, and where."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from washgrade.dig.choose import Step
    from washgrade.survey.ranking import Ranking

__all__ = ["first_json", "first_step", "told_first"]

# Among so many reaches, the richest by their P90, the step is chosen. Our choice, for speed on large ground.
CANDIDATES = 300


def first_step(ranking: Ranking) -> Step | None:
    """Choose the next step: a sample where it pays for itself, or digging.

    Parameters
    ----------
    ranking : Ranking
        The reaches as they stand.

    Returns
    -------
    Step or None
        Of a day of `washgrade.dig.choose.DAY_LOADS` loads, the richest of a reach first; the reach as an
        index of the ground. None where no reach is open.

    Notes
    -----
    A reach with a reading of the day itself is not looked at again on that day.
    """
    import numpy as np

    from washgrade.dig.choose import next_step

    open_reach = np.flatnonzero(~ranking.closed & ~ranking.stock.depleted)
    if not len(open_reach):
        return None
    rich = np.sort(open_reach[np.argsort(-ranking.kg_per_load.p90[open_reach], kind="stable")[:CANDIDATES]])
    found = ranking.estimate
    seen = found.past.readings
    today = found.channels.nodes.reach[seen.node[seen.day == np.datetime64(found.day)]]
    standing = ranking.stock.standing(rich).chosen_by_eye(found.settings.found_by_eye)
    step = next_step(standing, looked=np.isin(rich, today), days=found.settings.days_to_come)
    return replace(step, reach=int(rich[step.reach]))


def told_first(ranking: Ranking) -> list[str]:
    """Say what to do first: take a sample where it pays, or dig.

    Parameters
    ----------
    ranking : Ranking
        The reaches as they stand.

    Returns
    -------
    list of str
        One text; none where no reach is open.
    """
    from washgrade.dig.choose import DAY_LOADS, DAYS_AHEAD
    from washgrade.units import show_mass

    step = first_step(ranking)
    if step is None:
        return []
    found = ranking.estimate
    name, units = found.channels.reaches.reach_id[step.reach], found.settings.units
    if not step.look_first:
        day = f"A day of {DAY_LOADS} loads"
        if step.day_loads < DAY_LOADS:
            day = f"What the samples of {found.day} leave of a day, {step.day_loads:.0f} loads"
        return [
            f"No sample pays before a day of digging. {day}, the richest that the eye finds, is expected to "
            f"bring most in {name}: {show_mass(step.day_kg, units)} of magnetics."
        ]
    days = min(found.settings.days_to_come, DAYS_AHEAD)
    over = f"over the next {days} days of digging" if days > 1 else "on this last day of digging"
    return [
        f"A sample in {name} first: {over} it is expected to bring "
        f"{show_mass(step.gain_kg, units)} of magnetics more than its time costs. Write it down and ask "
        "again."
    ]


def first_json(ranking: Ranking) -> dict[str, Any] | None:
    """Lay the first step out for other programs.

    Parameters
    ----------
    ranking : Ranking
        The reaches as they stand.

    Returns
    -------
    dict or None
        ``reach``, ``sample`` (take one there first, or dig there), ``gain_kg`` (what the sample brings more
        than it costs over the next days) and ``day_kg`` (what is left of the day is expected to
        bring where it brings most), magnetics in kilograms; None where no reach is open.
    """
    step = first_step(ranking)
    if step is None:
        return None
    return {
        "reach": str(ranking.estimate.channels.reaches.reach_id[step.reach]),
        "sample": step.look_first,
        "gain_kg": step.gain_kg,
        "day_kg": step.day_kg,
    }
