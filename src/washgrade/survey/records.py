"""Keeping the notebook: taking in, entering, listing and striking records of every kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, overload

from washgrade.survey.steps import open_ground, read_day
from washgrade.survey.tell import Entered

if TYPE_CHECKING:
    from washgrade.files.dig import Dig
    from washgrade.files.gauge import GaugeStorm
    from washgrade.files.groundstore import GroundFacts
    from washgrade.files.judging import Frame
    from washgrade.files.look import Look
    from washgrade.files.notebook import Added
    from washgrade.files.record import Record
    from washgrade.files.sample import Sample
    from washgrade.files.site import Site
    from washgrade.files.storm import Storm
    from washgrade.land.channels import Channels

__all__ = [
    "Entered",
    "add",
    "enter",
    "gauge_storm",
    "look_over",
    "notebook",
    "records",
    "records_as_json",
    "strike",
    "undo_strike",
]


def add(
    site: Path | str,
    path: Path | str,
    *,
    kind: str | None = None,
    keep_good: bool = False,
    today: date | None = None,
) -> Added:
    """Take in a file of records: all of it, or nothing if a row is wrong.

    Parameters
    ----------
    site : Path or str
        The site folder.
    path : Path or str
        CSV, GeoJSON, GPX or another vector file; or the folder of another site, whose notebook is merged:
        the union of the records, struck where either copy struck them.
    kind : {"samples", "storms", "digs", "looks"}, optional
        What the records are; told from a column ``kind``, or else from the columns, if left out.
    keep_good : bool, default False
        Take in the good rows of a file that has faulty ones.
    today : date, optional
        The last day a record may have.

    Returns
    -------
    Added
        What is new, what was there already, what was left out.

    Raises
    ------
    FileFaults
        With every fault of the file, unless ``keep_good``.
    RecordError
        If the file cannot be read at all.
    SiteError
        If the site has no ground or cannot be written.
    """
    from washgrade.checks import choice
    from washgrade.files.columns import KINDS
    from washgrade.files.notebook import import_records, merge_records
    from washgrade.files.site import open_site

    if kind is not None:
        choice("kind", kind, tuple(KINDS))
    opened, facts = open_ground(site)
    if Path(path).is_dir():
        return merge_records(opened, open_site(path), crs=facts.crs, keep_good=keep_good)
    frame = _frame(opened, facts, today, _channels_of(opened))
    return import_records(opened, path, frame, kind=kind, keep_good=keep_good)


def look_over(
    site: Path | str, path: Path | str, *, kind: str | None = None, today: date | None = None
) -> tuple[list[Record], list[str]]:
    """Read a file of records as `add` would, and write nothing.

    Parameters
    ----------
    site : Path or str
        The site folder.
    path : Path or str
        CSV, GeoJSON, GPX or another vector file.
    kind : {"samples", "storms", "digs", "looks"}, optional
        What the records are; told from the file if left out.
    today : date, optional
        The last day a record may have.

    Returns
    -------
    records : list of Record
        Its good records.
    faults : list of str
        Every fault of the others, file and row first.

    Raises
    ------
    RecordError
        If the file cannot be read at all.
    SiteError
        If the site has no ground.
    """
    from washgrade.checks import choice
    from washgrade.files.columns import KINDS
    from washgrade.files.records import read_record_file

    if kind is not None:
        choice("kind", kind, tuple(KINDS))
    opened, facts = open_ground(site)
    return read_record_file(path, _frame(opened, facts, today, _channels_of(opened)), kind=kind)


def enter(site: Path | str, kind: str, cells: Mapping[str, object], *, today: date | None = None) -> Entered:
    """Enter one record.

    Parameters
    ----------
    site : Path or str
        The site folder.
    kind : {"samples", "storms", "digs", "looks"}
        What it is.
    cells : mapping of str to object
        Values by the column names of a file of records.
    today : date, optional
        The last day it may have, and the day it has where none is given.

    Returns
    -------
    Entered
        The record and the reach it lies on.

    Raises
    ------
    FileFaults
        With every fault of the values.
    SiteError
        If the site has no ground or cannot be written.
    """
    from washgrade.checks import choice
    from washgrade.files.columns import KINDS
    from washgrade.files.notebook import add_records
    from washgrade.files.records import make_record

    choice("kind", kind, tuple(KINDS))
    opened, facts = open_ground(site)
    channels = _channels_of(opened)
    frame = _frame(opened, facts, today, channels)
    # By identity, because a mass or a depth of 0 equals False and is a value all the same.
    given = {
        name: value for name, value in cells.items() if not (value is None or value is False or value == "")
    }
    given.setdefault("time", frame.today.isoformat())
    record = make_record(kind, given, frame)
    done = add_records(opened, [record])
    snap_max_m = opened.settings.snap_max_m
    reach_id, offset_m = _reach_of(channels, snap_max_m, record.easting_m, record.northing_m)
    end_east, end_north = (getattr(record, name, None) for name in ("end_easting_m", "end_northing_m"))
    end_reach_id, _ = _reach_of(channels, snap_max_m, end_east, end_north)
    return Entered(
        record=record,
        new=bool(done.added),
        offset_m=offset_m,
        reach_id=reach_id,
        end_reach_id=end_reach_id,
        units=opened.settings.units,
        porosity=opened.settings.porosity,
    )


def gauge_storm(path: Path | str, *, form: str | None = None, on: str | date | None = None) -> GaugeStorm:
    """Read the file of a rain gauge as one storm, whose ``gauge`` and ``time`` `enter` takes.

    Parameters
    ----------
    path : Path or str
        Times and rain; see `washgrade.files.gauge.read_gauge`.
    form : {"increments", "total", "rate"}, optional
        What the figures are, where the name of their column does not tell.
    on : str or date, optional
        Day, or moment, of the storm, where the file holds several.

    Returns
    -------
    GaugeStorm
        When it began, and its course.

    Raises
    ------
    FileFaults
        With every fault of the file.
    InputError
        If the day or the form is none.
    """
    from washgrade.checks import choice
    from washgrade.files.gauge import FORMS, read_gauge

    if form is not None:
        choice("gauge_form", form, FORMS)
    day = None if on is None else read_day(on[:10] if isinstance(on, str) else on)
    return read_gauge(path, form=form, day=day)


def _channels_of(opened: Site) -> Callable[[], Channels]:
    """Channels of a site, read when they are first asked for."""

    @cache
    def channels() -> Channels:
        from washgrade.files.groundstore import load_channels

        return load_channels(opened)

    return channels


def _frame(opened: Site, facts: GroundFacts, today: date | None, channels: Callable[[], Channels]) -> Frame:
    """What records are judged against; the channels are read only where a reach is named."""
    from washgrade.files.judging import Frame

    @cache
    def middles() -> dict[str, tuple[float, float]]:
        from washgrade.land.channels import middle_nodes

        found = channels()
        middle = middle_nodes(found)
        east, north = found.nodes.easting_m[middle].tolist(), found.nodes.northing_m[middle].tolist()
        return dict(zip(found.reaches.reach_id.tolist(), zip(east, north, strict=True), strict=True))

    return Frame(
        crs=facts.crs,
        today=today or date.today(),
        contains=facts.contains,
        reach_middle=lambda reach_id: middles().get(reach_id),
        shovel_litres=opened.settings.shovel_litres,
    )


def _reach_of(
    channels: Callable[[], Channels], snap_max_m: float, easting_m: float | None, northing_m: float | None
) -> tuple[str, float]:
    """Reach that a place lies on, if it is near enough, and how far off it is."""
    import numpy as np

    from washgrade.sand.along import snap

    if easting_m is None or northing_m is None:
        return "", float("nan")
    nodes, reaches = channels().nodes, channels().reaches
    node, offset_m = snap(nodes, easting_m=np.array([easting_m]), northing_m=np.array([northing_m]))
    if not offset_m[0] <= snap_max_m:
        return "", float(offset_m[0])
    return str(reaches.reach_id[nodes.reach[node[0]]]), float(offset_m[0])


def notebook(
    site: Path | str, *, on: str | date | None = None, struck: bool = False, kind: str | None = None
) -> list[Record]:
    """List the records of the notebook, oldest first.

    Parameters
    ----------
    site : Path or str
        The site folder.
    on : str or date, optional
        Leave out what is dated after this day.
    struck : bool, default False
        Give the struck ones too.
    kind : {"samples", "storms", "digs", "looks"}, optional
        Which; all kinds if left out.

    Returns
    -------
    list of Record
        The records.

    Raises
    ------
    SiteError
        If the site cannot be read.
    InputError
        If the date or the kind is none.
    """
    from washgrade.checks import choice
    from washgrade.files.columns import KINDS
    from washgrade.files.notebook import read_records
    from washgrade.files.site import open_site

    if kind is not None:
        choice("kind", kind, tuple(KINDS))
    day = read_day(on) if on is not None else None
    return read_records(open_site(site), kind, on=day, struck=struck)


@overload
def records(site: Path | str, kind: Literal["samples"], *, on: str | date | None = ...) -> list[Sample]: ...
@overload
def records(site: Path | str, kind: Literal["storms"], *, on: str | date | None = ...) -> list[Storm]: ...
@overload
def records(site: Path | str, kind: Literal["digs"], *, on: str | date | None = ...) -> list[Dig]: ...
@overload
def records(site: Path | str, kind: Literal["looks"], *, on: str | date | None = ...) -> list[Look]: ...
@overload
def records(site: Path | str, kind: str, *, on: str | date | None = ...) -> list[Record]: ...
def records(site: Path | str, kind: str, *, on: str | date | None = None) -> Sequence[Record]:
    """Give the standing records of one kind, oldest first; `washgrade.files.kinds.as_arrays` lays them out.

    Parameters
    ----------
    site : Path or str
        The site folder.
    kind : {"samples", "storms", "digs", "looks"}
        Which.
    on : str or date, optional
        Leave out what is dated after this day.

    Returns
    -------
    list of Sample, Storm, Dig or Look
        The records.

    Raises
    ------
    SiteError
        If the site cannot be read.
    InputError
        If the date or the kind is none.
    """
    return notebook(site, on=on, kind=kind)


def records_as_json(listed: Sequence[Record]) -> list[dict[str, Any]]:
    """Lay records out for other programs.

    Parameters
    ----------
    listed : sequence of Record
        The records, of any kinds.

    Returns
    -------
    list of dict
        ``kind`` and the names of the data dictionary, SI units; None for what was not said, flags as true
        or false.
    """
    from washgrade.files.columns import KINDS
    from washgrade.files.record import record_rows

    flags = {
        kind: [column.name for column in entry.columns if column.kind == "flag"]
        for kind, entry in KINDS.items()
    }
    return [
        row | {name: row[name] == "yes" for name in flags[record.kind]}
        for record, row in zip(listed, record_rows(listed, with_kind=True), strict=True)
    ]


def strike(site: Path | str, record_id: str, *, why: str) -> Record:
    """Strike a record of any kind: it stays on file, marked, and counts no more.

    Parameters
    ----------
    site : Path or str
        The site folder.
    record_id : str
        Its id, or the beginning of it.
    why : str
        The reason.

    Returns
    -------
    Record
        The record as it stands now.

    Raises
    ------
    RecordError
        If no record goes by the id, several do, or it is struck already.
    SiteError
        If the site cannot be written.
    """
    from washgrade.files.notebook import strike as strike_record

    opened, _facts = open_ground(site)
    return strike_record(opened, record_id, why=why)


def undo_strike(site: Path | str, record_id: str) -> tuple[Record, bool]:
    """Undo a strike: what the struck record said is entered again; the struck one stays on file, marked.

    Parameters
    ----------
    site : Path or str
        The site folder.
    record_id : str
        Id of the struck record, or the beginning of it.

    Returns
    -------
    record : Record
        The record that counts again, under an id of its own.
    new : bool
        False where it had been undone already.

    Raises
    ------
    RecordError
        If no record goes by the id, several do, or it is not struck.
    SiteError
        If the site cannot be written.
    """
    from washgrade.files.notebook import undo_strike as undo

    opened, _facts = open_ground(site)
    return undo(opened, record_id)
