"""A digging day in words, and for other programs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from washgrade.units import show_count, show_share

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.survey.dayplan import DayPlan

__all__ = ["cautions", "day_as_json", "sentences", "steps"]


def _three(draws: NDArray[np.float64]) -> dict[str, float]:
    """Mean and what one, five and nine days in ten stay below."""
    import numpy as np

    p10, p50, p90 = np.quantile(draws, (0.1, 0.5, 0.9))
    return {"mean": float(draws.mean()), "p10": float(p10), "p50": float(p50), "p90": float(p90)}


def steps(plan: DayPlan, units: str) -> list[tuple[str, str, str]]:
    """Tell the steps of the day, from the wash to the container.

    Parameters
    ----------
    plan : DayPlan
        The plan.
    units : {"us", "metric"}
        Units shown.

    Returns
    -------
    list of tuple of str
        Step, time, and how much of it there is.
    """
    from washgrade.units import show_area, show_depth, show_mass, show_volume

    chosen, home, hours = plan.settings, plan.cleaned, plan.hours
    bucket_kg = chosen.dry_bulk_kg_m3 * chosen.bucket_litres / 1000.0
    over = float(home.feed.dry_kg.mean() - home.oversize.dry_kg.mean()) / bucket_kg
    floor_m3 = chosen.floor_m2 * chosen.spread_depth_m
    batches = float(home.feed.dry_kg.mean()) / chosen.dry_bulk_kg_m3 / floor_m3
    sand = f"{show_count(plan.loads, 'load')}, {show_mass(plan.wet_kg, units)} as dug"
    product = _three(home.product.dry_kg)
    return [
        ("walk and carry", f"{hours['walk']:.1f} h", show_count(len(plan.carries), "carry")),
        ("dig", f"{hours['dig']:.1f} h", sand),
        (
            "unload",
            f"{hours['unload']:.1f} h",
            f"{plan.buckets} buckets of {show_volume(chosen.bucket_litres / 1000, units)}",
        ),
        ("rest", f"{hours['rest']:.1f} h", "in the shade"),
        (
            "spread and gather",
            f"{hours['spread']:.1f} h",
            f"{show_area(chosen.floor_m2, units)} of floor, {show_depth(chosen.spread_depth_m, units)} "
            f"thick, {batches:.1f} times full",
        ),
        (
            "dry",
            f"{float(home.drying_days.mean()):.1f} days",
            f"{show_mass(float(home.water_kg.mean()), units)} of water to lose",
        ),
        (
            "screen",
            f"{hours['screen']:.1f} h",
            f"{show_mass(float(home.oversize.dry_kg.mean()), units)} held back",
        ),
        (
            "magnets",
            f"{hours['magnet']:.1f} h",
            f"{chosen.magnet_passes} passes, {over:.1f} buckets new, "
            f"{show_mass(float(home.middlings.dry_kg.mean()), units)} round again",
        ),
        (
            "clean product",
            "",
            f"{show_mass(product['mean'], units)}, {float(home.containers.mean()):.1f} containers of "
            f"{show_volume(chosen.container_litres / 1000, units)}",
        ),
    ]


def sentences(plan: DayPlan, units: str) -> tuple[str, ...]:
    """Tell the plan in plain words, without the cautions.

    Parameters
    ----------
    plan : DayPlan
        The plan.
    units : {"us", "metric"}
        Units shown.

    Returns
    -------
    tuple of str
        Sentences.
    """
    from washgrade.units import show_grade, show_mass

    day, chosen = plan.day, plan.settings
    told = []
    light = f"{plan.daylight_hours:.1f} hours from dawn to dusk on {plan.estimate.day}"
    if plan.asked_hours is not None and plan.asked_hours > plan.daylight_hours - 0.5:
        told.append(
            f"Cut to the daylight: of {plan.asked_hours:g} hours asked for only "
            f"{max(plan.daylight_hours - 0.5, 0.0):.1f} are planned, because there are {light} and the work "
            "ends half an hour before dark. In a canyon it is dark earlier."
        )
    if not plan.dug:
        told.append("Nothing to dig within the time: give more hours, start nearer, or sample more.")
    else:
        product, purity = _three(plan.cleaned.product.dry_kg), _three(plan.cleaned.purity)
        told.append(
            f"{show_count(plan.loads, 'load')} from {show_count(len(plan.dug), 'reach')} in "
            f"{show_count(len(plan.carries), 'carry')} and "
            f"{plan.field_hours:.1f} hours at the wash, from {plan.start_name}; then {plan.home_hours:.1f} "
            f"hours of cleaning beside {float(plan.cleaned.drying_days.mean()):.1f} days of drying."
        )
        told.append(
            f"Clean product expected: {show_mass(product['mean'], units)}, 8 days in 10 between "
            f"{show_mass(product['p10'], units)} and {show_mass(product['p90'], units)}; purity "
            f"{show_grade(purity['p10'])} to {show_grade(purity['p90'])}. That is "
            f"{float(plan.cleaned.containers.mean()):.1f} containers."
        )
        gap = 1.0 - day.expected_kg / day.bound_kg if day.bound_kg > 0 else 0.0
        if plan.sure:
            told.append(
                "Chosen by what nine days in ten would bring; a plan for the mean may be expected to bring "
                "more."
            )
            if day.p10_bound_kg > 0.0:
                told.append(
                    f"Nine days in ten this one brings {show_mass(day.p10_kg, units)} or more. No day of so "
                    f"many hours can be as sure of more than {show_mass(day.p10_bound_kg, units)}: a rough "
                    "limit, that none need reach."
                )
        elif plan.asked_hours is not None:
            told.append(
                "No plan of so many hours could be expected to bring more than "
                f"{show_share(max(gap, 0.0), 1)} beyond that."
            )
    if plan.unreachable:
        told.append(
            f"{show_count(plan.unreachable, 'reach')} worth digging cannot be reached on open ground."
        )
    if plan.too_far:
        lie = "lies" if plan.too_far == 1 else "lie"
        told.append(f"{show_count(plan.too_far, 'reach')} worth digging {lie} too far for the time.")
    if plan.below_cutoff:
        are, they = ("is", "it is") if plan.below_cutoff == 1 else ("are", "they are")
        told.append(
            f"{show_count(plan.below_cutoff, 'open reach')} {are} left out, because {they} expected below "
            f"the cut-off grade of {show_grade(chosen.cutoff_grade)}."
        )
    return tuple(told)


def cautions(plan: DayPlan, units: str) -> tuple[str, ...]:
    """Tell the customary cautions of a digging day.

    Parameters
    ----------
    plan : DayPlan
        The plan.
    units : {"us", "metric"}
        Units shown.

    Returns
    -------
    tuple of str
        Sentences.
    """
    from washgrade.units import show_mass

    drink = "8 fl oz" if units == "us" else "a quarter of a litre"
    most = "48 fl oz" if units == "us" else "a litre and a half"
    # A cubic yard of earth weighs 2700 to 3000 lb (safety bulletins, NIOSH).
    bank = (
        "a cubic yard of it weighs 2700 to 3000 lb" if units == "us" else "a cubic metre weighs 1.6 to 1.8 t"
    )
    return (
        "Flood: never in a wash when rain is forecast, there or upstream. Water comes under a blue sky, and "
        "faster than one climbs out with a load. Leave the vehicle outside the wash.",
        f"Lifting: no more than {show_mass(plan.settings.carry_limit_kg, units)} at once, and less where you "
        "must bend, reach or twist (NIOSH lifting equation); two people for more.",
        f"Banks: neither dig under a bank nor stand below an undercut one; {bank}.",
        f"Heat: drink {drink} every 15 to 20 minutes, no more than {most} an hour (NIOSH), and rest in the "
        "shade.",
        "Dust and magnets: screen dry sand with the wind at your back and a fitted mask. Strong magnets "
        "crush fingers and disturb pacemakers.",
        "Dig only where you have permission; local rules on land, claims, water and cultural sites come "
        "first. Tell somebody where you are and when you will be back.",
    )


def day_as_json(plan: DayPlan) -> dict[str, Any]:
    """Lay a digging day out for other programs.

    Parameters
    ----------
    plan : DayPlan
        The plan.

    Returns
    -------
    dict
        Stable names, SI units.
    """
    found, home, day = plan.estimate, plan.cleaned, plan.day
    return {
        "on": found.day.isoformat(),
        "crs": found.facts.crs,
        "asked_hours": plan.asked_hours,
        "asked_product_kg": plan.asked_product_kg,
        "sure": plan.sure,
        "start": {"name": plan.start_name, "lon": plan.start_lon, "lat": plan.start_lat},
        "daylight_hours": plan.daylight_hours,
        "field_hours": plan.field_hours,
        "home_hours": plan.home_hours,
        "drying_days": float(home.drying_days.mean()),
        "hours": plan.hours,
        "loads": plan.loads,
        "wet_kg": plan.wet_kg,
        "buckets": plan.buckets,
        "water_kg": float(home.water_kg.mean()),
        "oversize_kg": float(home.oversize.dry_kg.mean()),
        "tailings_kg": float(home.tailings.dry_kg.mean()),
        "round_again_kg": float(home.middlings.dry_kg.mean()),
        "product_kg": _three(home.product.dry_kg),
        "purity": _three(home.purity),
        "recovery": float(home.recovery.mean()),
        "containers": _three(home.containers),
        "bound_product_kg": day.bound_kg,
        "p10_bound_product_kg": day.p10_bound_kg if math.isfinite(day.p10_bound_kg) else None,
        "reaches": [
            {
                "reach": dug.reach,
                "loads": dug.loads,
                "carries": dug.carries,
                "easting_m": dug.easting_m,
                "northing_m": dug.northing_m,
                "lon": dug.lon,
                "lat": dug.lat,
                "out_minutes": dug.out_minutes,
                "back_minutes": dug.back_minutes,
                "arrival_minutes": dug.arrival_minutes,
                "wet_kg": dug.wet_kg,
                "product_kg": dug.product_kg,
            }
            for dug in plan.dug
        ],
        "carries": [
            {
                "carry": k + 1,
                "reaches": list(carry.reaches),
                "loads": list(carry.loads),
                "by": carry.by,
                "minutes": carry.minutes,
            }
            for k, carry in enumerate(plan.carries)
        ],
        "notes": list(plan.sentences("metric")),
    }
