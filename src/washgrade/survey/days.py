"""Planning a digging day: which reaches, how many loads, in which carries, and what becomes of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import InputError
from washgrade.survey.answers import Estimate
from washgrade.survey.daytold import cautions, day_as_json, sentences
from washgrade.survey.footing import daylight_on, open_ground_of, start_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.cleanup import Cleanup
    from washgrade.dig.day import Day
    from washgrade.dig.haul import Hauls
    from washgrade.dig.returns import Standing
    from washgrade.files.settings import Settings
    from washgrade.land.walkable import WalkingSurface
    from washgrade.survey.ranking import Ranking
    from washgrade.survey.steps import Progress

__all__ = ["Carry", "DayPlan", "DugReach", "plan_digging_day", "write_day"]

# How well the eye tells richer loads from poorer ones within a reach: correlation of the logarithms of what
# is seen and what is there. Of loads chosen by such an eye the best share q holds
# Φ(Φ⁻¹(q) + correlation × s) of the magnetics. 0.5: our choice, because a dark skin is seen, and what lies
# below it is not.
FOUND_BY_EYE = 0.5
# The work is over so long before dark. Our choice, as a customary caution; the same as on a walk.
BEFORE_DARK_H = 0.5


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


def plan_digging_day(
    ranking: Ranking,
    *,
    hours: float | None = None,
    product_kg: float | None = None,
    sure: bool = False,
    start: str | None = None,
    daylight_hours: float | None = None,
    progress: Progress | None = None,
) -> DayPlan:
    """Plan a digging day: the best use of some hours, or the shortest way to so much clean product.

    Parameters
    ----------
    ranking : Ranking
        What the reaches bring.
    hours : float, optional
        Hours at the wash from the vehicle and back to it, rest counted, above 0; or
    product_kg : float, optional
        clean product wanted, kilograms, above 0.
    sure : bool, default False
        Choose by what nine days in ten would bring, instead of by the mean.
    start : str, optional
        Where the vehicle stands: ``LON,LAT`` or the name of a point of access; the first one unless told.
    daylight_hours : float, optional
        Hours to dark; from dawn to dusk on the day unless told. The work is over half an hour before.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    DayPlan
        Never longer than the hours or the daylight, never off open ground.

    Raises
    ------
    InputError
        If not exactly one of hours and product is given, a value is out of its limits, the start is not open,
        or so much product cannot be had by daylight.
    """
    import numpy as np

    from washgrade.checks import number
    from washgrade.dig.day import DayProblem, plan_day
    from washgrade.dig.legs import open_cells
    from washgrade.land.walkable import NOWHERE

    found, chosen = ranking.estimate, ranking.estimate.settings
    if (hours is None) == (product_kg is None):
        raise InputError("Give either the hours or the product wanted: exactly one of them.")
    if hours is not None:
        number("hours", hours, above=0)
    if product_kg is not None:
        number("product_kg", product_kg, above=0)
    light_h = (
        daylight_on(found) if daylight_hours is None else number("daylight_hours", daylight_hours, above=0)
    )
    there_h = max(light_h - BEFORE_DARK_H, 0.0)
    tell = progress or (lambda _step, _share: None)
    tell("where one may walk", 0.0)
    easting_m, northing_m, name = start_of(found, start)
    surface, allowed = open_ground_of(found)
    vehicle = int(open_cells(surface, np.array([easting_m]), np.array([northing_m]))[0])
    if vehicle == NOWHERE:
        raise InputError(f"Invalid start at {name}. It must lie on or beside ground that is open to walkers.")
    spots = _spots(ranking, surface, allowed)
    tell("walking times", 0.3)
    hauled = _hauls(ranking, surface, vehicle, spots.cell)
    rich = found.grade.reach_mean >= chosen.cutoff_grade
    able = ~(ranking.closed | ranking.stock.depleted) & rich
    quickest = hauled.round_minutes.min(axis=0) + chosen.dig_minutes
    minutes = chosen.haul.working_minutes(min(there_h if hours is None else hours, there_h))
    # Only reaches that can be dug are drawn and looked at.
    at = np.flatnonzero(able & (quickest <= minutes))
    per_kg, steady_kg = _product_of_load(chosen)
    problem = DayProblem(
        budget_minutes=minutes,
        standing=_standing(ranking, at, spots.share),
        round_minutes=hauled.round_minutes[:, at],
        capacity_loads=hauled.loads[:, at],
        dig_minutes=chosen.dig_minutes,
        counts_per_kg=per_kg,
        steady_kg=steady_kg,
        pair_minutes=lambda some: hauled.pair_minutes(at[some]),
        target_kg=product_kg,
        sure=sure,
    )
    tell("planning the day", 0.6)
    day = plan_day(problem)
    if product_kg is not None:
        _demand(day, product_kg, sure=sure, there_h=there_h)
    magnetics_kg = problem.standing.at(day.reach).brings_kg(day.loads)
    day = replace(
        day, reach=at[day.reach], carry_reach=np.where(day.carry_reach < 0, -1, at[day.carry_reach])
    )
    lon, lat = _lonlat(found, np.array([[easting_m, northing_m]]))
    return DayPlan(
        ranking=ranking,
        day=day,
        cleaned=_cleanup_of(magnetics_kg.sum(axis=1), float(day.loads.sum()), chosen),
        dug=_dug(ranking, day, magnetics_kg.mean(axis=0), hauled),
        carries=_carries(ranking, day),
        asked_hours=hours,
        asked_product_kg=product_kg,
        sure=sure,
        daylight_hours=light_h,
        start_name=name,
        start_lon=float(lon[0]),
        start_lat=float(lat[0]),
        unreachable=int((able & ~np.isfinite(quickest)).sum()),
        too_far=int((able & np.isfinite(quickest) & (quickest > minutes)).sum()),
        below_cutoff=int((~(ranking.closed | ranking.stock.depleted) & ~rich).sum()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spots:
    """Where each reach is dug: walking cell or -1, and the share of it that may be dug."""

    cell: NDArray[np.int64]
    share: NDArray[np.float64]


def _spots(ranking: Ranking, surface: WalkingSurface, allowed: NDArray[np.bool_]) -> _Spots:
    """Choose the allowed node nearest to the middle of each reach beside which one can walk."""
    import numpy as np

    from washgrade.dig.legs import open_cells
    from washgrade.land.walkable import NOWHERE

    nodes, count = ranking.estimate.channels.nodes, len(ranking)
    cells = np.full(len(nodes), NOWHERE, np.int64)
    look = np.flatnonzero(allowed & ~ranking.closed[nodes.reach])
    cells[look] = open_cells(surface, nodes.easting_m[look], nodes.northing_m[look])
    able = cells != NOWHERE
    whole = np.maximum(np.bincount(nodes.reach, minlength=count), 1)
    away_m = np.hypot(
        nodes.easting_m - ranking.easting_m[nodes.reach], nodes.northing_m - ranking.northing_m[nodes.reach]
    )
    # The nearest of each reach comes first; what cannot be dug comes last.
    order = np.lexsort((np.where(able, away_m, np.inf), nodes.reach))
    reach, first = np.unique(nodes.reach[order], return_index=True)
    cell = np.full(count, NOWHERE, np.int64)
    cell[reach] = cells[order[first]]
    return _Spots(cell=cell, share=np.bincount(nodes.reach, weights=able, minlength=count) / whole)


def _standing(ranking: Ranking, at: NDArray[np.int64], share: NDArray[np.float64]) -> Standing:
    """What some reaches hold, in the part of each that may be dug, as a digger's eye finds it."""
    standing = ranking.stock.standing(at)
    return replace(
        standing,
        loads_held=standing.loads_held * share[at],
        within_sd=FOUND_BY_EYE * standing.within_sd,
    )


