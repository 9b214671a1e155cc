"""Writing tables for others to read, in several formats: whole files only, the same input the same bytes.

References
----------
GeoJSON: RFC 7946 (2016), section 3.1.6 (right-hand rule), 4 (WGS 84), 11.2 (precision).
GPX: Topografix GPX 1.1 schema, http://www.topografix.com/GPX/1/1/gpx.xsd.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import InputError
from washgrade.files.geofile import write_gpkg
from washgrade.files.kml import write_kml
from washgrade.files.plain import GeoShape, cell_text, half_way, plain_value, utc_text, xml_text
from washgrade.files.site import replacing

__all__ = ["FORMATS", "GeoShape", "write_csv", "write_geojson", "write_gpx", "write_plan"]


def write_csv(path: Path, rows: Sequence[Mapping[str, Any]], *, columns: Sequence[str] | None = None) -> None:
    """Write rows as CSV: UTF-8, commas, a header, numbers with a point and every digit.

    Parameters
    ----------
    path : Path
        The file to be.
    rows : sequence of mapping
        Cells by column; None and NaN are left empty.
    columns : sequence of str, optional
        Which, in what order; all in order of appearance if left out.

    Raises
    ------
    SiteError
        If it cannot be written.
    """
    names = list(columns or dict.fromkeys(name for row in rows for name in row))
    with replacing(path) as draft, draft.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        for row in rows:
            writer.writerow([cell_text(row.get(name)) for name in names])


def write_geojson(path: Path, rows: Sequence[Mapping[str, Any]], shapes: Sequence[GeoShape]) -> None:
    """Write rows and their shapes as GeoJSON.

    Parameters
    ----------
    path : Path
        The file to be.
    rows : sequence of mapping
        Properties; an ``id`` becomes the feature's id as well.
    shapes : sequence of GeoShape
        Longitudes and latitudes of each, degrees; rounded to seven decimals, a centimetre. A point of NaN
        stands for no place.

    Raises
    ------
    SiteError
        If it cannot be written.
    """
    features = []
    for row, shape in zip(rows, shapes, strict=True):
        head = {"id": row["id"]} if row.get("id") else {}
        properties = {name: plain_value(value) for name, value in row.items()}
        features.append({"type": "Feature", **head, "geometry": _geometry(shape), "properties": properties})
    # One feature a line: compact, and a difference between two files still shows where it is.
    lines = ",\n".join(json.dumps(feature, ensure_ascii=False, allow_nan=False) for feature in features)
    with replacing(path) as draft:
        draft.write_text('{"type": "FeatureCollection", "features": [\n' + lines + "\n]}\n", encoding="utf-8")


def write_gpx(
    path: Path,
    *,
    waypoints: Sequence[tuple[Mapping[str, Any], NDArray[np.float64]]] = (),
    routes: Sequence[tuple[Mapping[str, Any], Sequence[tuple[Mapping[str, Any], NDArray[np.float64]]]]] = (),
    tracks: Sequence[tuple[Mapping[str, Any], NDArray[np.float64]]] = (),
    time: datetime | None = None,
) -> None:
    """Write waypoints, routes and tracks as GPX 1.1.

    Parameters
    ----------
    path : Path
        The file to be.
    waypoints : sequence of (mapping, ndarray of shape (2,))
        Fields and longitude/latitude. ``name``, ``time``, ``ele_m``, ``desc``, ``sym`` and ``type`` go to
        GPX's own elements; if there is no ``desc``, all other fields go there as ``name=value; ...``, which
        reading a file of records understands.
    routes : sequence of (mapping, waypoints)
        The same for lists of places to go to one after the other.
    tracks : sequence of (mapping, ndarray of shape (points, 2))
        The same for lines.
    time : datetime, optional
        Moment to enter in the head, with a zone; none if left out, so that the same input gives the same
        bytes.

    Raises
    ------
    InputError
        If a place is off the earth.
    SiteError
        If it cannot be written.
    """
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="washgrade">',
    ]
    if time is not None:
        lines.append(f"<metadata><time>{utc_text(time.isoformat())}</time></metadata>")
    for fields, place in waypoints:
        inner = _fields(fields, ("ele", "time", "name", "desc", "sym", "type"))
        lines.append(f"<wpt {_lat_lon(place)}>{inner}</wpt>")
    for fields, stops in routes:
        lines.append(f"<rte>{_fields(fields, ('name', 'desc', 'type'))}")
        for about, place in stops:
            told = _fields(about, ("ele", "time", "name", "desc", "sym", "type"))
            lines.append(f"<rtept {_lat_lon(place)}>{told}</rtept>")
        lines.append("</rte>")
    for fields, places in tracks:
        lines.append(f"<trk>{_fields(fields, ('name', 'desc', 'type'))}<trkseg>")
        lines += [f"<trkpt {_lat_lon(place)}/>" for place in np.asarray(places, dtype=np.float64)]
        lines.append("</trkseg></trk>")
    lines.append("</gpx>")
    with replacing(path) as draft:
        draft.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_plan(
    path: Path,
    *,
    waypoints: Sequence[tuple[Mapping[str, Any], NDArray[np.float64]]],
    routes: Sequence[tuple[Mapping[str, Any], Sequence[tuple[Mapping[str, Any], NDArray[np.float64]]]]],
    tracks: Sequence[tuple[Mapping[str, Any], NDArray[np.float64]]],
) -> None:
    """Write a plan for the field: KML where the file's name ends so, else GPX.

    Parameters
    ----------
    path : Path
        The file to be.
    waypoints, routes, tracks : sequence
        As `write_gpx` takes them; KML knows no routes, and draws the waypoints and tracks.

    Raises
    ------
    InputError
        If a place is off the earth.
    SiteError
        If it cannot be written.
    """
    if path.suffix.lower() == ".kml":
        marks = [*waypoints, *tracks]
        write_kml(path, [fields for fields, _ in marks], [places for _, places in marks])
    else:
        write_gpx(path, waypoints=waypoints, routes=routes, tracks=tracks)


def _to_csv(path: Path, rows: Sequence[Mapping[str, Any]], shapes: Sequence[GeoShape]) -> None:
    # The shapes stay out: a table has the places that its rows name.
    del shapes
    write_csv(path, rows)


def _to_gpx(path: Path, rows: Sequence[Mapping[str, Any]], shapes: Sequence[GeoShape]) -> None:
    # Points become waypoints; a line becomes a track with a waypoint half-way, for a device to lead to.
    waypoints: list[tuple[Mapping[str, Any], NDArray[np.float64]]] = []
    tracks: list[tuple[Mapping[str, Any], NDArray[np.float64]]] = []
    nowhere = sum(bool(np.isnan(np.asarray(shape, dtype=np.float64)).any()) for shape in shapes)
    if nowhere:
        raise InputError(
            f"{nowhere} of the {len(rows)} records have no place, which GPX cannot hold. Write them as csv "
            "or geojson."
        )
    for row, shape in zip(rows, shapes, strict=True):
        places = np.asarray(shape, dtype=np.float64)
        fields = {name: value for name, value in row.items() if name not in {"easting_m", "northing_m"}}
        # A device shows the name: that of the place or the reach, else the beginning of the id.
        fields.setdefault("name", row.get("place") or row.get("reach") or str(row.get("id", ""))[:8])
        if places.ndim == 1:
            waypoints.append((fields, places))
            continue
        # Four digits are enough for the small screen of a device.
        short = {
            name: float(f"{value:.4g}") if isinstance(value, float) else value
            for name, value in fields.items()
        }
        waypoints.append((short, half_way(places)))
        tracks.append((short, places))
    write_gpx(path, waypoints=waypoints, tracks=tracks)


FORMATS: Mapping[str, Callable[[Path, Sequence[Mapping[str, Any]], Sequence[GeoShape]], None]] = (
    MappingProxyType(
        {"csv": _to_csv, "geojson": write_geojson, "gpx": _to_gpx, "kml": write_kml, "gpkg": write_gpkg}
    )
)
"""Writers of rows and their shapes by the name of the format; another format is one entry more."""


def _geometry(shape: GeoShape) -> dict[str, Any] | None:
    if isinstance(shape, np.ndarray):
        # RFC 7946, section 3.2: a feature without a place has a geometry of null.
        if shape.ndim == 1 and np.isnan(shape).any():
            return None
        places = np.round(shape, 7) + 0.0
        return {"type": "Point" if shape.ndim == 1 else "LineString", "coordinates": places.tolist()}
    rings = []
    for position, ring in enumerate(shape):
        places = np.round(ring, 7) + 0.0
        if not np.array_equal(places[0], places[-1]):
            places = np.concatenate([places, places[:1]])
        # The outer ring runs counterclockwise, holes clockwise.
        if (_signed_area(places) > 0) != (position == 0):
            places = places[::-1]
        rings.append(places.tolist())
    return {"type": "Polygon", "coordinates": rings}


def _signed_area(ring: NDArray[np.float64]) -> float:
    lon, lat = (ring - ring[0]).T
    return float(np.sum(lon[:-1] * lat[1:] - lon[1:] * lat[:-1]) / 2.0)


def _lat_lon(place: NDArray[np.float64]) -> str:
    lon, lat = float(place[0]), float(place[1])
    if not (math.isfinite(lon) and -90.0 <= lat <= 90.0):
        raise InputError(f"Invalid place at lon {lon:g}, lat {lat:g}. It must lie on the earth.")
    # The schema wants -180 <= lon < 180.
    wrapped = round((lon + 180.0) % 360.0 - 180.0, 7)
    wrapped = -180.0 if wrapped >= 180.0 else wrapped
    return f'lat="{lat:.7f}" lon="{wrapped:.7f}"'


def _fields(fields: Mapping[str, Any], wanted: Sequence[str]) -> str:
    own = {"ele": fields.get("ele_m"), **{name: fields.get(name) for name in ("name", "desc", "sym", "type")}}
    own["time"] = utc_text(fields["time"]) if fields.get("time") else None
    if not own["desc"]:
        rest = {
            name: " ".join(cell_text(value).replace(";", "%3B").split())
            for name, value in fields.items()
            if name not in {"ele_m", "name", "desc", "sym", "type", "lon", "lat"}
            # GPX's own time is in UTC; the text as recorded goes along unless it is the same.
            and (name != "time" or own["time"] != value)
        }
        own["desc"] = "; ".join(f"{name}={text}" for name, text in rest.items() if text)
    texts = ((name, own[name]) for name in wanted)
    return "".join(
        f"<{name}>{xml_text(cell_text(value))}</{name}>" for name, value in texts if value not in {None, ""}
    )
