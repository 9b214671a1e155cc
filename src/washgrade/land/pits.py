"""The compiled loops that find pits and open them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import grown, heap_drop, heap_push, kernel, mark_outlets, neighbour_steps

__all__ = ["find_pits", "mark_outlets", "open_pits"]

# Our choice, because it must only break ties: of ways that move the same volume, the shorter.
TIE_M_PER_CELL = 1e-4


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


@kernel
def find_pits(
    ground: NDArray[np.float32], is_outlet: NDArray[np.bool_], visit: NDArray[np.int32]
) -> NDArray[np.int64]:
    """Find the pits: level patches without a lower neighbour that touch no outlet.

    Parameters
    ----------
    ground : ndarray of float32, shape (rows, cols)
        Heights in metres; NaN is a void.
    is_outlet : ndarray of bool, shape (rows, cols)
        From `mark_outlets`.
    visit : ndarray of int32, shape (rows, cols)
        All 0; used as scratch.

    Returns
    -------
    ndarray of int64, shape (pits,)
        Flat index of one cell of every pit, ascending.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9], [9, 1, 2, 9], [9, 9, 9, 9]], np.float32)
    >>> is_outlet = np.zeros((3, 4), np.bool_)
    >>> mark_outlets(ground, is_outlet)
    >>> find_pits(ground, is_outlet, np.zeros((3, 4), np.int32)).tolist()
    [5]
    """
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


@kernel
def open_pits(
    ground: NDArray[np.float32],
    is_outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    pits: NDArray[np.int64],
    cell_m: float,
    max_length_m: float,
) -> tuple[
    NDArray[np.int64],
    NDArray[np.int64],
    NDArray[np.float64],
    NDArray[np.int64],
    NDArray[np.float64],
    NDArray[np.int64],
    float,
]:
    """Open pits one by one in the given order, changing ``ground``.

    Parameters
    ----------
    ground : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN on voids; changed.
    is_outlet : ndarray of bool, shape (rows, cols)
        From `mark_outlets`.
    visit : ndarray of int32, shape (rows, cols)
        All 0; used as scratch.
    pits : ndarray of int64, shape (pits,)
        One cell of each pit.
    cell_m, max_length_m : float
        Side of a cell and longest cut, metres.

    Returns
    -------
    start : ndarray of int64, shape (cuts + 1,)
        Where each cut's lowered cells begin.
    cell : ndarray of int64, shape (cells,)
        Lowered cells.
    lowered_m : ndarray of float64, shape (cells,)
        By how much, metres.
    ends : ndarray of int64, shape (cuts, 2)
        Pit and end of each cut.
    length_cells : ndarray of float64, shape (cuts,)
        Length of each cut, in cells.
    raised : ndarray of int64, shape (raised,)
        Single-cell pits that were raised.
    raised_m : float
        By how much altogether, metres.
    """
    cols = ground.shape[1]
    max_length_cells = max_length_m / cell_m
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