def _hauls(ranking: Ranking, surface: WalkingSurface, vehicle: int, cells: NDArray[np.int64]) -> Hauls:
    """Carries from each reach to the vehicle, light enough for its first load, which is the heaviest."""
    import numpy as np

    from washgrade.dig.haul import hauls
    from washgrade.dig.load import load_magnetics_kg
    from washgrade.dig.returns import taken_share

    chosen = ranking.estimate.settings
    held = np.maximum(ranking.stock.loads_held, 1.0)
    richest = held * taken_share(1.0 / held, within_sd=FOUND_BY_EYE * chosen.streak.within_sd)
    mean_kg = load_magnetics_kg(ranking.estimate.grade.reach_mean, chosen.shovel)
    # No load is more than magnetics alone.
    magnetics_kg = np.minimum(richest * mean_kg, load_magnetics_kg(np.array(1.0), chosen.shovel))
    dry_kg = magnetics_kg + _rest_kg(magnetics_kg, 1.0, chosen)
    return hauls(
        surface,
        vehicle=vehicle,
        cells=cells,
        load_kg=dry_kg / (1.0 - chosen.moisture),
        load_litres=chosen.shovel_litres,
        rule=chosen.haul,
    )


def _rest_kg(magnetics_kg: NDArray[np.float64], loads: float, chosen: Settings) -> NDArray[np.float64]:
    """All else in some loads that hold so much magnetics: what is left of the volume of the grains."""
    import numpy as np

    grains_m3 = loads * chosen.shovel_litres / 1000.0 * (1.0 - chosen.porosity)
    rest_m3 = np.maximum(grains_m3 - magnetics_kg / chosen.heavy_density_kg_m3, 0.0)
    rest: NDArray[np.float64] = rest_m3 * chosen.light_density_kg_m3
    return rest


