"""Just enough of OGC GeoPackage, straight on SQLite, so that ground and notebook are safe and quick to read.

References
----------
OGC 12-128r15, GeoPackage Encoding Standard 1.2.1 and 12-128r17, 1.3.0: requirement 2 (application id
``GPKG``, user version), requirements 10 to 13 (spatial reference systems and contents), clause 2.1.3
(geometry blobs).
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import SiteError

__all__ = [
    "add_crs",
    "create_skeleton",
    "drop_table",
    "has_table",
    "intact",
    "line_blobs",
    "make_table",
    "point_blob",
    "point_blobs",
    "reading",
    "shape_blob",
    "wkb",
    "writing",
]

APPLICATION_ID = 1196444487
USER_VERSION = 10300
_WAIT_S = 30.0

_SKELETON = """
CREATE TABLE IF NOT EXISTS gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY NOT NULL, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE IF NOT EXISTS gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT
  DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE IF NOT EXISTS gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT
  NULL, z TINYINT NOT NULL, m TINYINT NOT NULL, CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""

_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,'
    'AUTHORITY["EPSG","9122"]],AXIS["Latitude",NORTH],AXIS["Longitude",EAST],AUTHORITY["EPSG","4326"]]'
)
_REQUIRED_CRS = (
    (
        "Undefined Cartesian SRS",
        -1,
        "NONE",
        -1,
        "undefined",
        "undefined Cartesian coordinate reference system",
    ),
    (
        "Undefined geographic SRS",
        0,
        "NONE",
        0,
        "undefined",
        "undefined geographic coordinate reference system",
    ),
    ("WGS 84 geodetic", 4326, "EPSG", 4326, _WGS84, "longitude/latitude in degrees on the WGS 84 spheroid"),
)
_OWN_SRS_ID = 100000


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a GeoPackage for reading, in one consistent state.

    Parameters
    ----------
    path : Path
        The file.

    Yields
    ------
    sqlite3.Connection
        Inside a read transaction.

    Raises
    ------
    SiteError
        If it is missing, locked, damaged or no GeoPackage.
    """
    with _connected(path, "BEGIN") as connection:
        yield connection


@contextmanager
def writing(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a GeoPackage for one all-or-nothing change; another writer waits its turn.

    Parameters
    ----------
    path : Path
        The file.

    Yields
    ------
    sqlite3.Connection
        Inside a write transaction, which ends with the block: kept if it ends well, undone if not.

    Raises
    ------
    SiteError
        If it is missing, locked, not writable, damaged or no GeoPackage.
    """
    with _connected(path, "BEGIN IMMEDIATE") as connection:
        yield connection


@contextmanager
def _connected(path: Path, begin: str) -> Iterator[sqlite3.Connection]:
    if not path.is_file():
        raise SiteError(
            f"There is no {path.name} in {path.parent}. Build the ground first: washgrade ground."
        )
    connection = None
    try:
        # The plain path, not a URI: a folder's name may hold any sign.
        connection = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
        found = connection.execute("PRAGMA application_id").fetchone()[0]
        if found != APPLICATION_ID:
            raise SiteError(
                f"{path} is no GeoPackage. Move it away and build the ground again: washgrade ground."
            )
        connection.execute(begin)
        yield connection
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise SiteError(_sentence(path, error)) from error
    finally:
        # Closing without a commit undoes what was begun.
        if connection is not None:
            connection.close()


def _sentence(path: Path, error: sqlite3.Error) -> str:
    text = str(error)
    if "locked" in text or "busy" in text:
        return (
            f"{path} is locked by another program. Close what has it open (a map program, another washgrade) "
            f"and "
            "try again."
        )
    if "readonly" in text or "unable to open" in text:
        return f"{path} cannot be written. Check the rights of the file and of its folder."
    if "full" in text:
        return f"The disk that holds {path} is full. Nothing was changed; make room and try again."
    if "malformed" in text or "not a database" in text:
        return f"{path} is damaged or no GeoPackage ({text}). Bring back a copy from your backup."
    return f"{path} cannot be worked with: {text}."


def create_skeleton(path: Path) -> None:
    """Make an empty GeoPackage where there is none.

    Parameters
    ----------
    path : Path
        The file to be; left alone if it is a GeoPackage already.

    Raises
    ------
    SiteError
        If it cannot be written, or is some other file.
    """
    connection = None
    try:
        connection = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
        found = connection.execute("PRAGMA application_id").fetchone()[0]
        if found == APPLICATION_ID:
            return
        connection.execute("BEGIN IMMEDIATE")
        if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            if connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
                return
            raise SiteError(f"{path} is no GeoPackage. Move it away and try again.")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {USER_VERSION}")
        for statement in _SKELETON.split(";\n"):
            if statement.strip():
                connection.execute(statement)
        connection.executemany(
            "INSERT OR IGNORE INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?)", _REQUIRED_CRS
        )
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise SiteError(_sentence(path, error)) from error
    finally:
        if connection is not None:
            connection.close()


def add_crs(connection: sqlite3.Connection, crs: str) -> int:
    """Write a CRS into the GeoPackage, if it is not there yet.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    crs : str
        ``EPSG:code`` or WKT.

    Returns
    -------
    int
        Its ``srs_id``.
    """
    from pyproj import CRS

    found = CRS.from_user_input(crs)
    code = found.to_epsg()
    # A GeoPackage's definition is the older WKT, which every reader knows.
    text = found.to_wkt("WKT1_GDAL")
    known = connection.execute(
        "SELECT srs_id FROM gpkg_spatial_ref_sys WHERE srs_id = ? OR definition = ?", (code, text)
    ).fetchone()
    if known:
        return int(known[0])
    top = connection.execute("SELECT max(srs_id) FROM gpkg_spatial_ref_sys").fetchone()[0]
    srs_id = code if code is not None else max(_OWN_SRS_ID, int(top) + 1)
    row = (found.name, srs_id, "EPSG" if code is not None else "NONE", srs_id, text, None)
    connection.execute("INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?)", row)
    return srs_id


