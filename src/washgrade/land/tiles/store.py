"""Grids on a scratch disk, read and written by windows, and the tiles that they are cut into."""

from __future__ import annotations

import contextlib
import ctypes
import math
import mmap
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

from washgrade.checks import whole
from washgrade.errors import GroundError, SiteError

__all__ = [
    "Grid",
    "HeightSource",
    "InMemory",
    "Scratch",
    "Tile",
    "Tiling",
    "each_tile",
    "give_back",
    "rest",
    "tile_side",
    "working_bytes",
]

# Our choice: below this the edges, which are passed on in memory, weigh as much as the area.
LEAST_SIDE = 256
# Our choice: larger tiles read no faster, and progress would come in few large steps.
LARGEST_SIDE = 8192

# What Python and the libraries take before anything is done: 0.16 GB where it was measured
# (benchmarks/tiles.py).
PROGRAM_BYTES = 200_000_000
# Our choice: with less, tiles would be of the least size.
LEAST_BYTES = 16_000_000

Item = TypeVar("Item")
Result = TypeVar("Result")


class HeightSource(Protocol):
    """What a DEM must offer to be worked on tile by tile: a size, and the heights of any window."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        ...

    def read(self, top: int, left: int, bottom: int, right: int) -> NDArray[Any]:
        """Return rows ``top`` to ``bottom - 1`` and columns ``left`` to ``right - 1``, NaN on voids."""
        ...


@dataclass(frozen=True, slots=True)
class InMemory:
    """A grid in memory, read by windows: a `HeightSource` for a DEM that itself fits.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        The grid.

    Examples
    --------
    >>> InMemory(np.arange(6.0).reshape(2, 3)).read(0, 1, 2, 3).tolist()
    [[1.0, 2.0], [4.0, 5.0]]
    """

    values: NDArray[Any]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.values.shape
        return rows, cols

    def read(self, top: int, left: int, bottom: int, right: int) -> NDArray[Any]:
        """Read a window.

        Parameters
        ----------
        top, left, bottom, right : int
            Its first row and column, and the row and column after its last.

        Returns
        -------
        ndarray, shape (bottom - top, right - left)
            A view of its values, not to be changed.
        """
        return self.values[top:bottom, left:right]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A grid in a file of a scratch folder; windows of it are read and written, never all of it.

    The file is opened anew for every window, so any number of threads may use the grid at once, and nothing
    of it counts as this program's memory.

    Parameters
    ----------
    path : Path
        The file: values row by row, without a header.
    shape : tuple of int
        Rows and columns.
    dtype : numpy.dtype
        Type of the values.
    """

    path: Path
    shape: tuple[int, int]
    dtype: np.dtype[Any]

    def read(self, top: int, left: int, bottom: int, right: int) -> NDArray[Any]:
        """Read a window.

        Parameters
        ----------
        top, left, bottom, right : int
            Its first row and column, and the row and column after its last.

        Returns
        -------
        ndarray, shape (bottom - top, right - left)
            Its values.

        Raises
        ------
        SiteError
            If the file is gone or too short.
        """
        window = np.empty((bottom - top, right - left), self.dtype)
        try:
            with self.path.open("rb", buffering=0) as file:
                for row, piece in self._pieces(window, top, left):
                    file.seek(row)
                    if file.readinto(piece) != len(piece):
                        raise SiteError(f"{self.path} is too short. Something else changed the scratch file.")
        except FileNotFoundError:
            raise SiteError(f"{self.path} is gone. Something else removed the scratch file.") from None
        return window

    def write(self, top: int, left: int, values: NDArray[Any]) -> None:
        """Write a window.

        Parameters
        ----------
        top, left : int
            Its first row and column.
        values : ndarray, shape (rows, cols)
            Its values.

        Raises
        ------
        SiteError
            If the disk is full or the file is gone.
        """
        window = np.ascontiguousarray(values, self.dtype)
        whole = True
        try:
            with self.path.open("r+b", buffering=0) as file:
                for row, piece in self._pieces(window, top, left):
                    file.seek(row)
                    whole &= file.write(piece) == len(piece)
        except OSError as error:
            raise SiteError(
                f"The scratch file {self.path} cannot be written ({error.strerror or error})."
            ) from None
        if not whole:
            raise SiteError(f"The disk of the scratch folder {self.path.parent} is full.")

    def mapped(self, *, writable: bool = False) -> NDArray[Any]:
        """Give the whole grid as an array that is read from the file where it is looked at, and only there.

        For what looks at few places, such as cross-sections of channels (`washgrade.land.shape`): pages that
        were read count as memory of the program, but the system takes them back when it needs room.

        Parameters
        ----------
        writable : bool, optional
            Whether what is written into the array goes into the file.

        Returns
        -------
        ndarray, shape (rows, cols)
            Read-only unless told; it must not be used after the scratch folder is closed.

        Raises
        ------
        SiteError
            If the file is gone.
        """
        try:
            return np.asarray(np.memmap(self.path, self.dtype, "r+" if writable else "r", shape=self.shape))
        except FileNotFoundError:
            raise SiteError(f"{self.path} is gone. Something else removed the scratch file.") from None

    # Where each stretch of a window begins in the file, and its bytes; whole rows go in one stretch.
    def _pieces(self, window: NDArray[Any], top: int, left: int) -> Iterator[tuple[int, memoryview]]:
        cols = self.shape[1]
        if not window.size:
            return
        if window.shape[1] == cols:
            yield top * cols * self.dtype.itemsize, window.reshape(-1).view(np.uint8).data
            return
        flat = window.view(np.uint8).reshape(window.shape[0], -1)
        for row in range(window.shape[0]):
            yield ((top + row) * cols + left) * self.dtype.itemsize, flat[row].data


