"""Reading drawn shapes: the property line, no-go areas, access points, a drawn or recorded wash, marks."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from washgrade.errors import GroundError
from washgrade.files.content import refuse_unreadable, what_it_is

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Shape", "read_areas", "read_lines", "read_marks", "read_points", "read_sources"]

_NAME_FIELDS = ("name", "label", "title", "id")
# What GDAL makes of a GPX file beside its shapes: every point of a line once more.
_LINE_POINTS = {"route_points", "track_points"}
_POINTS = {"Point", "MultiPoint"}
_LINES = {"LineString", "MultiLineString", "LinearRing"}
# Fields that say the grade of a source, and what they count as one.
_GRADE_FIELDS = {"grade_percent": 100.0, "grade": 1.0}
_AREAS = {"Polygon", "MultiPolygon"}
_WKB_LINE, _WKB_LINES = 2, 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One drawn shape.

    Parameters
    ----------
    name : str
        What it is called, empty if nothing says.
    geometry : shapely geometry
        On the site's grid, metres.
    grade : float, optional
        Of a known source: grade of the sand that its rock gives, 0 to 1.
    """

    name: str
    geometry: BaseGeometry
    grade: float | None = None


def read_areas(path: Path | str, *, crs: str, file_crs: str | None = None) -> tuple[Shape, ...]:
    """Read areas, such as a property line or no-go areas.

    Parameters
    ----------
    path : Path or str
        Any vector file that GDAL reads; polygons, or lines that close on themselves.
    crs : str
        The site's grid.
    file_crs : str, optional
        CRS of a file that names none.

    Returns
    -------
    tuple of Shape
        Polygons, mended where their edges cross.

    Raises
    ------
    GroundError
        If the file cannot be read, names no CRS, or holds anything but areas.
    """
    return tuple(
        Shape(name=name, geometry=part)
        for number, name, geometry, _ in _features(Path(path), crs, file_crs)
        for part in _area_parts(path, number, geometry)
    )


def read_sources(path: Path | str, *, crs: str, file_crs: str | None = None) -> tuple[Shape, ...]:
    """Read known sources: areas whose rock gives sand of a known grade.

    Parameters
    ----------
    path : Path or str
        Any vector file that GDAL reads; areas as for :func:`read_areas`, each with a field ``grade_percent``
        (0 to 100) or ``grade`` (0 to 1).
    crs : str
        The site's grid.
    file_crs : str, optional
        CRS of a file that names none.

    Returns
    -------
    tuple of Shape
        Polygons with their grade.

    Raises
    ------
    GroundError
        If the file cannot be read, names no CRS, holds anything but areas, or a grade is missing or wrong.
    """
    return tuple(
        Shape(name=name, geometry=part, grade=grade)
        for number, name, geometry, row in _features(Path(path), crs, file_crs)
        for grade in [_source_grade(path, number, row)]
        for part in _area_parts(path, number, geometry)
    )


def _source_grade(path: Path | str, number: int, row: Mapping[str, Any]) -> float:
    # Grade of a source, 0 to 1.
    where = f"{Path(path).name}, feature {number}"
    told = [field for field in _GRADE_FIELDS if str(row.get(field, "")).strip() not in {"", "nan", "None"}]
    if len(told) != 1:
        had = "both 'grade_percent' and 'grade' are filled" if told else _no_grade(row)
        raise GroundError(
            f"{where}: The grade of the source is unclear: {had}. Each area must have one of them: the grade "
            "of the sand that its rock gives, 'grade_percent' from 0 to 100 or 'grade' from 0 to 1."
        )
    (field,) = told
    most = _GRADE_FIELDS[field]
    try:
        grade = float(row[field])
    except (TypeError, ValueError):
        grade = math.nan
    if not 0.0 <= grade <= most:
        hint = " Percent go into the field 'grade_percent'." if field == "grade" and grade > 1.0 else ""
        raise GroundError(
            f"{where}: Invalid '{field}' of {row[field]}. It must be a number from 0 to {most:g}.{hint}"
        )
    return grade / most


def _no_grade(row: Mapping[str, Any]) -> str:
    # What stands in place of a grade.
    if any(field in row for field in _GRADE_FIELDS):
        return "its field is empty"
    fields = ", ".join(row) or "none"
    return f"there is no field 'grade_percent' or 'grade' (fields: {fields})"


def _area_parts(path: Path | str, number: int, geometry: Any) -> list[Any]:
    # Polygons of a feature that must be an area.
    import shapely

    area = geometry
    if geometry.geom_type == "LineString" and geometry.is_closed and len(geometry.coords) >= 4:
        area = shapely.Polygon(geometry)
    if area.geom_type not in _AREAS:
        raise GroundError(
            _wrong(path, number, geometry, "an area: a Polygon, or a line that closes on itself")
        )
    return _mended(path, number, area)


