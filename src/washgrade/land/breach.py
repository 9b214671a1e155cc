"""Breaching: cut pits open along the way that moves the least ground, or raise single cells instead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.land.kernel import as_heights, mark_outlets
from washgrade.land.pits import find_pits, open_pits

__all__ = ["Breached", "Cuts", "breach"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cuts:
    """Cuts through the ground, in the order in which they were made, lowest pit first.

    Parameters
    ----------
    pit, end : ndarray of int64, shape (cuts,)
        Flat index of the cell where the cut begins and of the one where it comes out.
    length_m : ndarray of float64, shape (cuts,)
        Length from pit to end along the cells' centres, metres.
    depth_m : ndarray of float64, shape (cuts,)
        Deepest lowering of a cell, metres.
    volume_m3 : ndarray of float64, shape (cuts,)
        Ground removed, cubic metres.
    start : ndarray of int64, shape (cuts + 1,)
        The lowered cells of cut ``i`` are ``cell[start[i]:start[i + 1]]``.
    cell : ndarray of int64, shape (cells,)
        Flat indices of lowered cells, from the pit onwards.
    """

    pit: NDArray[np.int64]
    end: NDArray[np.int64]
    length_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    volume_m3: NDArray[np.float64]
    start: NDArray[np.int64]
    cell: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.pit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Breached:
    """Ground after breaching, and what was done to it.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN on voids.
    cuts : Cuts
        Every cut.
    raised : ndarray of int64, shape (raised,)
        Flat indices of the single-cell pits that were raised instead.
    raised_volume_m3 : float
        Ground added to them, cubic metres.
    pits_found, pits_left : int
        Pits before and after; those left could not be opened within the length and are for `fill`.
    """

    elevation_m: NDArray[np.float32]
    cuts: Cuts
    raised: NDArray[np.int64]
    raised_volume_m3: float
    pits_found: int
    pits_left: int


def breach(elevation_m: NDArray[np.float32], *, cell_m: float, max_length_m: float) -> Breached:
    """Open pits by the cut of least volume, up to a length.

    A pit is a level patch of one or more cells without a lower neighbour that touches neither the map's edge
    nor a void. Pits are taken from the lowest up. From each, Dijkstra's algorithm looks for the way of least
    digging, at the pit's own level, to ground that is lower or to an outlet; the way is then cut on an even
    grade, so a bed never rises along it. A pit of one cell is raised to its lowest neighbour where that moves
    less ground and lets it drain.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres; NaN is a void.
    cell_m : float
        Side of a cell in metres.
    max_length_m : float
        Longest cut in metres, from the pit to where it comes out; 0 cuts nothing and only raises.

    Returns
    -------
    Breached
        The ground and the record of what was done.

    Raises
    ------
    InputError
        If the cell size is not above 0 or the length is below 0.
    GroundError
        If the array has no two dimensions, no cell, too many cells or an infinite height.

    Notes
    -----
    The choice is least for each pit by itself at the moment it is opened, with ground at the pit's level; the
    even grade down to the end costs a little more. Of several ways to a cell only the cheapest is kept, so
    where the length limit bites, a dearer but shorter way may be missed. The sum over all pits is not claimed
    to be least. The idea of cutting along least-cost paths with a limit, and filling the rest, is that of
    Lindsay and Dhun; the code is not.

    References
    ----------
    Lindsay, J. B., Dhun, K. (2015). Modelling surface drainage patterns in altered landscapes using LiDAR.
    International Journal of Geographical Information Science 29(3), 397-411.

    Examples
    --------
    >>> dammed = np.array([[9, 9, 9, 9, 9, 9], [9, 4, 3, 6, 2, 1], [9, 9, 9, 9, 9, 9]], np.float32)
    >>> opened = breach(dammed, cell_m=5, max_length_m=20)
    >>> opened.elevation_m[1].tolist(), opened.cuts.volume_m3.tolist()
    ([9.0, 4.0, 3.0, 2.5, 2.0, 1.0], [87.5])
    """
    cell_m = number("cell_m", cell_m, above=0)
    max_length_m = number("max_length_m", max_length_m, at_least=0)
    ground = as_heights(elevation_m).copy()
    is_outlet = np.empty(ground.shape, np.bool_)
    mark_outlets(ground, is_outlet)
    visit = np.zeros(ground.shape, np.int32)
    pits = find_pits(ground, is_outlet, visit)
    flat = ground.ravel()
    pits = pits[np.lexsort((pits, flat[pits]))]
    visit[:] = 0
    start, cell, lowered_m, ends, length_cells, raised, raised_m = open_pits(
        ground, is_outlet, visit, pits, cell_m, max_length_m
    )
    # Counted anew: a later cut may have opened a pit that found no way itself.
    visit[:] = 0
    pits_left = len(find_pits(ground, is_outlet, visit))
    area_m2 = cell_m**2
    count = len(start) - 1
    depth_m = np.maximum.reduceat(lowered_m, start[:-1]) if count else np.empty(0)
    volume_m3 = np.add.reduceat(lowered_m, start[:-1]) * area_m2 if count else np.empty(0)
    cuts = Cuts(
        pit=ends[:, 0].copy(),
        end=ends[:, 1].copy(),
        length_m=length_cells * cell_m,
        depth_m=depth_m,
        volume_m3=volume_m3,
        start=start,
        cell=cell,
    )
    return Breached(
        elevation_m=ground,
        cuts=cuts,
        raised=raised,
        raised_volume_m3=float(raised_m * area_m2),
        pits_found=len(pits),
        pits_left=pits_left,
    )
