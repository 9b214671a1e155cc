"""A digging day as it was planned: reaches, carries, hours and what becomes of the sand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from washgrade.survey.daytold import cautions, day_as_json, sentences

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.cleanup import Cleanup
    from washgrade.dig.day import Day
    from washgrade.files.settings import Settings
    from washgrade.survey.answers import Estimate
    from washgrade.survey.ranking import Ranking

__all__ = ["Carry", "DayPlan", "DugReach"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DugReach:
    """A reach that is dug.

    Parameters
    ----------
    reach : str
        Its name.
    place : int
        Its number in the arrays of the ground.
    easting_m, northing_m : float
        Where to dig, metres.
    lon, lat : float
        The same, WGS 84 degrees.
    loads : int
        Shovel loads to dig.
    carries : int
        Carries that are filled there, shared ones counted.
    out_minutes, back_minutes : float
        Walk from the vehicle with the tools, and back with a full carry.
    arrival_minutes : float
        From the start of the day to the first arrival, rest not counted.
    wet_kg : float
        Mass of the sand as dug, expected, kilograms.
    product_kg : float
        Clean product expected of it, kilograms.
    way_lonlat : ndarray of float64, shape (points, 2)
        The walk out, WGS 84 degrees.
    """

    reach: str
    place: int
    easting_m: float
    northing_m: float
    lon: float
    lat: float
    loads: int
    carries: int
    out_minutes: float
    back_minutes: float
    arrival_minutes: float
    wet_kg: float
    product_kg: float
    way_lonlat: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Carry:
    """One way out, filling and way back.

    Parameters
    ----------
    reaches : tuple of str
        Where it is filled, one name or two.
    loads : tuple of float
        Shovel loads from each; the last one may be part of a load.
    by : {"pack", "barrow"}
        How it is carried.
    minutes : float
        Walking, digging and unloading.
    """

    reaches: tuple[str, ...]
    loads: tuple[float, ...]
    by: str
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPlan:
    """A digging day on a ground, to clean product.

    Parameters
    ----------
    ranking : Ranking
        What it rests on.
    day : Day
        The plan in numbers of reaches.
    cleaned : Cleanup
        What becomes of the sand, in each of the joint draws: arrays of shape (draws,).
    dug : tuple of DugReach
        Reaches in the order of the work.
    carries : tuple of Carry
        Carries in the order of the work.
    asked_hours, asked_product_kg : float or None
        What was asked for; one of the two.
    sure : bool
        Whether the plan is best in its P10.
    daylight_hours : float
        From dawn to dusk, or as told.
    start_name : str
        Where the vehicle stands.
    start_lon, start_lat : float
        The same, WGS 84 degrees.
    unreachable : int
        Open reaches above the cut-off to which no walk leads.
    too_far : int
        Those from which no load can be had in time.
    below_cutoff : int
        Open reaches whose grade is expected below the cut-off.
    """

    ranking: Ranking
    day: Day
    cleaned: Cleanup
    dug: tuple[DugReach, ...]
    carries: tuple[Carry, ...]
    asked_hours: float | None
    asked_product_kg: float | None
    sure: bool
    daylight_hours: float
    start_name: str
    start_lon: float
    start_lat: float
    unreachable: int
    too_far: int
    below_cutoff: int

    @property
    def estimate(self) -> Estimate:
        """What the ranking rests on."""
        return self.ranking.estimate

    @property
    def settings(self) -> Settings:
        """The site's settings."""
        return self.estimate.settings

    @property
    def loads(self) -> int:
        """Shovel loads of the whole day."""
        return int(self.day.loads.sum())

    @property
    def hours(self) -> dict[str, float]:
        """Hours of work by step: walk, dig, unload, rest; spread, screen, magnet."""
        haul, home = self.settings.haul, self.cleaned
        digging = self.loads * haul.dig_minutes / 60.0
        unloading = len(self.carries) * haul.unload_minutes / 60.0
        working = self.day.minutes / 60.0
        return {
            "walk": max(working - digging - unloading, 0.0),
            "dig": digging,
            "unload": unloading,
            "rest": working * haul.rest_minutes / (60.0 - haul.rest_minutes),
            "spread": float(home.spread_hours.mean()),
            "screen": float(home.screen_hours.mean()),
            "magnet": float(home.magnet_hours.mean()),
        }

    @property
    def field_hours(self) -> float:
        """Hours at the wash, rest counted."""
        return sum(self.hours[name] for name in ("walk", "dig", "unload", "rest"))

    @property
    def home_hours(self) -> float:
        """Hours of cleaning, drying not counted."""
        return float(self.cleaned.work_hours.mean())

    @property
    def wet_kg(self) -> float:
        """Mass of the sand as dug, expected, kilograms."""
        return float((self.cleaned.feed.dry_kg + self.cleaned.water_kg).mean())

    @property
    def buckets(self) -> int:
        """Buckets that hold the sand of the day, none above the weight that may be lifted."""
        import math

        chosen = self.settings
        by_volume = self.loads * chosen.shovel_litres / chosen.bucket_litres
        return math.ceil(max(by_volume, self.wet_kg / chosen.carry_limit_kg) - 1e-9)

    def sentences(self, units: str | None = None) -> tuple[str, ...]:
        """Tell what a digger must know, in plain words.

        Parameters
        ----------
        units : {"us", "metric"}, optional
            Units shown; the site's own setting unless told.

        Returns
        -------
        tuple of str
            The plan, then the cautions.
        """
        shown = units or self.settings.units
        return (*sentences(self, shown), *cautions(self, shown))

    def as_json(self) -> dict[str, Any]:
        """Lay the plan out for other programs.

        Returns
        -------
        dict
            Stable names, SI units; minutes and hours where people count in them.
        """
        return day_as_json(self)
