"""What a field sheet shows: one plain record, so that the sheet knows nothing of files, solvers or plans."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import choice, number, whole
from washgrade.errors import InputError
from washgrade.land.dem import Dem
from washgrade.units import UNITS

__all__ = ["DaySheet", "DigStop", "Ground", "Leg", "Line", "Place", "SheetView", "WalkSheet", "WalkStop"]

Line = NDArray[np.float64]
"""Eastings and northings of a line or ring, metres, shape (points, 2)."""

_PER_REACH = (
    "rank",
    "kg_per_load_mean",
    "kg_per_load_p10",
    "kg_per_load_p90",
    "chance_top",
    "loads_left",
    "closed",
    "depleted",
    "support",
    "easting_m",
    "northing_m",
    "lon",
    "lat",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Heights under the maps, of which each map reads its own part.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    cell_m, west_m, north_m : float
        Side of a cell, and the north-west corner, metres.
    crs : str
        Grid of the site.
    heights_m : callable
        Takes rows and columns as two slices and gives the heights there, metres, NaN where unknown.
    """

    shape: tuple[int, int]
    cell_m: float
    west_m: float
    north_m: float
    crs: str
    heights_m: Callable[[slice, slice], NDArray[np.float32]]

    @classmethod
    def of(cls, dem: Dem) -> Ground:
        """Take a ground that is in memory.

        Parameters
        ----------
        dem : Dem
            The ground.

        Returns
        -------
        Ground
            The same.
        """
        return cls(
            shape=dem.shape,
            cell_m=dem.cell_m,
            west_m=dem.west_m,
            north_m=dem.north_m,
            crs=dem.crs,
            heights_m=lambda rows, cols: dem.elevation_m[rows, cols],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A named spot, such as a point of access.

    Parameters
    ----------
    name : str
        What it is called.
    easting_m, northing_m : float
        On the grid, metres.
    """

    name: str
    easting_m: float
    northing_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """The way to a stop.

    Parameters
    ----------
    bearing_deg : float
        Of the straight line, degrees clockwise from grid north; NaN where it has no length.
    straight_m, way_m : float
        Length of the straight line and of the way on foot, metres.
    minutes : float
        Walking time.
    """

    bearing_deg: float
    straight_m: float
    way_m: float
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkStop:
    """A stop of a sampling walk.

    Parameters
    ----------
    reach : str
        Name of its reach.
    easting_m, northing_m, lon, lat : float
        Where: metres on the grid; degrees, WGS 84.
    leg : Leg
        The way to it.
    arrival_minutes : float
        From the start of the walk to the arrival.
    two : bool
        Whether two samples are to be taken.
    grade_mean, grade_p10, grade_p90 : float
        Grade expected there, 0 to 1.
    settled_share : float
        Share of the doubt that it settles, 0 to 1.
    """

    reach: str
    easting_m: float
    northing_m: float
    lon: float
    lat: float
    leg: Leg
    arrival_minutes: float
    two: bool
    grade_mean: float
    grade_p10: float
    grade_p90: float
    settled_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkSheet:
    """A sampling walk.

    Parameters
    ----------
    start : Place
        Where it begins.
    stops : tuple of WalkStop
        In their order.
    back : Leg or None
        The way back; None where the walk ends at its last stop.
    ways : tuple of Line
        The legs of the whole way.
    minutes : float
        What it takes, stops included.
    sentences : tuple of str
        What a walker must know.
    """

    start: Place
    stops: tuple[WalkStop, ...]
    back: Leg | None
    ways: tuple[Line, ...]
    minutes: float
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DigStop:
    """A reach that is dug on a digging day.

    Parameters
    ----------
    reach : str
        Its name.
    easting_m, northing_m, lon, lat : float
        Where to dig: metres on the grid; degrees, WGS 84.
    leg : Leg
        The way out from the vehicle.
    back_minutes : float
        The way back with a full carry.
    arrival_minutes : float
        From the start of the day to the first arrival.
    loads, carries : int
        Shovel loads to dig, and carries filled there.
    wet_kg, product_kg : float
        Sand as dug and clean product, expected, kilograms.
    """

    reach: str
    easting_m: float
    northing_m: float
    lon: float
    lat: float
    leg: Leg
    back_minutes: float
    arrival_minutes: float
    loads: int
    carries: int
    wet_kg: float
    product_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySheet:
    """A digging day.

    Parameters
    ----------
    start : Place
        Where the vehicle stands.
    stops : tuple of DigStop
        Reaches in the order of the work.
    ways : tuple of Line
        The ways out to them.
    carries : tuple of (int, str, str)
        Carries in their order: how many alike, where each is filled with how many loads, and how long it
        takes by what.
    steps : tuple of (str, str, str)
        Steps from the wash to the container: name, time, how much.
    minutes : float
        Time at the wash, rest counted.
    sentences : tuple of str
        What a digger must know.
    """

    start: Place
    stops: tuple[DigStop, ...]
    ways: tuple[Line, ...]
    carries: tuple[tuple[int, str, str], ...]
    steps: tuple[tuple[str, str, str], ...]
    minutes: float
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """All that one field sheet shows, in SI units on the site's grid.

    Parameters
    ----------
    title, day, made_with : str
        Heading; ISO date of the estimate; name and version of what made the sheet.
    grid, crs, datum : str
        Name of the grid with its zone, its code, and its datum in words.
    grid_scale : float
        Length on the grid of one metre on the ground, in the middle of the ground.
    grid_north_deg : float
        Direction of grid north, degrees clockwise from true north, there.
    invented : bool
        True when the place does not exist, which every page then says.
    units : {"us", "metric"}
        What is shown.
    ground : Ground
        The ground.
    reach_id : tuple of str, length reaches
        Names of the reaches.
    reach_line : tuple of Line, length reaches
        Their lines.
    rank : ndarray of int64, shape (reaches,)
        1 for the best.
    kg_per_load_mean, kg_per_load_p10, kg_per_load_p90 : ndarray of float64, shape (reaches,)
        Kilograms of magnetics in one load.
    chance_top, loads_left : ndarray of float64, shape (reaches,)
        Chance to be among the best ``top``, 0 to 1; loads still there.
    closed, depleted : ndarray of bool, shape (reaches,)
        Where one must not or cannot dig; where most has been dug.
    support : tuple of str, length reaches
        What each estimate rests on.
    easting_m, northing_m, lon, lat : ndarray of float64, shape (reaches,)
        Middle of each reach: metres on the grid; degrees, WGS 84.
    top : int
        How many of the best reaches ``chance_top`` speaks of.
    listed : int
        How many of the best reaches the sheet lists and names.
    property_rings, no_go_rings : tuple of Line
        The property line and the areas not to enter.
    no_go_names : tuple of str
        Names of the areas, as many as rings; empty for none.
    access : tuple of Place
        Where the ground is entered.
    plan : WalkSheet or DaySheet or None
        A sampling walk or a digging day.
    sentences : tuple of str
        What the ranking rests on.
    cautions : tuple of (str, str)
        Heads and sentences of the warnings.

    Raises
    ------
    InputError
        If lengths differ, a number is missing or a word is none of the allowed ones.
    """

    title: str
    day: str
    made_with: str
    grid: str
    crs: str
    datum: str
    grid_scale: float
    grid_north_deg: float
    invented: bool = False
    units: str = "metric"
    ground: Ground
    reach_id: tuple[str, ...]
    reach_line: tuple[Line, ...]
    rank: NDArray[np.int64]
    kg_per_load_mean: NDArray[np.float64]
    kg_per_load_p10: NDArray[np.float64]
    kg_per_load_p90: NDArray[np.float64]
    chance_top: NDArray[np.float64]
    loads_left: NDArray[np.float64]
    closed: NDArray[np.bool_]
    depleted: NDArray[np.bool_]
    support: tuple[str, ...]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]
    top: int
    listed: int
    property_rings: tuple[Line, ...] = ()
    no_go_rings: tuple[Line, ...] = ()
    no_go_names: tuple[str, ...] = ()
    access: tuple[Place, ...] = ()
    plan: WalkSheet | DaySheet | None = None
    sentences: tuple[str, ...] = ()
    cautions: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        choice("units", self.units, UNITS)
        whole("top", self.top, at_least=1)
        whole("listed", self.listed, at_least=1)
        number("grid_scale", self.grid_scale, above=0)
        number("grid_north_deg", self.grid_north_deg)
        count = len(self.reach_id)
        if not count:
            raise InputError("Invalid 'reach_id' of length 0. A sheet must have at least one reach.")
        for name in ("reach_line", *_PER_REACH):
            values = getattr(self, name)
            if len(values) != count:
                raise InputError(
                    f"Invalid '{name}' of length {len(values)}. It must have one value for each of {count} "
                    "reaches."
                )
            if name not in {"reach_line", "support", "loads_left"} and not np.isfinite(values).all():
                raise InputError(f"Invalid '{name}' with a value missing. Each must be a finite number.")
        if self.no_go_names and len(self.no_go_names) != len(self.no_go_rings):
            raise InputError(
                f"Invalid 'no_go_names' of length {len(self.no_go_names)}. There must be one for each of "
                f"{len(self.no_go_rings)} rings."
            )

    @property
    def best(self) -> tuple[int, ...]:
        """Indices of the reaches that are listed and named on the map: the best open ones, best first."""
        order = np.argsort(self.rank, kind="stable")
        return tuple(int(k) for k in order[~self.closed[order]][: self.listed])
