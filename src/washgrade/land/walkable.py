"""Where a person can walk and how fast: the settings, Tobler's speed and the grid of walking cells."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.dem import Dem, horn_gradient

__all__ = [
    "NOWHERE",
    "Walking",
    "WalkingSurface",
    "cells_near",
    "walking_side",
    "walking_speed_m_s",
    "walking_surface",
    "walking_surface_of",
]

# Stands for a walking cell where there is none: a place too far from open ground.
NOWHERE = -1
# Our choice: what may lack of the least side of a walking cell, in DEM cells.
SHORTFALL_CELLS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Walking:
    """How fast a person walks on a slope, and what is too steep.

    Parameters
    ----------
    fastest_m_s : float, optional
        Speed on the best slope, on a path, in metres per second, above 0; 6 km/h (Tobler 1993).
    fastest_slope : float, optional
        Rise per distance at which it is reached, -0.5 to 0.5; -0.05 (Tobler 1993).
    fading_per_unit_slope : float, optional
        How fast the speed falls away from that slope, above 0, at most 5; 3.5 (Tobler 1993).
    off_path_factor : float, optional
        Factor on the speed away from paths, above 0, at most 1; 0.6 (Tobler 1993). 1 for walks on paths.
    too_steep_slope : float, optional
        Slope beyond which ground is closed, up or down, above 0, at most 2; 0.6 or 31 degrees: our choice,
        because loose sand and rubble begin to slide at about that slope and a loaded person should not be
        sent there.
    walking_cell_m : float, optional
        Least side of a walking cell, metres, above 0; 5, our choice: a boulder or the lip of a bank is passed
        within that distance, and the time of a search falls with the square of it.

    Raises
    ------
    InputError
        If a value is outside its limits.

    References
    ----------
    Tobler, W. (1993). Three presentations on geographical analysis and modeling. Technical Report 93-1,
    National Center for Geographic Information and Analysis.

    Examples
    --------
    >>> Walking(off_path_factor=1.0).off_path_factor
    1.0
    """

    fastest_m_s: float = 6.0 / 3.6
    fastest_slope: float = -0.05
    fading_per_unit_slope: float = 3.5
    off_path_factor: float = 0.6
    too_steep_slope: float = 0.6
    walking_cell_m: float = 5.0

    def __post_init__(self) -> None:
        number("fastest_m_s", self.fastest_m_s, above=0)
        # The limits keep the slowest move within some hundred thousand times the quickest.
        number("fastest_slope", self.fastest_slope, at_least=-0.5, at_most=0.5)
        number("fading_per_unit_slope", self.fading_per_unit_slope, above=0, at_most=5)
        number("off_path_factor", self.off_path_factor, above=0, at_most=1)
        number("too_steep_slope", self.too_steep_slope, above=0, at_most=2)
        number("walking_cell_m", self.walking_cell_m, above=0)


def walking_speed_m_s(slope: NDArray[np.float64], walking: Walking | None = None) -> NDArray[np.float64]:
    """Speed of a person who walks up or down a slope.

    Parameters
    ----------
    slope : ndarray of float64, any shape
        Rise per horizontal distance in the direction of walking, negative downhill; NaN where unknown.
    walking : Walking, optional
        The settings; Tobler's off the path unless given.

    Returns
    -------
    ndarray of float64, same shape
        Horizontal metres per second; 0 on slopes that are too steep, NaN where the slope is.

    Notes
    -----
    ``off_path_factor * fastest * exp(-fading * |slope - fastest_slope|)``: the factor is on the speed. The
    distance is the horizontal one (our choice, because the formula's slope has it below the line; along the
    slope a walk at 0.3 is 4 % longer).

    References
    ----------
    Tobler, W. (1993). Three presentations on geographical analysis and modeling. Technical Report 93-1,
    National Center for Geographic Information and Analysis.

    Examples
    --------
    >>> (3.6 * walking_speed_m_s(np.array([-0.05, 0.0, 0.7]))).round(2).tolist()
    [3.6, 3.02, 0.0]
    """
    walking = walking or Walking()
    slope = np.asarray(slope, np.float64)
    away = np.abs(slope - walking.fastest_slope)
    speed_m_s = walking.off_path_factor * walking.fastest_m_s * np.exp(-walking.fading_per_unit_slope * away)
    closed: NDArray[np.float64] = np.where(np.abs(slope) > walking.too_steep_slope, 0.0, speed_m_s)
    return closed


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkingSurface:
    """Heights of walking cells; what is closed to walkers is NaN.

    A walking cell is named by its place in the flattened grid, ``row * cols + col``.

    Parameters
    ----------
    height_m : ndarray of float32, shape (rows, cols)
        Mean height of each walking cell in metres; NaN is closed. Row 0 lies in the north.
    cell_m : float
        Side of a walking cell in metres.
    west_m, north_m : float
        Easting of the western edge and northing of the northern edge, in metres.
    walking : Walking, optional
        How a person walks on it.

    Raises
    ------
    GroundError
        If the heights are not two-dimensional, hold an infinite value or are all closed.
    InputError
        If the cell size or a corner is no finite number.

    Examples
    --------
    >>> surface = WalkingSurface(height_m=np.zeros((2, 3), np.float32), cell_m=5, west_m=100, north_m=200)
    >>> surface.shape, surface.easting_m(np.array([5])).tolist(), surface.northing_m(np.array([5])).tolist()
    ((2, 3), [112.5], [192.5])
    """

    height_m: NDArray[np.float32]
    cell_m: float
    west_m: float
    north_m: float
    walking: Walking = field(default_factory=Walking)

    def __post_init__(self) -> None:
        number("cell_m", self.cell_m, above=0)
        number("west_m", self.west_m)
        number("north_m", self.north_m)
        if self.height_m.ndim != 2:
            raise GroundError(
                f"Invalid 'height_m' of {self.height_m.ndim} dimensions. It must have rows and columns."
            )
        if np.isinf(self.height_m).any():
            raise GroundError(
                "Invalid 'height_m' with infinite heights. It must hold finite heights, or NaN for closed."
            )
        if np.isnan(self.height_m).all():
            raise GroundError("No walking cell is open. There must be at least one to walk on.")

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of walking cells."""
        rows, cols = self.height_m.shape
        return rows, cols

    @property
    def closed(self) -> NDArray[np.bool_]:
        """Whether each walking cell is closed, shape (rows, cols)."""
        return np.isnan(self.height_m)

    def easting_m(self, cells: NDArray[np.integer]) -> NDArray[np.float64]:
        """Easting of the centres of some walking cells, in metres.

        Parameters
        ----------
        cells : ndarray of int, any shape
            Walking cells.

        Returns
        -------
        ndarray of float64
            Eastings in metres.
        """
        return self.west_m + (np.asarray(cells) % self.shape[1] + 0.5) * self.cell_m

    def northing_m(self, cells: NDArray[np.integer]) -> NDArray[np.float64]:
        """Northing of the centres of some walking cells, in metres.

        Parameters
        ----------
        cells : ndarray of int, any shape
            Walking cells.

        Returns
        -------
        ndarray of float64
            Northings in metres.
        """
        return self.north_m - (np.asarray(cells) // self.shape[1] + 0.5) * self.cell_m


def walking_surface(
    dem: Dem, walking: Walking | None = None, *, closed: NDArray[np.bool_] | None = None
) -> WalkingSurface:
    """Coarsen a DEM to walking cells and close what cannot be walked.

    Parameters
    ----------
    dem : Dem
        The ground as measured (not filled or breached: people walk on the real one).
    walking : Walking, optional
        The settings; Tobler's off the path unless given.
    closed : ndarray of bool, shape (rows, cols) of the DEM, optional
        True where nobody may walk: no-go areas and what lies outside the property.

    Returns
    -------
    WalkingSurface
        Walking cells of the fewest whole DEM cells that reach ``walking_cell_m`` (but for a twentieth of a
        DEM cell), from the north-western corner; a strip in the south or east that is no whole walking cell
        wide is left out.

    Raises
    ------
    GroundError
        If the mask has another shape or is not bool, if the DEM is smaller than one walking cell, or if no
        walking cell is open.

    Notes
    -----
    The height of a walking cell is the mean of its DEM cells. It is closed if **any** part of it is closed or
    void, so that no walk touches closed ground however thin; so a gap narrower than two walking cells may be
    closed too. Steepness is judged on the walking cells, by `horn_gradient`, not within them: a bank lower
    than ``too_steep_slope`` times the side of a walking cell does not stop a walker.

    Examples
    --------
    >>> ground = Dem(elevation_m=np.arange(24, dtype=np.float32).reshape(4, 6) / 8, cell_m=2.5, west_m=0,
    ...              north_m=10, crs="EPSG:25830")
    >>> no_go = np.zeros((4, 6), bool)
    >>> no_go[0, 5] = True
    >>> surface = walking_surface(ground, closed=no_go)
    >>> surface.cell_m, surface.height_m.tolist()
    (5.0, [[0.4375, 0.6875, nan], [1.9375, 2.1875, 2.4375]])
    """
    return walking_surface_of([(dem, closed)], walking)


def walking_side(cell_m: float, walking: Walking | None = None) -> int:
    """Count the DEM cells along the side of a walking cell.

    Parameters
    ----------
    cell_m : float
        Side of a DEM cell, metres.
    walking : Walking, optional
        The settings; Tobler's off the path unless given.

    Returns
    -------
    int
        At least 1.

    Examples
    --------
    >>> walking_side(1.0), walking_side(4.99), walking_side(30.0)
    (5, 1, 1)
    """
    walking = walking or Walking()
    # Reprojected cells are a little off their round size: one of 4.99 m is no reason to take two.
    return max(1, math.ceil(walking.walking_cell_m / cell_m - SHORTFALL_CELLS))


def walking_surface_of(
    bands: Iterable[tuple[Dem, NDArray[np.bool_] | None]], walking: Walking | None = None
) -> WalkingSurface:
    """Make the walking surface of a ground that comes in bands of rows, see `walking_surface`.

    Parameters
    ----------
    bands : iterable of tuple
        From the north, each band of the DEM and its closed cells; their rows must be whole walking cells
        (`walking_side`), but for the last.
    walking : Walking, optional
        The settings; Tobler's off the path unless given.

    Returns
    -------
    WalkingSurface
        That of the whole ground.

    Raises
    ------
    GroundError
        As for `walking_surface`.
    """
    walking = walking or Walking()
    first: Dem | None = None
    means, seen = [], 0
    for dem, closed in bands:
        first = first or dem
        seen += dem.shape[0]
        means.append(_walking_means(dem, closed, walking_side(dem.cell_m, walking)))
    if first is None:
        raise GroundError("There is no ground to walk on.")
    side = walking_side(first.cell_m, walking)
    mean_m = np.concatenate(means)
    del means
    if not mean_m.size:
        raise GroundError(
            f"The DEM of {seen} by {first.shape[1]} cells is smaller than a walking cell of {side} by "
            f"{side}. It must hold at least one."
        )
    eastward, southward = horn_gradient(mean_m, side * first.cell_m)
    mean_m[np.hypot(eastward, southward, out=eastward) > walking.too_steep_slope] = np.nan
    return WalkingSurface(
        height_m=mean_m,
        cell_m=side * first.cell_m,
        west_m=first.west_m,
        north_m=first.north_m,
        walking=walking,
    )


def _walking_means(dem: Dem, closed: NDArray[np.bool_] | None, side: int) -> NDArray[np.float32]:
    """Mean heights of the walking cells of a DEM, NaN where any part is closed or void."""
    rows, cols = dem.shape[0] // side, dem.shape[1] // side
    heights = dem.elevation_m[: rows * side, : cols * side]
    parts = heights.reshape(rows, side, cols, side)
    mean_m: NDArray[np.float32] = parts.mean(axis=(1, 3), dtype=np.float64).astype(np.float32)
    if closed is not None:
        if closed.shape != dem.shape or closed.dtype != np.bool_:
            raise GroundError(
                f"Invalid 'closed' of shape {closed.shape} and type {closed.dtype}. It must be bool of the "
                f"DEM's shape {dem.shape}."
            )
        mean_m[closed[: rows * side, : cols * side].reshape(rows, side, cols, side).any(axis=(1, 3))] = np.nan
    return mean_m


def cells_near(
    surface: WalkingSurface,
    easting_m: NDArray[np.float64],
    northing_m: NDArray[np.float64],
    *,
    within_m: float = 15.0,
) -> NDArray[np.int64]:
    """Find the open walking cell nearest to each place.

    Parameters
    ----------
    surface : WalkingSurface
        The walking cells.
    easting_m, northing_m : ndarray of float64, shape (places,)
        The places, metres in the CRS of the DEM.
    within_m : float, optional
        How far the centre of the cell may lie, at least 0. 15 m, our choice: three walking cells of 5 m, so
        that a bed beside a closed bank is reached.

    Returns
    -------
    ndarray of int64, shape (places,)
        Walking cells, `NOWHERE` where none is open so near. Of cells equally near the first in the grid.

    Raises
    ------
    InputError
        If the distance is not a finite number of at least 0.
    GroundError
        If the places are not finite numbers in two lists of one length.

    Examples
    --------
    >>> height_m = np.array([[np.nan, 1, 1]], np.float32)
    >>> surface = WalkingSurface(height_m=height_m, cell_m=5, west_m=0, north_m=5)
    >>> cells_near(surface, np.array([2.0, 11.0, 90.0]), np.array([2.5, 2.5, 2.5])).tolist()
    [1, 2, -1]
    """
    within_m = number("within_m", within_m, at_least=0)
    east = np.asarray(easting_m, np.float64)
    north = np.asarray(northing_m, np.float64)
    if (
        east.ndim != 1
        or east.shape != north.shape
        or not (np.isfinite(east).all() and np.isfinite(north).all())
    ):
        raise GroundError(
            f"Invalid places of shapes {east.shape} and {north.shape}. They must be finite eastings and "
            "northings in two lists of one length."
        )
    rows, cols = surface.shape
    reach = math.ceil(within_m / surface.cell_m) + 1
    found = np.full(len(east), NOWHERE, np.int64)
    for place in range(len(east)):
        col = math.floor((east[place] - surface.west_m) / surface.cell_m)
        row = math.floor((surface.north_m - north[place]) / surface.cell_m)
        near_rows = np.arange(max(row - reach, 0), min(row + reach + 1, rows))
        near_cols = np.arange(max(col - reach, 0), min(col + reach + 1, cols))
        if len(near_rows) == 0 or len(near_cols) == 0:
            continue
        cells = near_rows[:, None] * cols + near_cols[None, :]
        away_m = np.hypot(surface.easting_m(cells) - east[place], surface.northing_m(cells) - north[place])
        away_m[np.isnan(surface.height_m[np.ix_(near_rows, near_cols)])] = np.inf
        nearest = int(np.argmin(away_m))
        if away_m.flat[nearest] <= within_m:
            found[place] = cells.flat[nearest]
    return found
