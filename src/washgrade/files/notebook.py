"""The notebook: dated records that are added and struck, never changed or taken away.

Every addition is one SQLite transaction, so that it is there whole or not at all whenever the power goes, and
two programs may add at once. No two records share an id, of whatever kind they are.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Literal, overload

from washgrade.errors import FileFaults, RecordError
from washgrade.files.columns import KINDS
from washgrade.files.dig import Dig
from washgrade.files.geopackage import reading, writing
from washgrade.files.judging import Frame
from washgrade.files.look import Look
from washgrade.files.notebooktables import (
    complete,
    held,
    ids,
    insert,
    make_notebook,
    mark,
    records_of,
    regrid,
)
from washgrade.files.places import to_grid
from washgrade.files.record import Record, id_of_undoing
from washgrade.files.records import read_record_file
from washgrade.files.sample import Sample
from washgrade.files.site import Site
from washgrade.files.storm import Storm

__all__ = [
    "Added",
    "add_records",
    "import_records",
    "make_notebook",
    "merge_records",
    "read_records",
    "regrid",
    "strike",
    "undo_strike",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What an addition did.

    Parameters
    ----------
    added : tuple of str
        Ids of the records that are new.
    already : tuple of str
        Ids of those that the notebook held already, word for word.
    struck : tuple of str
        Ids of those held already that came struck, and are struck now.
    faults : tuple of str
        What was wrong with those left out.
    kinds : mapping of str to int
        How many are new by kind; 0 for a kind that came and brought nothing new.
    """

    added: tuple[str, ...] = ()
    already: tuple[str, ...] = ()
    struck: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    kinds: Mapping[str, int] = field(default_factory=dict)


def add_records(
    site: Site, records: Sequence[Record], *, now: datetime | None = None, keep_good: bool = False
) -> Added:
    """Add records of any kinds to the notebook, all in one transaction.

    Parameters
    ----------
    site : Site
        The site; its ground must be built.
    records : sequence of Record
        The records, with their places on the site's grid.
    now : datetime, optional
        Moment to enter for records that bring none; the clock's if left out.
    keep_good : bool, default False
        Add the others when some conflict with what is there.

    Returns
    -------
    Added
        What is new, what was there already, and the conflicts left out.

    Raises
    ------
    FileFaults
        If an id is there already and says something else, unless ``keep_good``; nothing is added then.
    SiteError
        If the site has no ground, or cannot be written.
    """
    moment = (now or datetime.now(UTC)).isoformat(timespec="seconds")
    added, already, struck, faults = [], [], [], []
    kinds = {kind: 0 for kind in KINDS if any(record.kind == kind for record in records)}
    with writing(site.geopackage) as connection:
        srs_id = complete(connection, site)
        kind_of = ids(connection)
        for record in records:
            there = held(connection, record.id, kind_of)
            if there is None:
                insert(connection, replace(record, recorded_at=record.recorded_at or moment), srs_id)
                kind_of[record.id] = record.kind
                added.append(record.id)
                kinds[record.kind] += 1
            elif there.content != record.content:
                faults.append(_conflict(there, record))
            elif record.struck_at and not there.struck_at:
                mark(connection, there, record.struck_at, record.struck_why)
                struck.append(record.id)
            else:
                already.append(record.id)
        if faults and not keep_good:
            raise FileFaults(faults)
        connection.executemany(
            "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') "
            "WHERE table_name = ?",
            [(KINDS[kind].table,) for kind in kinds],
        )
    return Added(
        added=tuple(added),
        already=tuple(already),
        struck=tuple(struck),
        faults=tuple(faults),
        kinds=kinds,
    )


