"""Upstream area tile by tile: each tile tells what runs in at which edge cell and where it comes out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.land.flow import OUTLET, VOID
from washgrade.land.kernel import COL_STEP, ROW_STEP, grown, kernel, neighbour_steps
from washgrade.land.tiles.store import Grid, Tile, Tiling, each_tile

__all__ = ["TiledCounts", "count_tiles"]

# What a cell of an edge leads to, other than a place on the edge: nothing (a void), or a cell within the tile
# where water leaves.
NOWHERE = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class TiledCounts:
    """How many cells drain through each cell, known to every tile that asks.

    Parameters
    ----------
    directions : Grid
        Directions of flow, uint8.
    tiling : Tiling
        How the ground is cut.
    inflow : tuple of ndarray of int64
        For each tile, the cells that drain into each place of its edge from outside; places are numbered row
        by row.
    known_cells : int
        Cells that are not void.
    left_cells : int
        Cells that drain through all places where water leaves; the same number.
    largest : int
        Most cells that drain through one.
    """

    directions: Grid
    tiling: Tiling
    inflow: tuple[NDArray[np.int64], ...]
    known_cells: int
    left_cells: int
    largest: int

    def tile(self, tile: Tile) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """Count in one tile.

        Parameters
        ----------
        tile : Tile
            The tile.

        Returns
        -------
        count : ndarray of int64, shape (rows, cols)
            Cells that drain through each cell, itself included; 0 on voids.
        directions : ndarray of uint8, shape (rows, cols)
            Their directions.
        """
        code = self.directions.read(*tile.box)
        count = np.zeros(tile.shape, np.int64)
        _lay_inflow(count, self.inflow[tile.number])
        _count(code, count)
        return count, code

    def at(self, cells: NDArray[np.int64]) -> NDArray[np.int64]:
        """Count at some cells.

        Parameters
        ----------
        cells : ndarray of int64, shape (cells,)
            Flat indices, in any order.

        Returns
        -------
        ndarray of int64, shape (cells,)
            Cells that drain through each; 0 on voids.
        """
        cols, side = self.tiling.shape[1], self.tiling.side
        number = (cells // (cols * side) * self.tiling.across + cells % cols // side).astype(np.int32)
        found = np.zeros(len(cells), np.int64)
        for tile in self.tiling.tiles():
            # Few numbers for each, because the cells may be very many.
            here = np.flatnonzero(number == tile.number)
            if len(here):
                row, col = np.divmod(cells[here], cols)
                found[here] = self.tile(tile)[0][row - tile.top, col - tile.left]
        return found


def count_tiles(
    directions: Grid, *, tiling: Tiling, threads: int, tell: Callable[[float], None] | None = None
) -> TiledCounts:
    """Count the cells that drain through each cell, as `washgrade.land.flow.upstream_cells` does in memory.

    Parameters
    ----------
    directions : Grid
        Directions of flow, uint8.
    tiling : Tiling
        How the ground is cut.
    threads : int
        How many tiles are worked on at once.
    tell : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    TiledCounts
        What every tile needs to count its own cells. Numbers are int64: no ground is too large.

    Raises
    ------
    GroundError
        If a direction leads off the map, into a void or round in a circle.

    References
    ----------
    Barnes, R. (2017). Parallel non-divergent flow accumulation for trillion cell digital elevation models on
    desktops or clusters. Environmental Modelling & Software 92, 202-212.
    """
    sizes = [edge_size(tile.shape) for tile in tiling.tiles()]
    base = np.zeros(len(tiling) + 1, np.int64)
    np.cumsum(sizes, out=base[1:])
    wrong = GroundError(
        "Invalid 'directions' with a cell that drains off the map or into a void. "
        "They must be those that 'flow_directions' returns."
    )

    def look(tile: Tile) -> _Seen:
        box = tiling.around(tile.box, 1)
        window = directions.read(*box)
        code = np.ascontiguousarray(
            window[tile.top - box[0] : tile.bottom - box[0], tile.left - box[1] : tile.right - box[1]]
        )
        to = np.full(sizes[tile.number], NOWHERE, np.int64)
        bounds = np.array([*box, *tile.box], np.int64)
        if not _lead_on(window, bounds, np.array(tiling.shape), tiling.side, base, to):
            raise wrong
        count = np.zeros(tile.shape, np.int64)
        known = int(np.count_nonzero(code != VOID))
        passed = _count(code, count)
        if passed < 0:
            raise wrong
        if passed != known:
            return _Seen(known, known - passed, to, to, to, to)
        exits, inner = _edge_exits(code, count)
        return _Seen(known, 0, edge_values(count), exits, inner, to)

    # For every place on an edge: cells of its own tile that drain through it; the place or the inner outlet
    # where what runs in there comes out; the place in the next tile that it drains to.
    own = np.zeros(base[-1], np.int64)
    exits = np.full(base[-1], NOWHERE, np.int64)
    to = np.full(base[-1], NOWHERE, np.int64)
    inner_own: list[NDArray[np.int64]] = [np.empty(0, np.int64)] * len(tiling)
    known_cells = 0
    circling = 0
    for tile, seen in each_tile(look, tiling.tiles(), threads=threads, tell=tell):
        known_cells += seen.known
        circling += seen.circling
        here = slice(base[tile.number], base[tile.number + 1])
        own[here], exits[here], to[here] = seen.own, seen.exits, seen.to
        inner_own[tile.number] = seen.inner
    inner_base = np.zeros(len(tiling) + 1, np.int64)
    np.cumsum([len(inner) for inner in inner_own], out=inner_base[1:])
    for number in range(len(tiling)):
        # Inner outlets are numbered from -2 downwards; so far within the tile, now over all.
        leads = exits[base[number] : base[number + 1]]
        leads[leads >= 0] += base[number]
        leads[leads < NOWHERE] -= inner_base[number]
    inner_total = np.concatenate(inner_own)
    inflow, left_cells, largest = (own, -1, 0) if circling else _pass_on(own, exits, to, inner_total)
    if left_cells != known_cells:
        raise GroundError(
            "Invalid 'directions' with cells that drain in a circle. "
            "They must be those that 'flow_directions' returns."
        )
    return TiledCounts(
        directions=directions,
        tiling=tiling,
        inflow=tuple(np.split(inflow, base[1:-1])),
        known_cells=known_cells,
        left_cells=left_cells,
        largest=largest,
    )


class _Seen(NamedTuple):
    """What a tile tells about its own water."""

    known: int
    circling: int
    own: NDArray[np.int64]
    exits: NDArray[np.int64]
    inner: NDArray[np.int64]
    to: NDArray[np.int64]


def edge_size(shape: tuple[int, int]) -> int:
    """Cells on the edge of a tile.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the tile.

    Returns
    -------
    int
        Number of cells.

    Examples
    --------
    >>> edge_size((3, 4)), edge_size((1, 5)), edge_size((2, 1))
    (10, 5, 2)
    """
    rows, cols = shape
    return rows * cols - max(rows - 2, 0) * max(cols - 2, 0)


def edge_cells(shape: tuple[int, int]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the cells on the edge of a tile, row by row.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the tile.

    Returns
    -------
    row, col : ndarray of int64, shape (cells,)
        Where they are.

    Examples
    --------
    >>> edge_cells((3, 3))[1].tolist()
    [0, 1, 2, 0, 2, 0, 1, 2]
    """
    rows, cols = shape
    sides = np.unique([0, cols - 1])
    row, col = [], []
    for here, count in ((0, 1), (1, rows - 2), (rows - 1, 1 if rows > 1 else 0)):
        whole = here in {0, rows - 1}
        across = np.arange(cols) if whole else sides
        down = np.arange(here, here + max(count, 0))
        row.append(np.repeat(down, len(across)))
        col.append(np.tile(across, len(down)))
    return np.concatenate(row), np.concatenate(col)


