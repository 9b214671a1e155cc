"""The verbs that plan: the sampling walk, the digging day and the clean-up."""

from __future__ import annotations

from pathlib import Path

import click

from washgrade.cli.options import (
    DURATION,
    MASS,
    as_json,
    echo_json,
    echo_table,
    on_day,
    progress_bar,
    site_folder,
    unit_choice,
)
from washgrade.units import show_share

__all__ = ["cleanup", "day", "walk"]


@click.command(short_help="Plan a sampling walk: where to stop, in which order, within the hours.")
@site_folder
@click.option("--hours", type=float, required=True, help="From start to end, stops included.")
@click.option("--stops", type=int, help="How many stops at most.")
@click.option(
    "--from",
    "start",
    metavar="POINT",
    help="LON,LAT or a point of access by name. [the first point of access]",
)
@click.option("--one-way", is_flag=True, help="End at the last stop instead of coming back.")
@click.option("--at", multiple=True, metavar="REACH", help="A reach to stop at in any case; may be repeated.")
@click.option(
    "--done",
    "--more",
    "done",
    multiple=True,
    metavar="REACH",
    help="A reach sampled already on this walk: plan what more to do from where you stand (--from).",
)
@click.option("--pairs", "duplicates", type=int, default=0, help="Stops at which to take two samples. [0]")
@click.option("--every-tributary", is_flag=True, help="A stop in each main tributary before all else.")
@click.option("--per-stop", "per_stop_h", type=DURATION, help='Time at each stop, such as "20 min". [15 min]')
@click.option("--daylight", "daylight_h", type=DURATION, help='Time to dark, such as "5 h". [dawn to dusk]')
@click.option(
    "--gpx",
    type=click.Path(path_type=Path),
    help="Write the walk for a GPS or a phone's map program; as KML if the name ends in .kml.",
)
@on_day
@as_json
def walk(
    site: Path,
    hours: float,
    stops: int | None,
    start: str | None,
    one_way: bool,
    at: tuple[str, ...],
    done: tuple[str, ...],
    duplicates: int,
    every_tributary: bool,
    per_stop_h: float | None,
    daylight_h: float | None,
    gpx: Path | None,
    on: str | None,
    as_json: bool,
) -> None:
    """Plan a sampling walk on SITE that tells most about where to dig within the hours.

    It stays on the property, off no-go areas and off steep ground, and works on new ground without a sample.

    \b
    Examples:
      washgrade walk mysite --hours 3
      washgrade walk mysite --hours 5 --from -3.00805,36.32577 --pairs 2 --gpx walk.gpx
    """  # noqa: D301 - click reads the backspace
    from washgrade import survey

    with progress_bar("Planning") as progress:
        found = survey.estimate(site, on=on, progress=lambda step, share: progress(step, 0.5 * share))
        plan = survey.plan_sampling_walk(
            found,
            hours=hours,
            stops=stops,
            start=start,
            one_way=one_way,
            at=at,
            done=done,
            duplicates=duplicates,
            every_tributary=every_tributary,
            sample_minutes=None if per_stop_h is None else 60.0 * per_stop_h,
            daylight_hours=daylight_h,
            progress=lambda step, share: progress(step, 0.5 + 0.5 * share),
        )
    if gpx is not None:
        survey.write_walk(plan, gpx)
    if as_json:
        echo_json(plan.as_json())
        return
    rows = [
        (
            str(stop["stop"]),
            stop["reach"] + (" (two samples)" if stop["two_samples"] else ""),
            f"{stop['leg_minutes']:.0f} min",
            f"{stop['arrival_minutes']:.0f} min",
            show_share(stop["settled_share"], 1),
            f"{stop['lat']:.5f}, {stop['lon']:.5f}",
        )
        for stop in plan.as_json()["stops"]
    ]
    heads = ("stop", "reach", "walk", "there after", "settles", "latitude, longitude")
    if rows:
        echo_table(f"Sampling walk of {plan.walk.minutes / 60:.1f} hours", heads, rows, left=2)
    for sentence in plan.sentences:
        click.echo(sentence)
    if gpx is not None:
        click.echo(f"Wrote {gpx}.")


