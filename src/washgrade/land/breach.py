"""Breaching: open pits by moving the least ground, digging a way out or raising the floor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.grids import MakeGrid, copied
from washgrade.land.kernel import as_heights, as_outlets, mark_outlets
from washgrade.land.opening import open_pits, raise_single_pits
from washgrade.land.pits import lowest_cells, pits_among, with_neighbours

__all__ = ["Breached", "Cuts", "breach", "limits_of"]

# Our choice, because what one pass could not open the next one seldom can: only what other cuts changed.
MOST_ROUNDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Cuts:
    """Cuts through the ground, in the order in which they were made.

    Parameters
    ----------
    pit, end : ndarray of int64, shape (cuts,)
        Flat index of the cell where the cut begins and of the one where it comes out.
    length_m : ndarray of float64, shape (cuts,)
        Length from pit to end along the cells' centres, metres.
    depth_m : ndarray of float64, shape (cuts,)
        Deepest lowering of a cell by this cut, metres.
    volume_m3 : ndarray of float64, shape (cuts,)
        Ground removed, cubic metres.
    start : ndarray of int64, shape (cuts + 1,)
        The lowered cells of cut ``i`` are ``cell[start[i]:start[i + 1]]``.
    cell : ndarray of int64, shape (cells,)
        Flat indices of lowered cells, from the pit onwards.
    way_start : ndarray of int64, shape (cuts + 1,)
        The way of cut ``i`` is ``way[way_start[i]:way_start[i + 1]]``.
    way : ndarray of int64, shape (steps,)
        Flat indices of all cells from pit to end, both included.
    """

    pit: NDArray[np.int64]
    end: NDArray[np.int64]
    length_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    volume_m3: NDArray[np.float64]
    start: NDArray[np.int64]
    cell: NDArray[np.int64]
    way_start: NDArray[np.int64]
    way: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.pit)

    def only(self, which: NDArray[np.bool_]) -> Cuts:
        """Return some of the cuts, in their order.

        Parameters
        ----------
        which : ndarray of bool, shape (cuts,)
            True for those to return.

        Returns
        -------
        Cuts
            Only those.
        """
        start, cell = _some(self.start, self.cell, which)
        way_start, way = _some(self.way_start, self.way, which)
        return Cuts(
            pit=self.pit[which],
            end=self.end[which],
            length_m=self.length_m[which],
            depth_m=self.depth_m[which],
            volume_m3=self.volume_m3[which],
            start=start,
            cell=cell,
            way_start=way_start,
            way=way,
        )


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
        Flat indices of the cells that were raised instead of digging, or to dig less; one that was raised
        twice stands twice.
    raised_volume_m3 : float
        Ground added to them, cubic metres.
    pits_found, pits_left : int
        Pits before and after; those left could not be opened within the limits and are for `fill`.
    """

    elevation_m: NDArray[np.float32]
    cuts: Cuts
    raised: NDArray[np.int64]
    raised_volume_m3: float
    pits_found: int
    pits_left: int


