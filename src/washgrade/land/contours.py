"""Contour lines of a DEM, for maps on paper."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.land.dem import Dem
from washgrade.land.kernel import kernel

__all__ = ["block_means_m", "contour_interval_m", "contour_lines"]


def contour_lines(dem: Dem, level_m: float) -> tuple[NDArray[np.float64], ...]:
    """Draw the lines on which the ground has one height.

    Parameters
    ----------
    dem : Dem
        The ground; heights are those of the cells' centres.
    level_m : float
        The height, metres.

    Returns
    -------
    tuple of ndarray of float64, shapes (points, 2)
        Easting and northing of each line, metres, two points or more; a ring's last point is its first. Lines
        end at voids and at the edge of the DEM.

    Raises
    ------
    InputError
        If the level is no finite number.

    Notes
    -----
    Marching squares (the plane form of Lorensen, W. E. and Cline, H. E., 1987, Marching cubes, SIGGRAPH
    Computer Graphics 21(4), 163-169): straight pieces between linear crossings of the sides of each square of
    four centres. Where two opposite corners stand above the level, the mean of the four says whether they are
    joined (Nielson and Hamann's asymptotic decider is finer; on paper nobody would see it).

    Examples
    --------
    >>> ramp = Dem(elevation_m=np.array([[0, 1, 2], [0, 1, 2]], np.float32), cell_m=10, west_m=0, north_m=20,
    ...            crs="EPSG:25830")
    >>> [line.tolist() for line in contour_lines(ramp, 0.5)]
    [[[10.0, 15.0], [10.0, 5.0]]]
    """
    level = number("level_m", level_m)
    rows, cols = dem.shape
    heights = np.ascontiguousarray(dem.elevation_m)
    link = np.full((2 * rows * cols, 2), -1, np.int64)
    _join(heights, level, link)
    side, start = _chain(link)
    cell, is_down = side >> 1, (side & 1).astype(np.bool_)
    row, col = cell // cols, cell % cols
    other = cell + np.where(is_down, cols, 1)
    flat = heights.ravel()
    here, there = flat[cell].astype(np.float64), flat[other].astype(np.float64)
    along = (level - here) / (there - here)
    east_m = dem.west_m + (col + 0.5 + np.where(is_down, 0.0, along)) * dem.cell_m
    north_m = dem.north_m - (row + 0.5 + np.where(is_down, along, 0.0)) * dem.cell_m
    places = np.column_stack([east_m, north_m])
    return tuple(places[start[k] : start[k + 1]] for k in range(len(start) - 1))


def contour_interval_m(
    slope: float, *, metres_per_mm: float, least_mm: float, steps_m: NDArray[np.float64]
) -> float:
    """Choose a round step between contour lines that leaves paper between them.

    Parameters
    ----------
    slope : float
        A steep slope of the ground, rise over distance, at least 0.
    metres_per_mm : float
        Metres of ground on a millimetre of paper, above 0.
    least_mm : float
        Paper wanted between two lines on that slope, millimetres, above 0.
    steps_m : ndarray of float64, shape (steps,)
        Allowed steps from small to large, metres.

    Returns
    -------
    float
        The smallest step that leaves the paper, or the largest one.

    Raises
    ------
    InputError
        If a number is out of its limits.

    Examples
    --------
    >>> contour_interval_m(0.5, metres_per_mm=5, least_mm=1.5, steps_m=np.array([1.0, 2.0, 5.0, 10.0]))
    5.0
    """
    wanted_m = (
        number("slope", slope, at_least=0)
        * number("metres_per_mm", metres_per_mm, above=0)
        * number("least_mm", least_mm, above=0)
    )
    enough = steps_m[steps_m >= wanted_m]
    return float(enough[0] if len(enough) else steps_m[-1])


def block_means_m(heights_m: NDArray[np.float32], cells: int) -> NDArray[np.float32]:
    """Take the mean height of blocks of cells.

    Parameters
    ----------
    heights_m : ndarray of float32, shape (rows, cols)
        Heights, metres; NaN where unknown.
    cells : int
        Side of a block in cells, at least 1.

    Returns
    -------
    ndarray of float32, shape (rows // cells, cols // cells)
        Metres; NaN where more than half of a block is unknown. What fills no block is left out.

    Examples
    --------
    >>> block_means_m(np.array([[1, 3, 9], [np.nan, 2, 9]], np.float32), 2).tolist()
    [[2.0]]
    """
    if cells == 1:
        return heights_m
    rows, cols = heights_m.shape[0] // cells, heights_m.shape[1] // cells
    blocks = heights_m[: rows * cells, : cols * cells].reshape(rows, cells, cols, cells)
    known = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3), dtype=np.float64)
    mean = np.where(2 * known >= cells * cells, total / np.maximum(known, 1), math.nan)
    return mean.astype(np.float32)


# Note at each side of a square that the line crosses which other sides it goes on to. The side from a cell to
# its eastern neighbour has twice the cell's number, the one to its southern neighbour one more.
@kernel
def _join(heights: NDArray[np.float32], level: float, link: NDArray[np.int64]) -> None:
    rows, cols = heights.shape
    for row in range(rows - 1):
        for col in range(cols - 1):
            north_west, north_east = heights[row, col], heights[row, col + 1]
            south_west, south_east = heights[row + 1, col], heights[row + 1, col + 1]
            total = north_west + north_east + south_west + south_east
            if np.isnan(total):
                continue
            case = (
                (8 if north_west >= level else 0)
                + (4 if north_east >= level else 0)
                + (2 if south_east >= level else 0)
                + (1 if south_west >= level else 0)
            )
            if case in {0, 15}:
                continue
            cell = row * cols + col
            north, west = 2 * cell, 2 * cell + 1
            south, east = 2 * (cell + cols), 2 * (cell + 1) + 1
            if case in {10, 5}:
                # Two opposite corners above: joined where the middle is above as well.
                if (case == 10) == (total >= 4.0 * level):
                    _tie(link, north, east)
                    _tie(link, south, west)
                else:
                    _tie(link, north, west)
                    _tie(link, south, east)
            elif case in {8, 7}:
                _tie(link, north, west)
            elif case in {4, 11}:
                _tie(link, north, east)
            elif case in {2, 13}:
                _tie(link, south, east)
            elif case in {1, 14}:
                _tie(link, south, west)
            elif case in {12, 3}:
                _tie(link, west, east)
            else:
                _tie(link, north, south)


@kernel
def _tie(link: NDArray[np.int64], one: int, other: int) -> None:
    link[one, 0 if link[one, 0] < 0 else 1] = other
    link[other, 0 if link[other, 0] < 0 else 1] = one


# Follow the links from open ends first, then around the rings: sides in order, and where each line begins.
@kernel
def _chain(link: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    count = 0
    for side in range(len(link)):
        if link[side, 0] >= 0:
            count += 1
    seen = np.zeros(len(link), np.bool_)
    # A ring names its first side again at its end.
    order = np.empty(2 * count, np.int64)
    start = np.empty(count + 1, np.int64)
    filled = 0
    lines = 0
    for rings in range(2):
        for first in range(len(link)):
            if seen[first] or link[first, 0] < 0 or (rings == 0 and link[first, 1] >= 0):
                continue
            start[lines] = filled
            lines += 1
            side = first
            while side >= 0 and not seen[side]:
                seen[side] = True
                order[filled] = side
                filled += 1
                ahead = link[side, 0]
                if ahead < 0 or seen[ahead]:
                    ahead = link[side, 1]
                side = ahead
            if rings == 1:
                order[filled] = first
                filled += 1
    start[lines] = filled
    return order[:filled], start[: lines + 1]