def read_points(path: Path | str, *, crs: str, file_crs: str | None = None) -> tuple[Shape, ...]:
    """Read points, such as places to park.

    Parameters
    ----------
    path : Path or str
        Any vector file that GDAL reads.
    crs : str
        The site's grid.
    file_crs : str, optional
        CRS of a file that names none.

    Returns
    -------
    tuple of Shape
        Points.

    Raises
    ------
    GroundError
        If the file cannot be read, names no CRS, or holds anything but points.
    """
    import shapely

    shapes = []
    for number, name, geometry, _ in _features(Path(path), crs, file_crs):
        if geometry.geom_type not in _POINTS:
            raise GroundError(_wrong(path, number, geometry, "a Point"))
        shapes += [Shape(name=name, geometry=part) for part in shapely.get_parts(geometry)]
    return tuple(shapes)


def read_lines(path: Path | str, *, crs: str, file_crs: str | None = None) -> tuple[Shape, ...]:
    """Read lines, such as a wash that was drawn on a map or walked with a GPS.

    Parameters
    ----------
    path : Path or str
        Any vector file that GDAL reads; GPX tracks and routes, each segment a line of its own. Points beside
        lines, such as the pins of a walk, are left out.
    crs : str
        The site's grid.
    file_crs : str, optional
        CRS of a file that names none.

    Returns
    -------
    tuple of Shape
        LineStrings in the order and direction of the file, two different points at least, no point twice in
        a row, without heights.

    Raises
    ------
    GroundError
        If the file cannot be read, names no CRS, or holds areas, or no line of any length.
    """
    import shapely

    name = Path(path).name
    shapes = []
    points = short = 0
    for number, label, geometry, _ in _features(Path(path), crs, file_crs):
        parts = list(_single_parts(geometry))
        if any(part.geom_type in _AREAS for part in parts):
            raise GroundError(_wrong(path, number, geometry, "a line: a LineString, a GPX track or route"))
        for part in parts:
            if part.geom_type in _POINTS:
                points += 1
                continue
            # A stop with the GPS on writes one place over and over.
            line = shapely.remove_repeated_points(shapely.LineString(part.coords))
            if line.length <= 0.0:
                short += 1
                continue
            shapes.append(Shape(name=label, geometry=line))
    if shapes:
        return tuple(shapes)
    if short:
        raise GroundError(
            f"{name}: The file holds {short} line{'s' if short > 1 else ''} of no length. A line must join "
            "two places at least."
        )
    what = "waypoints" if Path(path).suffix.lower() == ".gpx" else "points"
    raise GroundError(
        f"{name}: The file holds {points} {what} and no line. It must hold a line: a LineString, a GPX track "
        "or route."
    )


def read_marks(path: Path | str, *, crs: str, file_crs: str | None = None) -> tuple[Shape, ...]:
    """Read marks of any form, such as dams to keep or places where water sinks.

    Parameters
    ----------
    path : Path or str
        Any vector file that GDAL reads.
    crs : str
        The site's grid.
    file_crs : str, optional
        CRS of a file that names none.

    Returns
    -------
    tuple of Shape
        Points, LineStrings and Polygons, one for each part; areas mended where their edges cross.

    Raises
    ------
    GroundError
        If the file cannot be read, names no CRS or holds no shape.
    """
    shapes = []
    for number, label, geometry, _ in _features(Path(path), crs, file_crs):
        for part in _single_parts(geometry):
            mended = _mended(path, number, part) if part.geom_type in _AREAS else [part]
            shapes += [Shape(name=label, geometry=one) for one in mended]
    return tuple(shapes)


def _single_parts(geometry: Any) -> Iterator[Any]:
    # Parts of collections within collections, too.
    import shapely

    for part in shapely.get_parts(geometry):
        if part.geom_type == "GeometryCollection" or part.geom_type.startswith("Multi"):
            yield from _single_parts(part)
        elif not part.is_empty:
            yield part


def _mended(path: Path | str, number: int, area: Any) -> list[Any]:
    # Polygons of an area whose edges may cross.
    import shapely

    if not area.is_valid:
        area = shapely.make_valid(area)
        area = shapely.union_all([part for part in shapely.get_parts(area) if part.geom_type in _AREAS])
    if area.is_empty or area.area <= 0.0:
        raise GroundError(
            f"{Path(path).name}, feature {number}: The area is empty. It must enclose some ground."
        )
    return list(shapely.get_parts(area))


