"""Grids that may be too large to be copied: made where the caller wants them, worked on by bands of rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["MakeGrid", "any_in", "bands", "copied"]

# Cells that are worked on at once: 16 MB of heights, and some times that on the way. Our choice, because
# larger reads are hardly faster.
BAND_CELLS = 1 << 22

MakeGrid = Callable[[tuple[int, int], Any], NDArray[Any]]
"""Makes a grid of zeros of a shape and type: `numpy.zeros` in memory, or one that lies in a file."""


def bands(shape: tuple[int, ...]) -> Iterator[slice]:
    """Cut a grid into bands of rows that can be worked on one by one.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.

    Yields
    ------
    slice
        Rows of a band; one band for a small grid.

    Examples
    --------
    >>> list(bands((5, 3)))
    [slice(0, 5, None)]
    """
    rows, cols = shape
    # Whole blocks of a tiled file, so that none is unpacked twice.
    step = max(BAND_CELLS // max(cols, 1) // 512 * 512, min(BAND_CELLS // max(cols, 1), 512), 1)
    for top in range(0, rows, step):
        yield slice(top, min(top + step, rows))


def any_in(test: Callable[[NDArray[Any]], NDArray[np.bool_]], values: NDArray[Any]) -> bool:
    """Say whether something holds anywhere in a grid, without a mask of all of it.

    Parameters
    ----------
    test : callable
        Gives a mask for some rows, such as `numpy.isnan`.
    values : ndarray, shape (rows, cols)
        The grid.

    Returns
    -------
    bool
        True if it holds for one cell.

    Examples
    --------
    >>> any_in(np.isnan, np.array([[1.0, np.nan]]))
    True
    """
    return any(bool(test(values[band]).any()) for band in bands(values.shape))


def copied(values: NDArray[Any], make: MakeGrid, dtype: Any = None) -> NDArray[Any]:
    """Copy a grid to where the caller wants it.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        The grid.
    make : MakeGrid
        Makes the copy's room.
    dtype : dtype-like, optional
        Type of the copy; the grid's own unless told.

    Returns
    -------
    ndarray, shape (rows, cols)
        The copy.

    Examples
    --------
    >>> copied(np.array([[1, 2]]), np.zeros, np.float32).tolist()
    [[1.0, 2.0]]
    """
    rows, cols = values.shape
    made = make((rows, cols), values.dtype if dtype is None else dtype)
    for band in bands(values.shape):
        made[band] = values[band]
    return made
