"""From places in metres to cells: what no cut may lower, and where water sinks into the ground."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.grids import MakeGrid
from washgrade.land.kernel import COL_STEP, ROW_STEP, kernel

__all__ = ["cells_along", "keep_cells", "lowest_inside", "sink_cells"]


def keep_cells(
    dem: Dem,
    *,
    points_m: Sequence[ArrayLike] = (),
    radius_m: float = 0.0,
    lines_m: Sequence[ArrayLike] = (),
    rings_m: Sequence[ArrayLike] = (),
    make: MakeGrid = np.zeros,
) -> NDArray[np.bool_]:
    """Mark the cells that no cut may lower.

    Parameters
    ----------
    dem : Dem
        The ground.
    points_m : sequence of array_like, shape (2,)
        Eastings and northings, metres.
    radius_m : float
        Cells whose centre is within this distance of a point are marked too, metres.
    lines_m, rings_m : sequence of array_like, shape (vertices, 2)
        Lines, and outlines of areas, eastings and northings, metres. An area's cells are those whose centre
        lies inside and those that its outline touches.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
        True where no cut may pass.

    Raises
    ------
    InputError
        If the radius is below 0.

    Notes
    -----
    A line marks every cell that it touches, so its cells join by their sides and no cut that steps diagonally
    can slip through.

    Examples
    --------
    >>> dem = Dem(elevation_m=np.zeros((3, 3), np.float32), cell_m=1, west_m=0, north_m=3, crs="EPSG:25830")
    >>> keep_cells(dem, lines_m=[[(0.5, 2.5), (2.4, 0.5)]]).astype(int).tolist()
    [[1, 0, 0], [1, 1, 0], [0, 1, 1]]
    """
    number("radius_m", radius_m, at_least=0)
    marked = make(dem.shape, np.bool_)
    rows, cols = dem.shape
    for line in [*lines_m, *rings_m]:
        row, col = cells_along(dem, np.asarray(line, np.float64))
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        marked[row[inside], col[inside]] = True
    east_m, north_m = dem.easting_m(np.arange(cols)), dem.northing_m(np.arange(rows))
    for point in points_m:
        east, north = np.asarray(point, np.float64)
        near_col = np.flatnonzero(np.abs(east_m - east) <= radius_m + dem.cell_m)
        near_row = np.flatnonzero(np.abs(north_m - north) <= radius_m + dem.cell_m)
        if len(near_col) and len(near_row):
            away_m = np.hypot(east_m[near_col] - east, (north_m[near_row] - north)[:, None])
            own = (np.abs(east_m[near_col] - east) <= dem.cell_m / 2) & (
                np.abs(north_m[near_row] - north) <= dem.cell_m / 2
            )[:, None]
            marked[np.ix_(near_row, near_col)] |= (away_m <= radius_m) | own
    for ring in rings_m:
        area = shapely.Polygon(np.asarray(ring, np.float64))
        west, south, east, north = area.bounds
        near_col = np.flatnonzero((east_m >= west) & (east_m <= east))
        near_row = np.flatnonzero((north_m >= south) & (north_m <= north))
        # Row by row, so that a large area needs no grid of coordinates.
        for inner in near_row.tolist():
            marked[inner, near_col] |= shapely.contains_xy(area, east_m[near_col], north_m[inner])
    return marked


def cells_along(dem: Dem, line_m: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of all cells that a line touches, in its order; they join by their sides.

    Parameters
    ----------
    dem : Dem
        The ground.
    line_m : ndarray of float64, shape (vertices, 2)
        Eastings and northings, metres.

    Returns
    -------
    row, col : ndarray of int64
        Cells, also those off the ground; none twice in a row.

    Examples
    --------
    >>> dem = Dem(elevation_m=np.zeros((3, 3), np.float32), cell_m=1, west_m=0, north_m=3, crs="EPSG:25830")
    >>> [part.tolist() for part in cells_along(dem, np.array([(0.5, 2.5), (2.4, 2.5)]))]
    [[0, 0, 0], [0, 1, 2]]
    """
    along = np.column_stack([line_m[:, 0] - dem.west_m, dem.north_m - line_m[:, 1]]) / dem.cell_m
    cells = [np.floor(along[:1])]
    for (east, south), (to_east, to_south) in pairwise(along):
        crossings = [np.array([0.0, 1.0])]
        for first, last in ((east, to_east), (south, to_south)):
            walls = np.arange(np.ceil(min(first, last)), np.floor(max(first, last)) + 1)
            if first != last:
                crossings.append((walls - first) / (last - first))
        share = np.unique(np.clip(np.concatenate(crossings), 0.0, 1.0))
        middle = (share[:-1] + share[1:]) / 2
        cells.append(
            np.floor(np.column_stack([east + (to_east - east) * middle, south + (to_south - south) * middle]))
        )
    found = np.concatenate(cells).astype(np.int64)
    # Through a corner the line passes from cell to cell diagonally: take one of the two beside it as well.
    across = np.flatnonzero((np.diff(found, axis=0) != 0).all(axis=1))
    beside = np.column_stack([found[across, 0], found[across + 1, 1]])
    found = np.insert(found, across + 1, beside, axis=0)
    found = found[np.concatenate([[True], (np.diff(found, axis=0) != 0).any(axis=1)])]
    return found[:, 1], found[:, 0]


