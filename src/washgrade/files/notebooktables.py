"""The notebook's tables in ``site.gpkg``: made, completed, moved to another grid, and read row by row.

Each kind of record is one feature table, drawn from the data dictionary. A site made by an older version may
lack a table or a column: what is not there is read as not said, and made at the next write.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from washgrade.errors import SiteError
from washgrade.files.column import Column
from washgrade.files.columns import KINDS, Kind
from washgrade.files.geopackage import has_table, make_table, point_blob
from washgrade.files.kinds import RULES
from washgrade.files.places import to_grid
from washgrade.files.record import Record
from washgrade.files.site import Site

__all__ = ["complete", "held", "ids", "insert", "make_notebook", "mark", "records_of", "regrid"]


def make_notebook(connection: sqlite3.Connection, srs_id: int) -> None:
    """Create the tables and columns of the notebook that are not there yet.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    srs_id : int
        CRS of the site.
    """
    for kind in KINDS.values():
        if has_table(connection, kind.table):
            there = _columns(connection, kind)
            for column in kind.columns:
                if column.name not in there:
                    connection.execute(
                        f'ALTER TABLE "{kind.table}" ADD COLUMN "{column.name}" {column.sql_type}'
                    )
            continue
        columns = [
            f'"{column.name}" {column.sql_type}{" NOT NULL" if column.required else ""}'
            f"{' UNIQUE' if column.kind == 'id' else ''}"
            for column in kind.columns
        ]
        words = f"Notebook: {kind.table}, added and struck, never changed"
        make_table(connection, kind.table, columns, words=words, geometry="POINT", srs_id=srs_id)


def complete(connection: sqlite3.Connection, site: Site) -> int:
    """Make sure that every table and column is there, before records are written.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    site : Site
        The site.

    Returns
    -------
    int
        Number of the site's grid in the GeoPackage.

    Raises
    ------
    SiteError
        If the site has no ground yet.
    """
    found = connection.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = 'samples'"
    ).fetchone()
    if found is None:
        raise SiteError(
            f"The site {site.folder} has no ground yet. Build it with: washgrade ground SITE --dem FILE."
        )
    make_notebook(connection, int(found[0]))
    return int(found[0])


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
        if not has_table(connection, kind.table):
            continue
        there = _columns(connection, kind)
        for prefix in ("", "end_"):
            if f"{prefix}lon" in there:
                _regrid_places(connection, kind.table, prefix, crs, srs_id)
        connection.execute(
            "UPDATE gpkg_geometry_columns SET srs_id = ? WHERE table_name = ?", (srs_id, kind.table)
        )
        connection.execute("UPDATE gpkg_contents SET srs_id = ? WHERE table_name = ?", (srs_id, kind.table))


def _regrid_places(connection: sqlite3.Connection, table: str, prefix: str, crs: str, srs_id: int) -> None:
    rows = connection.execute(
        f'SELECT fid, {prefix}lon, {prefix}lat FROM "{table}" WHERE {prefix}lon IS NOT NULL'  # noqa: S608  (our own names)
    ).fetchall()
    lon, lat = np.array([row[1:] for row in rows], dtype=np.float64).reshape(-1, 2).T
    easting_m, northing_m = (part.tolist() for part in to_grid(crs, lon, lat))
    connection.executemany(
        f'UPDATE "{table}" SET {prefix}easting_m = ?, {prefix}northing_m = ? WHERE fid = ?',  # noqa: S608  (our own)
        [(east, north, row[0]) for east, north, row in zip(easting_m, northing_m, rows, strict=True)],
    )
    if not prefix:
        connection.executemany(
            f'UPDATE "{table}" SET geom = ? WHERE fid = ?',  # noqa: S608  (our own name)
            [
                (point_blob(srs_id, east, north), row[0])
                for east, north, row in zip(easting_m, northing_m, rows, strict=True)
            ],
        )


def records_of(connection: sqlite3.Connection, kind: str) -> list[Record]:
    """Read all records of one kind, in the order of adding.

    Parameters
    ----------
    connection : sqlite3.Connection
        Open.
    kind : str
        A key of `KINDS`.

    Returns
    -------
    list of Record
        None if the site has no table of them yet.
    """
    return list(_select(connection, kind, "", ()))


def held(connection: sqlite3.Connection, record_id: str, kind_of: Mapping[str, str]) -> Record | None:
    """Find the record of an id, of whatever kind it is.

    Parameters
    ----------
    connection : sqlite3.Connection
        Open.
    record_id : str
        The whole id.
    kind_of : mapping of str to str
        What `ids` gives.

    Returns
    -------
    Record or None
        The record, if there is one.
    """
    if record_id not in kind_of:
        return None
    return next(_select(connection, kind_of[record_id], " WHERE id = ?", (record_id,)), None)


def ids(connection: sqlite3.Connection) -> dict[str, str]:
    """List the ids of all records, each with its kind.

    Parameters
    ----------
    connection : sqlite3.Connection
        Open.

    Returns
    -------
    dict of str to str
        Kind by id.
    """
    found: dict[str, str] = {}
    for kind, entry in KINDS.items():
        if has_table(connection, entry.table):
            rows = connection.execute(f'SELECT id FROM "{entry.table}"')  # noqa: S608  (our own name)
            found |= {str(row[0]): kind for row in rows}
    return found


def insert(connection: sqlite3.Connection, record: Record, srs_id: int) -> None:
    """Write one record.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction, after `complete`.
    record : Record
        The record, new to the notebook.
    srs_id : int
        Number of the site's grid.
    """
    kind = KINDS[record.kind]
    values = [getattr(record, column.name) for column in kind.columns]
    names = ", ".join(f'"{column.name}"' for column in kind.columns)
    marks = ", ".join("?" for _ in values)
    easting_m, northing_m = record.easting_m, record.northing_m
    geom = None if easting_m is None or northing_m is None else point_blob(srs_id, easting_m, northing_m)
    connection.execute(
        f'INSERT INTO "{kind.table}" (geom, {names}) VALUES (?, {marks})',  # noqa: S608  (our own names)
        (geom, *(None if value == "" else value for value in values)),
    )


def mark(connection: sqlite3.Connection, record: Record, moment: str, why: str) -> None:
    """Mark a record as struck.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    record : Record
        The record as it is held.
    moment : str
        When it was struck.
    why : str
        Why; empty if that is not known.
    """
    table = KINDS[record.kind].table
    connection.execute(
        f'UPDATE "{table}" SET struck_at = ?, struck_why = ? WHERE id = ?',  # noqa: S608  (our own name)
        (moment, why or None, record.id),
    )


def _columns(connection: sqlite3.Connection, kind: Kind) -> set[str]:
    return {str(row[1]) for row in connection.execute(f'PRAGMA table_info("{kind.table}")')}


def _select(
    connection: sqlite3.Connection, kind: str, condition: str, values: Sequence[Any]
) -> Iterator[Record]:
    entry = KINDS[kind]
    if not has_table(connection, entry.table):
        return
    there = _columns(connection, entry)
    names = ", ".join(f'"{column.name}"' if column.name in there else "NULL" for column in entry.columns)
    rows = connection.execute(f'SELECT {names} FROM "{entry.table}"{condition}', values)  # noqa: S608  (ours)
    for row in rows.fetchall():
        yield RULES[kind].record(
            **{column.name: _value(column, value) for column, value in zip(entry.columns, row, strict=True)}
        )


def _value(column: Column, value: Any) -> Any:
    if column.kind == "flag":
        return bool(value)
    if column.kind == "number":
        return value
    return "" if value is None else value
