"""Writing rows and their shapes as a GeoPackage, for any GIS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from washgrade.errors import SiteError
from washgrade.files.plain import GeoShape, cell_text, plain_value
from washgrade.files.site import replacing

__all__ = ["write_gpkg"]

# A moment for the file's own note of its last change, so that the same input gives the same content.
_NO_TIME = "2000-01-01T00:00:00.000Z"


def write_gpkg(path: Path, rows: Sequence[Mapping[str, Any]], shapes: Sequence[GeoShape]) -> None:
    """Write rows and their shapes as one layer of a GeoPackage, longitude and latitude in WGS 84.

    Parameters
    ----------
    path : Path
        The file to be; the layer has its name.
    rows : sequence of mapping
        Fields; numbers and truths keep their type where a whole column has it, all else is text.
    shapes : sequence of GeoShape
        Longitudes and latitudes of each, degrees. A point of NaN stands for no place.

    Raises
    ------
    SiteError
        If it cannot be written.

    References
    ----------
    OGC 12-128r19, OGC GeoPackage Encoding Standard 1.4.
    """
    import pyogrio
    import shapely
    from pyogrio.errors import DataLayerError, DataSourceError

    names = list(dict.fromkeys(name for row in rows for name in row))
    columns, masks = [], []
    for name in names:
        values = [plain_value(row.get(name)) for row in rows]
        column, mask = _column(values)
        columns.append(column)
        masks.append(mask)
    geometry = np.array([_wkb(shape, shapely) for shape in shapes], dtype=object)
    kinds = {shapely.from_wkb(one).geom_type for one in geometry if one is not None}
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _NO_TIME})
    try:
        with replacing(path) as draft:
            try:
                pyogrio.raw.write(
                    draft,
                    geometry=geometry,
                    field_data=columns,
                    fields=np.array(names, dtype=object),
                    field_mask=masks,
                    layer=path.stem,
                    driver="GPKG",
                    geometry_type=kinds.pop() if len(kinds) == 1 else "Unknown",
                    crs="EPSG:4326",
                )
            except (DataSourceError, DataLayerError) as error:
                raise SiteError(
                    f"{path} cannot be written ({error}). Check the rights of its folder."
                ) from None
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _column(values: list[Any]) -> tuple[Any, Any]:
    # A column of one type with a mask of what is missing.
    missing = np.array([value is None for value in values], dtype=np.bool_)
    known = {type(value) for value in values if value is not None}
    if known == {bool}:
        return np.array([bool(value) for value in values], dtype=np.bool_), missing
    if known == {int}:
        return np.array([value or 0 for value in values], dtype=np.int64), missing
    if known and known <= {int, float}:
        return np.array([np.nan if value is None else float(value) for value in values]), missing
    return np.array([None if value is None else cell_text(value) for value in values], dtype=object), missing


def _wkb(shape: GeoShape, shapely: Any) -> bytes | None:
    if not isinstance(shape, np.ndarray):
        found = shapely.Polygon(shape[0], shape[1:])
    elif shape.ndim == 2:
        found = shapely.LineString(shape)
    elif np.isnan(shape).any():
        return None
    else:
        found = shapely.Point(shape)
    told: bytes = shapely.to_wkb(found)
    return told