def import_records(
    site: Site,
    path: Path | str,
    frame: Frame,
    *,
    kind: str | None = None,
    now: datetime | None = None,
    keep_good: bool = False,
) -> Added:
    """Read a file of records and add them: all of them, or none if one is wrong.

    Parameters
    ----------
    site : Site
        The site; its ground must be built.
    path : Path or str
        CSV, GeoJSON, GPX or another vector file.
    frame : Frame
        What the records are judged against.
    kind : str, optional
        What they are; told from the file if left out.
    now : datetime, optional
        Moment to enter; the clock's if left out.
    keep_good : bool, default False
        Add the good records of a file that has faults.

    Returns
    -------
    Added
        What is new, what was there already, and the faults of what was left out.

    Raises
    ------
    FileFaults
        If anything in the file is wrong, unless ``keep_good``; nothing is added then.
    RecordError
        If the file is missing or cannot be read at all.
    SiteError
        If the site has no ground, or cannot be written.
    """
    records, faults = read_record_file(path, frame, kind=kind)
    if faults and not keep_good:
        raise FileFaults(faults)
    done = add_records(site, records, now=now, keep_good=keep_good)
    return replace(done, faults=(*faults, *done.faults))


def merge_records(site: Site, other: Site, *, crs: str, keep_good: bool = False) -> Added:
    """Merge another copy of a notebook into this one: the union of ids, struck if either struck it.

    Parameters
    ----------
    site : Site
        The site to add to.
    other : Site
        The site to read, on whatever grid.
    crs : str
        The grid of ``site``.
    keep_good : bool, default False
        Merge the others when some conflict.

    Returns
    -------
    Added
        What is new, what was there already, and the conflicts left out.

    Raises
    ------
    FileFaults
        If an id says something else in either, unless ``keep_good``.
    SiteError
        If either site cannot be read or this one not written.
    """
    records = [_on_grid(record, crs) for record in read_records(other, struck=True)]
    return add_records(site, records, keep_good=keep_good)


@overload
def read_records(
    site: Site, kind: Literal["samples"], *, on: date | None = ..., struck: bool = ...
) -> list[Sample]: ...
@overload
def read_records(
    site: Site, kind: Literal["storms"], *, on: date | None = ..., struck: bool = ...
) -> list[Storm]: ...
@overload
def read_records(
    site: Site, kind: Literal["digs"], *, on: date | None = ..., struck: bool = ...
) -> list[Dig]: ...
@overload
def read_records(
    site: Site, kind: Literal["looks"], *, on: date | None = ..., struck: bool = ...
) -> list[Look]: ...
@overload
def read_records(
    site: Site, kind: str | None = ..., *, on: date | None = ..., struck: bool = ...
) -> list[Record]: ...
def read_records(
    site: Site, kind: str | None = None, *, on: date | None = None, struck: bool = False
) -> Sequence[Record]:
    """Read the records of the notebook, oldest first.

    Parameters
    ----------
    site : Site
        The site.
    kind : str, optional
        Which, a key of `KINDS`; all kinds if left out.
    on : date, optional
        Leave out what is dated after this day.
    struck : bool, default False
        Give the struck ones too.

    Returns
    -------
    list of Record
        By day, then by kind and id: the order of adding does not show.

    Raises
    ------
    SiteError
        If the site cannot be read.
    """
    wanted = tuple(KINDS) if kind is None else (kind,)
    with reading(site.geopackage) as connection:
        records = [record for one in wanted for record in records_of(connection, one)]
    kept = [
        record for record in records if (struck or not record.struck_at) and (on is None or record.day <= on)
    ]
    return sorted(kept, key=lambda record: (record.day, wanted.index(record.kind), record.id))


def strike(site: Site, record_id: str, *, why: str, now: datetime | None = None) -> Record:
    """Strike a record of any kind: it stays, marked, and counts no more.

    Parameters
    ----------
    site : Site
        The site.
    record_id : str
        Its id, or the beginning of it where no other begins so.
    why : str
        Why; never empty.
    now : datetime, optional
        Moment of striking; the clock's if left out.

    Returns
    -------
    Record
        The record as it stands now.

    Raises
    ------
    RecordError
        If no record or several go by that id, it is struck already, or no reason is given.
    SiteError
        If the site cannot be written.
    """
    if not why.strip():
        raise RecordError("There is no reason for striking the record. Give one with --why.")
    moment = (now or datetime.now(UTC)).isoformat(timespec="seconds")
    with writing(site.geopackage) as connection:
        complete(connection, site)
        record = _known(connection, record_id, ids(connection))
        if record.struck_at:
            raise RecordError(
                f"The record {record.id!r} is struck already since {record.struck_at}: {record.struck_why}."
            )
        mark(connection, record, moment, " ".join(why.split()))
    return replace(record, struck_at=moment, struck_why=" ".join(why.split()))


