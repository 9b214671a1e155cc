"""The compiled loops' common ground: the decorator, the eight neighbours, a heap and growing lists.

Neighbours are numbered clockwise from the east: 0 E, 1 SE, 2 S, 3 SW, 4 W, 5 NW, 6 N, 7 NE. Even numbers are
the straight ones; the opposite of ``k`` is ``(k + 4) % 8``; ``1 << k`` is the D8 code of most GIS software.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.land.grids import any_in

__all__ = [
    "COL_STEP",
    "ROW_STEP",
    "as_heights",
    "as_outlets",
    "in_bands",
    "kernel",
    "mark_outlets",
    "neighbour_steps",
    "processors",
]

P = ParamSpec("P")
R = TypeVar("R")

ROW_STEP = np.array([0, 1, 1, 1, 0, -1, -1, -1], dtype=np.int64)
COL_STEP = np.array([1, 1, 0, -1, -1, -1, 0, 1], dtype=np.int64)

# Our choice: below this many cells a loop is over before threads would have started.
LEAST_CELLS_A_THREAD = 100_000

# Flat indices and counts are int32 inside the kernels: half the memory of int64.
MOST_CELLS = 2**31 - 1


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a plain loop with numba, once per machine.

    Parameters
    ----------
    function : callable
        Loop over arrays, in the part of Python that numba knows.

    Returns
    -------
    callable
        The compiled loop; numba keeps the plain one as its ``py_func``.

    Examples
    --------
    >>> grown.py_func(np.array([1, 2])).tolist()[:2]
    [1, 2]
    """
    return cast("Callable[P, R]", njit(cache=True, nogil=True)(function))


def processors() -> int:
    """Count the processors that this process may use.

    Returns
    -------
    int
        At least 1.

    Examples
    --------
    >>> processors() >= 1
    True
    """
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