def _cleanup_of(magnetics_kg: NDArray[np.float64], loads: float, chosen: Settings) -> Cleanup:
    """What becomes of some loads that hold so much magnetics."""
    import numpy as np

    from washgrade.dig.cleanup import clean_up

    dry_kg = magnetics_kg + _rest_kg(magnetics_kg, loads, chosen)
    grade = np.divide(magnetics_kg, dry_kg, out=np.zeros_like(dry_kg), where=dry_kg > 0)
    return clean_up(wet_kg=dry_kg / (1.0 - chosen.moisture), grade=grade, rule=chosen.cleanup)


def _product_of_load(chosen: Settings) -> tuple[float, float]:
    """Product from each kilogram of magnetics dug, and from each load besides: a line by two points."""
    import numpy as np

    from washgrade.dig.load import load_magnetics_kg

    magnetics_kg = load_magnetics_kg(np.array([0.1, 0.4]), chosen.shovel)
    product_kg = _cleanup_of(magnetics_kg, 1.0, chosen).product.dry_kg
    per_kg = float((product_kg[1] - product_kg[0]) / (magnetics_kg[1] - magnetics_kg[0]))
    return per_kg, max(float(product_kg[0] - per_kg * magnetics_kg[0]), 0.0)


def _demand(day: Day, product_kg: float, *, sure: bool, there_h: float) -> None:
    """Say so where the product cannot be had."""
    most_kg = day.p10_kg if sure else day.expected_kg
    if most_kg < product_kg * (1.0 - 1e-9):
        how = "is sure, nine days in ten" if sure else "is expected"
        raise InputError(
            f"{product_kg:g} kg of product cannot be had in one day: within the {there_h:.1f} hours of "
            f"daylight at most {most_kg:.1f} kg {how}. Ask for less and come on several days, or start "
            "nearer to the best reaches."
        )


