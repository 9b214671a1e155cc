"""Reading files of records into rows of named cells, whatever the format.

CSV (comma, semicolon or tab), GeoJSON points, GPX waypoints, KML placemarks, and any other vector file that
GDAL reads. Nothing is judged here; `washgrade.files.records` does that.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import RecordError
from washgrade.files.columns import KINDS, tidy

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

__all__ = ["Row", "Table", "read_table"]

_KML_SHAPES = ("Point", "LineString", "LinearRing", "Polygon", "MultiGeometry", "Model")
_GRID = ("easting_m", "northing_m", "end_easting_m", "end_northing_m")

Row = tuple[int, Mapping[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows of a file before they are judged.

    Parameters
    ----------
    name : str
        Name of the file, without its folder.
    word : str
        What one row is called there: row, feature or waypoint.
    columns : tuple of str
        Names found, tidied.
    rows : tuple of (int, mapping)
        Number of each row as a person would count it, and its cells; empty cells are left out.
    faults : tuple of str
        What is wrong with the file or with single rows as text.
    """

    name: str
    word: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    faults: tuple[str, ...] = ()

    def where(self, number: int) -> str:
        """Say where a row stands.

        Parameters
        ----------
        number : int
            Number of the row.

        Returns
        -------
        str
            File and row.
        """
        return f"{self.name}, {self.word} {number}"


