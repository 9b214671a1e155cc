"""Tables of the ground in ``site.gpkg``: nodes with their shape, reaches, sections, cuts and hollows."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from washgrade.files.geopackage import (
    drop_table,
    has_table,
    line_blobs,
    make_table,
    point_blobs,
    shape_blob,
    wkb,
)

if TYPE_CHECKING:
    from washgrade.land.channels import Channels, Nodes, Reaches
    from washgrade.land.places import Places
    from washgrade.land.reachsections import ReachSections
    from washgrade.land.shape import Shape
    from washgrade.land.sources import Sources

__all__ = [
    "GroundLayers",
    "load_layers",
    "load_ledger",
    "load_nodes",
    "load_reaches",
    "load_rows",
    "save_channels",
    "save_layers",
    "save_ledger",
]


# Rows that are written at once (our choice): as Python's own numbers they take much more room than in arrays.
BLOCK = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Column:
    # Name in the table, field of the record, dtype, and what a NULL stands for.
    name: str
    field: str
    dtype: Any
    missing: float | None = None

    @property
    def sql(self) -> str:
        kind = np.dtype(self.dtype).kind
        return f"{self.name} {'TEXT' if kind == 'U' else 'DOUBLE' if kind == 'f' else 'INTEGER'}"


def _columns(dtype: Any, *names: str, missing: float | None = None) -> tuple[_Column, ...]:
    return tuple(_Column(name=name, field=name, dtype=dtype, missing=missing) for name in names)


_ORDER = _Column(name="strahler_order", field="order", dtype=np.int32)
_NODES = (
    *_columns(np.int64, "cell"),
    *_columns(np.int32, "downstream"),
    *_columns(
        np.float64,
        "length_m",
        "easting_m",
        "northing_m",
        "elevation_m",
        "upstream_area_m2",
        "distance_to_outlet_m",
    ),
    _ORDER,
    *_columns(np.int32, "reach"),
)
_REACHES = (
    *_columns(np.str_, "reach_id"),
    *_columns(np.int32, "first_node", "last_node", "downstream"),
    *_columns(np.float64, "length_m", "drop_m", "slope", "upstream_area_m2"),
    _ORDER,
)
_SHAPE = (
    *_columns(np.float64, "width_m", missing=math.nan),
    *_columns(np.uint8, "width_from"),
    *_columns(np.float64, "valley_m", missing=math.nan),
    *_columns(np.bool_, "is_open"),
    *_columns(np.float64, "confinement", "curvature_per_m", missing=math.nan),
    *_columns(np.float64, "radius_over_width", missing=math.inf),
    *_columns(np.int8, "inner_side"),
    _Column(name="local_slope", field="slope", dtype=np.float64, missing=math.nan),
    *_columns(np.float64, "slope_break", "expansion", missing=math.nan),
    *_columns(np.float64, "below_confluence_m", missing=math.inf),
    *_columns(np.float64, "area_ratio", missing=math.nan),
    *_columns(np.float64, "stream_power_w_m2_per_m3_s", missing=math.nan),
)
_EDGE = (*_columns(np.float64, "edge_share"), *_columns(np.bool_, "is_on_water"))
_LEDGER = (
    *_columns(np.str_, "reach_id"),
    *_columns(np.int64, "edition"),
    *_columns(np.float64, "upstream_area_m2", "cell_m"),
)
_SOURCES = _columns(np.float64, "share", "grade")
_NOTED = _columns(np.bool_, "is_on_fan", "is_beside")


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundLayers:
    """What is known of the channels beyond their network.

    Parameters
    ----------
    shape : Shape
        Shape of the channel at each node.
    sections : ReachSections
        One cross-section a reach.
    edge_share : ndarray of float64, shape (nodes,)
        Share of the divide above each node that is the edge of the data; above 0 the upstream area is a
        lower bound.
    is_on_water : ndarray of bool, shape (nodes,)
        Whether a node lies on standing water, which is no wash.
    is_on_fan, is_beside : ndarray of bool, shape (reaches,)
        Whether most of a reach runs over a fan, and whether another channel runs beside it.
    places : Places
        Every id that the site's reaches ever had.
    marks : mapping of str to sequence of mapping
        Rows of further layers for people and maps (``cuts``, ``hollows``, ``mended``): plain values, and the
        place as ``easting_m`` and ``northing_m``, lists of metres: one number for a point, more for a line.
    sources : Sources, optional
        The known sources at the sides of each node, if any were told.
    """

    shape: Shape
    sections: ReachSections
    edge_share: NDArray[np.float64]
    is_on_water: NDArray[np.bool_]
    is_on_fan: NDArray[np.bool_]
    is_beside: NDArray[np.bool_]
    places: Places
    marks: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)
    sources: Sources | None = None


# Geometry, columns (a text, or a number with its unit) and words of each layer of marks.
MARK_LAYERS: dict[str, tuple[str, tuple[str, ...], str]] = {
    "cuts": (
        "LINESTRING",
        ("name", "length_m", "depth_m", "volume_m3", "upstream_area_m2"),
        "Cuts through dams, made so that water finds its way; forbid one with --keep-dam",
    ),
    "hollows": (
        "POINT",
        ("name", "depth_m", "area_m2", "volume_m3", "upstream_area_m2", "why"),
        "Hollows that were filled up to their rim; say --sink where water stays in one",
    ),
    "mended": ("POINT", ("name", "area_m2"), "Holes in the DEM that were closed from the ground around"),
}
_TEXTS = frozenset({"name", "why"})


def save_channels(
    connection: sqlite3.Connection, channels: Channels, layers: GroundLayers, srs_id: int
) -> None:
    """Write nodes and reaches.

    Parameters
    ----------
    connection : sqlite3.Connection
        Within a transaction.
    channels : Channels
        The network.
    layers : GroundLayers
        Its shape.
    srs_id : int
        The grid in the GeoPackage.
    """
    # Here and not above, because the land's kernels take a while to load and the notebook's verbs need none.
    from washgrade.land.channels import reach_lines
    from washgrade.land.reachshape import reach_shape

    nodes, reaches = channels.nodes, channels.reaches
    easting_m, northing_m, start = reach_lines(channels)
    joined = np.stack([easting_m, northing_m], axis=1)
    box = (*joined.min(axis=0).tolist(), *joined.max(axis=0).tolist()) if len(joined) else None
    cells = [
        *_cells(_NODES, nodes),
        *_cells(_SHAPE, layers.shape),
        *_cells(_EDGE, layers),
    ]
    make_table(
        connection,
        "nodes",
        [column.sql for column, _ in cells],
        words="Points along the channels, upstream before downstream",
        geometry="POINT",
        srs_id=srs_id,
        bounds=box,
    )

    def points(rows: slice) -> list[bytes]:
        return point_blobs(srs_id, nodes.easting_m[rows], nodes.northing_m[rows])

    _insert(connection, "nodes", points, cells)
    # The shape of a reach follows from its nodes; it is written for those who open the file in a GIS.
    found = reach_shape(channels, layers.shape)
    told = _columns(np.float64, "width_m", "confinement", "radius_over_width", "slope_break", "expansion")
    cells = [*_cells(_REACHES, reaches), *_cells(_NOTED, layers), *_cells(told, found)]
    make_table(
        connection,
        "reaches",
        [column.sql for column, _ in cells],
        words="Stretches of channel, upstream before downstream",
        geometry="LINESTRING",
        srs_id=srs_id,
        bounds=box,
    )
    _insert(connection, "reaches", _lines(srs_id, joined, start), cells)


def _cells(columns: Sequence[_Column], record: Any) -> list[tuple[_Column, NDArray[Any]]]:
    return [(column, getattr(record, column.field)) for column in columns]


def _plain(values: NDArray[Any]) -> list[Any]:
    # NaN and infinity are no numbers to SQL.
    plain: list[Any] = values.tolist()
    if values.dtype.kind == "f" and not np.isfinite(values).all():
        plain = [value if math.isfinite(value) else None for value in plain]
    return plain


# Writes the lines of some rows; those of row ``i`` go from ``start[i]`` to ``start[i + 1]``.
def _lines(
    srs_id: int, joined: NDArray[np.float64], start: NDArray[np.integer]
) -> Callable[[slice], list[bytes]]:
    def lines(rows: slice) -> list[bytes]:
        ends = start[rows.start : rows.stop + 1].tolist()
        return line_blobs(srs_id, [joined[a:b] for a, b in pairwise(ends)])

    return lines


def _insert(
    connection: sqlite3.Connection,
    table: str,
    blobs: Callable[[slice], list[bytes]],
    cells: Sequence[tuple[_Column, NDArray[Any]]],
) -> None:
    names = ", ".join(column.name for column, _ in cells)
    marks = ", ".join("?" for _ in cells)
    size = len(cells[0][1])
    for first in range(0, size, BLOCK):
        rows = slice(first, min(first + BLOCK, size))
        connection.executemany(
            f"INSERT INTO {table} (geom, {names}) VALUES (?, {marks})",  # noqa: S608  (our own names)
            zip(blobs(rows), *(_plain(values[rows]) for _, values in cells), strict=True),
        )


def save_layers(connection: sqlite3.Connection, layers: GroundLayers, srs_id: int) -> None:
    """Write the ledger of ids, sections and marks.

    Parameters
    ----------
    connection : sqlite3.Connection
        Within a transaction.
    layers : GroundLayers
        What to write.
    srs_id : int
        The grid in the GeoPackage.
    """
    from shapely import LineString, Point

    save_ledger(connection, layers.places, srs_id)
    make_table(
        connection,
        "sections",
        ["node INTEGER", "half_m DOUBLE", "elevation_m TEXT"],
        words="Heights across each reach, from the left to the right looking downstream",
    )
    cut = layers.sections
    connection.executemany(
        "INSERT INTO sections (node, half_m, elevation_m) VALUES (?, ?, ?)",
        (
            (
                node,
                half_m,
                json.dumps([None if value != value else round(value, 3) for value in heights.tolist()]),
            )
            for node, half_m, heights in zip(
                cut.node.tolist(), cut.half_m.tolist(), cut.elevation_m, strict=True
            )
        ),
    )
    # A table of its own, because few sites have sources and older ones do not know of them.
    drop_table(connection, "source_sides")
    if layers.sources is not None:
        make_table(
            connection,
            "source_sides",
            [column.sql for column in _SOURCES],
            words="Share of known sources in the ground at the sides of each node, and their grade",
        )
        connection.executemany(
            "INSERT INTO source_sides (share, grade) VALUES (?, ?)",
            zip(layers.sources.share.tolist(), layers.sources.grade.tolist(), strict=True),
        )
    for layer, (geometry, names, words) in MARK_LAYERS.items():
        sql = [f"{name} {'TEXT' if name in _TEXTS else 'DOUBLE'}" for name in names]
        make_table(connection, layer, sql, words=words, geometry=geometry, srs_id=srs_id)
        rows = []
        for mark in layers.marks.get(layer, ()):
            points = list(zip(mark["easting_m"], mark["northing_m"], strict=True))
            shape = Point(points[0]) if geometry == "POINT" else LineString(points)
            rows.append((shape_blob(srs_id, shape.wkb), *(mark[name] for name in names)))
        connection.executemany(
            f"INSERT INTO {layer} (geom, {', '.join(names)}) VALUES (?{', ?' * len(names)})",  # noqa: S608  (our own names)
            rows,
        )


def save_ledger(connection: sqlite3.Connection, places: Places, srs_id: int) -> None:
    """Write the ledger of ids.

    Parameters
    ----------
    connection : sqlite3.Connection
        Within a transaction.
    places : Places
        Ids and their places.
    srs_id : int
        The grid in the GeoPackage.
    """
    cells = _cells(_LEDGER, places)
    joined = np.stack([places.easting_m, places.northing_m], axis=1)
    make_table(
        connection,
        "reach_places",
        [column.sql for column, _ in cells],
        words="Every id that a reach ever had, and where; never given to another place",
        geometry="LINESTRING",
        srs_id=srs_id,
    )
    _insert(connection, "reach_places", _lines(srs_id, joined, places.start), cells)


def load_ledger(connection: sqlite3.Connection) -> Places | None:
    """Read the ledger of ids.

    Parameters
    ----------
    connection : sqlite3.Connection
        To read from.

    Returns
    -------
    Places or None
        As it was written; None if there is none.
    """
    if not has_table(connection, "reach_places"):
        return None
    import shapely

    from washgrade.land.places import Places

    blobs = [row[0] for row in connection.execute("SELECT geom FROM reach_places ORDER BY fid")]
    points, line = shapely.get_coordinates(shapely.from_wkb([wkb(blob) for blob in blobs]), return_index=True)
    start = np.searchsorted(line, np.arange(len(blobs) + 1)).astype(np.int64)
    return Places(
        **load_rows(connection, "reach_places", _LEDGER),
        start=start,
        easting_m=np.ascontiguousarray(points[:, 0]),
        northing_m=np.ascontiguousarray(points[:, 1]),
    )


def load_rows(connection: sqlite3.Connection, table: str, columns: Sequence[_Column]) -> dict[str, Any]:
    """Read some columns of a table as arrays.

    Parameters
    ----------
    connection : sqlite3.Connection
        To read from.
    table : str
        Its name.
    columns : sequence
        Which.

    Returns
    -------
    dict of str to ndarray
        By field of the record.
    """
    names = ", ".join(column.name for column in columns)
    rows = connection.execute(f"SELECT {names} FROM {table} ORDER BY fid").fetchall()  # noqa: S608  (our own names)
    found = list(zip(*rows, strict=True)) if rows else [()] * len(columns)
    arrays = {}
    for column, values in zip(columns, found, strict=True):
        if column.missing is not None:
            values = tuple(column.missing if value is None else value for value in values)
        arrays[column.field] = np.array(values, dtype=column.dtype)
    return arrays


def load_nodes(connection: sqlite3.Connection) -> Nodes:
    """Read the nodes.

    Parameters
    ----------
    connection : sqlite3.Connection
        To read from.

    Returns
    -------
    Nodes
        As they were written.
    """
    from washgrade.land.channels import Nodes

    return Nodes(**load_rows(connection, "nodes", _NODES))


def load_reaches(connection: sqlite3.Connection) -> Reaches:
    """Read the reaches.

    Parameters
    ----------
    connection : sqlite3.Connection
        To read from.

    Returns
    -------
    Reaches
        As they were written.
    """
    from washgrade.land.channels import Reaches

    return Reaches(**load_rows(connection, "reaches", _REACHES))


def load_layers(connection: sqlite3.Connection) -> GroundLayers:
    """Read shapes, sections and marks.

    Parameters
    ----------
    connection : sqlite3.Connection
        To read from.

    Returns
    -------
    GroundLayers
        As they were written, heights of sections to the millimetre.
    """
    import shapely

    from washgrade.land.places import no_places
    from washgrade.land.reachsections import ReachSections
    from washgrade.land.shape import Shape
    from washgrade.land.sources import Sources

    rows = connection.execute("SELECT node, half_m, elevation_m FROM sections ORDER BY fid").fetchall()
    heights = [[math.nan if value is None else value for value in json.loads(told)] for _, _, told in rows]
    marks: dict[str, list[dict[str, Any]]] = {}
    for layer, (_, names, _) in MARK_LAYERS.items():
        marks[layer] = []
        told = f"SELECT geom, {', '.join(names)} FROM {layer} ORDER BY fid"  # noqa: S608  (our own names)
        for blob, *values in connection.execute(told):
            points = shapely.get_coordinates(shapely.from_wkb(wkb(blob)))
            places = {"easting_m": points[:, 0].tolist(), "northing_m": points[:, 1].tolist()}
            marks[layer].append({**dict(zip(names, values, strict=True)), **places})
    ledger = load_ledger(connection)
    if ledger is None:
        ledger = no_places()
    return GroundLayers(
        shape=Shape(**load_rows(connection, "nodes", _SHAPE)),
        sections=ReachSections(
            node=np.array([row[0] for row in rows], np.int64),
            half_m=np.array([row[1] for row in rows], np.float64),
            elevation_m=np.array(heights, np.float32),
        ),
        **load_rows(connection, "nodes", _EDGE),
        **load_rows(connection, "reaches", _NOTED),
        places=ledger,
        marks=marks,
        sources=Sources(**load_rows(connection, "source_sides", _SOURCES))
        if has_table(connection, "source_sides")
        else None,
    )