@click.command(short_help="Plan a digging day: reaches, loads, carries, hours, clean product.")
@site_folder
@click.option("--hours", type=float, help="Hours at the wash, from the vehicle and back, rest counted; or")
@click.option("--product-kg", type=float, help="clean product wanted, kilograms: the shortest day for it.")
@click.option("--product", "product_mass_kg", type=MASS, help='The same with its unit, such as "200 lb".')
@click.option("--sure", is_flag=True, help="Choose by what nine days in ten bring instead of by the mean.")
@click.option(
    "--from",
    "start",
    metavar="POINT",
    help="Where the vehicle stands: LON,LAT or a point of access by name. [the first point of access]",
)
@click.option("--daylight", "daylight_h", type=DURATION, help='Time to dark, such as "5 h". [dawn to dusk]')
@click.option(
    "--gpx",
    type=click.Path(path_type=Path),
    help="Write the day for a GPS or a phone's map program; as KML if the name ends in .kml.",
)
@on_day
@unit_choice
@as_json
def day(
    site: Path,
    hours: float | None,
    product_kg: float | None,
    product_mass_kg: float | None,
    sure: bool,
    start: str | None,
    daylight_h: float | None,
    gpx: Path | None,
    on: str | None,
    units: str | None,
    as_json: bool,
) -> None:
    """Plan a digging day on SITE through to clean product.

    It chooses reaches, shovel loads and carries for the hours, or the shortest day for so much product, and
    tells what drying, screening and the magnets take afterwards. It stays on the property, off no-go areas
    and off steep ground, and ends before dark.

    \b
    Examples:
      washgrade day mysite --hours 6
      washgrade day mysite --product-kg 20 --sure
      washgrade day mysite --hours 5 --from -3.00805,36.32577 --gpx day.gpx
    """  # noqa: D301 - click reads the backspace
    from washgrade import survey
    from washgrade.errors import InputError
    from washgrade.survey.daytold import steps
    from washgrade.units import show_mass

    if product_kg is not None and product_mass_kg is not None:
        raise InputError("Give '--product-kg' or '--product', not both.")
    with progress_bar("Planning") as progress:
        found = survey.estimate(site, on=on, progress=lambda step, share: progress(step, 0.5 * share))
        plan = survey.plan_digging_day(
            survey.rank(found),
            hours=hours,
            product_kg=product_mass_kg if product_kg is None else product_kg,
            sure=sure,
            start=start,
            daylight_hours=daylight_h,
            progress=lambda step, share: progress(step, 0.5 + 0.5 * share),
        )
    if gpx is not None:
        survey.write_day(plan, gpx)
    if as_json:
        echo_json(plan.as_json())
        return
    units = units or found.settings.units
    if plan.dug:
        rows = [
            (
                dug.reach,
                str(dug.loads),
                str(dug.carries),
                f"{dug.out_minutes:.0f} + {dug.back_minutes:.0f} min",
                f"{dug.arrival_minutes:.0f} min",
                show_mass(dug.wet_kg, units),
                show_mass(dug.product_kg, units),
                f"{dug.lat:.5f}, {dug.lon:.5f}",
            )
            for dug in plan.dug
        ]
        heads = (
            "reach",
            "loads",
            "carries",
            "out and back",
            "first there after",
            "sand",
            "product",
            "latitude, longitude",
        )
        echo_table(f"Digging day on {found.day}, {plan.field_hours:.1f} hours at the wash", heads, rows)
        echo_table("From the wash to the container", ("step", "time", "how much"), steps(plan, units), left=3)
    for sentence in plan.sentences(units):
        click.echo(sentence)
    if gpx is not None:
        click.echo(f"Wrote {gpx}.")


@click.command(short_help="What drying, screening and the magnets make of a heap of sand.")
@site_folder
@click.option("--buckets", type=float, help="How many buckets were dug; or")
@click.option("--mass", "wet_kg", type=MASS, help='the mass of the sand as dug, such as "300 lb".')
@click.option("--grade", "grade_percent", type=float, required=True, help="Grade of the sand, percent.")
@click.option("--moisture", "moisture_percent", type=float, help="Water in it, percent. [the site's setting]")
@click.option(
    "--weighings",
    type=click.Path(path_type=Path),
    help="A file of your own weighings of feed, concentrate and tailings: the passes are fitted to it.",
)
@unit_choice
@as_json
def cleanup(
    site: Path,
    buckets: float | None,
    wet_kg: float | None,
    grade_percent: float,
    moisture_percent: float | None,
    weighings: Path | None,
    units: str | None,
    as_json: bool,
) -> None:
    """Follow a heap of sand through drying, screen and magnets: masses, purity, hours, containers.

    A file of weighings is CSV with the columns pass (first or later), feed_kg, concentrate_kg, tailings_kg,
    feed_grade, concentrate_grade, tailings_grade (or _lb, _percent); two masses and two grades will do, or
    all three grades.

    \b
    Examples:
      washgrade cleanup mysite --buckets 10 --grade 22
      washgrade cleanup mysite --mass "300 lb" --grade 22 --weighings mine.csv
    """  # noqa: D301 - click reads the backspace
    from washgrade import survey
    from washgrade.units import show_grade, show_mass, show_volume

    plan = survey.plan_cleanup(
        site,
        grade=grade_percent / 100.0,
        wet_kg=wet_kg,
        buckets=buckets,
        moisture=None if moisture_percent is None else moisture_percent / 100.0,
        weighings=weighings,
    )
    if as_json:
        echo_json(plan.as_json())
        return
    units = units or plan.settings.units
    home = plan.cleaned
    rows = [
        (
            words,
            show_mass(float(stream.dry_kg), units),
            show_mass(float(stream.magnetics_kg), units),
            show_grade(float(stream.grade)),
        )
        for _, words, stream in plan.streams()
    ]
    echo_table(
        f"{show_mass(plan.wet_kg, units)} of sand as dug, {plan.buckets:.1f} buckets",
        ("stream", "dry", "magnetics", "grade"),
        rows,
    )
    click.echo(
        f"Product {show_mass(float(home.product.dry_kg), units)} at {show_grade(float(home.purity))}, "
        f"recovery {show_grade(float(home.recovery))}: "
        f"{show_volume(float(home.product_litres) / 1000, units)}, {float(home.containers):.2f} containers."
    )
    click.echo(
        f"{show_mass(float(home.water_kg), units)} of water to dry off in {float(home.drying_days):.1f} "
        f"days; spreading {float(home.spread_hours):.1f} h, screen {float(home.screen_hours):.1f} h, magnets "
        f"{float(home.magnet_hours):.1f} h."
    )
    for sentence in plan.sentences:
        click.echo(sentence)
