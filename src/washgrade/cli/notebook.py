"""The verbs that keep the field records."""

from __future__ import annotations

from pathlib import Path

import click

from washgrade.cli.options import (
    DEPTH,
    LENGTH,
    MASS,
    as_json,
    echo_json,
    echo_table,
    on_day,
    site_folder,
    unit_choice,
)
from washgrade.errors import RecordError

__all__ = ["add", "notebook", "sample", "strike"]


@click.command(short_help="Take in records from files: CSV, GeoJSON, GPX, GeoPackage.")
@site_folder
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="FILE...")
@click.option("--as", "kind", type=click.Choice(["samples"]), default="samples", help="What the records are.")
@click.option("--keep-good", is_flag=True, help="Take in the good rows of a file that has faulty ones.")
@as_json
def add(site: Path, files: tuple[Path, ...], kind: str, keep_good: bool, as_json: bool) -> None:
    """Take in records from files into the notebook of SITE.

    Every fault of a file is told at once, row by row, and nothing is taken in until it is right. Taking in
    the same file twice adds nothing. FILE may also be the folder of another site: the two notebooks are
    merged, and a record that either of them struck is struck.
    """
    from washgrade import survey

    results = []
    refused = False
    for path in files:
        try:
            done = survey.add(site, path, kind=kind, keep_good=keep_good)
        except RecordError as error:
            # The other files are read all the same; each is taken in whole or not at all.
            refused = True
            faults = str(error).splitlines()
            results.append({"file": str(path), "added": 0, "already": 0, "struck": 0, "faults": faults})
            for fault in faults:
                click.echo(fault, err=True)
            continue
        results.append(
            {
                "file": str(path),
                "added": len(done.added),
                "already": len(done.already),
                "struck": len(done.struck),
                "faults": list(done.faults),
            }
        )
        for fault in done.faults:
            click.echo(f"Left out: {fault}", err=True)
        if not as_json:
            one_or_more = kind.removesuffix("s") if len(done.added) == 1 else kind
            known = f", {len(done.already)} there already" if done.already else ""
            click.echo(f"{path.name}: {len(done.added)} {one_or_more} added{known}.")
    if as_json:
        echo_json(results)
    if refused:
        if not as_json:
            click.echo(
                "Nothing was taken in from a file with faults; --keep-good takes in its good rows.", err=True
            )
        raise SystemExit(2)


@click.command(short_help="Enter one sample.")
@site_folder
@click.option("--lon", type=float, help="Longitude, WGS 84 degrees (west is negative).")
@click.option("--lat", type=float, help="Latitude, WGS 84 degrees.")
@click.option("--easting", "easting_m", type=float, help="Easting on the site's grid, metres.")
@click.option("--northing", "northing_m", type=float, help="Northing on the site's grid, metres.")
@click.option("--date", "time", metavar="DATE", help="Day or moment it was taken. [today]")
@click.option("--accuracy", "accuracy_m", type=LENGTH, help="How far off the GPS said it may be.")
@click.option("--top", "depth_top_m", type=DEPTH, help='Depth of the top of the layer, such as "2 in".')
@click.option("--bottom", "depth_bottom_m", type=DEPTH, help="Depth of the bottom of the layer.")
@click.option("--dry-mass", "dry_mass_kg", type=MASS, help='Dry mass of the sample, such as "1.9 lb".')
@click.option(
    "--wet-mass", "wet_mass_kg", type=MASS, help="Mass as dug, where it was not dried; needs --moisture."
)
@click.option("--moisture", "moisture_percent", type=float, help="Water per wet mass, percent.")
@click.option("--magnetic-mass", "magnetic_mass_kg", type=MASS, help="Mass of what the magnet took out.")
@click.option("--grade", "grade_percent", type=float, help="Grade in percent, where no masses are known.")
@click.option("--trace", is_flag=True, help="Seen, but too little to weigh.")
@click.option("--place", help="Name of the place; layers of one hole share it.")
@click.option("--note", help="Anything else.")
@click.option("--id", "id", help="Name of the record. [made from its content]")
@as_json
def sample(site: Path, as_json: bool, **cells: object) -> None:
    """Enter one sample into the notebook of SITE.

    \b
    Examples:
      washgrade sample mysite --lon -3.00805 --lat 36.32577 --dry-mass "1.9 lb" --magnetic-mass "2.5 oz"
      washgrade sample mysite --easting 499300 --northing 4020100 --trace --note "a few specks"
    """  # noqa: D301 - click reads the backspace
    from washgrade import survey

    done = survey.enter_sample(site, cells)
    if as_json:
        echo_json(
            {"id": done.sample.id, "added": done.new, "offset_m": done.offset_m, "reach": done.reach_id}
        )
        return
    click.echo(done.sentence)


@click.command(short_help="List the records.")
@site_folder
@click.option("--struck", is_flag=True, help="Show struck records too.")
@on_day
@unit_choice
@as_json
def notebook(site: Path, struck: bool, on: str | None, units: str | None, as_json: bool) -> None:
    """List the records in the notebook of SITE, oldest first."""
    from washgrade import survey
    from washgrade.units import show_depth, show_grade, show_mass

    samples = survey.notebook(site, on=on, struck=struck)
    if as_json:
        echo_json(survey.samples_as_json(samples))
        return
    units = units or survey.settings(site).units
    if not samples:
        click.echo(f"The notebook is empty. Enter a sample (washgrade sample {site} --help) or add a file.")
        return
    rows = []
    for record in samples:
        depth = ""
        if record.depth_top_m is not None and record.depth_bottom_m is not None:
            depth = f"{show_depth(record.depth_top_m, units)} to {show_depth(record.depth_bottom_m, units)}"
        words = [record.place, record.note]
        if record.struck_at:
            words.append(f"STRUCK {record.struck_at[:10]}: {record.struck_why}")
        rows.append(
            (
                record.id[:8] if len(record.id) == 36 else record.id,
                record.time[:10],
                "; ".join(word for word in words if word),
                "trace" if record.grade is None else show_grade(record.grade),
                "" if record.dry_mass_kg is None else show_mass(record.dry_mass_kg, units),
                depth,
                f"{record.lat:.5f}, {record.lon:.5f}",
            )
        )
    heads = ("id", "day", "place, note", "grade", "dry mass", "depth", "latitude, longitude")
    echo_table(f"{len(rows)} samples", heads, rows, left=3)


@click.command(short_help="Take a record out of all estimates; it stays on file, marked.")
@site_folder
@click.argument("record_id", metavar="ID")
@click.option("--why", required=True, help="The reason; it is kept with the record.")
@as_json
def strike(site: Path, record_id: str, why: str, as_json: bool) -> None:
    """Strike the record ID of SITE: it stays on file, marked, and counts no more.

    The first few letters of the id are enough. To correct a record, strike it and enter it again.
    """
    from washgrade import survey

    struck = survey.strike(site, record_id, why=why)
    if as_json:
        echo_json({"id": struck.id, "struck_at": struck.struck_at, "struck_why": struck.struck_why})
        return
    click.echo(f"Struck {struck.id}: {struck.struck_why}")
