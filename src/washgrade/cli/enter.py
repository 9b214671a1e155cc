"""The verbs that enter one record: a sample, a storm, a dig, a look."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from washgrade.cli.options import (
    DEPTH,
    DURATION,
    LENGTH,
    MASS,
    RAIN,
    VOLUME,
    as_json,
    echo_json,
    on_day,
    site_folder,
    unit_choice,
)
from washgrade.cli.storms import tell_storms

__all__ = ["dig", "look", "sample", "storm"]

_PLACE = (
    click.option("--lon", type=float, help="Longitude, WGS 84 degrees (west is negative)."),
    click.option("--lat", type=float, help="Latitude, WGS 84 degrees."),
    click.option("--easting", "easting_m", type=float, help="Easting on the site's grid, metres."),
    click.option("--northing", "northing_m", type=float, help="Northing on the site's grid, metres."),
    click.option("--accuracy", "accuracy_m", type=LENGTH, help="How far off the GPS said it may be."),
)
_REACH = click.option("--reach", help="Id of the reach, such as A7, instead of the place.")
_REST = (
    click.option("--place", help="Name of the place."),
    click.option("--note", help="Anything else."),
    click.option("--id", "id", help="Name of the record. [made from its content]"),
    as_json,
)


def _all_of(options: Sequence[Callable[[Any], Any]]) -> Callable[[Any], Any]:
    """Hang several options on a verb, in their order."""

    def hang(verb: Any) -> Any:
        for option in reversed(options):
            verb = option(verb)
        return verb

    return hang


def _enter(site: Path, kind: str, cells: dict[str, object], *, as_json: bool) -> None:
    from washgrade import survey

    done = survey.enter(site, kind, cells)
    if as_json:
        offset_m = done.offset_m
        echo_json({"id": done.record.id, "added": done.new, "offset_m": offset_m, "reach": done.reach_id})
        return
    click.echo(done.sentence)


@click.command(short_help="Enter one sample.")
@site_folder
@_all_of(_PLACE)
@click.option("--date", "time", metavar="DATE", help="Day or moment it was taken. [today]")
@click.option("--top", "depth_top_m", type=DEPTH, help='Depth of the top of the layer, such as "2 in".')
@click.option("--bottom", "depth_bottom_m", type=DEPTH, help="Depth of the bottom of the layer.")
@click.option("--dry-mass", "dry_mass_kg", type=MASS, help='Dry mass of the sample, such as "1.9 lb".')
@click.option(
    "--wet-mass", "wet_mass_kg", type=MASS, help="Mass as dug, where it was not dried; needs --moisture."
)
@click.option("--moisture", "moisture_percent", type=float, help="Water per wet mass, percent.")
@click.option("--magnetic-mass", "magnetic_mass_kg", type=MASS, help="Mass of what the magnet took out.")
@click.option(
    "--volume", "volume_litres", type=VOLUME, help="Loose dry sand over the magnet, where it was not weighed."
)
@click.option("--grade", "grade_percent", type=float, help="Grade in percent, where no masses are known.")
@click.option("--trace", is_flag=True, help="Seen, but too little to weigh.")
@click.option(
    "--below", "below_percent", type=float, help="Of a trace, the grade that it surely lies below, percent."
)
@click.option("--place", help="Name of the place; layers of one hole share it.")
@_all_of(_REST[1:])
def sample(site: Path, as_json: bool, **cells: object) -> None:
    """Enter one sample into the notebook of SITE.

    \b
    Examples:
      washgrade sample mysite --lon -3.00805 --lat 36.32577 --dry-mass "1.9 lb" --magnetic-mass "2.5 oz"
      washgrade sample mysite --easting 499300 --northing 4020100 --trace --note "a few specks"
    """  # noqa: D301 - click reads the backspace
    _enter(site, "samples", cells, as_json=as_json)


@click.command(short_help="Enter one storm: rain, a gauge file, a flood mark, or no flow.")
@site_folder
@click.option("--date", "time", metavar="DATE", help="Day, or moment when the rain began. [today]")
@click.option("--rain", "rain_mm", type=RAIN, help='Depth of the rain, such as "1.2 in" or "30 mm".')
@click.option("--over", "duration_h", type=DURATION, help='How long it rained, such as "40 min" or "2 h".')
@click.option("--end", metavar="MOMENT", help="When the rain ended, instead of --over.")
@click.option("--source", "rain_source", help='Who says so, such as "own gauge" or "neighbour".')
@click.option(
    "--gauge", type=click.Path(path_type=Path), help="File of a rain gauge: times, and rain in mm, cm or in."
)
@click.option(
    "--gauge-form",
    type=click.Choice(["increments", "total", "rate"]),
    help="What the gauge's figures are, where their column does not tell.",
)
@click.option("--mark-depth", "mark_depth_m", type=DEPTH, help="Height of a flood mark above the bed.")
@click.option("--mark-width", "mark_width_m", type=LENGTH, help="Width of the flow between the marks.")
@click.option("--no-flow", is_flag=True, help="The wash did not run: at the place, or anywhere if none.")
@_all_of(_PLACE)
@_REACH
@_all_of(_REST)
@on_day
@unit_choice
@click.option("--learnt", is_flag=True, help="Only what the record has taught about floods and refill.")
def storm(
    site: Path,
    gauge: Path | None,
    gauge_form: str | None,
    as_json: bool,
    on: str | None,
    units: str | None,
    learnt: bool,
    **cells: Any,
) -> None:
    """Enter one storm into the notebook of SITE; without any values, say what those that are there did.

    A storm is told by its rain, by the file of a gauge, by the mark that the flood left at a place, or by the
    word that nothing ran. With --json and without values, each storm's reaches are given: flow, stress, and
    the share of the bed that was laid anew. Read marks after the flood: stay out of the wash while rain is
    near or upstream.

    \b
    Examples:
      washgrade storm mysite --date 2025-09-14 --rain "1.2 in" --over "40 min" --source "own gauge"
      washgrade storm mysite --date 2025-09-14 --mark-depth "18 in" --lon -3.00805 --lat 36.32577
    """  # noqa: D301 - click reads the backspace
    if gauge is None and all(value is None or value is False for value in cells.values()):
        tell_storms(site, on=on, units=units, learnt=learnt, as_json=as_json)
        return
    if on is not None or learnt:
        raise click.UsageError(
            "--on and --learnt tell of the storms that are there: enter no values beside them."
        )
    if gauge is not None:
        cells |= _gauge_cells(gauge, gauge_form, cells)
    _enter(site, "storms", cells, as_json=as_json)


def _gauge_cells(gauge: Path, form: str | None, cells: dict[str, Any]) -> dict[str, Any]:
    """Cells of a storm as its gauge saw it; a day chosen by ``--date`` gives way to the moment it began."""
    from washgrade import survey

    found = survey.gauge_storm(gauge, form=form, on=cells["time"])
    return {"gauge": found.gauge} | ({"time": found.time} if found.time else {})


@click.command(short_help="Enter one dig: what was taken out where.")
@site_folder
@click.option("--date", "time", metavar="DATE", help="Day or moment of it. [today]")
@_REACH
@_all_of(_PLACE)
@click.option("--end-lon", type=float, help="Of a stretch, longitude of its other end.")
@click.option("--end-lat", type=float, help="Of a stretch, latitude of its other end.")
@click.option("--end-easting", "end_easting_m", type=float, help="Of a stretch, easting of its other end.")
@click.option("--end-northing", "end_northing_m", type=float, help="Of a stretch, northing of its other end.")
@click.option("--loads", type=float, help="How many shovel loads.")
@click.option("--buckets", type=float, help="How many buckets.")
@click.option("--bucket", "bucket_litres", type=VOLUME, help="What one bucket holds. [5 gallons]")
@click.option("--volume", "volume_litres", type=VOLUME, help='Loose sand dug, such as "60 gal" or "0.2 m3".')
@click.option("--bite", "bite_m", type=DEPTH, help='How deep was dug, such as "4 in".')
@click.option("--product", "product_mass_kg", type=MASS, help="Mass of the cleaned product, when known.")
@click.option("--purity", "purity_percent", type=float, help="Magnetics in the product, percent.")
@_all_of(_REST)
def dig(site: Path, as_json: bool, **cells: Any) -> None:
    """Enter one dig into the notebook of SITE.

    The place of a reach is written down with its id, so that the record means the same when the ground is
    built again. Dig only where you have permission, and follow the local rules.

    \b
    Examples:
      washgrade dig mysite --reach A7 --loads 40 --bite "4 in" --product "9 lb" --purity 85
      washgrade dig mysite --lon -3.00805 --lat 36.32577 --buckets 6 --bucket "5 gal"
    """  # noqa: D301 - click reads the backspace
    _enter(site, "digs", cells, as_json=as_json)


@click.command(short_help="Enter one look: a fresh streak, a buried one, bare, or unchanged.")
@site_folder
@click.option("--date", "time", metavar="DATE", help="Day or moment of it. [today]")
@_REACH
@_all_of(_PLACE)
@click.option(
    "--seen",
    type=click.Choice(["fresh streak", "buried", "bare", "unchanged"]),
    help="What was seen.",
)
@click.option("--depth", "depth_m", type=DEPTH, help="Depth of the top of a buried streak.")
@_all_of(_REST)
def look(site: Path, as_json: bool, **cells: Any) -> None:
    """Enter one look at the bed into the notebook of SITE, where nothing was dug or weighed.

    \b
    Examples:
      washgrade look mysite --reach A7 --seen "fresh streak"
      washgrade look mysite --lon -3.00805 --lat 36.32577 --seen buried --depth "3 in"
    """  # noqa: D301 - click reads the backspace
    _enter(site, "looks", cells, as_json=as_json)
