"""The compiled loops that find pits, and the level patch around one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import in_bands, kernel, mark_outlets, neighbour_steps

__all__ = ["find_pits", "level_patch", "lowest_cells", "mark_outlets", "pits_among", "with_neighbours"]


@kernel
def level_patch(
    level: NDArray[np.float32],
    outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    stamp: int,
    steps: NDArray[np.int64],
    patch: NDArray[np.int32],
    first: int,
) -> tuple[int, bool]:
    """Collect the level patch around an inner cell, stamping it; return its size and whether it is a pit."""
    # ``patch`` has room for every cell: a list that may be replaced slows the loop down by half.
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
                    patch[size] = near
                    size += 1
    return size, is_pit


@kernel
def _lowest_in_rows(
    ground: NDArray[np.float32], is_outlet: NDArray[np.bool_], first_row: int, end_row: int
) -> NDArray[np.int64]:
    """Inner cells of some rows that have no lower neighbour and are no outlet, ascending."""
    rows, cols = ground.shape
    level = ground.ravel()
    outlet = is_outlet.ravel()
    # Room for all; what is never written takes no memory.
    found = np.empty(max(end_row - first_row, 0) * cols, np.int64)
    count = 0
    for row in range(max(first_row, 1), min(end_row, rows - 1)):
        for cell in range(row * cols + 1, (row + 1) * cols - 1):
            here = level[cell]
            # Straight neighbours first: most cells have a lower one among them.
            if (
                level[cell + 1] < here
                or level[cell + cols] < here
                or level[cell - 1] < here
                or level[cell - cols] < here
                or level[cell + cols + 1] < here
                or level[cell + cols - 1] < here
                or level[cell - cols - 1] < here
                or level[cell - cols + 1] < here
            ):
                continue
            if outlet[cell] or np.isnan(here):
                continue
            found[count] = cell
            count += 1
    return found[:count].copy()


def lowest_cells(ground: NDArray[np.float32], is_outlet: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Cells that are no outlet and have no lower neighbour, with both cores where it pays.

    Parameters
    ----------
    ground : ndarray of float32, shape (rows, cols)
        Heights in metres; NaN is a void.
    is_outlet : ndarray of bool, shape (rows, cols)
        From `mark_outlets`.

    Returns
    -------
    ndarray of int64, shape (cells,)
        Flat indices, ascending.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9], [9, 1, 2, 9], [9, 9, 9, 9]], np.float32)
    >>> is_outlet = np.zeros((3, 4), np.bool_)
    >>> mark_outlets(ground, is_outlet)
    >>> lowest_cells(ground, is_outlet).tolist()
    [5]
    """
    rows, cols = ground.shape
    return np.concatenate(
        in_bands(lambda first, end: _lowest_in_rows(ground, is_outlet, first, end), rows, cols)
    )


@kernel
def with_neighbours(
    cells: NDArray[np.int64], raised: NDArray[np.int64], lowered: NDArray[np.int64], cols: int
) -> NDArray[np.int64]:
    """Some cells, those that were raised or lowered, and all neighbours of the raised, which are inner ones.

    Parameters
    ----------
    cells, raised, lowered : ndarray of int64
        Flat indices.
    cols : int
        Columns of the map.

    Returns
    -------
    ndarray of int64
        Flat indices; some may stand more than once.
    """
    steps = neighbour_steps(cols)
    found = np.empty(len(cells) + 9 * len(raised) + len(lowered), np.int64)
    found[: len(cells)] = cells
    count = len(cells)
    found[count : count + len(lowered)] = lowered
    count += len(lowered)
    for turn in range(len(raised)):
        found[count] = raised[turn]
        count += 1
        for k in range(8):
            found[count] = raised[turn] + steps[k]
            count += 1
    return found


def pits_among(
    ground: NDArray[np.float32],
    is_outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    cells: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Find the pits that hold one of some inner cells.

    Parameters
    ----------
    ground : ndarray of float32, shape (rows, cols)
        Heights in metres; NaN is a void.
    is_outlet : ndarray of bool, shape (rows, cols)
        From `mark_outlets`.
    visit : ndarray of int32, shape (rows, cols)
        All 0; used as scratch.
    cells : ndarray of int64, shape (cells,)
        Flat indices; outlets, voids and cells with a lower neighbour among them are passed over, and so is
        a cell that comes again.

    Returns
    -------
    ndarray of int64, shape (pits,)
        Of every pit the cell of the lowest flat index, ascending.
    """
    # Sorted by numpy: numba takes seconds to compile a sort.
    return np.sort(_pits_among(ground, is_outlet, visit, cells))


@kernel
def _pits_among(
    ground: NDArray[np.float32],
    is_outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    cells: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Find the pits in the order of the cells that were met."""
    cols = ground.shape[1]
    level = ground.ravel()
    outlet = is_outlet.ravel()
    seen = visit.ravel()
    steps = neighbour_steps(cols)
    patch = np.empty(len(level), np.int32)
    pits = np.empty(len(cells), np.int64)
    count = 0
    for turn in range(len(cells)):
        cell = cells[turn]
        here = level[cell]
        if outlet[cell] or np.isnan(here) or seen[cell] != 0:
            continue
        lower = False
        even = False
        for k in range(8):
            lower |= level[cell + steps[k]] < here
            even |= level[cell + steps[k]] == here
        if lower:
            continue
        seen[cell] = 1
        first = cell
        if even:
            size, is_pit = level_patch(level, outlet, seen, 1, steps, patch, cell)
            if not is_pit:
                continue
            for place in range(size):
                first = min(first, np.int64(patch[place]))
        pits[count] = first
        count += 1
    return pits[:count]


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
        Of every pit the cell of the lowest flat index, ascending.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9], [9, 1, 2, 9], [9, 9, 9, 9]], np.float32)
    >>> is_outlet = np.zeros((3, 4), np.bool_)
    >>> mark_outlets(ground, is_outlet)
    >>> find_pits(ground, is_outlet, np.zeros((3, 4), np.int32)).tolist()
    [5]
    """
    return pits_among(ground, is_outlet, visit, lowest_cells(ground, is_outlet))
