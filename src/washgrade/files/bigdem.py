"""Room for grids while DEMs are read: in memory as long as they are small, on a scratch disk beyond that."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from washgrade.land.grids import bands
from washgrade.land.tiles.store import Grid, HeightSource, InMemory, Scratch, give_back, rest, working_bytes

__all__ = ["Room", "known_range", "middle"]

# Of the memory to work in, the share that grids may take before they go to disk: what is made of them needs
# the rest. Our choice.
GRID_SHARE = 0.2
# And what GDAL may keep of the files that it reads and writes; by itself it takes as large a share of all the
# memory there is, whatever was allowed.
CACHE_SHARE = 0.05
LEAST_CACHE_BYTES = 16_000_000


class Room:
    """A place for grids that takes no more memory than it is allowed.

    Parameters
    ----------
    memory_bytes : int, optional
        Memory of the whole program; unless told, all grids are made in memory.
    folder : Path or str, optional
        Where scratch files go, if it comes to that; the system's folder for temporary files unless told.

    Examples
    --------
    >>> with Room(1000) as room:
    ...     small, large = room.empty((5, 5)), room.empty((9, 9))
    ...     large[:] = 7.0
    ...     room.grid_of(small), room.grid_of(large).read(0, 0, 1, 2).tolist()
    (None, [[7.0, 7.0]])
    """

    def __init__(self, memory_bytes: int | None = None, folder: Path | str | None = None) -> None:
        self.left = None if memory_bytes is None else int(working_bytes(memory_bytes) * GRID_SHARE)
        self._cache_bytes = (
            None if memory_bytes is None else max(LEAST_CACHE_BYTES, int(memory_bytes * CACHE_SHARE))
        )
        self._exits = ExitStack()
        self.folder = folder
        self._scratch: Scratch | None = None
        self._made: list[tuple[NDArray[Any], Grid]] = []
        self._count = 0

    def __enter__(self) -> Room:
        if self._cache_bytes is not None:
            import rasterio

            self._exits.enter_context(rasterio.Env(GDAL_CACHEMAX=self._cache_bytes))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._exits.close()
        self._made.clear()
        if self._scratch is not None:
            self._scratch.close()

    @property
    def scratch(self) -> Scratch:
        """The scratch folder, made when it is first wanted and removed with the room."""
        if self._scratch is None:
            self._scratch = Scratch(self.folder)
        return self._scratch

    def empty(self, shape: tuple[int, ...], dtype: DTypeLike = np.float32) -> NDArray[Any]:
        """Make a grid whose values are still to be written.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.
        dtype : dtype-like, optional
            Type of its values.

        Returns
        -------
        ndarray, shape (rows, cols)
            In memory, or in a file that is written and read where the array is.

        Raises
        ------
        SiteError
            If the disk has too little room.
        """
        rows, cols = shape
        size = rows * cols * np.dtype(dtype).itemsize
        if self.left is None or size <= self.left:
            if self.left is not None:
                self.left -= size
            return np.empty((rows, cols), dtype)
        self.scratch.need(size)
        self._count += 1
        grid = self.scratch.grid(f"room-{self._count}", (rows, cols), dtype)
        made = grid.mapped(writable=True)
        self._made.append((made, grid))
        return made

    def zeros(self, shape: tuple[int, ...], dtype: DTypeLike = np.float32) -> NDArray[Any]:
        """Make a grid of zeros, for what works on a ground (`washgrade.land.grids.MakeGrid`).

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.
        dtype : dtype-like, optional
            Type of its values.

        Returns
        -------
        ndarray, shape (rows, cols)
            As `empty` gives it; a file takes no room for what stays 0.

        Raises
        ------
        SiteError
            If the disk has too little room.
        """
        made = self.empty(shape, dtype)
        if self.grid_of(made) is None:
            made[:] = 0
        return made

    def windows(self, values: NDArray[Any]) -> HeightSource:
        """Read a grid by windows, from its file if it has one.

        Parameters
        ----------
        values : ndarray, shape (rows, cols)
            What `empty` gave, or any other grid.

        Returns
        -------
        HeightSource
            The windows; what is read from a file does not stay in memory.
        """
        return self.grid_of(values) or InMemory(values)

    def in_memory(self, values: NDArray[Any]) -> NDArray[Any]:
        """Bring a grid into memory if it lies in a file, which then goes.

        Parameters
        ----------
        values : ndarray, shape (rows, cols)
            What `empty` gave.

        Returns
        -------
        ndarray, shape (rows, cols)
            The grid.
        """
        if self.grid_of(values) is None:
            return values
        loaded = values.copy()
        self.keep_only(*(made for made, _ in self._made if made is not values))
        return loaded

    def rest(self) -> None:
        """Let go of what was read of grids in files; it is read again where it is looked at again."""
        for made, _ in self._made:
            rest(made)
        give_back()

    def grid_of(self, values: NDArray[Any]) -> Grid | None:
        """Find the file of a grid.

        Parameters
        ----------
        values : ndarray
            What `empty` gave.

        Returns
        -------
        Grid or None
            None for one in memory.
        """
        return next((grid for made, grid in self._made if made is values), None)

    def keep_only(self, *values: NDArray[Any]) -> None:
        """Remove the files of all other grids, which must not be used any more.

        Parameters
        ----------
        *values : ndarray
            What `empty` gave.
        """
        kept = [(made, grid) for made, grid in self._made if any(made is one for one in values)]
        gone = [grid for made, grid in self._made if not any(made is one for one in values)]
        # Before the files, so that no system refuses to remove what is still open.
        self._made = kept
        for grid in gone:
            self.scratch.drop(grid)


def known_range(heights_m: NDArray[Any]) -> tuple[int, float, float]:
    """Count the cells of a grid that have a height, and find the least and the greatest.

    Parameters
    ----------
    heights_m : ndarray, shape (rows, cols)
        Metres; NaN is a void.

    Returns
    -------
    count : int
        Cells with a height.
    low_m, high_m : float
        NaN where there is none.

    Examples
    --------
    >>> known_range(np.array([[3.0, np.nan], [5.0, 4.0]]))
    (3, 3.0, 5.0)
    """
    count, low_m, high_m = 0, np.inf, -np.inf
    for band in bands(heights_m.shape):
        part = heights_m[band]
        known = np.isfinite(part)
        here = int(np.count_nonzero(known))
        if here:
            count += here
            low_m = min(low_m, float(part.min(where=known, initial=np.inf)))
            high_m = max(high_m, float(part.max(where=known, initial=-np.inf)))
    return (count, low_m, high_m) if count else (0, float("nan"), float("nan"))


def middle(values: NDArray[Any], most: int = 1024) -> NDArray[Any]:
    """Give the middle of a grid.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        The grid.
    most : int, optional
        Most rows and columns.

    Returns
    -------
    ndarray, shape (rows of it, cols of it)
        A view.
    """
    top, left = (max(0, (size - most) // 2) for size in values.shape)
    return values[top : top + most, left : left + most]
