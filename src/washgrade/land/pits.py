"""The compiled loops that find pits, and the level patch around one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import grown, kernel, mark_outlets, neighbour_steps

__all__ = ["find_pits", "level_patch", "mark_outlets"]


@kernel
def level_patch(
    level: NDArray[np.float32],
    outlet: NDArray[np.bool_],
    visit: NDArray[np.int32],
    stamp: int,
    steps: NDArray[np.int64],
    patch: NDArray[np.int32],
    first: int,
) -> tuple[NDArray[np.int32], int, bool]:
    """Collect the level patch around an inner cell, stamping it; say whether it is a pit."""
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
                patch, _, is_pit = level_patch(level, outlet, seen, 1, steps, patch, cell)
                if not is_pit:
                    continue
            if count == len(pits):
                pits = grown(pits)
            pits[count] = cell
            count += 1
    return pits[:count].copy()