def undo_strike(site: Site, record_id: str, *, now: datetime | None = None) -> tuple[Record, bool]:
    """Undo a strike: what the struck record said is entered again, and the struck one stays, marked.

    Nothing is taken back, or two copies of a notebook would not merge: struck in either is struck. The new id
    follows from the old one, so that undoing twice, or in two copies, brings one record.

    Parameters
    ----------
    site : Site
        The site.
    record_id : str
        Id of the struck record, or the beginning of it where no other begins so.
    now : datetime, optional
        Moment of entering; the clock's if left out.

    Returns
    -------
    record : Record
        The record that counts again.
    new : bool
        False where an earlier undoing had brought it already.

    Raises
    ------
    RecordError
        If no record or several go by that id, or it is not struck.
    SiteError
        If the site cannot be written.
    """
    moment = (now or datetime.now(UTC)).isoformat(timespec="seconds")
    with writing(site.geopackage) as connection:
        srs_id = complete(connection, site)
        known = ids(connection)
        struck = _known(connection, record_id, known)
        if not struck.struck_at:
            raise RecordError(f"The record {struck.id!r} is not struck: there is nothing to undo.")
        there: Record | None = struck
        while there is not None and there.struck_at:
            # What was entered again may have been struck again.
            new_id = id_of_undoing(there.id)
            there = held(connection, new_id, known)
        if there is not None:
            return there, False
        record = replace(struck, id=new_id, recorded_at=moment, struck_at="", struck_why="")
        insert(connection, record, srs_id)
    return record, True


def _known(connection: sqlite3.Connection, record_id: str, known: Mapping[str, str]) -> Record:
    # The one record that goes by an id, or by the beginning of one.
    wanted = record_id.strip()
    found = [one for one in known if one == wanted] or [
        one for one in known if wanted and one.startswith(wanted)
    ]
    if len(found) > 1:
        raise RecordError(f"{len(found)} records have an id that begins with {wanted!r}. Give more of it.")
    record = held(connection, found[0], known) if found else None
    if record is None:
        raise RecordError(f"No record goes by the id {wanted!r}. The ids stand in: washgrade notebook SITE.")
    return record


def _on_grid(record: Record, crs: str) -> Record:
    # The same record with its places on another grid.
    moved: dict[str, Any] = {}
    for prefix in ("", "end_"):
        lon, lat = getattr(record, f"{prefix}lon", None), getattr(record, f"{prefix}lat", None)
        if lon is not None and lat is not None:
            easting_m, northing_m = to_grid(crs, lon, lat)
            moved |= {f"{prefix}easting_m": float(easting_m), f"{prefix}northing_m": float(northing_m)}
    return replace(record, **moved)


def _conflict(there: Record, record: Record) -> str:
    start = f"{record.source}: " if record.source else ""
    end = "Strike the old record and give the new one an id of its own."
    if there.kind != record.kind:
        ours, theirs = KINDS[there.kind].one, KINDS[record.kind].one
        return (
            f"{start}The id {record.id!r} is that of a {ours} in the notebook, and of a {theirs} here. {end}"
        )
    told, new = there.content, record.content
    names = [name for name in {**told, **new} if told.get(name) != new.get(name)]
    shown = "; ".join(
        f"{name} {told.get(name, 'not said')} there, {new.get(name, 'not said')} here" for name in names
    )
    return f"{start}The id {record.id!r} is in the notebook and says something else ({shown}). {end}"