def edge_values(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """Values on the edge of a tile, row by row.

    Parameters
    ----------
    values : ndarray of int64, shape (rows, cols)
        The tile.

    Returns
    -------
    ndarray of int64, shape (cells,)
        Those on its edge.
    """
    shape = (values.shape[0], values.shape[1])
    found: NDArray[np.int64] = values[edge_cells(shape)]
    return found


def _lay_inflow(count: NDArray[np.int64], inflow: NDArray[np.int64]) -> None:
    # Put what runs in on the edge.
    count[edge_cells((count.shape[0], count.shape[1]))] = inflow


@kernel
def edge_place(row: int, col: int, rows: int, cols: int) -> int:
    """Place of a cell on the edge of a tile, counted row by row.

    Parameters
    ----------
    row, col : int
        Where it is in the tile.
    rows, cols : int
        Size of the tile.

    Returns
    -------
    int
        Its place, as `edge_cells` orders them.

    Examples
    --------
    >>> edge_place(1, 3, 3, 4), edge_place(2, 0, 3, 4)
    (5, 6)
    """
    if row == 0:
        return col
    if cols == 1:
        return row
    if row == rows - 1:
        return cols + 2 * (rows - 2) + col
    return cols + 2 * (row - 1) + (1 if col > 0 else 0)


# For the edge cells whose water leaves the tile, the place they drain to in the next; False if a direction
# leads off the map or into a void.
@kernel
def _lead_on(
    window: NDArray[np.uint8],
    bounds: NDArray[np.int64],
    shape: NDArray[np.int64],
    side: int,
    base: NDArray[np.int64],
    to: NDArray[np.int64],
) -> bool:
    across = (shape[1] + side - 1) // side
    first_row, first_col, _, _, top, left, bottom, right = bounds
    for row in range(top, bottom):
        edge_row = row == top or row == bottom - 1
        for col in range(left, right):
            if not (edge_row or col == left or col == right - 1):
                continue
            way = window[row - first_row, col - first_col]
            if way >= OUTLET:
                # A wrong code is found by the count.
                continue
            to_row = row + ROW_STEP[way]
            to_col = col + COL_STEP[way]
            if not (0 <= to_row < shape[0] and 0 <= to_col < shape[1]):
                return False
            if top <= to_row < bottom and left <= to_col < right:
                continue
            if window[to_row - first_row, to_col - first_col] == VOID:
                return False
            near_top = to_row // side * side
            near_left = to_col // side * side
            place = edge_place(row - top, col - left, bottom - top, right - left)
            to[place] = base[to_row // side * across + to_col // side] + edge_place(
                to_row - near_top,
                to_col - near_left,
                min(side, shape[0] - near_top),
                min(side, shape[1] - near_left),
            )
    return True


# Add the cells of a tile downstream, to what ``count`` holds already; return how many cells were passed, or
# -1 if a direction leads into a void. What leaves the tile is let go.
@kernel
def _count(direction: NDArray[np.uint8], count: NDArray[np.int64]) -> int:
    rows, cols = direction.shape
    waiting = np.zeros((rows, cols), np.uint8)
    for row in range(rows):
        for col in range(cols):
            way = direction[row, col]
            if way < OUTLET:
                to_row = row + ROW_STEP[way]
                to_col = col + COL_STEP[way]
                if 0 <= to_row < rows and 0 <= to_col < cols:
                    if direction[to_row, to_col] == VOID:
                        return -1
                    waiting[to_row, to_col] += 1
            elif way != OUTLET and way != VOID:
                return -1
    code = direction.ravel()
    left = waiting.ravel()
    total = count.ravel()
    steps = neighbour_steps(cols)
    passed = 0
    done = np.uint8(255)
    for head in range(len(code)):
        if left[head] != 0 or code[head] == VOID:
            continue
        cell = head
        while True:
            left[cell] = done
            total[cell] += 1
            passed += 1
            way = code[cell]
            row = cell // cols
            col = cell - row * cols
            if way == OUTLET or not (0 <= row + ROW_STEP[way] < rows and 0 <= col + COL_STEP[way] < cols):
                break
            below = cell + steps[way]
            total[below] += total[cell]
            left[below] -= 1
            if left[below] != 0:
                break
            cell = below
    return passed


# Where what runs into each edge cell comes out: a place on the edge, or ``-2 - i`` for inner outlet ``i``;
# and the count of each inner outlet.
@kernel
def _edge_exits(
    direction: NDArray[np.uint8], count: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rows, cols = direction.shape
    inner = np.empty(1024, np.int64)
    inners = 0
    # 0 where not known yet; else the exit, plus one from 0 upwards.
    comes_out = np.zeros((rows, cols), np.int64)
    for row in range(1, rows - 1):
        for col in range(1, cols - 1):
            if direction[row, col] == OUTLET:
                if inners == len(inner):
                    inner = grown(inner)
                inner[inners] = count[row, col]
                comes_out[row, col] = -2 - inners
                inners += 1
    size = rows * cols - max(rows - 2, 0) * max(cols - 2, 0)
    exits = np.full(size, NOWHERE, np.int64)
    place = -1
    for first_row in range(rows):
        edge_row = first_row == 0 or first_row == rows - 1
        for first_col in range(cols):
            if not (edge_row or first_col == 0 or first_col == cols - 1):
                continue
            place += 1
            if direction[first_row, first_col] == VOID:
                continue
            # There once to find out, then again to tell all cells on the way.
            out = np.int64(0)
            for turn in range(2):
                row, col = first_row, first_col
                while True:
                    if comes_out[row, col] != 0:
                        out = comes_out[row, col]
                        break
                    way = direction[row, col]
                    to_row, to_col = row, col
                    if way < OUTLET:
                        to_row += ROW_STEP[way]
                        to_col += COL_STEP[way]
                    if turn == 1:
                        comes_out[row, col] = out
                    if way == OUTLET or not (0 <= to_row < rows and 0 <= to_col < cols):
                        if turn == 0:
                            out = np.int64(edge_place(row, col, rows, cols) + 1)
                        break
                    row, col = to_row, to_col
            exits[place] = out - 1 if out > 0 else out
    return exits, inner[:inners].copy()


# Pass the counts on from tile to tile; return what runs in at each place, the cells that leave the map, as
# far as they get there, and the largest count of all.
@kernel
def _pass_on(
    own: NDArray[np.int64], exits: NDArray[np.int64], to: NDArray[np.int64], inner: NDArray[np.int64]
) -> tuple[NDArray[np.int64], int, int]:
    size = len(own)
    inflow = np.zeros(size, np.int64)
    inner_total = inner.copy()
    # A place where water comes out waits for the places whose inflow comes out there, and each of these for
    # those that drain into it.
    pouring = np.zeros(size, np.int32)
    waiting = np.zeros(size, np.int32)
    for place in range(size):
        if to[place] >= 0:
            pouring[to[place]] += 1
    for place in range(size):
        if pouring[place] > 0 and exits[place] >= 0:
            waiting[exits[place]] += 1
    total = own.copy()
    left_cells = 0
    largest = 0
    queue = np.empty(size, np.int64)
    found = 0
    for place in range(size):
        if exits[place] == place and waiting[place] == 0:
            queue[found] = place
            found += 1
    place = 0
    while place < found:
        here = queue[place]
        place += 1
        largest = max(largest, total[here])
        below = to[here]
        if below < 0:
            left_cells += total[here]
            continue
        inflow[below] += total[here]
        pouring[below] -= 1
        if pouring[below] != 0:
            continue
        out = exits[below]
        if out >= 0:
            total[out] += inflow[below]
            waiting[out] -= 1
            if waiting[out] == 0:
                queue[found] = out
                found += 1
        else:
            inner_total[-2 - out] += inflow[below]
    for place in range(len(inner_total)):
        left_cells += inner_total[place]
        largest = max(largest, inner_total[place])
    return inflow, left_cells, largest