def working_bytes(memory_bytes: int) -> int:
    """Of the memory for a whole program, what is left to work in.

    Parameters
    ----------
    memory_bytes : int
        Memory for the whole program.

    Returns
    -------
    int
        Bytes. What the program takes for itself cannot be helped, so a little is left in any case.

    Examples
    --------
    >>> working_bytes(10**9), working_bytes(10**8), working_bytes(10**7)
    (800000000, 16000000, 10000000)
    """
    return max(memory_bytes - PROGRAM_BYTES, min(memory_bytes, LEAST_BYTES))


def give_back() -> None:
    """Give the system back what was freed and the C library still keeps, where it can be told to (glibc)."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def rest(values: NDArray[Any]) -> None:
    """Let go of the memory that holds what was read of a grid in a file; nothing is lost.

    The system would take it back when it needs room; but what is let go of sooner leaves that room to others.

    Parameters
    ----------
    values : ndarray
        What `Grid.mapped` gave; nothing happens to another array.

    Examples
    --------
    >>> with Scratch() as scratch:
    ...     mapped = scratch.grid("heights", (1, 2), np.float32).mapped(writable=True)
    ...     mapped[:] = 5.0
    ...     rest(mapped)
    ...     mapped.tolist()
    [[5.0, 5.0]]
    """
    base: Any = values
    while isinstance(base, np.ndarray):
        base = base.base
    # Not every system can be told so.
    if isinstance(base, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        base.madvise(mmap.MADV_DONTNEED)


class Scratch:
    """A folder for grids that is emptied and removed at the end, whatever happens in between.

    Parameters
    ----------
    folder : Path or str, optional
        Where to make it; the system's folder for temporary files unless told.

    Raises
    ------
    SiteError
        If there is no such folder or nothing can be written in it.

    Examples
    --------
    >>> with Scratch() as scratch:
    ...     grid = scratch.grid("heights", (2, 3), np.float32)
    ...     grid.write(0, 1, np.array([[5.0], [7.0]]))
    ...     grid.read(0, 0, 2, 2).tolist()
    [[0.0, 5.0], [0.0, 7.0]]
    """

    def __init__(self, folder: Path | str | None = None) -> None:
        if folder is not None and not Path(folder).is_dir():
            raise SiteError(f"There is no folder {folder} for scratch files. It must exist.")
        try:
            self.folder = Path(tempfile.mkdtemp(prefix="washgrade-", dir=folder))
        except OSError as error:
            raise SiteError(
                f"Scratch files cannot be written in {folder} ({error.strerror}). Give another folder."
            ) from None

    def __enter__(self) -> Scratch:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Remove the folder and all in it; twice does no harm."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def need(self, size: int) -> None:
        """Refuse to begin what the disk cannot hold.

        Parameters
        ----------
        size : int
            Bytes that will be written.

        Raises
        ------
        SiteError
            If the disk has less room than that.
        """
        free = shutil.disk_usage(self.folder).free
        if free < size:
            raise SiteError(
                f"The disk of the scratch folder {self.folder.parent} has {free / 1e9:.1f} GB free. "
                f"It must have {size / 1e9:.1f} GB; free some or give another folder."
            )

    def grid(self, name: str, shape: tuple[int, int], dtype: DTypeLike) -> Grid:
        """Make a grid of zeros.

        Parameters
        ----------
        name : str
            Name of its file.
        shape : tuple of int
            Rows and columns.
        dtype : dtype-like
            Type of its values.

        Returns
        -------
        Grid
            The grid.
        """
        made = Grid(path=self.folder / name, shape=shape, dtype=np.dtype(dtype))
        with made.path.open("wb") as file:
            file.truncate(shape[0] * shape[1] * made.dtype.itemsize)
        return made

    def drop(self, grid: Grid) -> None:
        """Remove a grid that is no longer needed.

        Parameters
        ----------
        grid : Grid
            One made here.
        """
        grid.path.unlink(missing_ok=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """A rectangle of cells: rows ``top`` to ``bottom - 1``, columns ``left`` to ``right - 1``."""

    number: int
    top: int
    left: int
    bottom: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Top, left, bottom and right, as `Grid.read` takes them."""
        return self.top, self.left, self.bottom, self.right


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiling:
    """A grid cut into tiles, row by row; those at the eastern and southern edge may be smaller.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the grid.
    side : int
        Rows and columns of a tile.

    Examples
    --------
    >>> tiling = Tiling(shape=(5, 3), side=4)
    >>> [tile.box for tile in tiling.tiles()], tiling.across
    ([(0, 0, 4, 3), (4, 0, 5, 3)], 1)
    """

    shape: tuple[int, int]
    side: int

    @property
    def across(self) -> int:
        """Tiles in a row."""
        return math.ceil(self.shape[1] / self.side)

    @property
    def down(self) -> int:
        """Tiles in a column."""
        return math.ceil(self.shape[0] / self.side)

    def __len__(self) -> int:
        return self.across * self.down

    def tile(self, number: int) -> Tile:
        """Return one tile.

        Parameters
        ----------
        number : int
            Its number, row by row.

        Returns
        -------
        Tile
            The tile.
        """
        down, across = divmod(number, self.across)
        top, left = down * self.side, across * self.side
        return Tile(
            number=number,
            top=top,
            left=left,
            bottom=min(top + self.side, self.shape[0]),
            right=min(left + self.side, self.shape[1]),
        )

    def tiles(self) -> list[Tile]:
        """Return all tiles, row by row.

        Returns
        -------
        list of Tile
            The tiles.
        """
        return [self.tile(number) for number in range(len(self))]

    def around(self, box: tuple[int, int, int, int], halo: int) -> tuple[int, int, int, int]:
        """Widen a rectangle to all sides as far as the grid goes.

        Parameters
        ----------
        box : tuple of int
            Top, left, bottom and right.
        halo : int
            By how many cells.

        Returns
        -------
        tuple of int
            Top, left, bottom and right.
        """
        top, left, bottom, right = box
        return (
            max(top - halo, 0),
            max(left - halo, 0),
            min(bottom + halo, self.shape[0]),
            min(right + halo, self.shape[1]),
        )

    def touching(self, box: tuple[int, int, int, int]) -> list[Tile]:
        """Return the tiles that share a cell with a rectangle.

        Parameters
        ----------
        box : tuple of int
            Top, left, bottom and right.

        Returns
        -------
        list of Tile
            The tiles, row by row.
        """
        top, left, bottom, right = box
        return [
            self.tile(down * self.across + across)
            for down in range(top // self.side, (bottom - 1) // self.side + 1)
            for across in range(left // self.side, (right - 1) // self.side + 1)
        ]


def tile_side(memory_bytes: int, *, bytes_per_cell: int, threads: int) -> int:
    """Side of the largest tiles of which every thread may hold one.

    Parameters
    ----------
    memory_bytes : int
        Memory for all threads.
    bytes_per_cell : int
        What the most demanding step takes.
    threads : int
        How many work at once.

    Returns
    -------
    int
        Rows and columns of a tile.

    Raises
    ------
    GroundError
        If that is less than a tile may be.

    Examples
    --------
    >>> tile_side(10**9, bytes_per_cell=60, threads=2)
    2886
    """
    whole("threads", threads, at_least=1)
    side = math.isqrt(int(memory_bytes / (bytes_per_cell * threads)))
    if side < LEAST_SIDE:
        least = LEAST_SIDE**2 * bytes_per_cell * threads
        raise GroundError(
            f"Too little memory for the work: {memory_bytes / 1e6:.0f} MB. "
            f"It must be at least {least / 1e6:.0f} MB."
        )
    return min(side, LARGEST_SIDE)


def each_tile(
    work: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    threads: int,
    tell: Callable[[float], None] | None = None,
) -> Iterator[tuple[Item, Result]]:
    """Work on tiles by several threads; results come as they are done, in any order.

    No more items are taken than there are threads, so that what waits does not pile up; after an error
    nothing new is begun.

    Parameters
    ----------
    work : callable
        What is done to an item.
    items : iterable
        Tiles, or what stands for them.
    threads : int
        How many work at once.
    tell : callable, optional
        Told the share done, 0 to 1, after each item.

    Yields
    ------
    tuple
        An item and its result.
    """
    todo = list(items)
    count = len(todo)
    done = 0
    with ThreadPoolExecutor(max_workers=threads) as pool:
        running: dict[Future[Result], Item] = {}
        try:
            while todo or running:
                while todo and len(running) < threads:
                    item = todo.pop(0)
                    running[pool.submit(work, item)] = item
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    item = running.pop(future)
                    result = future.result()
                    done += 1
                    if tell is not None:
                        tell(done / count)
                    yield item, result
                    del result, future
        finally:
            for future in running:
                future.cancel()
