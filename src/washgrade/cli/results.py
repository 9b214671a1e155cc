"""The verbs that answer: grade, ranking, page, files, checks, and the demo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

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

if TYPE_CHECKING:
    from washgrade.survey import Estimate

__all__ = ["check", "demo", "export", "grade", "page", "rank", "sheet", "where"]

TOP_SHOWN = 15


@click.command(short_help="Grade along every channel, with its doubt.")
@site_folder
@click.option(
    "--top", type=int, help=f"How many reaches to show, richest first. [{TOP_SHOWN}; with --json all]"
)
@on_day
@click.option("--nodes", is_flag=True, help="With --json: every node, not only the reaches.")
@click.option("--why", "reach", metavar="REACH", help="Say what the grade of one reach rests on.")
@click.option(
    "--learnt", is_flag=True, help="Say what the samples taught, and whether to believe the ranges."
)
@unit_choice
@as_json
def grade(
    site: Path,
    top: int | None,
    on: str | None,
    nodes: bool,
    reach: str | None,
    learnt: bool,
    units: str | None,
    as_json: bool,
) -> None:
    """Estimate the grade along every channel of SITE, with its doubt.

    The range from P10 to P90 should hold the truth 8 times in 10.
    """
    from washgrade import survey
    from washgrade.units import show_grade, show_length

    with progress_bar("Estimating") as progress:
        found = survey.estimate(site, on=on, progress=progress)
    if reach is not None:
        _say_why(found, reach, as_json=as_json)
        return
    if learnt and not as_json:
        _say_learnt(found)
        return
    if as_json:
        echo_json(survey.grade_as_json(found, nodes=nodes, top=top))
        return
    units = units or found.settings.units
    rows = [
        (
            row["reach"],
            row["support"],
            show_grade(row["grade"]["mean"]),
            f"{show_grade(row['grade']['p10'])} to {show_grade(row['grade']['p90'])}",
            show_share(row["chance_above_cutoff"]),
            "none" if row["nearest_sample_m"] is None else show_length(row["nearest_sample_m"], units),
        )
        for row in survey.reach_grades(found, top=TOP_SHOWN if top is None else top)
    ]
    heads = (
        "reach",
        "rests on",
        "grade",
        "8 times in 10 within",
        f"chance above {show_grade(found.settings.cutoff_grade)}",
        "nearest sample",
    )
    count = len(found.channels.reaches)
    echo_table(f"Grade on {found.day}: the richest {len(rows)} of {count} reaches", heads, rows, left=2)
    _tell_the_rest("grade", site, len(rows), count)
    for sentence in found.sentences:
        click.echo(sentence)


def _tell_the_rest(verb: str, site: Path, shown: int, count: int) -> None:
    """How to see the reaches that a table left out."""
    import shlex

    if shown < count:
        click.echo(f"To see all {count}: washgrade {verb} {shlex.quote(str(site))} --top {count}")


def _say_why(found: Estimate, name: str, *, as_json: bool) -> None:
    """What the grade of one reach rests on."""
    from washgrade import survey
    from washgrade.survey.belief import find_reach
    from washgrade.units import show_grade

    place = find_reach(found, name)
    told = survey.why(found).sentences(place)
    grade = found.grade
    if as_json:
        echo_json({"reach": str(found.channels.reaches.reach_id[place]), "why": list(told)})
        return
    click.echo(
        f"Reach {found.channels.reaches.reach_id[place]}: {show_grade(float(grade.reach_mean[place]))}, 8 "
        f"times in 10 within {show_grade(float(grade.reach_p10[place]))} to "
        f"{show_grade(float(grade.reach_p90[place]))}."
    )
    for sentence in told:
        click.echo(sentence)


def _say_learnt(found: Estimate) -> None:
    """What the samples taught, and how well they are predicted from each other."""
    from washgrade import survey
    from washgrade.sand.weighed import SOURCES
    from washgrade.survey.belief import NUMBERS_IN_WORDS, spread_in_words

    told = survey.learnt(found)

    rows = [
        (NUMBERS_IN_WORDS[name], *(spread_in_words(pair[when]) for when in ("before", "now")))
        for name, pair in told["numbers"].items()
    ]
    title = "The ground's own numbers: middle, and 8 times in 10"
    echo_table(title, ("number", "before", "now"), rows, left=1)
    # Sources are not standardised: their effect is for a mixture e times as rich.
    shown = {SOURCES: f"{SOURCES} (for 2.7 times as rich)"}
    effects = [(shown.get(name, name), spread_in_words(now)) for name, now in told["effects"].items()]
    heads = ("more of", "how many times richer for one standard deviation more")
    echo_table("What the shape of the land adds", heads, effects, left=1)
    judged = survey.diagnose(found)
    click.echo(judged.chart())
    click.echo(judged.sentence)
    click.echo(survey.repeats(found).sentence)


@click.command(short_help="Where one more sample would tell most.")
@site_folder
@click.option("--top", type=int, default=5, help="How many places to show. [5]")
@on_day
@as_json
def where(site: Path, top: int, on: str | None, as_json: bool) -> None:
    """List the places in SITE where one more sample would tell most about where to dig."""
    from washgrade import survey
    from washgrade.survey.firststep import told_first

    with progress_bar("Estimating") as progress:
        found = survey.estimate(site, on=on, progress=progress)
    places = survey.next_samples(found, top=top)
    if as_json:
        echo_json([place.as_json() for place in places])
        return
    rows = [
        (place.reach, show_share(place.gain_share, 1), f"{place.lat:.5f}, {place.lon:.5f}")
        for place in places
    ]
    heads = ("reach", "of the doubt that matters, settled", "latitude, longitude")
    echo_table(f"Where one more sample would tell most on {found.day}", heads, rows, left=1)
    for sentence in told_first(survey.rank(found)):
        click.echo(sentence)


@click.command(short_help="Where to dig: reaches by expected magnetics per shovel load.")
@site_folder
@click.option("--top", type=int, help=f"How many reaches to show. [{TOP_SHOWN}; with --json all]")
@click.option(
    "--compare", nargs=2, metavar="REACH REACH", help="Say how likely the first is better than the second."
)
@click.option(
    "--per-hour",
    is_flag=True,
    help="Put them in order of what an hour at the wash brings, ways and carries counted.",
)
@click.option(
    "--from",
    "start",
    metavar="POINT",
    help="Where the vehicle stands, for --per-hour: LON,LAT or a point of access by name. [the first one]",
)
@on_day
@unit_choice
@as_json
def rank(
    site: Path,
    top: int | None,
    compare: tuple[str, str] | None,
    per_hour: bool,
    start: str | None,
    on: str | None,
    units: str | None,
    as_json: bool,
) -> None:
    """Put the reaches of SITE in order of magnetics expected in one shovel load."""
    from washgrade import survey
    from washgrade.errors import InputError
    from washgrade.units import show_grade, show_mass

    if start is not None and not per_hour:
        raise InputError("--from is for --per-hour: a load is the same wherever the vehicle stands.")
    by_hour = None
    with progress_bar("Estimating") as progress:
        found = survey.estimate(site, on=on, progress=progress)
        ranking = survey.rank(found)
        if per_hour:
            by_hour = survey.per_hour(ranking, start=start, progress=progress)
    if compare:
        chance = survey.compare(found, ranking.per_load_draws, *compare)
        if as_json:
            echo_json({"reaches": list(compare), "chance_first_is_better": chance})
        else:
            click.echo(
                f"The chance that a load of {compare[0]} brings more than one of {compare[1]}: "
                f"{show_share(chance)}."
            )
        return
    if as_json:
        echo_json(ranking.as_json(top=top, by_hour=by_hour))
        return
    units = units or found.settings.units
    rows = []
    for row in ranking.rows(top=TOP_SHOWN if top is None else top, by_hour=by_hour):
        load = row["kg_per_load"]
        hour = row["kg_per_hour"]
        rows.append(
            (
                str(row["rank"]),
                row["reach"],
                row["support"],
                show_mass(load["mean"], units),
                f"{show_mass(load['p10'], units)} to {show_mass(load['p90'], units)}",
                *([] if hour is None else [show_mass(hour["mean"], units)]),
                show_grade(row["grade"]["mean"]),
                show_share(row["chance_top"]),
                f"{row['loads_left']:.0f}",
                f"{row['lat']:.5f}, {row['lon']:.5f}",
            )
        )
    heads = (
        "rank",
        "reach",
        "rests on",
        "per load",
        "8 times in 10 within",
        *([] if by_hour is None else ["per hour"]),
        "grade",
        f"chance in top {found.settings.top_reaches}",
        "loads",
        "latitude, longitude",
    )
    echo_table(f"Where to dig on {found.day}: {len(rows)} of {len(ranking)} reaches", heads, rows, left=3)
    _tell_the_rest("rank", site, len(rows), len(ranking))
    if by_hour is not None:
        click.echo(
            f"By the hour from {by_hour.start_name}: full carries one after another, digging, ways and "
            f"rest counted (washgrade day {site} plans the best day)."
        )
    for sentence in (*found.sentences, *ranking.sentences):
        click.echo(sentence)


@click.command(short_help="Write the map: one HTML file that needs no network.")
@site_folder
@click.option("--out", type=click.Path(path_type=Path), help="Where to write it. [SITE/out/page.html]")
@click.option("--title", help="Heading of the page. [name of the site's folder]")
@click.option("--walk-hours", type=float, help="Plan a sampling walk of so many hours and show it.")
@click.option("--day-hours", type=float, help="Plan a digging day of so many hours and show it.")
@click.option(
    "--beside", metavar="DATE", help="Show another day beside, to compare. [the one before the last storm]"
)
@click.option(
    "--installable",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Write a folder instead, to be put on any static host, from where phones install the map.",
)
@on_day
@unit_choice
def page(
    site: Path,
    out: Path | None,
    title: str | None,
    walk_hours: float | None,
    day_hours: float | None,
    beside: str | None,
    installable: Path | None,
    on: str | None,
    units: str | None,
) -> None:
    """Write the map of SITE as one HTML file that needs no network."""
    from washgrade import survey

    with progress_bar("Drawing the page") as progress:
        path = survey.write_page(
            site,
            out=out,
            title=title,
            on=on,
            units=units,
            walk_hours=walk_hours,
            day_hours=day_hours,
            beside=beside,
            installable=installable,
            progress=progress,
        )
    if installable is not None:
        click.echo(
            f"The folder {installable} is ready. Put it on a host with https, open it on the phone once, and "
            'choose "Add to home screen"; after that it needs no network.'
        )
        return
    click.echo(f"The page is {path} ({path.stat().st_size / 1e6:.1f} MB). Open it in any browser.")


@click.command(short_help="Write the field sheet: a PDF with maps to true scale, to print and fill in.")
@site_folder
@click.option("--to", "out", type=click.Path(path_type=Path), help="Where to write it. [SITE/out/sheet.pdf]")
@click.option("--title", help="Heading of the sheet. [name of the site's folder]")
@click.option("--walk-hours", type=float, help="Plan a sampling walk of so many hours and print it.")
@click.option("--day-hours", type=float, help="Or plan a digging day of so many hours and print it.")
@click.option(
    "--from",
    "start",
    metavar="POINT",
    help="Where it begins: LON,LAT or a point of access by name. [the first point of access]",
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="[letter with US units, else a4]")
@click.option(
    "--scale",
    type=int,
    metavar="N",
    help="Maps at 1:N, such as 2500. [the largest that serves, 1:5000 or more]",
)
@click.option("--top", type=int, default=15, help="How many of the best reaches to list and name. [15]")
@on_day
@unit_choice
def sheet(
    site: Path,
    out: Path | None,
    title: str | None,
    walk_hours: float | None,
    day_hours: float | None,
    start: str | None,
    paper: str | None,
    scale: int | None,
    top: int,
    on: str | None,
    units: str | None,
) -> None:
    """Write the field sheet of SITE as a PDF: cautions, ranking, maps to true scale, a plan with blanks.

    Print it at 100 % (actual size); the bar on each map says what it must measure.

    \b
    Examples:
      washgrade sheet mysite --walk-hours 3
      washgrade sheet mysite --day-hours 6
      washgrade sheet mysite --paper letter --scale 2500
    """  # noqa: D301 - click reads the backspace
    from washgrade import survey

    with progress_bar("Drawing the sheet") as progress:
        path = survey.write_sheet(
            site,
            out=out,
            title=title,
            on=on,
            units=units,
            paper=paper,
            scale=scale,
            listed=top,
            walk_hours=walk_hours,
            day_hours=day_hours,
            start=start,
            progress=progress,
        )
    click.echo(f"The sheet is {path} ({path.stat().st_size / 1e6:.1f} MB). Print it at 100 %.")


@click.command(short_help="Write reaches or samples for other programs: CSV, GeoJSON, GPX, KML, GPKG.")
@site_folder
@click.option("--to", "form", required=True, help="csv, geojson, gpx, kml or gpkg (GeoPackage).")
@click.option(
    "--what",
    type=click.Choice(["reaches", "records", "samples", "storms", "digs", "looks"]),
    default="reaches",
    help="What to write. [reaches]",
)
@click.option("--top", type=int, help="Only the best reaches. [all]")
@click.option("--out", type=click.Path(path_type=Path), help="Where to write it. [SITE/out/WHAT.FORMAT]")
@on_day
def export(site: Path, form: str, what: str, top: int | None, out: Path | None, on: str | None) -> None:
    """Write the ranked reaches, or the records, of SITE for other programs."""
    from washgrade import survey

    with progress_bar("Estimating") as progress:
        path = survey.export(site, form=form, what=what, top=top, out=out, on=on, progress=progress)
    click.echo(f"Wrote {path}.")


@click.command(short_help="Is the site whole, and which records look wrong?")
@site_folder
@on_day
@as_json
def check(site: Path, on: str | None, as_json: bool) -> None:
    """Look over SITE: is it whole, and which records look wrong?

    Exit code 1 where something needs a person's eye.
    """
    from washgrade import survey

    with progress_bar("Looking it over") as progress:
        findings = survey.check(site, on=on, progress=progress)
    if as_json:
        echo_json(findings.as_json())
    else:
        for sentence in findings.fine:
            click.echo(f"Good: {sentence}")
        for sentence in findings.notes:
            click.echo(f"Note: {sentence}")
        for sentence in findings.doubts:
            click.echo(f"Look: {sentence}")
    if findings.doubts:
        raise SystemExit(1)


@click.command(short_help="Lay out the demo site and run the whole job on it.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("demo"), metavar="[DIR]")
@unit_choice
def demo(folder: Path, units: str | None) -> None:
    """Lay out the demo site in DIR (default: demo), run the whole job on it and write its page.

    The place is invented, and its true grade is known: see truth.csv in DIR.
    """
    from washgrade import survey

    click.echo("An invented valley. The first run on a machine compiles the number work: a minute or so.")
    with progress_bar("Demo") as progress:
        done = survey.run_demo(folder, units=units, progress=progress)
    for sentence in done.sentences:
        click.echo(sentence)
    ctx = click.get_current_context()
    ctx.invoke(rank, site=folder, top=10, compare=None, on=None, units=units, as_json=False)
    click.echo(f"The page is {done.page.resolve()}\nOpen it in any browser; it needs no network.")
