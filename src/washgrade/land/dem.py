"""A DEM as an array: square cells in a projected metre grid, NaN where nothing is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, in_bands, kernel

__all__ = ["Dem", "hillshade", "horn_gradient"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dem:
    """Ground heights on a north-up grid of square cells.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Height of each cell in metres; NaN is a void. Row 0 lies in the north.
    cell_m : float
        Side of a cell in metres.
    west_m, north_m : float
        Easting of the western edge and northing of the northern edge, in metres.
    crs : str
        The projected metre CRS, as ``EPSG:code`` or WKT. Only carried along.

    Raises
    ------
    GroundError
        If the array is not two-dimensional, holds no height at all or holds an infinite one.
    InputError
        If the cell size or a corner is no finite number.

    Examples
    --------
    >>> import numpy as np
    >>> dem = Dem(elevation_m=np.zeros((2, 3), np.float32), cell_m=5, west_m=500000, north_m=4100000,
    ...           crs="EPSG:25830")
    >>> dem.easting_m(np.array([0, 2])).tolist()
    [500002.5, 500012.5]
    """

    elevation_m: NDArray[np.float32]
    cell_m: float
    west_m: float
    north_m: float
    crs: str

    def __post_init__(self) -> None:
        number("cell_m", self.cell_m, above=0)
        number("west_m", self.west_m)
        number("north_m", self.north_m)
        if self.elevation_m.ndim != 2:
            raise GroundError(
                f"Invalid 'elevation_m' of {self.elevation_m.ndim} dimensions. It must have rows and columns."
            )
        if not np.isfinite(self.elevation_m).any():
            raise GroundError(
                "The DEM holds no height at all. It must have at least one cell that is not void."
            )
        if np.isinf(self.elevation_m).any():
            raise GroundError(
                "The DEM holds infinite heights. It must hold finite heights, or NaN for voids."
            )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.elevation_m.shape
        return rows, cols

    def easting_m(self, col: NDArray[np.integer]) -> NDArray[np.float64]:
        """Easting of the centres of some columns, in metres.

        Parameters
        ----------
        col : ndarray of int
            Column numbers, 0 in the west.

        Returns
        -------
        ndarray of float64
            Eastings in metres.
        """
        return self.west_m + (np.asarray(col) + 0.5) * self.cell_m

    def northing_m(self, row: NDArray[np.integer]) -> NDArray[np.float64]:
        """Northing of the centres of some rows, in metres.

        Parameters
        ----------
        row : ndarray of int
            Row numbers, 0 in the north.

        Returns
        -------
        ndarray of float64
            Northings in metres.
        """
        return self.north_m - (np.asarray(row) + 0.5) * self.cell_m


def horn_gradient(
    elevation_m: NDArray[np.float32], cell_m: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Slope of the ground towards the east and towards the south.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres, row 0 in the north; NaN is a void.
    cell_m : float
        Side of a cell in metres.

    Returns
    -------
    eastward, southward : ndarray of float32, shape (rows, cols)
        Rise per distance along the columns and along the rows; NaN on voids. Positive where the ground
        climbs that way.

    Raises
    ------
    InputError
        If the cell size is not above 0.
    GroundError
        If the array has no two dimensions, no cell, too many cells or an infinite height.

    Notes
    -----
    Horn's weights over the eight neighbours: with rows ``a b c / d e f / g h i``, eastward is
    ``((c + 2f + i) - (a + 2d + g)) / 8`` cells and southward ``((g + 2h + i) - (a + 2b + c)) / 8`` cells.
    At the map's edge and beside voids a missing neighbour is put on the straight line through the cell and
    the neighbour opposite, or, where that is missing too, on the plane through the straight neighbours
    (our choice, because a plane then keeps its slope up to the edge); straight neighbours that are both
    missing are level with the cell.

    References
    ----------
    Horn, B. K. P. (1981). Hill shading and the reflectance map. Proceedings of the IEEE 69(1), 14-47.

    Examples
    --------
    >>> east, south = horn_gradient(np.array([[2, 4, 6], [-1, 1, 3], [-4, -2, 0]], np.float32), 1.0)
    >>> float(east[1, 1]), float(south[1, 1])
    (2.0, -3.0)
    """
    cell_m = number("cell_m", cell_m, above=0)
    heights = as_heights(elevation_m)
    eastward = np.empty_like(heights)
    southward = np.empty_like(heights)
    in_bands(lambda first, end: _horn(heights, cell_m, eastward, southward, first, end), *heights.shape)
    return eastward, southward


