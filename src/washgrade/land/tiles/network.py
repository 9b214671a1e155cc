"""Channels of a ground that is worked on by tiles: their cells are few, so these are held in memory."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.channels import Channels, _nodes, _reaches, no_channel
from washgrade.land.dem import Dem
from washgrade.land.flow import OUTLET, VOID
from washgrade.land.kernel import COL_STEP, ROW_STEP, kernel
from washgrade.land.tiles.area import TiledCounts
from washgrade.land.tiles.store import HeightSource, Tile, each_tile

__all__ = ["ChannelCells", "Frame", "LargeDem", "channel_cells", "delineate_cells"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where a grid lies and how large its cells are: a `washgrade.land.dem.Dem` without its heights.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    cell_m : float
        Side of a cell in metres.
    west_m, north_m : float
        Easting of the western edge and northing of the northern edge, in metres.
    crs : str
        The projected metre CRS, as ``EPSG:code`` or WKT. Only carried along.

    Raises
    ------
    InputError
        If the cell size or a corner is no finite number.

    Examples
    --------
    >>> frame = Frame(shape=(2, 3), cell_m=5, west_m=500000, north_m=4100000, crs="EPSG:25830")
    >>> frame.easting_m(np.array([0, 2])).tolist()
    [500002.5, 500012.5]
    """

    shape: tuple[int, int]
    cell_m: float
    west_m: float
    north_m: float
    crs: str

    def __post_init__(self) -> None:
        number("cell_m", self.cell_m, above=0)
        number("west_m", self.west_m)
        number("north_m", self.north_m)

    def easting_m(self, col: NDArray[np.integer]) -> NDArray[np.float64]:
        """Easting of the centres of some columns, in metres.

        Parameters
        ----------
        col : ndarray of int
            Column numbers, 0 in the west.

        Returns
        -------
        ndarray of float64
            Eastings in metres.
        """
        return self.west_m + (np.asarray(col) + 0.5) * self.cell_m

    def northing_m(self, row: NDArray[np.integer]) -> NDArray[np.float64]:
        """Northing of the centres of some rows, in metres.

        Parameters
        ----------
        row : ndarray of int
            Row numbers, 0 in the north.

        Returns
        -------
        ndarray of float64
            Northings in metres.
        """
        return self.north_m - (np.asarray(row) + 0.5) * self.cell_m


@dataclass(frozen=True, slots=True, kw_only=True)
class LargeDem(Dem):
    """A `Dem` whose heights may lie in a file: whoever wrote them made sure that they are heights or NaN.

    For large grids, which are not to be looked through once more only to be told so.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres, finite or NaN, at least one finite; such as `Grid.mapped` gives.
    cell_m, west_m, north_m, crs
        As for `Dem`.
    """

    def __post_init__(self) -> None:
        number("cell_m", self.cell_m, above=0)
        number("west_m", self.west_m)
        number("north_m", self.north_m)

    @property
    def frame(self) -> Frame:
        """Its place and size."""
        return Frame(
            shape=self.shape, cell_m=self.cell_m, west_m=self.west_m, north_m=self.north_m, crs=self.crs
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelCells:
    """The cells through which much drains, in place of whole grids; with every cell the one it drains to.

    Parameters
    ----------
    frame : Frame
        The grid.
    cell : ndarray of int64, shape (cells,)
        Flat indices, ascending.
    direction : ndarray of uint8, shape (cells,)
        Ways of flow.
    count : ndarray of int64, shape (cells,)
        Cells that drain through each.
    elevation_m : ndarray of float32, shape (cells,)
        Heights without pits, metres.
    largest : int
        Most cells that drain through one cell of the whole ground.
    """

    frame: Frame
    cell: NDArray[np.int64]
    direction: NDArray[np.uint8]
    count: NDArray[np.int64]
    elevation_m: NDArray[np.float32]
    largest: int

    def in_order(
        self, which: NDArray[np.bool_] | None = None
    ) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int32]]:
        """Put cells in order, as `washgrade.land.links.walk_down` does.

        Parameters
        ----------
        which : ndarray of bool, shape (cells,), optional
            Only these; with every cell the one it drains to.

        Returns
        -------
        place : ndarray of int64, shape (nodes,)
            Their places in the arrays, upstream before downstream.
        downstream, donors : ndarray of int32, shape (nodes,)
            Next node downstream, -1 at an outlet, and the number of nodes that pour into each.
        """
        chosen = np.arange(len(self.cell)) if which is None else np.flatnonzero(which)
        cells = self.cell[chosen]
        way = self.direction[chosen]
        goes = way < OUTLET
        step = np.where(goes, way, 0)
        to = cells + ROW_STEP[step] * self.frame.shape[1] + COL_STEP[step]
        below = np.where(goes, np.searchsorted(cells, to), -1)
        order, downstream, donors = _sort_down(below)
        return chosen[order], downstream, donors


