"""The notebook: dated records that are added and struck, never changed or taken away.

Each kind of record is one feature table of ``site.gpkg``, drawn from the data dictionary. Every addition is
one SQLite transaction, so that it is there whole or not at all whenever the power goes, and two programs may
add at once.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from washgrade.errors import FileFaults, RecordError, SiteError
from washgrade.files.columns import KINDS, Kind
from washgrade.files.geopackage import has_table, make_table, point_blob, reading, writing
from washgrade.files.places import to_grid
from washgrade.files.records import Contains, read_sample_file
from washgrade.files.sample import Sample
from washgrade.files.site import Site

__all__ = [
    "Added",
    "add_samples",
    "import_samples",
    "make_notebook",
    "merge_samples",
    "read_samples",
    "regrid",
    "strike",
]

_SAMPLES = KINDS["samples"]


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
    """

    added: tuple[str, ...] = ()
    already: tuple[str, ...] = ()
    struck: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


def make_notebook(connection: sqlite3.Connection, srs_id: int) -> None:
    """Create the tables of the notebook that are not there yet.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    srs_id : int
        CRS of the site.
    """
    for kind in KINDS.values():
        if has_table(connection, kind.table):
            continue
        columns = [
            f'"{column.name}" {column.sql_type}{" NOT NULL" if column.required else ""}'
            f"{' UNIQUE' if column.kind == 'id' else ''}"
            for column in kind.columns
        ]
        words = f"Notebook: {kind.table}, added and struck, never changed"
        make_table(connection, kind.table, columns, words=words, geometry="POINT", srs_id=srs_id)


def regrid(connection: sqlite3.Connection, crs: str, srs_id: int) -> None:
    """Bring the places of all records onto another grid, from their longitude and latitude.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    crs : str
        The new grid.
    srs_id : int
        Its number in the GeoPackage.
    """
    for kind in KINDS.values():
        rows = connection.execute(f'SELECT fid, lon, lat FROM "{kind.table}"').fetchall()  # noqa: S608  (our own name)
        lon, lat = np.array([row[1:] for row in rows], dtype=np.float64).reshape(-1, 2).T
        easting_m, northing_m = (part.tolist() for part in to_grid(crs, lon, lat))
        connection.executemany(
            f'UPDATE "{kind.table}" SET easting_m = ?, northing_m = ?, geom = ? WHERE fid = ?',  # noqa: S608  (our own)
            [
                (east, north, point_blob(srs_id, east, north), row[0])
                for east, north, row in zip(easting_m, northing_m, rows, strict=True)
            ],
        )
        connection.execute(
            "UPDATE gpkg_geometry_columns SET srs_id = ? WHERE table_name = ?", (srs_id, kind.table)
        )
        connection.execute("UPDATE gpkg_contents SET srs_id = ? WHERE table_name = ?", (srs_id, kind.table))


def add_samples(
    site: Site, samples: Sequence[Sample], *, now: datetime | None = None, keep_good: bool = False
) -> Added:
    """Add samples to the notebook, all in one transaction.

    Parameters
    ----------
    site : Site
        The site; its ground must be built.
    samples : sequence of Sample
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
    with writing(site.geopackage) as connection:
        srs_id = _srs_id(connection, site, _SAMPLES)
        for sample in samples:
            held = _held(connection, sample.id)
            if held is None:
                _insert(connection, replace(sample, recorded_at=sample.recorded_at or moment), srs_id)
                added.append(sample.id)
            elif held.content != sample.content:
                faults.append(_conflict(held, sample))
            elif sample.struck_at and not held.struck_at:
                _mark(connection, sample.id, sample.struck_at, sample.struck_why)
                struck.append(sample.id)
            else:
                already.append(sample.id)
        if faults and not keep_good:
            raise FileFaults(faults)
        connection.execute(
            "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') WHERE table_name = "
            "'samples'"
        )
    return Added(added=tuple(added), already=tuple(already), struck=tuple(struck), faults=tuple(faults))


def import_samples(
    site: Site,
    path: Path | str,
    *,
    crs: str,
    contains: Contains | None = None,
    today: date,
    now: datetime | None = None,
    keep_good: bool = False,
) -> Added:
    """Read a file of samples and add them: all of them, or none if one is wrong.

    Parameters
    ----------
    site : Site
        The site; its ground must be built.
    path : Path or str
        CSV, GeoJSON, GPX or another vector file.
    crs : str
        The site's grid.
    contains : callable, optional
        Whether the ground holds a place.
    today : date
        The last day that a record may have.
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
    samples, faults = read_sample_file(path, crs=crs, contains=contains, today=today)
    if faults and not keep_good:
        raise FileFaults(faults)
    done = add_samples(site, samples, now=now, keep_good=keep_good)
    return replace(done, faults=(*faults, *done.faults))