def _lonlat(found: Estimate, line_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    from washgrade.files.places import lonlat

    return lonlat(found.facts.crs, line_m[:, 0], line_m[:, 1])


def _dug(
    ranking: Ranking, day: Day, magnetics_kg: NDArray[np.float64], hauled: Hauls
) -> tuple[DugReach, ...]:
    """Reaches in the order of the work, with the ways to them."""
    import numpy as np

    found, chosen = ranking.estimate, ranking.estimate.settings
    begun = np.concatenate([[0.0], np.cumsum(day.carry_minutes)])
    told = []
    for k, reach in enumerate(day.reach.tolist()):
        with_it = np.flatnonzero((day.carry_reach == reach).any(axis=1))
        kind = int(day.carry_kind[with_it[0]])
        ways, cell = hauled.ways[kind], int(hauled.cells[reach])
        spot = np.array(cell)
        east, north = float(ways.surface.easting_m(spot)), float(ways.surface.northing_m(spot))
        lon, lat = _lonlat(found, np.array([[east, north]]))
        out = float(hauled.out_minutes[kind, reach])
        dry_kg = magnetics_kg[k] + _rest_kg(magnetics_kg[k : k + 1], float(day.loads[k]), chosen)[0]
        told.append(
            DugReach(
                reach=_name(found, reach),
                place=reach,
                easting_m=east,
                northing_m=north,
                lon=float(lon[0]),
                lat=float(lat[0]),
                loads=int(day.loads[k]),
                carries=len(with_it),
                out_minutes=out,
                back_minutes=float(hauled.back_minutes[kind, reach]),
                arrival_minutes=float(begun[with_it[0]]) + out,
                wet_kg=float(dry_kg / (1.0 - chosen.moisture)),
                product_kg=float(day.reach_kg[k]),
                way_lonlat=np.column_stack(_lonlat(found, ways.out_line_m(cell))),
            )
        )
    return tuple(told)


def _name(found: Estimate, reach: int) -> str:
    return str(found.channels.reaches.reach_id[reach])


def _carries(ranking: Ranking, day: Day) -> tuple[Carry, ...]:
    """Carries in the order of the work."""
    from washgrade.dig.haul import KINDS

    told = []
    for reaches, loads, kind, minutes in zip(
        day.carry_reach.tolist(),
        day.carry_loads.tolist(),
        day.carry_kind.tolist(),
        day.carry_minutes.tolist(),
        strict=True,
    ):
        filled = [(reach, size) for reach, size in zip(reaches, loads, strict=True) if size]
        told.append(
            Carry(
                reaches=tuple(_name(ranking.estimate, reach) for reach, _ in filled),
                loads=tuple(size for _, size in filled),
                by=KINDS[kind],
                minutes=minutes,
            )
        )
    return tuple(told)


def write_day(plan: DayPlan, path: Path) -> Path:
    """Write a digging day as GPX: waypoints for the vehicle and the reaches, a route, and tracks of the ways.

    Parameters
    ----------
    plan : DayPlan
        The plan.
    path : Path
        The file to be; one that ends in .kml is written as KML, which has no routes.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SiteError
        If it cannot be written.
    """
    import numpy as np

    from washgrade.files.exchange import write_plan
    from washgrade.units import show_mass

    units = plan.settings.units
    told = " ".join(cautions(plan, units))
    car = ({"name": "vehicle", "desc": plan.start_name}, np.array([plan.start_lon, plan.start_lat]))
    stops = []
    for k, dug in enumerate(plan.dug):
        fields = {
            "name": f"{k + 1} {dug.reach}",
            "desc": f"{dug.loads} loads in {dug.carries} carries; product {show_mass(dug.product_kg, units)}",
            "type": "dig",
        }
        stops.append((fields, np.array([dug.lon, dug.lat])))
    head = {"name": f"Digging day of {plan.field_hours:.1f} h", "desc": told}
    write_plan(
        path,
        waypoints=[car, *stops],
        routes=[(head, [car, *stops])] if stops else [],
        tracks=[({"name": f"To {dug.reach}"}, dug.way_lonlat) for dug in plan.dug if len(dug.way_lonlat) > 1],
    )
    return path