def channel_cells(
    frame: Frame,
    conditioned: HeightSource,
    counts: TiledCounts,
    *,
    least_cells: int,
    threads: int,
    also: NDArray[np.int64] | None = None,
    tell: Callable[[float], None] | None = None,
) -> ChannelCells:
    """Collect the cells through which enough drains.

    Parameters
    ----------
    frame : Frame
        The grid.
    conditioned : HeightSource
        Heights without pits, metres.
    counts : TiledCounts
        From `washgrade.land.tiles.area.count_tiles`.
    least_cells : int
        Fewest cells that must drain through one.
    threads : int
        How many tiles are worked on at once.
    also : ndarray of int64, shape (cells,), optional
        Flat indices of cells that are taken whatever drains through them, and all downstream of them.
    tell : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    ChannelCells
        The cells.

    Raises
    ------
    GroundError
        If a cell of ``also`` is void or off the map.
    """
    cols = frame.shape[1]
    told = _follow(np.unique(np.asarray([] if also is None else also).astype(np.int64)), counts, frame.shape)

    def collect(tile: Tile) -> tuple[NDArray[Any], ...]:
        count, code = counts.tile(tile)
        taken = (count >= least_cells) & (code != VOID)
        own = told.get(tile.number)
        if own is not None:
            taken.ravel()[own] = True
        row, col = np.nonzero(taken)
        heights = np.empty(0, np.float32)
        if len(row):
            # Only the rows that hold a cell are read.
            first, last = int(row[0]), int(row[-1]) + 1
            window = conditioned.read(tile.top + first, tile.left, tile.top + last, tile.right)
            heights = np.asarray(window, np.float32)[row - first, col]
        return (row + tile.top) * cols + col + tile.left, code[row, col], count[row, col], heights

    found = [part for _, part in each_tile(collect, counts.tiling.tiles(), threads=threads, tell=tell)]
    cell, direction, count, elevation_m = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.argsort(cell)
    return ChannelCells(
        frame=frame,
        cell=cell[order],
        direction=direction[order],
        count=count[order],
        elevation_m=elevation_m[order],
        largest=counts.largest,
    )


def delineate_cells(cells: ChannelCells, *, channel_area_m2: float, max_reach_m: float = 50.0) -> Channels:
    """Make the channels, as `washgrade.land.channels.delineate` does from whole grids.

    Parameters
    ----------
    cells : ChannelCells
        All cells with at least the area, and more if wished: those with less are taken only if
        `channel_cells` was told them, which the area cannot tell; so collect them anew for another area if
        ``also`` was given.
    channel_area_m2 : float
        Smallest upstream area of a channel, square metres.
    max_reach_m : float, optional
        Longest reach, metres.

    Returns
    -------
    Channels
        Nodes and reaches.

    Raises
    ------
    InputError
        If the area or the length is not above 0.
    GroundError
        If there is no channel.
    """
    channel_area_m2 = number("channel_area_m2", channel_area_m2, above=0)
    max_reach_m = number("max_reach_m", max_reach_m, above=0)
    if not len(cells.cell):
        raise GroundError(no_channel(channel_area_m2, cells.largest * cells.frame.cell_m**2))
    place, downstream, donors = cells.in_order()
    nodes, first = _nodes(
        cast("Dem", cells.frame),
        cast("Any", _AtCells(cells.cell, cells.elevation_m)),
        cast("Any", _AtCells(cells.cell, cells.count)),
        cells.cell[place],
        downstream,
        donors,
        max_reach_m,
    )
    return Channels(nodes=nodes, reaches=_reaches(nodes, first), channel_area_m2=channel_area_m2)


def least_cells_of(channel_area_m2: float, cell_m: float) -> int:
    """Fewest cells that make up an area.

    Parameters
    ----------
    channel_area_m2 : float
        The area, square metres.
    cell_m : float
        Side of a cell, metres.

    Returns
    -------
    int
        At least 1.

    Examples
    --------
    >>> least_cells_of(101.0, 5.0)
    5
    """
    return max(1, math.ceil(channel_area_m2 / cell_m**2 - 1e-9))