def merge_samples(site: Site, other: Site, *, crs: str, keep_good: bool = False) -> Added:
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
    samples = read_samples(other, struck=True)
    if samples:
        east, north = to_grid(crs, [sample.lon for sample in samples], [sample.lat for sample in samples])
        samples = [
            replace(sample, easting_m=float(east[k]), northing_m=float(north[k]))
            for k, sample in enumerate(samples)
        ]
    return add_samples(site, samples, keep_good=keep_good)


def read_samples(site: Site, *, on: date | None = None, struck: bool = False) -> list[Sample]:
    """Read the samples of the notebook, oldest first.

    Parameters
    ----------
    site : Site
        The site.
    on : date, optional
        Leave out what was taken after this day.
    struck : bool, default False
        Give the struck ones too.

    Returns
    -------
    list of Sample
        By day, then by id: the order of adding does not show.

    Raises
    ------
    SiteError
        If the site cannot be read.
    """
    with reading(site.geopackage) as connection:
        if not has_table(connection, _SAMPLES.table):
            return []
        names = ", ".join(f'"{column.name}"' for column in _SAMPLES.columns)
        rows = connection.execute(f'SELECT {names} FROM "{_SAMPLES.table}"').fetchall()  # noqa: S608  (our own names)
    samples = [_sample(row) for row in rows]
    kept = [
        sample for sample in samples if (struck or not sample.struck_at) and (on is None or sample.day <= on)
    ]
    return sorted(kept, key=lambda sample: (sample.day, sample.id))


def strike(site: Site, record_id: str, *, why: str, now: datetime | None = None) -> Sample:
    """Strike a record: it stays, marked, and counts no more.

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
    Sample
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
        _srs_id(connection, site, _SAMPLES)
        wanted = record_id.strip()
        ids = [row[0] for row in connection.execute("SELECT id FROM samples ORDER BY id")]
        found = [one for one in ids if one == wanted] or [
            one for one in ids if wanted and one.startswith(wanted)
        ]
        if not found:
            raise RecordError(
                f"No record goes by the id {wanted!r}. The ids stand in: washgrade notebook SITE."
            )
        if len(found) > 1:
            raise RecordError(
                f"{len(found)} records have an id that begins with {wanted!r}. Give more of it."
            )
        held = _held(connection, found[0])
        if held is None or held.struck_at:
            when = "" if held is None else f" since {held.struck_at}: {held.struck_why}"
            raise RecordError(f"The record {found[0]!r} is struck already{when}.")
        _mark(connection, found[0], moment, " ".join(why.split()))
    return replace(held, struck_at=moment, struck_why=" ".join(why.split()))


def _srs_id(connection: sqlite3.Connection, site: Site, kind: Kind) -> int:
    found = connection.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (kind.table,)
    ).fetchone()
    if found is None:
        raise SiteError(
            f"The site {site.folder} has no ground yet. Build it with: washgrade ground SITE --dem FILE."
        )
    return int(found[0])


def _held(connection: sqlite3.Connection, record_id: str) -> Sample | None:
    names = ", ".join(f'"{column.name}"' for column in _SAMPLES.columns)
    row = connection.execute(f"SELECT {names} FROM samples WHERE id = ?", (record_id,)).fetchone()  # noqa: S608  (ours)
    return None if row is None else _sample(row)


def _sample(row: Sequence[Any]) -> Sample:
    values: dict[str, Any] = {
        column.name: ("" if value is None else value)
        if column.kind in {"text", "time", "id"}
        else bool(value)
        if column.kind == "flag"
        else value
        for column, value in zip(_SAMPLES.columns, row, strict=True)
    }
    return Sample(**values)


def _insert(connection: sqlite3.Connection, sample: Sample, srs_id: int) -> None:
    values = [getattr(sample, column.name) for column in _SAMPLES.columns]
    names = ", ".join(f'"{column.name}"' for column in _SAMPLES.columns)
    marks = ", ".join("?" for _ in values)
    connection.execute(
        f"INSERT INTO samples (geom, {names}) VALUES (?, {marks})",  # noqa: S608  (our own names)
        (point_blob(srs_id, sample.easting_m, sample.northing_m), *(None if v == "" else v for v in values)),
    )


def _mark(connection: sqlite3.Connection, record_id: str, moment: str, why: str) -> None:
    connection.execute(
        "UPDATE samples SET struck_at = ?, struck_why = ? WHERE id = ?", (moment, why or None, record_id)
    )


def _conflict(held: Sample, sample: Sample) -> str:
    ours, theirs = held.content, sample.content
    names = [name for name in {**ours, **theirs} if ours.get(name) != theirs.get(name)]
    shown = "; ".join(
        f"{name} {ours.get(name, 'not said')} there, {theirs.get(name, 'not said')} here" for name in names
    )
    start = f"{sample.source}: " if sample.source else ""
    return (
        f"{start}The id {sample.id!r} is in the notebook and says something else ({shown}). Strike the old "
        f"record and "
        "give the new one an id of its own."
    )
