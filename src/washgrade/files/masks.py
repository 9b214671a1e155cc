"""Which cells of a DEM lie in drawn areas: what one may and may not walk on, and known sources."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from washgrade.land.grids import MakeGrid, bands

if TYPE_CHECKING:
    from washgrade.files.vectors import Shape
    from washgrade.land.dem import Dem

__all__ = ["area_numbers", "closed_cells"]


def closed_cells(
    dem: Dem, *, property_areas: Sequence[Shape] = (), no_go: Sequence[Shape] = ()
) -> NDArray[np.bool_]:
    """Mark the cells that lie, be it in part, outside the property or in an area not to enter.

    Parameters
    ----------
    dem : Dem
        The ground.
    property_areas : sequence of Shape
        Where one may go; everywhere if there is none.
    no_go : sequence of Shape
        Where one may not.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
        True where nobody may walk.
    """
    from rasterio import Affine
    from rasterio.features import rasterize

    transform = Affine(dem.cell_m, 0.0, dem.west_m, 0.0, -dem.cell_m, dem.north_m)

    def touched(geometries: Sequence[object], *, wholly: bool) -> NDArray[np.bool_]:
        if not geometries:
            return np.zeros(dem.shape, np.bool_)
        burned = rasterize(
            [(geometry, 1) for geometry in geometries],
            out_shape=dem.shape,
            transform=transform,
            all_touched=not wholly,
            dtype=np.uint8,
        )
        return np.asarray(burned, np.uint8).astype(np.bool_)

    closed = touched([area.geometry for area in no_go], wholly=False)
    if property_areas:
        import shapely

        own = shapely.union_all([area.geometry for area in property_areas])
        # A cell that the line itself passes lies on both sides of it.
        closed |= ~touched([own], wholly=True) | touched([own.boundary], wholly=False)
    return closed


def area_numbers(dem: Dem, areas: Sequence[Shape], *, make: MakeGrid = np.zeros) -> NDArray[np.int32]:
    """Say for each cell in which area its middle lies.

    Parameters
    ----------
    dem : Dem
        The ground.
    areas : sequence of Shape
        Polygons; where some overlap, the last one counts.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    ndarray of int32, shape (rows, cols)
        Number of the area, from 1; 0 outside all.
    """
    from rasterio import Affine
    from rasterio.features import rasterize

    rows, cols = dem.shape
    numbers = make((rows, cols), np.int32)
    numbered = [(area.geometry, number) for number, area in enumerate(areas, start=1)]
    for band in bands(dem.shape):
        north_m = dem.north_m - band.start * dem.cell_m
        numbers[band] = rasterize(
            numbered,
            out_shape=(band.stop - band.start, cols),
            transform=Affine(dem.cell_m, 0.0, dem.west_m, 0.0, -dem.cell_m, north_m),
            dtype=np.int32,
        )
    return numbers
