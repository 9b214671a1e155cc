"""A DEM as an array: square cells in a projected metre grid, NaN where nothing is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError

__all__ = ["Dem"]


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
        If the array is not two-dimensional or holds no height at all.
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
            raise GroundError("The DEM holds no height at all. It must have at least one cell that is not void.")

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
