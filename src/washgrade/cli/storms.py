"""The verbs that tell of the past: what the storms did, and the history of a reach."""

from __future__ import annotations

from pathlib import Path

import click

from washgrade.cli.options import (
    as_json,
    echo_json,
    echo_table,
    on_day,
    progress_bar,
    site_folder,
    unit_choice,
)
from washgrade.units import show_share

__all__ = ["history", "tell_storms"]


def tell_storms(site: Path, *, on: str | None, units: str | None, learnt: bool, as_json: bool) -> None:
    """Print what every storm did, and what the record has taught about them.

    Parameters
    ----------
    site : Path
        The site folder.
    on : str, optional
        Leave out what is dated after this day.
    units : str, optional
        Units shown; the site's setting if left out.
    learnt : bool
        Only what was learnt.
    as_json : bool
        Print JSON, with each storm's reaches.
    """
    from washgrade import survey
    from washgrade.units import show_flow, show_rain

    told = survey.storms(site, on=on)
    if as_json:
        echo_json(told.as_json(reaches=not learnt))
        return
    units = units or told.settings.units
    if not len(told):
        click.echo(
            f"The notebook holds no storms yet. Enter a record (washgrade storm {site} --help) or add a file."
        )
        return
    if not learnt:
        rows = [
            (
                row["day"],
                {"rain": "rain", "mark": "flood mark", "none": "did not run"}[row["source"]],
                ""
                if row["rain_mm"] is None
                else f"{show_rain(row['rain_mm'], units)} in {row['rain_h']:.2g} h",
                show_flow(row["peak_at_outlet_m3_s"], units),
                show_share(row["share_reworked"]),
                f"{row['reaches_half_reworked']}",
            )
            for row in told.as_json(reaches=False)["storms"]
        ]
        heads = (
            "day",
            "told by",
            "rain",
            "peak at the main outlet",
            "of the bed laid anew",
            "reaches half anew",
        )
        word = "storm" if len(told) == 1 else "storms"
        echo_table(f"{len(told)} {word} up to {told.day}", heads, rows, left=3)
        for row in told.as_json(reaches=False)["storms"]:
            for note in row["notes"]:
                click.echo(f"{row['day']}: {note}")
        for sentence in told.past.untold:
            click.echo(sentence)
    for sentence in survey.learnt_sentences(told.past):
        click.echo(sentence)


@click.command(short_help="History of a reach: grade and what was left, day by day.")
@site_folder
@click.argument("reach")
@on_day
@unit_choice
@as_json
def history(site: Path, reach: str, on: str | None, units: str | None, as_json: bool) -> None:
    """Tell how REACH of SITE came to be as it is: storms, digs, samples and looks, and what they left."""
    from washgrade import survey

    with progress_bar("Looking back") as progress:
        found = survey.estimate(site, on=on, progress=progress)
        told = survey.reach_history(survey.rank(found), reach)
    if as_json:
        echo_json({"on": found.day.isoformat()} | told.as_json())
        return
    click.echo(f"Reach {told.reach} up to {found.day}")
    for line in told.chart(units or found.settings.units):
        click.echo(line)