def breach(
    elevation_m: NDArray[np.float32],
    *,
    cell_m: float,
    max_length_m: float,
    max_depth_m: float | None = None,
    keep: NDArray[np.bool_] | None = None,
    outlets: NDArray[np.integer] | None = None,
) -> Breached:
    """Open pits by moving the least ground, within a length and a depth.

    A pit is a level patch of one or more cells without a lower neighbour that touches neither the map's edge
    nor a void. First every single cell that is lower than all its neighbours is raised to the lowest of them.
    Then pits are taken from the highest down, those of one height by the flat index of their first cell. From
    each, Dijkstra's algorithm looks for the way of least digging, at the pit's own level, to ground that is
    lower or to an outlet. A small hollow is raised, wholly or in part, where raising its floor and digging
    only the rest of the way moves less ground. A cut is level, so a bed never rises along it. Pits that found
    no way get up to two more turns, for other cuts may have opened one.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres; NaN is a void.
    cell_m : float
        Side of a cell in metres.
    max_length_m : float
        Longest cut in metres, from the pit to where it comes out; 0 cuts nothing and only raises.
    max_depth_m : float, optional
        Most by which any cell may come to lie lower than it was, metres, however many cuts pass it. No limit
        unless told.
    keep : ndarray of bool, shape (rows, cols), optional
        Cells that no cut may lower, such as a dam that stands.
    outlets : ndarray of int, shape (outlets,), optional
        Flat indices of cells in which water sinks into the ground; they keep their heights.

    Returns
    -------
    Breached
        The ground and the record of what was done.

    Raises
    ------
    InputError
        If the cell size is not above 0 or a limit is below 0.
    GroundError
        If the array has no two dimensions, no cell, too many cells or an infinite height, the kept cells are
        not of its shape, or an outlet is no cell with a height.

    Notes
    -----
    If the limits allow a way, one is found. It is of least digging with the ground as it is at that moment,
    except that the first search keeps only the cheapest way to each cell, so one that it finds under a tight
    length may be a little dearer; where it finds none, a second one keeps dearer but shorter ways as well
    (labels of digging and length, none dominated). The sum over all pits depends on their order and is not
    claimed to be least. To raise a floor of ``n`` cells by a little and to save as much on each of the ``k``
    cells to be dug pays while ``n < k``: this is the mixed removal of pits of Soille (2004), here with the
    way found first and at most 32 cells raised for one pit. Limits on length and depth, and filling of the
    rest, follow the idea of Lindsay and Dhun (2015).

    References
    ----------
    Lindsay, J. B., Dhun, K. (2015). Modelling surface drainage patterns in altered landscapes using LiDAR.
    International Journal of Geographical Information Science 29(3), 397-411.
    Soille, P. (2004). Optimal removal of spurious pits in grid digital elevation models. Water Resources
    Research 40, W12509.

    Examples
    --------
    >>> dammed = np.array([[9, 9, 9, 9, 9, 9], [9, 4, 3, 6, 2, 1], [9, 9, 9, 9, 9, 9]], np.float32)
    >>> opened = breach(dammed, cell_m=5, max_length_m=20)
    >>> opened.elevation_m[1].tolist(), opened.cuts.volume_m3.tolist()
    ([9.0, 4.0, 4.0, 4.0, 2.0, 1.0], [50.0])
    >>> len(breach(dammed, cell_m=5, max_length_m=20, max_depth_m=1).cuts)
    0
    """
    cell_m = number("cell_m", cell_m, above=0)
    max_length_m = number("max_length_m", max_length_m, at_least=0)
    deepest_m = np.inf if max_depth_m is None else number("max_depth_m", max_depth_m, at_least=0)
    before = as_heights(elevation_m)
    is_outlet, is_kept = limits_of(before, keep, outlets)
    ground = before.copy()
    visit = np.zeros(ground.shape, np.int32)
    # Only here can pits be: cells without a lower neighbour, and later those that were changed or lie beside
    # a raised one.
    doubtful = lowest_cells(ground, is_outlet)
    found = len(pits_among(ground, is_outlet, visit, doubtful))
    rounds = [_no_work(*raise_single_pits(ground, is_outlet, lowest=doubtful))]
    doubtful = with_neighbours(doubtful, rounds[0][6], rounds[0][1], ground.shape[1])
    left = found
    pits = _pits_in_order(ground, is_outlet, visit, doubtful)
    for _ in range(MOST_ROUNDS):
        if not len(pits) or (len(rounds) > 1 and len(pits) == left):
            break
        left = len(pits)
        visit[:] = 0
        rounds.append(
            open_pits(ground, before, is_outlet, is_kept, visit, pits, max_length_m / cell_m, deepest_m)
        )
        doubtful = with_neighbours(pits, rounds[-1][6], rounds[-1][1], ground.shape[1])
        # Counted anew: a later cut may have opened a pit that found no way itself.
        pits = _pits_in_order(ground, is_outlet, visit, doubtful)
    pits_left = len(pits)
    cell, lowered_m, way, length_cells, raised, raised_m = (
        np.concatenate([done[part] for done in rounds]) for part in (1, 2, 4, 5, 6, 7)
    )
    start, way_start = (_joined([done[part] for done in rounds]) for part in (0, 3))
    area_m2 = cell_m**2
    count = len(start) - 1
    depth_m = np.maximum.reduceat(lowered_m, start[:-1]) if count else np.empty(0)
    volume_m3 = np.add.reduceat(lowered_m, start[:-1]) * area_m2 if count else np.empty(0)
    cuts = Cuts(
        pit=way[way_start[:-1]],
        end=way[way_start[1:] - 1],
        length_m=length_cells * cell_m,
        depth_m=depth_m,
        volume_m3=volume_m3,
        start=start,
        cell=cell,
        way_start=way_start,
        way=way,
    )
    return Breached(
        elevation_m=ground,
        cuts=cuts,
        raised=raised,
        raised_volume_m3=float(raised_m.sum() * area_m2),
        pits_found=found,
        pits_left=pits_left,
    )


# The pits from the highest to the lowest, those of one height by their first cell.
def _pits_in_order(
    ground: NDArray[np.float32],
    is_outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    doubtful: NDArray[np.int64],
) -> NDArray[np.int64]:
    visit[:] = 0
    pits = pits_among(ground, is_outlet, visit, doubtful)
    # They come in the order of their cells, which a stable sort keeps.
    return pits[np.argsort(-ground.ravel()[pits], kind="stable")]


# Raised cells in the form that `open_pits` returns.
def _no_work(raised: NDArray[np.int64], raised_m: NDArray[np.float64]) -> tuple[NDArray[Any], ...]:
    start, nothing, length = np.zeros(1, np.int64), np.empty(0, np.int64), np.empty(0, np.float64)
    return start, nothing, length, start, nothing, length, raised, raised_m


# The starts of runs that are laid one behind the other.
def _joined(starts: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    sizes = [np.zeros(1, np.int64), *(np.diff(start) for start in starts)]
    joined: NDArray[np.int64] = np.cumsum(np.concatenate(sizes))
    return joined


def limits_of(
    heights: NDArray[np.float32],
    keep: NDArray[np.bool_] | None,
    outlets: NDArray[np.integer] | None,
    *,
    make: MakeGrid = np.zeros,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where water leaves, and which cells may not be lowered: those told, and the sinks."""
    if keep is not None and keep.shape != heights.shape:
        raise GroundError(
            f"Invalid 'keep' of shape {keep.shape}. It must have the shape of the ground, {heights.shape}."
        )
    sinks = as_outlets(outlets, heights)
    rows, cols = heights.shape
    is_outlet = make((rows, cols), np.bool_)
    mark_outlets(heights, is_outlet)
    is_kept = make((rows, cols), np.bool_) if keep is None else copied(keep, make, np.bool_)
    is_outlet.ravel()[sinks] = True
    is_kept.ravel()[sinks] = True
    return is_outlet, is_kept


# Some of the runs of a list of runs.
def _some(
    start: NDArray[np.int64], item: NDArray[np.int64], which: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    sizes = np.diff(start)
    first = np.concatenate([np.zeros(1, np.int64), np.cumsum(sizes[which])])
    return first, item[np.repeat(which, sizes)]
