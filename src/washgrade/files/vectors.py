"""Reading drawn shapes: the property line, no-go areas, access points."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from washgrade.errors import GroundError

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Shape", "read_areas", "read_points"]

_NAME_FIELDS = ("name", "label", "title", "id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One drawn shape.

    Parameters
    ----------
    name : str
        What it is called, empty if nothing says.
    geometry : shapely geometry
        On the site's grid, metres.
    """

    name: str
    geometry: BaseGeometry


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
    import shapely

    shapes = []
    for number, name, geometry in _features(Path(path), crs, file_crs):
        area = geometry
        if geometry.geom_type == "LineString" and geometry.is_closed and len(geometry.coords) >= 4:
            area = shapely.Polygon(geometry)
        if area.geom_type not in {"Polygon", "MultiPolygon"}:
            raise GroundError(
                _wrong(path, number, geometry, "an area: a Polygon, or a line that closes on itself")
            )
        if not area.is_valid:
            area = shapely.make_valid(area)
            parts = [
                part for part in shapely.get_parts(area) if part.geom_type in {"Polygon", "MultiPolygon"}
            ]
            area = shapely.union_all(parts)
        if area.is_empty or area.area <= 0.0:
            raise GroundError(
                f"{Path(path).name}, feature {number}: The area is empty. It must enclose some ground."
            )
        shapes += [Shape(name=name, geometry=part) for part in shapely.get_parts(area)]
    return tuple(shapes)


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
    for number, name, geometry in _features(Path(path), crs, file_crs):
        if geometry.geom_type not in {"Point", "MultiPoint"}:
            raise GroundError(_wrong(path, number, geometry, "a Point"))
        shapes += [Shape(name=name, geometry=part) for part in shapely.get_parts(geometry)]
    return tuple(shapes)


def _wrong(path: Path | str, number: int, geometry: Any, allowed: str) -> str:
    return (
        f"{Path(path).name}, feature {number}: The geometry is a {geometry.geom_type}. It must be {allowed}."
    )


def _features(path: Path, crs: str, file_crs: str | None) -> list[tuple[int, str, Any]]:
    # Number, name and geometry on the site's grid of every feature of every layer that has any.
    import pyogrio
    import shapely
    from pyogrio.errors import DataLayerError, DataSourceError
    from pyproj import Transformer
    from pyproj.exceptions import CRSError

    name = path.name
    if not path.exists():
        raise GroundError(f"{name}: There is no such file in {path.parent}.")
    found: list[tuple[int, str, Any]] = []
    try:
        for layer, kind in pyogrio.list_layers(path):
            if kind is None:
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
            for position, geometry in enumerate(shapely.from_wkb(blobs)):
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
                found.append((position + 1, text, moved))
    except (DataSourceError, DataLayerError) as error:
        raise GroundError(f"{name}: The file is no vector file that can be read ({error}).") from None
    except CRSError:
        raise GroundError(
            f"{name}: Its coordinate reference system is unknown. Save it with another."
        ) from None
    if not found:
        raise GroundError(f"{name}: The file holds no shape. It must hold at least one.")
    return found
