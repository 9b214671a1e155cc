"""Writing rows and their shapes as KML, for globes and map programs.

References
----------
OGC 07-147r2, OGC KML 2.2.0 (2008): 9.1 (order of a feature's elements), 9.3 (ExtendedData), 10.1 and 12
(geometries, styles), 16.20 (coordinates: longitude, latitude, WGS 84).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import InputError
from washgrade.files.plain import GeoShape, cell_text, xml_text
from washgrade.files.site import replacing

__all__ = ["write_kml"]

# The place speaks for itself: a pin moved in a map program must not be held back by old numbers beside it.
_PLACES = frozenset({"lon", "lat", "easting_m", "northing_m"})

# Colours of the classes of yield, the richest first: KML writes opacity, blue, green, red.
_CLASSES = (
    (0.5, "ff2e0826", 6),
    (0.25, "ff3c1c8a", 5),
    (0.125, "ff1c50b8", 4),
    (0.0625, "ff2a82b3", 3),
    (0.0, "ff8c8c8c", 2),
)
"""Least share of the best reach's yield, colour and width in pixels. Our choice: steps of two."""

_YIELD = "kg_per_load_mean"

# What xsd:date and xsd:dateTime allow, without the years and zones that no record has.
_WHEN = re.compile(r"\d{4}-\d\d-\d\d(T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)?)?")


def write_kml(path: Path, rows: Sequence[Mapping[str, Any]], shapes: Sequence[GeoShape]) -> None:
    """Write rows and their shapes as KML 2.2: a placemark for each, every field in its extended data.

    Parameters
    ----------
    path : Path
        The file to be.
    rows : sequence of mapping
        Fields. A placemark goes by ``name``, else its place, its reach, or the beginning of its id, and
        is described by ``desc``; reaches are coloured by ``kg_per_load_mean``.
    shapes : sequence of GeoShape
        Longitudes and latitudes of each, degrees; rounded to seven decimals, a centimetre. A point of NaN
        stands for no place.

    Raises
    ------
    InputError
        If a place is off the earth.
    SiteError
        If it cannot be written.
    """
    yields = [float(row[_YIELD]) for row in rows if row.get(_YIELD) is not None]
    best = max((kg for kg in yields if math.isfinite(kg)), default=0.0)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<kml xmlns="http://www.opengis.net/kml/2.2">',
        f"<Document><name>{xml_text(path.stem)}</name>",
    ]
    for number, (_, colour, width) in enumerate(_CLASSES):
        lines.append(
            f'<Style id="class{number}"><IconStyle><color>{colour}</color></IconStyle>'
            f"<LineStyle><color>{colour}</color><width>{width}</width></LineStyle>"
            f"<PolyStyle><color>40{colour[2:]}</color></PolyStyle></Style>"
        )
    for row, shape in zip(rows, shapes, strict=True):
        name = row.get("name") or row.get("place") or row.get("reach") or str(row.get("id", ""))[:8]
        about = f"<description>{xml_text(cell_text(row['desc']))}</description>" if row.get("desc") else ""
        lines.append(
            f"<Placemark><name>{xml_text(cell_text(name))}</name>{about}{_when(row.get('time'))}"
            f"<styleUrl>#class{_class(row, best)}</styleUrl>{_data(row)}{_geometry(shape)}</Placemark>"
        )
    lines.append("</Document></kml>")
    with replacing(path) as draft:
        draft.write_bytes(("\n".join(lines) + "\n").encode("utf-8"))


def _class(row: Mapping[str, Any], best: float) -> int:
    share = float(row.get(_YIELD) or 0.0) / best if best > 0.0 else 0.0
    return next(
        (number for number, (least, _, _) in enumerate(_CLASSES) if share >= least), len(_CLASSES) - 1
    )


def _when(time: Any) -> str:
    # KML takes a day or a moment; what is neither stays in the extended data alone.
    if not time or not _WHEN.fullmatch(str(time)):
        return ""
    return f"<TimeStamp><when>{xml_text(str(time))}</when></TimeStamp>"


def _data(row: Mapping[str, Any]) -> str:
    texts = ((name, cell_text(value)) for name, value in row.items() if name not in _PLACES)
    told = "".join(
        f"<Data name={quoteattr(xml_text(name))}><value>{xml_text(text)}</value></Data>"
        for name, text in texts
        if text
    )
    return f"<ExtendedData>{told}</ExtendedData>" if told else ""


def _geometry(shape: GeoShape) -> str:
    if isinstance(shape, np.ndarray):
        if shape.ndim == 1:
            return "" if np.isnan(shape).any() else f"<Point>{_coordinates(shape[np.newaxis])}</Point>"
        return f"<LineString><tessellate>1</tessellate>{_coordinates(shape)}</LineString>"
    closed = [ring if np.array_equal(ring[0], ring[-1]) else np.vstack([ring, ring[:1]]) for ring in shape]
    rings = [f"<LinearRing>{_coordinates(ring)}</LinearRing>" for ring in closed]
    inner = "".join(f"<innerBoundaryIs>{ring}</innerBoundaryIs>" for ring in rings[1:])
    return f"<Polygon><outerBoundaryIs>{rings[0]}</outerBoundaryIs>{inner}</Polygon>"


def _coordinates(places: NDArray[np.float64]) -> str:
    for lon, lat in places.tolist():
        if not (abs(lon) <= 180.0 and abs(lat) <= 90.0):
            raise InputError(f"Invalid place at lon {lon:g}, lat {lat:g}. It must lie on the earth.")
    told = " ".join(f"{lon + 0.0:.7f},{lat + 0.0:.7f}" for lon, lat in np.round(places, 7).tolist())
    return f"<coordinates>{told}</coordinates>"
