"""What an hour at the wash brings in each reach: the yield of a load over the time that it takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.rank import Spread
    from washgrade.survey.ranking import Ranking
    from washgrade.survey.steps import Progress

__all__ = ["PerHour", "per_hour"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PerHour:
    """Yield by the hour, from one place to start.

    Parameters
    ----------
    kg_per_hour : Spread
        Magnetics brought to the vehicle in an hour at the wash, rest counted, kg; 0 where no walk leads.
    load_minutes : ndarray of float64, shape (reaches,)
        Time that one load takes, rest not counted; inf where no walk leads.
    rank : ndarray of int64, shape (reaches,)
        1 for the best by the hour.
    start_name : str
        Where the vehicle stands.
    """

    kg_per_hour: Spread
    load_minutes: NDArray[np.float64]
    rank: NDArray[np.int64]
    start_name: str


def per_hour(ranking: Ranking, *, start: str | None = None, progress: Progress | None = None) -> PerHour:
    """Reckon what an hour of digging and carrying brings in each reach.

    Parameters
    ----------
    ranking : Ranking
        What a load brings.
    start : str, optional
        Where the vehicle stands: ``LON,LAT`` or the name of a point of access; the first one unless told.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    PerHour
        Of every reach.

    Raises
    ------
    InputError
        If there is no such start, or it is not open to walkers.

    Notes
    -----
    kg an hour = kg a load × (60 - rest) / (digging + round trip / loads in a carry), in minutes: full carries
    one after the other, each load as rich as the mean of what is left. The best day in hours that are given,
    which takes the richest loads first and divides them among reaches, is planned by
    `washgrade.survey.plan_digging_day`.
    """
    from dataclasses import replace

    import numpy as np

    from washgrade.dig.rank import rank_reaches, spread
    from washgrade.survey.daygiven import hauls_from

    chosen = ranking.estimate.settings
    given = hauls_from(ranking, start, progress=progress)
    minutes = given.hauled.load_minutes(chosen.dig_minutes)
    loads_an_hour = chosen.haul.working_minutes(1.0) / minutes
    mean_kg = ranking.kg_per_load.mean * loads_an_hour
    return PerHour(
        kg_per_hour=replace(spread(ranking.per_load_draws * loads_an_hour), mean=mean_kg),
        load_minutes=minutes,
        rank=rank_reaches(mean_kg, last=ranking.stock.depleted | ranking.closed | ~np.isfinite(minutes)),
        start_name=given.start_name,
    )