@dataclass(frozen=True, slots=True)
class _AtCells:
    """Values of a whole grid that are known at some of its cells only, and asked for nowhere else."""

    cell: NDArray[np.int64]
    value: NDArray[Any]

    def ravel(self) -> _AtCells:
        return self

    def __getitem__(self, cells: NDArray[np.int64]) -> NDArray[Any]:
        found: NDArray[Any] = self.value[np.searchsorted(self.cell, cells)]
        return found


# Order in which every stretch between confluences is one run, upstream before downstream; see `walk_down`.
@kernel
def _sort_down(
    below: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int32]]:
    size = len(below)
    donors = np.zeros(size, np.int32)
    for place in range(size):
        if below[place] >= 0:
            donors[below[place]] += 1
    waiting = donors.copy()
    order = np.empty(size, np.int64)
    rank = np.empty(size, np.int32)
    placed = 0
    for head in range(size):
        if donors[head] != 0:
            continue
        node: Any = np.int64(head)
        # Down until a node still waits for another branch; the last branch to arrive walks on.
        while True:
            order[placed] = node
            rank[node] = placed
            placed += 1
            if below[node] < 0:
                break
            node = below[node]
            waiting[node] -= 1
            if waiting[node] > 0:
                break
    downstream = np.empty(size, np.int32)
    sorted_donors = np.empty(size, np.int32)
    for place in range(size):
        to = below[order[place]]
        downstream[place] = rank[to] if to >= 0 else -1
        sorted_donors[place] = donors[order[place]]
    return order, downstream, sorted_donors


# Cells and all downstream of them: flat indices within each tile, by the tile's number.
def _follow(
    cells: NDArray[np.int64], counts: TiledCounts, shape: tuple[int, int]
) -> dict[int, NDArray[np.int64]]:
    size = shape[0] * shape[1]
    if len(cells) and not (cells[0] >= 0 and cells[-1] < size):
        wrong = cells[0] if cells[0] < 0 else cells[-1]
        raise GroundError(f"Invalid 'also' with cell {wrong}. Cells must be between 0 and {size - 1}.")
    tiling = counts.tiling
    marked: dict[int, NDArray[np.int64]] = {}
    todo = cells
    while len(todo):
        row, col = np.divmod(todo, shape[1])
        numbers = row // tiling.side * tiling.across + col // tiling.side
        onward = [np.empty(0, np.int64)]
        for tile_number in np.unique(numbers).tolist():
            tile = tiling.tile(tile_number)
            code = counts.directions.read(*tile.box)
            here = numbers == tile_number
            start = (row[here] - tile.top) * tile.shape[1] + col[here] - tile.left
            void = code.ravel()[start] == VOID
            if void.any():
                raise GroundError(
                    f"Invalid 'also' with cell {todo[here][void][0]}, which is void. "
                    "Cells must have a height."
                )
            is_marked = np.zeros(code.size, np.bool_)
            is_marked[marked.get(tile_number, np.empty(0, np.int64))] = True
            out = _walk_tile(start, code, is_marked)
            marked[tile_number] = np.flatnonzero(is_marked)
            onward.append((out[:, 0] + tile.top) * shape[1] + out[:, 1] + tile.left)
        todo = np.unique(np.concatenate(onward))
    return marked


# Mark what lies downstream within a tile; return the rows and columns, counted in the tile, of the cells
# beyond its edge that water comes to.
@kernel
def _walk_tile(
    start: NDArray[np.int64], direction: NDArray[np.uint8], is_marked: NDArray[np.bool_]
) -> NDArray[np.int64]:
    rows, cols = direction.shape
    out = np.empty((len(start), 2), np.int64)
    leaving = 0
    for place in range(len(start)):
        row = start[place] // cols
        col = start[place] % cols
        while True:
            if not (0 <= row < rows and 0 <= col < cols):
                out[leaving, 0] = row
                out[leaving, 1] = col
                leaving += 1
                break
            if is_marked[row * cols + col]:
                break
            is_marked[row * cols + col] = True
            way = direction[row, col]
            if way >= OUTLET:
                break
            row += ROW_STEP[way]
            col += COL_STEP[way]
    return out[:leaving].copy()