def sink_cells(
    dem: Dem,
    points_m: Sequence[ArrayLike],
    *,
    filled: Callable[[], NDArray[np.float32]] | None = None,
    make: MakeGrid = np.zeros,
) -> NDArray[np.int64]:
    """Find the cells in which water sinks into the ground.

    Parameters
    ----------
    dem : Dem
        The ground.
    points_m : sequence of array_like, shape (2,)
        Eastings and northings, metres. A point in a hollow stands for the hollow's lowest cell.
    filled : callable, optional
        Gives the heights of the ground with all its hollows filled, shape (rows, cols); worked out unless
        told.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    ndarray of int64, shape (sinks,)
        Flat indices, one for each point.

    Raises
    ------
    GroundError
        If a point lies off the ground or on a void.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 9], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=1, west_m=0, north_m=3, crs="EPSG:25830")
    >>> sink_cells(dem, [(1.5, 1.5)]).tolist()
    [6]
    """
    rows, cols = dem.shape
    filled_m = None
    heights = np.ascontiguousarray(dem.elevation_m, np.float32)
    cells = []
    for point in points_m:
        east_m, north_m = (float(value) for value in np.asarray(point, np.float64))
        row = int(np.floor((dem.north_m - north_m) / dem.cell_m))
        col = int(np.floor((east_m - dem.west_m) / dem.cell_m))
        if not (0 <= row < rows and 0 <= col < cols) or np.isnan(dem.elevation_m[row, col]):
            raise GroundError(
                f"Invalid sink at easting {east_m:.0f}, northing {north_m:.0f}, where there is no ground. "
                "It must lie on the DEM, off its voids."
            )
        if filled_m is None:
            filled_m = fill(heights) if filled is None else filled()
        inside = np.sort(_hollow_around(heights, filled_m, make(dem.shape, np.bool_), row * cols + col))
        cells.append(int(inside[np.argmin(heights.ravel()[inside])]))
    return np.array(cells, np.int64)


# The cells that hang together with one, over sides or corners, and lie deeper than the filled ground; that
# one alone if it does not.
@kernel
def _hollow_around(
    heights: NDArray[np.float32], filled: NDArray[np.float32], is_seen: NDArray[np.bool_], start: int
) -> NDArray[np.int64]:
    rows, cols = heights.shape
    ground = heights.ravel()
    level = filled.ravel()
    seen = is_seen.ravel()
    # Room for every cell; what is never written takes no memory.
    found = np.empty(len(ground), np.int32)
    found[0] = start
    seen[start] = True
    size = 1
    place = 0 if level[start] > ground[start] else 1
    while place < size:
        cell = found[place]
        place += 1
        row = cell // cols
        col = cell - row * cols
        for k in range(8):
            near_row = row + ROW_STEP[k]
            near_col = col + COL_STEP[k]
            if 0 <= near_row < rows and 0 <= near_col < cols:
                near = near_row * cols + near_col
                if level[near] > ground[near] and not seen[near]:
                    seen[near] = True
                    found[size] = near
                    size += 1
    return found[:size].astype(np.int64)


def lowest_inside(dem: Dem, ring_m: ArrayLike) -> tuple[float, float]:
    """Find the lowest ground inside an area, such as where water gathers on a playa.

    Parameters
    ----------
    dem : Dem
        The ground.
    ring_m : array_like, shape (vertices, 2)
        Outline of the area, eastings and northings, metres.

    Returns
    -------
    tuple of float
        Easting and northing of the middle of the lowest cell, metres; of several the first, row by row from
        the north-west.

    Raises
    ------
    GroundError
        If the area holds no ground.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 9], [9, 9, 9, 1]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=1, west_m=0, north_m=3, crs="EPSG:25830")
    >>> lowest_inside(dem, [(0.2, 0.8), (2.9, 0.8), (2.9, 2.8), (0.2, 2.8)])
    (2.5, 1.5)
    """
    ring = np.asarray(ring_m, np.float64)
    rows, cols = dem.shape
    # Only the ground around the area is looked at, one cell more to each side for what rounding may do.
    (first_col, last_col), (first_row, last_row) = (
        (math.floor(low / dem.cell_m) - 1, math.floor(high / dem.cell_m) + 2)
        for low, high in (
            (ring[:, 0].min() - dem.west_m, ring[:, 0].max() - dem.west_m),
            (dem.north_m - ring[:, 1].max(), dem.north_m - ring[:, 1].min()),
        )
    )
    top, left = max(first_row, 0), max(first_col, 0)
    heights = dem.elevation_m[top : max(min(last_row, rows), 0), left : max(min(last_col, cols), 0)]
    if heights.size and np.isfinite(heights).any():
        part = Dem(
            elevation_m=heights,
            cell_m=dem.cell_m,
            west_m=dem.west_m + left * dem.cell_m,
            north_m=dem.north_m - top * dem.cell_m,
            crs=dem.crs,
        )
        known_m = np.where(keep_cells(part, rings_m=[ring]) & np.isfinite(heights), heights, np.inf)
    else:
        known_m = np.full((1, 1), np.inf)
    if not np.isfinite(known_m).any():
        raise GroundError("An area where water sinks holds no ground. It must lie on the DEM, off its voids.")
    row, col = np.unravel_index(int(np.argmin(known_m)), known_m.shape) + np.array([top, left])
    return float(dem.easting_m(np.array([col]))[0]), float(dem.northing_m(np.array([row]))[0])