def make_table(
    connection: sqlite3.Connection,
    name: str,
    columns: Sequence[str],
    *,
    words: str,
    geometry: str = "",
    srs_id: int | None = None,
    bounds: tuple[float, float, float, float] | None = None,
) -> None:
    """Create a feature or attribute table and enter it in the contents, in place of one of the same name.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    name : str
        Name of the table; one of ours, never a user's text.
    columns : sequence of str
        Their SQL, beside the primary key ``fid`` and the geometry ``geom``.
    words : str
        What it holds.
    geometry : str
        ``POINT``, ``LINESTRING`` and the like; none makes an attribute table.
    srs_id : int, optional
        CRS of the geometry.
    bounds : tuple of float, optional
        West, south, east, north, metres.
    """
    drop_table(connection, name)
    parts = [
        "fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL",
        *([f"geom {geometry}"] if geometry else []),
        *columns,
    ]
    connection.execute(f'CREATE TABLE "{name}" ({", ".join(parts)})')
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, min_x, min_y, max_x, "
        "max_y, srs_id)"
        " VALUES (?,?,?,?,?,?,?,?,?)",
        (name, "features" if geometry else "attributes", name, words, *(bounds or (None,) * 4), srs_id),
    )
    if geometry:
        connection.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?,?,?,?,0,0)", (name, "geom", geometry, srs_id)
        )


def drop_table(connection: sqlite3.Connection, name: str) -> None:
    """Take a table and its entries away, if it is there.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a write transaction.
    name : str
        Name of the table.
    """
    connection.execute("DELETE FROM gpkg_geometry_columns WHERE table_name = ?", (name,))
    connection.execute("DELETE FROM gpkg_contents WHERE table_name = ?", (name,))
    connection.execute(f'DROP TABLE IF EXISTS "{name}"')


def has_table(connection: sqlite3.Connection, name: str) -> bool:
    """Say whether a table is there.

    Parameters
    ----------
    connection : sqlite3.Connection
        Open.
    name : str
        Name of the table.

    Returns
    -------
    bool
        True if it is.
    """
    found = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (name,))
    return found.fetchone() is not None


def intact(path: Path) -> list[str]:
    """Look a GeoPackage over: is every page whole, and is every table there that its contents name.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    list of str
        One sentence for each fault; none if all is well.
    """
    try:
        with reading(path) as connection:
            found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
            faults = [f"The file is damaged: {text}." for text in found if text != "ok"]
            tables = [str(row[0]) for row in connection.execute("SELECT table_name FROM gpkg_contents")]
            faults += [
                f"The table '{table}' is missing." for table in tables if not has_table(connection, table)
            ]
    except SiteError as error:
        return [str(error)]
    return faults


def point_blob(srs_id: int, easting_m: float, northing_m: float) -> bytes:
    """Write one point as a GeoPackage geometry.

    Parameters
    ----------
    srs_id : int
        CRS.
    easting_m, northing_m : float
        Metres.

    Returns
    -------
    bytes
        Header without envelope, then little-endian WKB.

    Examples
    --------
    >>> len(point_blob(25830, 500000.0, 4100000.0))
    29
    """
    return struct.pack("<2sBBiBIdd", b"GP", 0, 1, srs_id, 1, 1, easting_m, northing_m)


def point_blobs(srs_id: int, easting_m: NDArray[np.float64], northing_m: NDArray[np.float64]) -> list[bytes]:
    """Write many points as GeoPackage geometries.

    Parameters
    ----------
    srs_id : int
        CRS.
    easting_m, northing_m : ndarray of float64, shape (points,)
        Metres.

    Returns
    -------
    list of bytes
        One for each point.
    """
    return [
        point_blob(srs_id, east, north)
        for east, north in zip(easting_m.tolist(), northing_m.tolist(), strict=True)
    ]


def line_blobs(srs_id: int, lines: Sequence[NDArray[np.float64]]) -> list[bytes]:
    """Write lines as GeoPackage geometries.

    Parameters
    ----------
    srs_id : int
        CRS.
    lines : sequence of ndarray of float64, each of shape (points, 2)
        Easting and northing, metres.

    Returns
    -------
    list of bytes
        Header with envelope, then little-endian WKB.
    """
    blobs = []
    for line in lines:
        points = np.ascontiguousarray(line, dtype="<f8")
        low, high = points.min(axis=0), points.max(axis=0)
        head = struct.pack("<2sBBi4d", b"GP", 0, 3, srs_id, low[0], high[0], low[1], high[1])
        blobs.append(head + struct.pack("<BII", 1, 2, len(points)) + points.tobytes())
    return blobs


def shape_blob(srs_id: int, shape_wkb: bytes) -> bytes:
    """Write any shape as a GeoPackage geometry.

    Parameters
    ----------
    srs_id : int
        CRS.
    shape_wkb : bytes
        Its ISO WKB.

    Returns
    -------
    bytes
        Header without envelope, then the WKB.
    """
    return struct.pack("<2sBBi", b"GP", 0, 1, srs_id) + shape_wkb


def wkb(blob: bytes) -> bytes:
    r"""Take the WKB out of a GeoPackage geometry.

    Parameters
    ----------
    blob : bytes
        The geometry, with or without an envelope.

    Returns
    -------
    bytes
        Its WKB.

    Examples
    --------
    >>> wkb(point_blob(25830, 1.0, 2.0))[:5]
    b'\x01\x01\x00\x00\x00'
    """
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(blob[3] >> 1) & 7]
    return blob[8 + envelope :]
