"""What a page shows that hangs on days: the last storm, another day, each reach's past, the day's plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DayPlanView", "DayStop", "History", "HistoryEvent", "LastStorm", "OtherDay"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LastStorm:
    """The last storm before the day of the page.

    Parameters
    ----------
    day : str
        ISO date.
    told : tuple of str
        What it was, in US units and in metric ones: ``1.2 in of rain``.
    """

    day: str
    told: tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherDay:
    """The same reaches on another day, to be looked at beside.

    Parameters
    ----------
    day : str
        ISO date.
    told : str
        What sets it apart, such as ``before the storm``; may be empty.
    rank : ndarray of int64, shape (reaches,)
        1 for the best, each number once.
    grade_mean, grade_p10, grade_p90 : ndarray of float64, shape (reaches,)
        Grade over the bite, 0 to 1.
    kg_per_load_mean, kg_per_load_p10, kg_per_load_p90 : ndarray of float64, shape (reaches,)
        Kilograms of magnetics in one load.
    loads_left : ndarray of float64, shape (reaches,)
        Loads above the cut-off; NaN where unknown.
    """

    day: str
    told: str
    rank: NDArray[np.int64]
    grade_mean: NDArray[np.float64]
    grade_p10: NDArray[np.float64]
    grade_p90: NDArray[np.float64]
    kg_per_load_mean: NDArray[np.float64]
    kg_per_load_p10: NDArray[np.float64]
    kg_per_load_p90: NDArray[np.float64]
    loads_left: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryEvent:
    """Something that happened to one reach, or to all of them.

    Parameters
    ----------
    day : str
        ISO date.
    kind : {"sample", "storm", "dig", "look"}
        What.
    reach : str
        Name of the reach; empty where it concerns all.
    told : tuple of str
        What it was, in US units and in metric ones.
    """

    day: str
    kind: str
    reach: str
    told: tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """How the reaches came to be as they are.

    Parameters
    ----------
    days : tuple of str
        ISO dates, rising, the day of the page last.
    grade_mean, grade_p10, grade_p90 : ndarray of float64, shape (reaches, days)
        Grade over the bite on each day, 0 to 1.
    left_share : ndarray of float64, shape (reaches, days), or None
        Share of the stock left on each day, 0 to 1.
    events : tuple of HistoryEvent
        What happened, by day.
    """

    days: tuple[str, ...]
    grade_mean: NDArray[np.float64]
    grade_p10: NDArray[np.float64]
    grade_p90: NDArray[np.float64]
    left_share: NDArray[np.float64] | None = None
    events: tuple[HistoryEvent, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DayStop:
    """A stop of a digging day.

    Parameters
    ----------
    reach : str
        Name of its reach.
    lon, lat : float
        Where, degrees, WGS 84.
    leg_minutes, arrival_minutes : float
        Walking time to it, and from the start to the arrival.
    loads : float
        Shovel loads to dig there.
    carries : int
        How often to carry buckets away from there.
    product_kg : float
        Clean product expected of it, kilograms.
    """

    reach: str
    lon: float
    lat: float
    leg_minutes: float
    arrival_minutes: float
    loads: float
    carries: int
    product_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPlanView:
    """A digging day, as the page shows it.

    Parameters
    ----------
    stops : tuple of DayStop
        In their order.
    lon, lat : ndarray of float64, shape (points,)
        The whole way, degrees, WGS 84.
    sentences : tuple of tuple of str
        What a digger must know: in US units and in metric ones.
    """

    stops: tuple[DayStop, ...]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]
    sentences: tuple[tuple[str, ...], tuple[str, ...]]
