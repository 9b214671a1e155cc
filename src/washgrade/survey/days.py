"""Planning a digging day: which reaches, how many loads, in which carries, and what becomes of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from washgrade.errors import InputError
from washgrade.survey.answers import Estimate
from washgrade.survey.daygiven import cleanup_of, hauls_from, product_of_load, rest_kg, standing_of
from washgrade.survey.dayplan import Carry, DayPlan, DugReach
from washgrade.survey.daytold import cautions
from washgrade.survey.footing import daylight_on

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.day import Day
    from washgrade.dig.haul import Hauls
    from washgrade.survey.ranking import Ranking
    from washgrade.survey.steps import Progress

__all__ = ["plan_digging_day", "write_day"]

# The work is over so long before dark. Our choice, as a customary caution; the same as on a walk.
BEFORE_DARK_H = 0.5


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
    from washgrade.dig.warm import warm_up_day

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
    tell("getting the compiled loops ready", 0.0)
    warm_up_day()
    given = hauls_from(ranking, start, progress=progress)
    spots, hauled = given.spots, given.hauled
    rich = found.grade.reach_mean >= chosen.cutoff_grade
    able = ~(ranking.closed | ranking.stock.depleted) & rich
    quickest = hauled.round_minutes.min(axis=0) + chosen.dig_minutes
    minutes = chosen.haul.working_minutes(min(there_h if hours is None else hours, there_h))
    # Only reaches that can be dug are drawn and looked at.
    at = np.flatnonzero(able & (quickest <= minutes))
    per_kg, steady_kg = product_of_load(chosen)
    problem = DayProblem(
        budget_minutes=minutes,
        standing=standing_of(ranking, at, spots.share),
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
        _demand(day, product_kg, sure=sure, there_h=there_h, units=chosen.units)
    magnetics_kg = problem.standing.at(day.reach).brings_kg(day.loads)
    day = replace(
        day, reach=at[day.reach], carry_reach=np.where(day.carry_reach < 0, -1, at[day.carry_reach])
    )
    lon, lat = _lonlat(found, np.array([[given.easting_m, given.northing_m]]))
    return DayPlan(
        ranking=ranking,
        day=day,
        cleaned=cleanup_of(magnetics_kg.sum(axis=1), float(day.loads.sum()), chosen),
        dug=_dug(ranking, day, magnetics_kg.mean(axis=0), hauled),
        carries=_carries(ranking, day),
        asked_hours=hours,
        asked_product_kg=product_kg,
        sure=sure,
        daylight_hours=light_h,
        start_name=given.start_name,
        start_lon=float(lon[0]),
        start_lat=float(lat[0]),
        unreachable=int((able & ~np.isfinite(quickest)).sum()),
        too_far=int((able & np.isfinite(quickest) & (quickest > minutes)).sum()),
        below_cutoff=int((~(ranking.closed | ranking.stock.depleted) & ~rich).sum()),
    )


def _demand(day: Day, product_kg: float, *, sure: bool, there_h: float, units: str) -> None:
    """Say so where the product cannot be had."""
    from washgrade.units import show_mass

    most_kg = day.p10_kg if sure else day.expected_kg
    if most_kg < product_kg * (1.0 - 1e-9):
        how = "is sure, nine days in ten" if sure else "is expected"
        raise InputError(
            f"{show_mass(product_kg, units)} of product cannot be had in one day: within the {there_h:.1f} "
            f"hours of daylight at most {show_mass(most_kg, units)} {how}. Ask for less and come on several "
            "days, or start nearer to the best reaches."
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
        dry_kg = magnetics_kg[k] + rest_kg(magnetics_kg[k : k + 1], float(day.loads[k]), chosen)[0]
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
    from washgrade.units import show_count, show_mass

    units = plan.settings.units
    told = " ".join(cautions(plan, units))
    car = ({"name": "vehicle", "desc": plan.start_name}, np.array([plan.start_lon, plan.start_lat]))
    stops = []
    for k, dug in enumerate(plan.dug):
        fields = {
            "name": f"{k + 1} {dug.reach}",
            "desc": f"{show_count(dug.loads, 'load')} in {show_count(dug.carries, 'carry')}; product "
            f"{show_mass(dug.product_kg, units)}",
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
