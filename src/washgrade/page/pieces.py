"""The single things that a page shows: samples, marks, holes, a walk, reasons."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Access",
    "Belief",
    "GroundMark",
    "Hole",
    "NextSpot",
    "Ring",
    "SampleMark",
    "SourceArea",
    "WalkStop",
    "WalkView",
    "Why",
]

Ring = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Longitudes and latitudes of a closed line, degrees, WGS 84."""

Access = tuple[float, float, str]
"""Longitude and latitude in degrees, WGS 84, and the name of a point of access."""


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
class SourceArea:
    """Rock whose sand has a known grade, as the page shows it.

    Parameters
    ----------
    name : str
        What it is called; may be empty.
    grade : float
        Grade of the sand that it gives, 0 to 1.
    rings : tuple of Ring
        Its edge, and those of its holes.
    """

    name: str
    grade: float
    rings: tuple[Ring, ...]


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