def in_bands(loop: Callable[[int, int], R], rows: int, cols: int, *, threads: int | None = None) -> list[R]:
    """Run a compiled loop over bands of rows, with one thread for each processor.

    The loop must let go of the interpreter (as every `kernel` does) and write only what belongs to its rows,
    so that the result is the same for any number of threads. Plain threads are used, not numba's own layers:
    they need no setting up, survive a fork of the process and may be started from several threads at once.

    Parameters
    ----------
    loop : callable
        Called as ``loop(first_row, end_row)``.
    rows, cols : int
        Size of the grid.
    threads : int, optional
        How many to use; unless told, one for each processor, fewer on small grids.

    Returns
    -------
    list
        What the loop returned for each band, from the first row to the last.

    Examples
    --------
    >>> in_bands(lambda first, end: (first, end), 5, 2, threads=2)
    [(0, 2), (2, 5)]
    """
    if threads is None:
        threads = min(processors(), rows * cols // LEAST_CELLS_A_THREAD)
    threads = max(1, min(threads, rows))
    if threads == 1:
        return [loop(0, rows)]
    edges = [rows * band // threads for band in range(threads + 1)]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(loop, edges[:-1], edges[1:]))


def as_heights(elevation_m: NDArray[Any]) -> NDArray[np.float32]:
    """Return heights as the kernels want them: float32, row by row, at least one finite, none infinite.

    Parameters
    ----------
    elevation_m : ndarray, shape (rows, cols)
        Heights in metres; NaN is a void.

    Returns
    -------
    ndarray of float32, shape (rows, cols)
        The same heights, copied only where needed.

    Raises
    ------
    GroundError
        If the array is not two-dimensional, is empty, is too large or holds an infinite height.

    Examples
    --------
    >>> as_heights(np.array([[1, 2]])).dtype
    dtype('float32')
    """
    heights = np.ascontiguousarray(elevation_m, dtype=np.float32)
    if np.ndim(elevation_m) != 2:
        raise GroundError(
            f"Invalid 'elevation_m' of {np.ndim(elevation_m)} dimensions. It must have rows and columns."
        )
    if not 0 < heights.size <= MOST_CELLS:
        raise GroundError(
            f"Invalid 'elevation_m' of {heights.size} cells. It must have between 1 and {MOST_CELLS} cells."
        )
    if any_in(np.isinf, heights):
        raise GroundError(
            "Invalid 'elevation_m' with infinite heights. It must hold finite heights, or NaN for voids."
        )
    return heights


def as_outlets(outlets: NDArray[Any] | None, heights: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return the cells in which water sinks into the ground as the kernels want them.

    Parameters
    ----------
    outlets : ndarray of int, shape (outlets,), or None
        Flat indices; none at all if None.
    heights : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN on voids.

    Returns
    -------
    ndarray of int64, shape (outlets,)
        Each once, ascending.

    Raises
    ------
    GroundError
        If one lies off the grid or on a void.

    Examples
    --------
    >>> as_outlets(np.array([3, 1, 3]), np.zeros((2, 2), np.float32)).tolist()
    [1, 3]
    """
    cells: NDArray[np.int64] = np.unique(np.asarray([] if outlets is None else outlets).astype(np.int64))
    off = cells[(cells < 0) | (cells >= heights.size)]
    if len(off):
        raise GroundError(
            f"Invalid outlet of cell {off[0]}. It must be a flat index between 0 and {heights.size - 1}."
        )
    void = cells[np.isnan(heights.ravel()[cells])]
    if len(void):
        raise GroundError(f"Invalid outlet of cell {void[0]}, which is void. It must have a height.")
    return cells


@kernel
def neighbour_steps(cols: int) -> NDArray[np.int64]:
    """Return the steps in flat index to the eight neighbours."""
    return ROW_STEP * cols + COL_STEP


@kernel
def mark_outlets(heights: NDArray[np.float32], is_outlet: NDArray[np.bool_]) -> None:
    """Mark the cells that touch the map's edge or a void; both arrays have shape (rows, cols)."""
    rows, cols = heights.shape
    is_outlet[:] = False
    for row in range(rows):
        for col in range(cols):
            if np.isnan(heights[row, col]):
                for k in range(8):
                    near_row = row + ROW_STEP[k]
                    near_col = col + COL_STEP[k]
                    if (
                        0 <= near_row < rows
                        and 0 <= near_col < cols
                        and not np.isnan(heights[near_row, near_col])
                    ):
                        is_outlet[near_row, near_col] = True
            elif row == 0 or col == 0 or row == rows - 1 or col == cols - 1:
                is_outlet[row, col] = True


@kernel
def grown(items: NDArray[Any]) -> NDArray[Any]:
    """Return a copy of a list with twice the room."""
    larger = np.empty(2 * len(items), items.dtype)
    larger[: len(items)] = items
    return larger


@kernel
def heap_push(
    keys: NDArray[np.float32], cells: NDArray[np.int32], size: int, key: np.float32, cell: int
) -> None:
    """Add an entry to a binary min-heap of ``size`` entries; the lists must have room for one more."""
    place = size
    while place > 0:
        parent = (place - 1) >> 1
        if keys[parent] <= key:
            break
        keys[place] = keys[parent]
        cells[place] = cells[parent]
        place = parent
    keys[place] = key
    cells[place] = cell


@kernel
def heap_drop(keys: NDArray[np.float32], cells: NDArray[np.int32], size: int) -> None:
    """Remove the least entry, ``keys[0]``, from a binary min-heap of ``size`` entries."""
    last = size - 1
    key = keys[last]
    cell = cells[last]
    place = 0
    while True:
        child = 2 * place + 1
        if child >= last:
            break
        if child + 1 < last and keys[child + 1] < keys[child]:
            child += 1
        if keys[child] >= key:
            break
        keys[place] = keys[child]
        cells[place] = cells[child]
        place = child
    keys[place] = key
    cells[place] = cell