def read_table(path: Path) -> Table:
    """Read a file of records into rows.

    Parameters
    ----------
    path : Path
        The file; what it is is told by its ending, anything unknown is tried as CSV.

    Returns
    -------
    Table
        Its rows, and what is wrong with its form.

    Raises
    ------
    RecordError
        If the file is missing or cannot be read at all.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise RecordError(f"{path.name}: There is no such file in {path.absolute().parent}.") from None
    except IsADirectoryError:
        raise RecordError(f"{path.name}: This is a folder. It must be a file of records.") from None
    except OSError as error:
        raise RecordError(f"{path.name}: The file cannot be read ({error.strerror}).") from None
    ending = path.suffix.lower()
    if not data.strip(b"\xef\xbb\xbf \t\r\n"):
        return _nothing(path.name, "The file is empty. It must hold at least one record.")
    if ending in {".geojson", ".json"}:
        return _geojson(path, data)
    if ending == ".gpx":
        return _gpx(path, data)
    if ending == ".kml":
        return _kml(path, data)
    if ending in {".gpkg", ".shp", ".fgb", ".kmz", ".gml", ".zip"}:
        return _vector(path)
    return _csv(path.name, data)


def _nothing(name: str, sentence: str) -> Table:
    return Table(name=name, word="row", columns=(), rows=(), faults=(f"{name}: {sentence}",))


def _text(data: bytes) -> str:
    # Decode UTF-8 with or without a mark, UTF-16 with one, else the Windows Latin-1 of older spreadsheets.
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _csv(name: str, data: bytes) -> Table:
    text = _text(data)
    if "\0" in text:
        return _nothing(name, "This is no text file. It must be CSV, GeoJSON, GPX, KML or GeoPackage.")
    header = next(line for line in text.splitlines() if line.strip())
    bare = re.sub(r'"[^"]*"', "", header)
    delimiter = max(",;\t", key=bare.count)
    faults: list[str] = []
    rows: list[Row] = []
    columns: tuple[str, ...] = ()
    try:
        # Spreadsheets number records, not lines: a note that holds a line break is still one row.
        for number, cells in enumerate(
            csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), start=1
        ):
            if not any(cell.strip() for cell in cells):
                continue
            if not columns:
                columns = tuple(tidy(cell) for cell in cells)
                faults += _header_faults(name, columns)
                continue
            # An empty cell too many counts as well: a decimal comma may have pushed it out.
            if len(cells) > len(columns):
                faults.append(
                    f"{name}, row {number}: There are {len(cells)} cells under {len(columns)} columns. A "
                    f"decimal "
                    "comma would do that; write numbers with a point, or separate the cells by semicolons."
                )
                continue
            found = {
                column: cell.strip() for column, cell in zip(columns, cells, strict=False) if cell.strip()
            }
            if "" in found:
                faults.append(
                    f"{name}, row {number}: The cell {found.pop('')!r} stands under no column name. It must "
                    f"have one."
                )
            rows.append((number, found))
    except csv.Error as error:
        faults.append(f"{name}: The file breaks off as CSV ({error}).")
    if not rows and not faults:
        faults.append(f"{name}: The file has a header row and no record. It must have at least one.")
    return Table(name=name, word="row", columns=columns, rows=tuple(rows), faults=tuple(faults))


def _header_faults(name: str, columns: tuple[str, ...]) -> Iterator[str]:
    for column in dict.fromkeys(columns):
        if column and columns.count(column) > 1:
            yield f"{name}: The column '{column}' occurs {columns.count(column)} times. It must occur once."


def _geojson(path: Path, data: bytes) -> Table:
    name = path.name
    try:
        content = json.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        return _nothing(name, f"The file is no JSON ({error}).")
    crs = content.get("crs") if isinstance(content, dict) else None
    crs_text = json.dumps(crs or "")
    if crs and "CRS84" not in crs_text and not re.search(r"EPSG:+4326\b", crs_text):
        # An older file on a grid of its own: GDAL knows how to read that.
        return _vector(path)
    features = content.get("features") if isinstance(content, dict) else None
    if isinstance(content, dict) and content.get("type") == "Feature":
        features = [content]
    if not isinstance(features, list):
        return _nothing(name, "This is no GeoJSON of features. It must be a FeatureCollection of points.")
    rows: list[Row] = []
    faults: list[str] = []
    for number, feature in enumerate(features, start=1):
        feature = feature if isinstance(feature, dict) else {}
        geometry = feature.get("geometry") or {}
        place = geometry.get("coordinates") or []
        cells = _cells(feature.get("properties") or {})
        if "id" in feature and "id" not in cells:
            cells["id"] = str(feature["id"])
        if geometry and geometry.get("type") != "Point":
            faults.append(
                f"{name}, feature {number}: The geometry is a {geometry.get('type')}. It must be a Point."
            )
            continue
        if len(place) >= 2:
            cells |= {"lon": place[0], "lat": place[1]}
        rows.append((number, cells))
    if not features:
        faults.append(f"{name}: The file holds no feature. It must hold at least one.")
    return _made(name, "feature", rows, faults)


def _xml_root(name: str, data: bytes, what: str) -> Element | Table:
    # The standard parser resolves no external entities; a doctype, which could blow up, is turned away first.
    from xml.etree import ElementTree

    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        return _nothing(name, f"The file has a document type of its own. A {what} file has none.")
    try:
        return ElementTree.fromstring(data)  # noqa: S314  (doctypes were turned away above)
    except ElementTree.ParseError as error:
        return _nothing(name, f"The file is no XML ({error}).")


def _gpx(path: Path, data: bytes) -> Table:
    name = path.name
    root = _xml_root(name, data, "GPX")
    if isinstance(root, Table):
        return root
    rows: list[Row] = []
    for number, point in enumerate(root.findall("{*}wpt"), start=1):
        cells: dict[str, Any] = {"lon": point.get("lon"), "lat": point.get("lat")}
        parts = {
            key: (point.findtext(f"{{*}}{key}") or "").strip() for key in ("time", "name", "cmt", "desc")
        }
        if parts["time"]:
            cells["time"] = parts["time"]
        _free_text(cells, dict.fromkeys((parts["desc"], parts["cmt"])))
        _pin_name(cells, parts["name"])
        rows.append((number, {key: value for key, value in cells.items() if value not in {None, ""}}))
    faults = [] if rows else [f"{name}: The file holds no waypoint. It must hold at least one."]
    return _made(name, "waypoint", rows, faults)


def _kml(path: Path, data: bytes) -> Table:
    name = path.name
    root = _xml_root(name, data, "KML")
    if isinstance(root, Table):
        return root
    rows: list[Row] = []
    faults: list[str] = []
    for number, mark in enumerate(root.iterfind(".//{*}Placemark"), start=1):
        cells: dict[str, Any] = {}
        for field in mark.iterfind("{*}ExtendedData//{*}Data"):
            cells[tidy(field.get("name") or "")] = field.findtext("{*}value") or ""
        for field in mark.iterfind("{*}ExtendedData//{*}SimpleData"):
            cells[tidy(field.get("name") or "")] = field.text or ""
        shapes = [tag for tag in _KML_SHAPES if mark.find(f"{{*}}{tag}") is not None]
        if shapes and shapes != ["Point"]:
            faults.append(f"{name}, placemark {number}: The geometry is a {shapes[0]}. It must be a Point.")
            continue
        place = (mark.findtext("{*}Point/{*}coordinates") or "").strip().split(",")
        if len(place) >= 2:
            cells |= {"lon": place[0].strip(), "lat": place[1].strip()}
        when = (mark.findtext("{*}TimeStamp/{*}when") or "").strip()
        if when:
            cells.setdefault("time", when)
        # A description beside fields is made of them, for the eye; alone it is all there is.
        if mark.find("{*}ExtendedData") is None:
            _free_text(cells, [mark.findtext("{*}description") or ""])
        _pin_name(cells, (mark.findtext("{*}name") or "").strip())
        rows.append((number, {key: value for key, value in cells.items() if key and value not in {None, ""}}))
    if not rows and not faults:
        faults.append(f"{name}: The file holds no placemark. It must hold at least one.")
    return _made(name, "placemark", rows, faults)


def _free_text(cells: dict[str, Any], texts: Iterable[str]) -> None:
    # Fields written as name=value; what else is said is a note.
    free = []
    for text in texts:
        for piece in re.split(r"[;\n]", text):
            key, equals, value = piece.partition("=")
            if equals and re.fullmatch(r"\s*[A-Za-z][A-Za-z0-9_ ]*", key):
                cells[tidy(key)] = value.strip().replace("%3B", ";")
            elif piece.strip():
                free.append(piece.strip())
    if free and "note" not in cells:
        cells["note"] = "; ".join(free)


def _pin_name(cells: dict[str, Any], name: str) -> None:
    # A pin that goes by the id of its record, or by its reach, has no name of a place.
    if name and not (str(cells.get("id", "")).startswith(name) or cells.get("reach") == name):
        cells.setdefault("place", name)


def _vector(path: Path) -> Table:
    import pyogrio
    import shapely
    from pyogrio.errors import DataSourceError

    from washgrade.files.places import lonlat

    name = path.name
    rows: list[Row] = []
    faults: list[str] = []
    try:
        layers = [str(layer[0]) for layer in pyogrio.list_layers(path)]
        # Another site's notebook: each kind of record in a layer of its own.
        kinds = [kind for kind in KINDS if kind in layers]
        for layer in kinds or layers[:1]:
            meta, _, blobs, fields = pyogrio.raw.read(path, layer=layer)
            if blobs is None or not meta["crs"]:
                missing = "place" if blobs is None else "coordinate reference system"
                return _nothing(
                    name, f"The file has no {missing}. Its records must be points with a known CRS."
                )
            for position, geometry in enumerate(shapely.from_wkb(blobs)):
                cells = _cells({str(key): fields[k][position] for k, key in enumerate(meta["fields"])})
                cells.pop("fid", None)
                if kinds:
                    cells["kind"] = layer
                    if {"lon", "lat"} <= cells.keys():
                        # The other site's grid may be another one.
                        for column in _GRID:
                            cells.pop(column, None)
                if geometry is not None and not geometry.is_empty:
                    if geometry.geom_type != "Point":
                        faults.append(
                            f"{name}, feature {len(rows) + 1}: The geometry is a {geometry.geom_type}. It "
                            "must be a Point."
                        )
                        continue
                    if not {"lon", "lat"} <= cells.keys():
                        lon, lat = lonlat(meta["crs"], geometry.x, geometry.y)
                        cells |= {"lon": float(lon), "lat": float(lat)}
                rows.append((len(rows) + 1, cells))
    except DataSourceError as error:
        raise RecordError(f"{name}: The file cannot be read ({error}).") from None
    if not rows and not faults:
        faults.append(f"{name}: The file holds no feature. It must hold at least one.")
    return _made(name, "feature", rows, faults)


def _cells(fields: Mapping[str, Any]) -> dict[str, Any]:
    # Cells that hold something, under tidied names, as plain Python values.
    found = {}
    for key, value in fields.items():
        plain = value.item() if hasattr(value, "item") else value
        if plain is None or plain == "" or (isinstance(plain, float) and math.isnan(plain)):
            continue
        found[tidy(str(key))] = str(plain) if hasattr(plain, "isoformat") else plain
    return found


def _made(name: str, word: str, rows: list[Row], faults: list[str]) -> Table:
    columns = tuple(dict.fromkeys(key for _, cells in rows for key in cells))
    return Table(name=name, word=word, columns=columns, rows=tuple(rows), faults=tuple(faults))
