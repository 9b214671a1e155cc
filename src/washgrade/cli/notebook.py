"""The verbs that keep the field records."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from washgrade.cli.options import (
    as_json,
    echo_json,
    echo_table,
    on_day,
    site_folder,
    unit_choice,
)
from washgrade.errors import RecordError

__all__ = ["add", "list_records", "notebook", "strike"]

KIND_WORDS = ("samples", "storms", "digs", "looks")


@click.command(short_help="Take in records from files: CSV, GeoJSON, GPX, KML, GeoPackage.")
@site_folder
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="FILE...")
@click.option(
    "--as", "kind", type=click.Choice(KIND_WORDS), help="What the records are. [told from their columns]"
)
@click.option("--keep-good", is_flag=True, help="Take in the good rows of a file that has faulty ones.")
@as_json
def add(site: Path, files: tuple[Path, ...], kind: str | None, keep_good: bool, as_json: bool) -> None:
    """Take in records from files into the notebook of SITE.

    Every fault of a file is told at once, row by row, and nothing is taken in until it is right. Taking in
    the same file twice adds nothing. A column "kind" (sample, storm, dig, look) lets one file hold several
    kinds; without it the columns tell what the records are. FILE may also be the folder of another site: the
    two notebooks are merged, and a record that either of them struck is struck.
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
            known = f", {len(done.already)} there already" if done.already else ""
            click.echo(f"{path.name}: {_counted(done.kinds)} added{known}.")
    if as_json:
        echo_json(results)
    if refused:
        if not as_json:
            click.echo(
                "Nothing was taken in from a file with faults; --keep-good takes in its good rows.", err=True
            )
        raise SystemExit(2)


def _counted(counts: Mapping[str, int]) -> str:
    """Say how many records of which kinds: ``2 samples and 1 dig``."""
    return " and ".join(
        f"{count} {word.removesuffix('s') if count == 1 else word}"
        for word, count in (counts or {"records": 0}).items()
    )


@click.command(short_help="List the records.")
@site_folder
@click.option("--kind", type=click.Choice(KIND_WORDS), help="Only these. [all kinds]")
@click.option("--struck", is_flag=True, help="Show struck records too.")
@on_day
@unit_choice
@as_json
def notebook(
    site: Path, kind: str | None, struck: bool, on: str | None, units: str | None, as_json: bool
) -> None:
    """List the records in the notebook of SITE, oldest first."""
    list_records(site, kind=kind, struck=struck, on=on, units=units, as_json=as_json)


def list_records(
    site: Path,
    *,
    kind: str | None = None,
    struck: bool = False,
    on: str | None = None,
    units: str | None = None,
    as_json: bool = False,
) -> None:
    """Print the records of one kind or of all.

    Parameters
    ----------
    site : Path
        The site folder.
    kind : str, optional
        Which; all if left out.
    struck : bool
        Show struck records too.
    on : str, optional
        Leave out what is dated after this day.
    units : str, optional
        Units shown; the site's setting if left out.
    as_json : bool
        Print JSON.
    """
    from washgrade import survey

    listed = survey.notebook(site, on=on, struck=struck, kind=kind)
    if as_json:
        echo_json(survey.records_as_json(listed))
        return
    chosen = survey.settings(site)
    if not listed:
        what = f"no {kind}" if kind else "nothing"
        verb = (kind or "samples").removesuffix("s")
        click.echo(
            f"The notebook holds {what} yet. Enter a record (washgrade {verb} {site} --help) or add a file."
        )
        return
    rows = []
    for record in listed:
        words = [record.place, record.note]
        if record.struck_at:
            words.append(f"STRUCK {record.struck_at[:10]}: {record.struck_why}")
        reach = getattr(record, "reach", "")
        at = "" if record.lat is None else f"{record.lat:.5f}, {record.lon:.5f}"
        rows.append(
            (
                _short(record.id),
                record.time[:10],
                record.kind.removesuffix("s"),
                survey.tell_record(record, units or chosen.units, porosity=chosen.porosity),
                "; ".join(word for word in words if word),
                f"reach {reach}" if reach else at,
            )
        )
    heads = ("id", "day", "kind", "what", "place, note", "latitude, longitude")
    what = kind or "records"
    echo_table(f"{len(rows)} {what.removesuffix('s') if len(rows) == 1 else what}", heads, rows, left=5)


@click.command(short_help="Take a record out of all estimates; it stays on file, marked.")
@site_folder
@click.argument("record_id", metavar="ID")
@click.option("--why", help="The reason; it is kept with the record.")
@click.option("--undo", is_flag=True, help="Take the strike back: what the record said counts again.")
@as_json
def strike(site: Path, record_id: str, why: str | None, undo: bool, as_json: bool) -> None:
    """Strike the record ID of SITE: it stays on file, marked, and counts no more.

    The first few letters of the id are enough. To correct a record, strike it and enter it again. A record
    struck by mistake is brought back with --undo: it is entered again as it was, under a new id, and the
    struck one stays on file.
    """
    from washgrade import survey

    if undo == (why is not None):
        raise click.UsageError("Give the reason with --why, or take a strike back with --undo: one of them.")
    if why is None:
        record, new = survey.undo_strike(site, record_id)
        if as_json:
            echo_json({"id": record.id, "new": new})
        else:
            click.echo(f"It counts again, as {record.id}." if new else f"It counts already, as {record.id}.")
        return
    struck = survey.strike(site, record_id, why=why)
    if as_json:
        echo_json({"id": struck.id, "struck_at": struck.struck_at, "struck_why": struck.struck_why})
        return
    click.echo(f"Struck {struck.id}: {struck.struck_why}")
    click.echo(f"To take that back: washgrade strike {site} {_short(struck.id)} --undo")


def _short(record_id: str) -> str:
    """Cut the ids that washgrade makes; what a person chose stays whole."""
    return record_id[:8] if len(record_id) == 36 else record_id
