"""What the page shows: one plain record, so that the page knows nothing of rasters, files or solvers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import choice, whole
from washgrade.errors import InputError
from washgrade.sand.support import SUPPORT
from washgrade.units import UNITS

__all__ = [
    "Access",
    "Belief",
    "GroundMark",
    "Hole",
    "NextSpot",
    "PageView",
    "Ring",
    "SampleMark",
    "WalkStop",
    "WalkView",
    "Why",
]

Ring = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Longitudes and latitudes of a closed line, degrees, WGS 84."""

Access = tuple[float, float, str]
"""Longitude and latitude in degrees, WGS 84, and the name of a point of access."""

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
_IF_GIVEN = ("traps", "width_measured", "least_area", "section_half_m", "section_m")
_MAY_BE_MISSING = frozenset({"stock_kg", "loads_left", "width_m"})
_WORDS = frozenset({"support", "notes"})


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleMark:
    """A sample as the page shows it.

    Parameters
    ----------
    sample_id : str
        Its id in the notebook.
    day : str
        ISO date on which it was taken.
    lon, lat : float
        Where, degrees, WGS 84.
    grade : float
        Grade, 0 to 1; NaN when none was found or only a trace.
    trace : bool
        True when magnetics were seen but too few to weigh.
    place, note : str
        What the digger called the place, and what they wrote.
    depth_top_m, depth_bottom_m : float
        The layer, metres below the surface of the bed; NaN where not said.
    """

    sample_id: str
    day: str
    lon: float
    lat: float
    grade: float
    trace: bool = False
    place: str = ""
    note: str = ""
    depth_top_m: float = math.nan
    depth_bottom_m: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundMark:
    """A place where the DEM was mended, as the page shows it.

    Parameters
    ----------
    kind : {"cut", "hollow", "hole"}
        A way opened through a dam, a hollow filled up to its rim, or a hole closed from the ground around.
    name : str
        What it is called in the report.
    lon, lat : tuple of float
        Its line from the pit to where it comes out, or its deepest place, degrees, WGS 84.
    length_m, depth_m : float
        Length of the cut and deepest change of the ground, metres; NaN where it has none.
    why : str
        Why a hollow was left; empty for a cut.
    """

    kind: str
    name: str
    lon: tuple[float, ...]
    lat: tuple[float, ...]
    length_m: float
    depth_m: float
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A hole sampled in layers, as the page shows it.

    Parameters
    ----------
    name, day : str
        What it is called, and when it was dug.
    lon, lat : float
        Where, degrees, WGS 84.
    top_m, bottom_m : tuple of float
        Depths of its layers below the bed, metres.
    grade, low_grade, high_grade : tuple of float
        Grade of each layer, and what one in ten and nine in ten scoops of it would stay below, 0 to 1.
    told : tuple of tuple of str
        What a person may want to know: in US units and in metric ones.
    """

    name: str
    day: str
    lon: float
    lat: float
    top_m: tuple[float, ...]
    bottom_m: tuple[float, ...]
    grade: tuple[float, ...]
    low_grade: tuple[float, ...]
    high_grade: tuple[float, ...]
    told: tuple[tuple[str, ...], tuple[str, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextSpot:
    """A place where one more sample would tell much.

    Parameters
    ----------
    reach : str
        Name of its reach.
    lon, lat : float
        Where, degrees, WGS 84.
    gain_share : float
        Share of the doubt that matters that a sample there would settle, 0 to 1.
    """

    reach: str
    lon: float
    lat: float
    gain_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkStop:
    """A stop of a sampling walk.

    Parameters
    ----------
    reach : str
        Name of its reach.
    lon, lat : float
        Where, degrees, WGS 84.
    leg_minutes, arrival_minutes : float
        Walking time to it, and from the start to the arrival.
    two : bool
        Whether two samples are to be taken.
    settled_share : float
        Share of the doubt that it settles, 0 to 1.
    """

    reach: str
    lon: float
    lat: float
    leg_minutes: float
    arrival_minutes: float
    two: bool
    settled_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkView:
    """A sampling walk, as the page shows it.

    Parameters
    ----------
    stops : tuple of WalkStop
        In their order.
    lon, lat : ndarray of float64, shape (points,)
        The whole way, degrees, WGS 84.
    sentences : tuple of str
        What a walker must know.
    """

    stops: tuple[WalkStop, ...]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """What the grade of each reach rests on.

    Parameters
    ----------
    parts : tuple of str
        What the land adds: names of covariates, and likeness across the land.
    added : ndarray of float64, shape (reaches, parts)
        By which factor each part moves the odds of the grade, less 1.
    sample_ids : tuple of str
        A record of each place with readings.
    place : ndarray of int32, shape (reaches, few)
        Places that weigh most; -1 where there are no more.
    weight : ndarray of float64, shape (reaches, few)
        How much each weighs, 0 to 1.
    """

    parts: tuple[str, ...]
    added: NDArray[np.float64]
    sample_ids: tuple[str, ...]
    place: NDArray[np.int32]
    weight: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """Whether to believe the numbers.

    Parameters
    ----------
    sentences : tuple of str
        How well readings are predicted from each other, and how far duplicates differ.
    reading : tuple of str
        Ids of the readings, the farthest off first.
    grade, low_grade, high_grade : tuple of float
        Grade read, and the 9 in 10 interval that the others give it, 0 to 1.
    trace : tuple of bool
        True where there was too little to weigh; the grade is then the limit.
    numbers : tuple of tuple of str
        Name of a number of the ground, what was thought of it before, and what is thought now.
    effects : tuple of tuple of str
        Name of a covariate, and how many times richer one standard deviation more makes the bed.
    """

    sentences: tuple[str, ...]
    reading: tuple[str, ...]
    grade: tuple[float, ...]
    low_grade: tuple[float, ...]
    high_grade: tuple[float, ...]
    trace: tuple[bool, ...]
    numbers: tuple[tuple[str, str, str], ...]
    effects: tuple[tuple[str, str], ...]


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
    why: Why | None = None
    belief: Belief | None = None
    samples: tuple[SampleMark, ...] = ()
    property_rings: tuple[Ring, ...] = ()
    no_go_rings: tuple[Ring, ...] = ()
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
