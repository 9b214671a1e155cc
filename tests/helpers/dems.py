"""A height model on disk, as tests of several folders need it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio


def write_dem(path, heights, *, west_m, north_m, cell_m=5.0, nodata=None) -> Path:
    """Write heights as a GeoTIFF in ETRS89 / UTM 30N; where they are NaN, as the value for no data."""
    cells = np.asarray(heights, dtype=np.float32)
    if nodata is not None:
        cells = np.where(np.isnan(cells), np.float32(nodata), cells)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=cells.shape[0],
        width=cells.shape[1],
        count=1,
        dtype="float32",
        crs="EPSG:25830",
        transform=rasterio.Affine(cell_m, 0, west_m, 0, -cell_m, north_m),
        nodata=nodata,
    ) as file:
        file.write(cells, 1)
    return Path(path)