def _wrong(path: Path | str, number: int, geometry: Any, allowed: str) -> str:
    return (
        f"{Path(path).name}, feature {number}: The geometry is a {geometry.geom_type}. It must be {allowed}."
    )


def _why_unreadable(path: Path) -> str:
    # GDAL's own words name its drivers and options.
    if path.suffix.lower() == ".shp":
        missing = [end for end in (".shx", ".dbf") if not path.with_suffix(end).exists()]
        if missing:
            return (
                f"A part of the shapefile is missing: {path.with_suffix(missing[0]).name}. Copy all of its "
                "parts, or save it as a GeoPackage."
            )
    what = what_it_is(path) or "its content is unknown or damaged"
    return f"The file is no vector file that can be read ({what})."


def _from_wkb(blobs: Any) -> Any:
    # Shapes; a line of one point, as a logger leaves that was switched on and off, counts as of no length.
    import shapely

    try:
        return shapely.from_wkb(blobs)
    except shapely.errors.GEOSException:
        return [shapely.from_wkb(None if blob is None else _with_two_points(blob)) for blob in blobs]


def _with_two_points(blob: bytes) -> bytes:
    # Well-known binary of the same lines, those of one point with that point twice; any other shape as it is.
    # OGC 06-103r4 (Simple feature access, part 1), section 8.2: order of bytes, kind, count, then points or
    # lines.
    order = "<" if blob[0] == 1 else ">"
    kind, count = struct.unpack_from(f"{order}II", blob, 1)
    # Kinds in thousands (ISO) or with high bits (older) have heights, measures or both.
    plain = kind & 0xFFFF
    doubles = 2 + (1, 1, 2)[plain // 1000 - 1] if plain >= 1000 else 2 + (kind >> 31) + (kind >> 30 & 1)
    if plain % 1000 == _WKB_LINE and count == 1:
        return struct.pack(f"{order}BII", blob[0], kind, 2) + 2 * blob[9 : 9 + 8 * doubles]
    if plain % 1000 != _WKB_LINES:
        return blob
    parts, start = [], 9
    for _ in range(count):
        (points,) = struct.unpack_from(f"{order}I", blob, start + 5)
        end = start + 9 + 8 * doubles * points
        parts.append(_with_two_points(blob[start:end]))
        start = end
    return blob[:9] + b"".join(parts)


def _features(path: Path, crs: str, file_crs: str | None) -> list[tuple[int, str, Any, dict[str, Any]]]:
    # Number, name, geometry on the site's grid and fields of every feature of every layer that has any.
    import pyogrio
    import shapely
    from pyogrio.errors import DataLayerError, DataSourceError
    from pyproj import Transformer
    from pyproj.exceptions import CRSError

    name = path.name
    refuse_unreadable(path)
    found: list[tuple[int, str, Any, dict[str, Any]]] = []
    try:
        for layer, kind in pyogrio.list_layers(path):
            if kind is None or (path.suffix.lower() == ".gpx" and layer in _LINE_POINTS):
                continue
            meta, _, blobs, fields = pyogrio.raw.read(path, layer=layer)
            if blobs is None or not len(blobs):
                continue
            source = meta["crs"] or file_crs
            if not source:
                raise GroundError(
                    f"{name}: The file does not name its coordinate reference system. Save it with one, or "
                    f"as GeoJSON "
                    "in longitude and latitude."
                )
            transformer = Transformer.from_crs(source, crs, always_xy=True)
            lower = [str(field).lower() for field in meta["fields"]]
            column = next((lower.index(field) for field in _NAME_FIELDS if field in lower), None)
            for position, geometry in enumerate(_from_wkb(blobs)):
                if geometry is None or geometry.is_empty:
                    continue
                moved = shapely.transform(
                    shapely.force_2d(geometry),
                    lambda points, to_grid=transformer: np.stack(to_grid.transform(*points.T), axis=1),
                )
                if not np.isfinite(shapely.bounds(moved)).all():
                    raise GroundError(
                        f"{name}, feature {position + 1}: The place is beyond the grid {crs}. Check the "
                        f"file's CRS and "
                        "the order of longitude and latitude."
                    )
                text = (
                    ""
                    if column is None or fields[column][position] is None
                    else str(fields[column][position])
                )
                row = {field: values[position] for field, values in zip(lower, fields, strict=True)}
                found.append((position + 1, text, moved, row))
    except (DataSourceError, DataLayerError, shapely.errors.ShapelyError):
        raise GroundError(f"{name}: {_why_unreadable(path)}") from None
    except CRSError:
        raise GroundError(
            f"{name}: Its coordinate reference system is unknown. Save it with another."
        ) from None
    if not found:
        raise GroundError(f"{name}: The file holds no shape. It must hold at least one.")
    return found
