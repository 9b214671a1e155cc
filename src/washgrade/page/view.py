"""What the page shows: one plain record, so that the page knows nothing of rasters, files or solvers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import choice, whole
from washgrade.errors import InputError
from washgrade.page.dated import DayPlanView, DayStop, History, HistoryEvent, LastStorm, OtherDay
from washgrade.page.entry import Entering
from washgrade.page.pieces import (
    Access,
    Belief,
    GroundMark,
    Hole,
    NextSpot,
    Ring,
    SampleMark,
    SourceArea,
    WalkStop,
    WalkView,
    Why,
)
from washgrade.sand.support import SUPPORT
from washgrade.units import UNITS

__all__ = [
    "Access",
    "Belief",
    "DayPlanView",
    "DayStop",
    "Entering",
    "GroundMark",
    "History",
    "HistoryEvent",
    "Hole",
    "LastStorm",
    "NextSpot",
    "OtherDay",
    "PageView",
    "Ring",
    "SampleMark",
    "SourceArea",
    "WalkStop",
    "WalkView",
    "Why",
]

_PER_REACH = (
    "rank",
    "grade_mean",
    "grade_p10",
    "grade_p50",
    "grade_p90",
    "kg_per_load_mean",
    "kg_per_load_p10",
    "kg_per_load_p50",
    "kg_per_load_p90",
    "chance_top",
    "chance_above_cutoff",
    "stock_kg",
    "loads_left",
    "depleted",
    "closed",
    "length_m",
    "slope",
    "upstream_area_m2",
    "width_m",
    "support",
    "notes",
    "easting_m",
    "northing_m",
    "lon",
    "lat",
)
# May be left out altogether.
_IF_GIVEN = (
    "traps",
    "width_measured",
    "least_area",
    "section_half_m",
    "section_m",
    "fresh_share",
    "left_share",
    "magnetite_kg_mean",
    "magnetite_kg_p10",
    "magnetite_kg_p90",
)
_MAY_BE_MISSING = frozenset({"stock_kg", "loads_left", "width_m"})
_WORDS = frozenset({"support", "notes"})


@dataclass(frozen=True, slots=True, kw_only=True)
class PageView:
    """All that one page shows, in SI units.

    Parameters
    ----------
    title, day, crs, datum, made_with : str
        Heading; ISO date of the estimate; code of the projected reference system (``EPSG:25830``); the datum
        in words; name and version of what made the page.
    invented : bool
        True when the place does not exist, which the page then says.
    units : {"us", "metric"}
        What the page shows first; its reader may switch.
    reach_id : tuple of str, length reaches
        Names of the reaches.
    line_lon, line_lat : ndarray of float64, shape (points,)
        The reaches' lines one after the other, degrees, WGS 84, each from upstream to downstream.
    line_start : ndarray of int64, shape (reaches + 1,)
        Where each line begins, and the number of points as the last entry; a line has two points or more.
    rank : ndarray of int64, shape (reaches,)
        1 for the best, each number once.
    grade_mean, grade_p10, grade_p50, grade_p90 : ndarray of float64, shape (reaches,)
        Grade over the bite, 0 to 1.
    kg_per_load_mean, kg_per_load_p10, kg_per_load_p50, kg_per_load_p90 : ndarray of float64, shape (reaches,)
        Kilograms of magnetics in one load.
    chance_top, chance_above_cutoff : ndarray of float64, shape (reaches,)
        Chance to be among the best ``top``, and to lie above the cut-off grade, 0 to 1.
    stock_kg, loads_left : ndarray of float64, shape (reaches,)
        Kilograms of magnetics and loads still there above the cut-off; NaN where unknown.
    depleted, closed : ndarray of bool, shape (reaches,)
        True where most has been dug; and where one must not or cannot dig, for the reason in the notes.
    length_m, slope, upstream_area_m2, width_m : ndarray of float64, shape (reaches,)
        Shape of the reach; a width may be NaN.
    support : tuple of str, length reaches
        What the estimate rests on, each one of `SUPPORT`.
    notes : tuple of tuple of str, length reaches
        Reasons and remarks in plain words.
    traps : tuple of tuple of str, length reaches or 0
        What in the shape of the reach may hold heavy sand, in plain words.
    width_measured, least_area : ndarray of bool, shape (reaches,), or None
        True where the width was measured on the DEM; where the upstream area is a lower bound, because the
        map's edge cuts it.
    section_half_m : ndarray of float64, shape (reaches,), or None
        How far each cross-section goes to each side, metres.
    section_m : ndarray of float32, shape (reaches, points), or None
        Heights across the middle of each reach, from the left to the right looking downstream, metres; NaN
        where unknown.
    marks : tuple of GroundMark
        Where the DEM was mended so that water finds its way.
    holes : tuple of Hole
        Holes sampled in layers.
    next_spots : tuple of NextSpot
        Where one more sample would tell most, the best first.
    walk : WalkView or None
        A sampling walk.
    day_plan : DayPlanView or None
        A digging day.
    storm : LastStorm or None
        The last storm before the day.
    fresh_share : ndarray of float64, shape (reaches,), or None
        Share of the bed, down to the bite, that the last storm laid anew, 0 to 1; NaN where unknown.
    left_share : ndarray of float64, shape (reaches,), or None
        Share left of what the reach held before it was dug, 0 to 1; NaN where unknown.
    magnetite_kg_mean, magnetite_kg_p10, magnetite_kg_p90 : ndarray of float64, shape (reaches,), or None
        Kilograms of magnetite in one load, as far as the purity of the magnetics is known.
    other : OtherDay or None
        The same reaches on another day, to be looked at beside.
    history : History or None
        How the reaches came to be as they are.
    entering : Entering or None
        The forms for writing down; none are shown if left out.
    why : Why or None
        What the grade of each reach rests on.
    belief : Belief or None
        Whether to believe the numbers.
    easting_m, northing_m, lon, lat : ndarray of float64, shape (reaches,)
        Middle of the reach: metres in ``crs``; degrees, WGS 84.
    samples : tuple of SampleMark
        The samples behind the estimate.
    property_rings, no_go_rings : tuple of Ring
        The property line and the areas not to enter.
    sources : tuple of SourceArea
        Rock whose sand has a known grade.
    access : tuple of Access
        Where the ground is entered.
    relief_png : bytes
        Picture of the relief, warped to EPSG:3857; empty for none.
    relief_bounds : tuple of float
        West, south, east and north edge of the picture, degrees, WGS 84.
    cutoff_grade : float
        Grade below which digging is not worth it, 0 to 1.
    top : int
        How many of the best reaches ``chance_top`` speaks of.
    settings : tuple of (str, str)
        What was assumed, as name and value.
    cautions : tuple of str
        Warnings of this site, shown before the general ones.

    Raises
    ------
    InputError
        If lengths differ, a number is missing or a word is none of the allowed ones.
    """

    title: str
    day: str
    crs: str
    datum: str
    made_with: str
    invented: bool = False
    units: str = "metric"
    reach_id: tuple[str, ...]
    line_lon: NDArray[np.float64]
    line_lat: NDArray[np.float64]
    line_start: NDArray[np.int64]
    rank: NDArray[np.int64]
    grade_mean: NDArray[np.float64]
    grade_p10: NDArray[np.float64]
    grade_p50: NDArray[np.float64]
    grade_p90: NDArray[np.float64]
    kg_per_load_mean: NDArray[np.float64]
    kg_per_load_p10: NDArray[np.float64]
    kg_per_load_p50: NDArray[np.float64]
    kg_per_load_p90: NDArray[np.float64]
    chance_top: NDArray[np.float64]
    chance_above_cutoff: NDArray[np.float64]
    stock_kg: NDArray[np.float64]
    loads_left: NDArray[np.float64]
    depleted: NDArray[np.bool_]
    closed: NDArray[np.bool_]
    length_m: NDArray[np.float64]
    slope: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    width_m: NDArray[np.float64]
    support: tuple[str, ...]
    notes: tuple[tuple[str, ...], ...]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]
    traps: tuple[tuple[str, ...], ...] = ()
    width_measured: NDArray[np.bool_] | None = None
    least_area: NDArray[np.bool_] | None = None
    section_half_m: NDArray[np.float64] | None = None
    section_m: NDArray[np.float32] | None = None
    marks: tuple[GroundMark, ...] = ()
    holes: tuple[Hole, ...] = ()
    next_spots: tuple[NextSpot, ...] = ()
    walk: WalkView | None = None
    day_plan: DayPlanView | None = None
    storm: LastStorm | None = None
    fresh_share: NDArray[np.float64] | None = None
    left_share: NDArray[np.float64] | None = None
    magnetite_kg_mean: NDArray[np.float64] | None = None
    magnetite_kg_p10: NDArray[np.float64] | None = None
    magnetite_kg_p90: NDArray[np.float64] | None = None
    other: OtherDay | None = None
    history: History | None = None
    entering: Entering | None = None
    why: Why | None = None
    belief: Belief | None = None
    samples: tuple[SampleMark, ...] = ()
    property_rings: tuple[Ring, ...] = ()
    no_go_rings: tuple[Ring, ...] = ()
    sources: tuple[SourceArea, ...] = ()
    access: tuple[Access, ...] = ()
    relief_png: bytes = b""
    relief_bounds: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    cutoff_grade: float
    top: int
    settings: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        choice("units", self.units, UNITS)
        whole("top", self.top, at_least=1)
        count = len(self.reach_id)
        if count == 0:
            raise InputError("Invalid 'reach_id' of length 0. A page must have at least one reach.")
        given = [name for name in _IF_GIVEN if getattr(self, name) is not None and len(getattr(self, name))]
        for name in (*_PER_REACH, *given):
            values = getattr(self, name)
            if len(values) != count:
                raise InputError(
                    f"Invalid '{name}' of length {len(values)}. It must have one value for each of {count}"
                    " reaches."
                )
            if name in _WORDS or name in _MAY_BE_MISSING or name in given:
                continue
            missing = np.flatnonzero(~np.isfinite(values))
            if missing.size:
                reach = self.reach_id[int(missing[0])]
                raise InputError(
                    f"Invalid '{name}' of {values[missing[0]]} in reach {reach}. It must be a finite number."
                )
        for part, names in (
            (self.other, ("rank", "grade_mean", "kg_per_load_mean", "loads_left")),
            (self.history, ("grade_mean", "grade_p10", "grade_p90")),
        ):
            for name in names if part is not None else ():
                if len(getattr(part, name)) != count:
                    raise InputError(
                        f"Invalid '{name}' of length {len(getattr(part, name))} on other days. It must have "
                        f"one value for each of {count} reaches."
                    )
        for word in self.support:
            choice("support", word, SUPPORT)
        points = len(self.line_lon)
        start = self.line_start
        if (
            len(self.line_lat) != points
            or len(start) != count + 1
            or start[0] != 0
            or start[-1] != points
            or np.any(np.diff(start) < 2)
        ):
            raise InputError(
                f"Invalid 'line_start' of length {len(start)} over {points} points. It must begin with 0, end"
                f" with the number of points, and give each of {count} reaches two points or more."
            )
        if not np.array_equal(np.sort(self.rank), np.arange(1, count + 1)):
            raise InputError(f"Invalid 'rank'. It must hold each number from 1 to {count} once.")