# Fill in the two slopes of the rows from ``first`` to before ``end``.
@kernel
def _horn(
    heights: NDArray[np.float32],
    cell_m: float,
    eastward: NDArray[np.float32],
    southward: NDArray[np.float32],
    first: int,
    end: int,
) -> None:
    rows, cols = heights.shape
    around = np.empty(8, np.float64)
    for row in range(first, end):
        if 0 < row < rows - 1:
            _horn_row(heights[row - 1], heights[row], heights[row + 1], cell_m, eastward[row], southward[row])
        for col in range(cols):
            # The row's loop has done the cells whose eight neighbours have heights.
            if (
                0 < row < rows - 1
                and 0 < col < cols - 1
                and not np.isnan(eastward[row, col] + southward[row, col] + heights[row, col])
            ):
                continue
            here = np.float64(heights[row, col])
            if np.isnan(here):
                eastward[row, col] = np.nan
                southward[row, col] = np.nan
                continue
            for k in range(8):
                near_row = row + ROW_STEP[k]
                near_col = col + COL_STEP[k]
                around[k] = np.nan
                if 0 <= near_row < rows and 0 <= near_col < cols:
                    around[k] = heights[near_row, near_col]
            # Straight neighbours first: the diagonal ones may lean on them.
            for turn in range(4):
                k = (2 * turn) % 4 + turn // 2
                one, other = around[k], around[k + 4]
                if np.isnan(one) and np.isnan(other):
                    level = k & 1 == 0
                    around[k] = here if level else around[k - 1] + around[k + 1] - here
                    around[k + 4] = 2.0 * here - around[k]
                elif np.isnan(one):
                    around[k] = 2.0 * here - other
                elif np.isnan(other):
                    around[k + 4] = 2.0 * here - one
            east = around[7] + 2.0 * around[0] + around[1]
            west = around[5] + 2.0 * around[4] + around[3]
            north = around[5] + 2.0 * around[6] + around[7]
            south = around[3] + 2.0 * around[2] + around[1]
            eastward[row, col] = (east - west) / (8.0 * cell_m)
            southward[row, col] = (south - north) / (8.0 * cell_m)


# The two slopes of a row's inner cells; NaN where a neighbour is void. No branches, so that the compiler
# takes many cells at a time.
@kernel
def _horn_row(
    above: NDArray[np.float32],
    here: NDArray[np.float32],
    under: NDArray[np.float32],
    cell_m: float,
    eastward: NDArray[np.float32],
    southward: NDArray[np.float32],
) -> None:
    run_m = 8.0 * cell_m
    for col in range(1, len(here) - 1):
        north_west, north_east = np.float64(above[col - 1]), np.float64(above[col + 1])
        south_west, south_east = np.float64(under[col - 1]), np.float64(under[col + 1])
        east = north_east + 2.0 * np.float64(here[col + 1]) + south_east
        west = north_west + 2.0 * np.float64(here[col - 1]) + south_west
        north = north_west + 2.0 * np.float64(above[col]) + north_east
        south = south_west + 2.0 * np.float64(under[col]) + south_east
        eastward[col] = (east - west) / run_m
        southward[col] = (south - north) / run_m


def hillshade(
    dem: Dem, *, azimuth_deg: float = 315.0, altitude_deg: float = 45.0, exaggeration: float = 1.0
) -> NDArray[np.float32]:
    """Brightness of the ground under a low sun, for a relief.

    Parameters
    ----------
    dem : Dem
        The ground.
    azimuth_deg : float, optional
        Where the light comes from, degrees clockwise from north. 315 is the mapmakers' habit (common
        practice, no source): under light from below, people see hollows as hills.
    altitude_deg : float, optional
        Height of the light above the horizon, degrees, 0 to 90; 45 likewise.
    exaggeration : float, optional
        Factor on the heights, above 0; 1 shows the ground as it is.

    Returns
    -------
    ndarray of float32, shape (rows, cols)
        0 in shade to 1 facing the light; NaN on voids.

    Raises
    ------
    InputError
        If an angle is not finite, the altitude is outside 0 to 90 or the exaggeration is not above 0.

    Notes
    -----
    The cosine of the angle between the light and the surface normal from `horn_gradient`, not below 0
    (Lambert's law). Cast shadows are not drawn.

    References
    ----------
    Horn, B. K. P. (1981). Hill shading and the reflectance map. Proceedings of the IEEE 69(1), 14-47.

    Examples
    --------
    >>> flat = Dem(elevation_m=np.zeros((2, 2), np.float32), cell_m=5, west_m=0, north_m=0, crs="EPSG:25830")
    >>> hillshade(flat, altitude_deg=30).round(4).tolist()
    [[0.5, 0.5], [0.5, 0.5]]
    """
    azimuth = math.radians(number("azimuth_deg", azimuth_deg))
    altitude = math.radians(number("altitude_deg", altitude_deg, at_least=0, at_most=90))
    exaggeration = number("exaggeration", exaggeration, above=0)
    eastward, southward = horn_gradient(dem.elevation_m, dem.cell_m / exaggeration)
    # The normal is (-eastward, southward, 1) in east, north, up; the light stands at azimuth and altitude.
    up = np.float32(math.sin(altitude))
    north = np.float32(math.cos(altitude)) * np.float32(math.cos(azimuth))
    east = np.float32(math.cos(altitude)) * np.float32(math.sin(azimuth))
    shade = southward

    def light(first: int, end: int) -> None:
        # Row by row, so that what lies between fits the processor's cache.
        for row in range(first, end):
            rise_e, rise_s = eastward[row], southward[row]
            lit = (up + (north * rise_s - east * rise_e)) / np.sqrt(1.0 + rise_e**2 + rise_s**2)
            np.clip(lit, 0.0, 1.0, out=shade[row])

    in_bands(light, *dem.shape)
    return shade
