"""Breaching: cut pits open along the way that moves the least ground, or raise single cells instead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.land.kernel import (
    as_heights,
    grown,
    heap_drop,
    heap_push,
    kernel,
    mark_outlets,
    neighbour_steps,
)

__all__ = ["Breached", "Cuts", "breach"]

# Our choice, because it must only break ties: of ways that move the same volume, the shorter.
TIE_M_PER_CELL = 1e-4


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
    pits = _find_pits(ground, is_outlet, visit)
    flat = ground.ravel()
    pits = pits[np.lexsort((pits, flat[pits]))]
    visit[:] = 0
    start, cell, lowered_m, ends, length_cells, raised, raised_m = _open_pits(
        ground, is_outlet, visit, pits, max_length_m / cell_m
    )
    # Counted anew: a later cut may have opened a pit that found no way itself.
    visit[:] = 0
    pits_left = len(_find_pits(ground, is_outlet, visit))
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


# Collect the level patch around an inner cell, stamping it; say whether it is a pit.
@kernel
def _patch(
    level: NDArray[np.float32],
    outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    stamp: int,
    steps: NDArray[np.int64],
    patch: NDArray[np.int32],
    first: int,
) -> tuple[NDArray[np.int32], int, bool]:
    here = level[first]
    patch[0] = first
    visit[first] = stamp
    size = 1
    place = 0
    is_pit = True
    while place < size:
        cell = patch[place]
        place += 1
        for k in range(8):
            near = cell + steps[k]
            if level[near] < here:
                is_pit = False
            elif level[near] == here:
                if outlet[near]:
                    # Not collected: its neighbours may lie beyond the map, and two patches may share it.
                    is_pit = False
                elif visit[near] != stamp:
                    visit[near] = stamp
                    if size == len(patch):
                        patch = grown(patch)
                    patch[size] = near
                    size += 1
    return patch, size, is_pit


# Return one cell of every pit, in the order of the grid.
@kernel
def _find_pits(
    ground: NDArray[np.float32], is_outlet: NDArray[np.bool_], visit: NDArray[np.int32]
) -> NDArray[np.int64]:
    rows, cols = ground.shape
    level = ground.ravel()
    outlet = is_outlet.ravel()
    seen = visit.ravel()
    steps = neighbour_steps(cols)
    pits = np.empty(1024, np.int64)
    count = 0
    patch = np.empty(1024, np.int32)
    for row in range(1, rows - 1):
        for cell in range(row * cols + 1, (row + 1) * cols - 1):
            if outlet[cell] or np.isnan(level[cell]) or seen[cell] != 0:
                continue
            lower = False
            even = False
            for k in range(8):
                lower |= level[cell + steps[k]] < level[cell]
                even |= level[cell + steps[k]] == level[cell]
            if lower:
                continue
            if even:
                patch, _, is_pit = _patch(level, outlet, seen, 1, steps, patch, cell)
                if not is_pit:
                    continue
            if count == len(pits):
                pits = grown(pits)
            pits[count] = cell
            count += 1
    return pits[:count].copy()


# Return the height of a single-cell pit's lowest neighbour, and whether it would drain if raised to it.
@kernel
def _raise_to(
    level: NDArray[np.float32], outlet: NDArray[np.bool_], steps: NDArray[np.int64], pit: int
) -> tuple[np.float32, bool]:
    lowest = level[pit + steps[0]]
    for k in range(1, 8):
        lowest = min(lowest, level[pit + steps[k]])
    # Sure to drain when a neighbour of that height is an outlet or has a lower one beside the pit itself;
    # wider level patches are not followed, for then cutting is as good.
    for k in range(8):
        near = pit + steps[k]
        if level[near] == lowest:
            if outlet[near]:
                return lowest, True
            for j in range(8):
                if near + steps[j] != pit and level[near + steps[j]] < lowest:
                    return lowest, True
    return lowest, False


# Open the pits one by one in the given order, changing ``ground``.
@kernel
def _open_pits(
    ground: NDArray[np.float32],
    is_outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    pits: NDArray[np.int64],
    max_length_cells: float,
) -> tuple[
    NDArray[np.int64],
    NDArray[np.int64],
    NDArray[np.float64],
    NDArray[np.int64],
    NDArray[np.float64],
    NDArray[np.int64],
    float,
]:
    cols = ground.shape[1]
    level = ground.ravel()
    outlet = is_outlet.ravel()
    seen = visit.ravel()
    steps = neighbour_steps(cols)
    digging = np.empty(len(level), np.float32)
    length = np.empty(len(level), np.float32)
    back = np.empty(len(level), np.uint8)
    keys = np.empty(1024, np.float32)
    cells = np.empty(1024, np.int32)
    patch = np.empty(1024, np.int32)
    path = np.empty(1024, np.int64)
    start = np.zeros(len(pits) + 1, np.int64)
    ends = np.empty((len(pits), 2), np.int64)
    length_cells = np.empty(len(pits), np.float64)
    cut_cell = np.empty(1024, np.int64)
    cut_m = np.empty(1024, np.float64)
    raised = np.empty(len(pits), np.int64)
    cuts = 0
    lowered = 0
    raises = 0
    raised_m = 0.0
    in_patch = np.uint8(8)
    for turn in range(len(pits)):
        pit = pits[turn]
        stamp = turn + 1
        patch, size, is_pit = _patch(level, outlet, seen, stamp, steps, patch, pit)
        if not is_pit:
            continue
        bottom = level[pit]
        budget = np.float32(np.inf)
        raise_level = bottom
        if size == 1:
            lowest, drains = _raise_to(level, outlet, steps, pit)
            if drains:
                raise_level = lowest
                budget = lowest - bottom
        for place in range(size):
            digging[patch[place]] = 0.0
            length[patch[place]] = 0.0
            back[patch[place]] = in_patch
        waiting = 0
        member = 0
        end = np.int64(-1)
        # The patch's cells come first, at no cost; then the heap's, least digging first.
        while member < size or waiting > 0:
            if member < size:
                cell = np.int64(patch[member])
                member += 1
            else:
                cell = np.int64(cells[0])
                key = keys[0]
                heap_drop(keys, cells, waiting)
                waiting -= 1
                if key > digging[cell]:
                    continue
                if key >= budget:
                    break
                if outlet[cell] or level[cell] < bottom:
                    end = cell
                    break
            for k in range(8):
                near = cell + steps[k]
                step = np.float32(1.4142135) if k & 1 else np.float32(1.0)
                far = length[cell] + step
                if far > max_length_cells:
                    continue
                cost = (
                    digging[cell]
                    + max(level[near] - bottom, np.float32(0.0))
                    + np.float32(TIE_M_PER_CELL) * step
                )
                if seen[near] != stamp or cost < digging[near]:
                    seen[near] = stamp
                    digging[near] = cost
                    length[near] = far
                    back[near] = (k + 4) % 8
                    if waiting == len(keys):
                        keys = grown(keys)
                        cells = grown(cells)
                    heap_push(keys, cells, waiting, cost, near)
                    waiting += 1
        if end < 0:
            if budget < np.inf:
                raised_m += np.float64(raise_level) - np.float64(bottom)
                level[pit] = raise_level
                raised[raises] = pit
                raises += 1
            continue
        count = 0
        cell = end
        while back[cell] != in_patch:
            if count == len(path):
                path = grown(path)
            path[count] = cell
            count += 1
            cell = cell + steps[back[cell]]
        foot = min(np.float64(level[end]), np.float64(bottom))
        whole = np.float64(length[end])
        before = lowered
        for place in range(count - 1, -1, -1):
            spot = path[place]
            share = np.float64(length[spot]) / whole
            grade = np.float32(bottom + (foot - bottom) * share)
            if place == 0:
                grade = np.float32(foot)
            if level[spot] > grade:
                if lowered == len(cut_cell):
                    cut_cell = grown(cut_cell)
                    cut_m = grown(cut_m)
                cut_cell[lowered] = spot
                cut_m[lowered] = np.float64(level[spot]) - np.float64(grade)
                lowered += 1
                level[spot] = grade
        if lowered > before:
            ends[cuts, 0] = cell
            ends[cuts, 1] = end
            length_cells[cuts] = whole
            cuts += 1
            start[cuts] = lowered
    return (
        start[: cuts + 1].copy(),
        cut_cell[:lowered].copy(),
        cut_m[:lowered].copy(),
        ends[:cuts].copy(),
        length_cells[:cuts].copy(),
        raised[:raises].copy(),
        raised_m,
    )
