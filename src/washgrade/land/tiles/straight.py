"""Straight paths on even slopes tile by tile: what leaves a tile waits for the next until its turn comes."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.land.descent import FACET, OUTLET, VOID
from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, grown, kernel
from washgrade.land.tiles.store import Grid, HeightSource, Scratch, Tile, Tiling, each_tile

__all__ = ["straighten_tiles"]

# A cell that has had its turn waits for nothing.
DONE = 255

Letters = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float32]]


def straighten_tiles(
    conditioned: HeightSource,
    directions: Grid,
    *,
    scratch: Scratch,
    tiling: Tiling,
    threads: int,
    tell: Callable[[float], None] | None = None,
) -> int:
    """Choose one of the two ways of marked cells, as `washgrade.land.straight.straighten` does in memory.

    Parameters
    ----------
    conditioned : HeightSource
        Heights in metres without pits; NaN is a void.
    directions : Grid
        Ways and `FACET` marks, uint8; the marks are replaced by ways.
    scratch : Scratch
        Where to put what is needed on the way: 21 bytes a cell.
    tiling : Tiling
        How the ground is cut.
    threads : int
        How many tiles are worked on at once.
    tell : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    int
        How many times a tile was taken up, over all tiles.

    Notes
    -----
    A cell's turn comes when all neighbours that may pour into it have had theirs. A tile goes as far as it
    can; what it hands to cells of its neighbours waits in memory, and those are taken up again with it, until
    nothing waits. The order in which the donors of a cell come does not matter, so the result does not hang
    on the tiles.
    """
    shape = tiling.shape
    state = {
        name: scratch.grid(f"straight-{name}", shape, dtype)
        for name, dtype in (
            ("left", np.uint8),
            ("total", np.int64),
            ("handed", np.int64),
            ("deviation", np.float32),
        )
    }
    report = tell or (lambda _share: None)
    tiles = tiling.tiles()

    # All donors are counted before any mark is replaced, because a tile's neighbours see its marks.
    def count(tile: Tile) -> None:
        box = tiling.around(tile.box, 1)
        left = np.zeros(tile.shape, np.uint8)
        _count_donors(directions.read(*box), np.array([tile.top - box[0], tile.left - box[1]]), left)
        state["left"].write(tile.top, tile.left, left)

    for _ in each_tile(count, tiles, threads=threads, tell=lambda share: report(0.1 * share)):
        pass
    waiting: dict[int, list[Letters]] = {tile.number: [] for tile in tiles}
    visits = 0
    passed = 0
    while waiting:
        mail, waiting = waiting, {}
        is_first = visits == 0

        def turn(
            tile: Tile, mail: dict[int, list[Letters]] = mail, is_first: bool = is_first
        ) -> tuple[int, Letters]:
            return _visit(tile, conditioned, directions, state, tiling, mail[tile.number], is_first)

        for _, (done, out) in each_tile(turn, [tiles[number] for number in sorted(mail)], threads=threads):
            visits += 1
            passed += done
            row, col = np.divmod(out[0], shape[1])
            number = row // tiling.side * tiling.across + col // tiling.side
            for near in np.unique(number).tolist():
                here = number == near
                waiting.setdefault(near, []).append((out[0][here], out[1][here], out[2][here]))
            report(0.1 + 0.9 * min(passed / (shape[0] * shape[1]), 1.0))
    for grid in state.values():
        scratch.drop(grid)
    report(1.0)
    return visits


# Take up a tile with what came for it; return how many cells had their turn and what goes to other tiles.
def _visit(
    tile: Tile,
    conditioned: HeightSource,
    directions: Grid,
    state: dict[str, Grid],
    tiling: Tiling,
    letters: list[Letters],
    is_first: bool,
) -> tuple[int, Letters]:
    box = tiling.around(tile.box, 1)
    cols = tiling.shape[1]
    cells = np.concatenate([np.empty(0, np.int64), *(part[0] for part in letters)])
    area = np.concatenate([np.empty(0, np.int64), *(part[1] for part in letters)])
    off = np.concatenate([np.empty(0, np.float32), *(part[2] for part in letters)])
    row, col = np.divmod(cells, cols)
    code = directions.read(*tile.box)
    values = {name: grid.read(*tile.box) for name, grid in state.items()}
    done, to_row, to_col, out_area, out_off = _straighten(
        as_heights(conditioned.read(*box)),
        np.array([tile.top - box[0], tile.left - box[1]]),
        code,
        values["left"],
        values["total"],
        values["handed"],
        values["deviation"],
        (row - tile.top) * tile.shape[1] + col - tile.left,
        area,
        off,
        is_first,
    )
    directions.write(tile.top, tile.left, code)
    for name, grid in state.items():
        grid.write(tile.top, tile.left, values[name])
    return done, ((to_row + tile.top) * cols + to_col + tile.left, out_area, out_off)


# Count the neighbours, in the tile or beside it, that pour or may pour into each cell of a tile.
@kernel
def _count_donors(window: NDArray[np.uint8], inner: NDArray[np.int64], left: NDArray[np.uint8]) -> None:
    rows, cols = left.shape
    for row in range(window.shape[0]):
        for col in range(window.shape[1]):
            way = np.int64(window[row, col])
            ways = 1 if way < OUTLET else 0
            if FACET <= way < VOID:
                way -= FACET
                ways = 2
            for turn in range(ways):
                to_row = row + ROW_STEP[(way + turn) & 7] - inner[0]
                to_col = col + COL_STEP[(way + turn) & 7] - inner[1]
                if 0 <= to_row < rows and 0 <= to_col < cols:
                    left[to_row, to_col] += 1


# Keep what the donor with the largest area hands on: that area, and the deviation; see `straighten`.
@kernel
def _keep_larger(
    handed: NDArray[np.int64], deviation: NDArray[np.float32], cell: Any, area: Any, off: np.float32
) -> None:
    most = handed[cell]
    known = deviation[cell]
    if area > most or (area == most and (abs(off) < abs(known) or (abs(off) == abs(known) and off > known))):
        handed[cell] = area
        deviation[cell] = off


# Give all cells of a tile their turn whose donors have had theirs; what came from other tiles is taken in
# first. Return how many had it, and for cells of other tiles: row and column counted in this one, area (0 if
# they only wait for one donor less) and deviation.
@kernel
def _straighten(
    heights: NDArray[np.float32],
    inner: NDArray[np.int64],
    direction: NDArray[np.uint8],
    waiting: NDArray[np.uint8],
    count: NDArray[np.int64],
    handed_area: NDArray[np.int64],
    handed_off: NDArray[np.float32],
    came_to: NDArray[np.int64],
    came_area: NDArray[np.int64],
    came_off: NDArray[np.float32],
    is_first: bool,
) -> tuple[int, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.float32]]:
    rows, cols = direction.shape
    code = direction.ravel()
    left = waiting.ravel()
    total = count.ravel()
    handed = handed_area.ravel()
    deviation = handed_off.ravel()
    stack = np.empty(1024, np.int64)
    stacked = 0
    out_row = np.empty(1024, np.int64)
    out_col = np.empty(1024, np.int64)
    out_area = np.empty(1024, np.int64)
    out_off = np.empty(1024, np.float32)
    sent = 0
    passed = 0
    if is_first:
        for cell in range(len(code)):
            if left[cell] == 0 and code[cell] != VOID:
                if stacked == len(stack):
                    stack = grown(stack)
                stack[stacked] = cell
                stacked += 1
    for place in range(len(came_to)):
        cell = came_to[place]
        if came_area[place] > 0:
            total[cell] += came_area[place]
            _keep_larger(handed, deviation, cell, came_area[place], came_off[place])
        left[cell] -= 1
        if left[cell] == 0:
            if stacked == len(stack):
                stack = grown(stack)
            stack[stacked] = cell
            stacked += 1
    while stacked > 0:
        stacked -= 1
        cell = stack[stacked]
        row = cell // cols
        col = cell - row * cols
        high_row = row + inner[0]
        high_col = col + inner[1]
        ground = heights[high_row, high_col]
        left[cell] = DONE
        total[cell] += 1
        passed += 1
        way = np.int64(code[cell])
        off = deviation[cell]
        other = np.int64(-1)
        if way >= FACET:
            facet = way - FACET
            if facet & 1:
                straight, across, side = (facet + 1) & 7, facet, np.float32(-1.0)
            else:
                straight, across, side = facet, facet + 1, np.float32(1.0)
            beside = heights[high_row + ROW_STEP[straight], high_col + COL_STEP[straight]]
            along_m = ground - beside
            aside_m = beside - heights[high_row + ROW_STEP[across], high_col + COL_STEP[across]]
            scale = side / np.float32(math.sqrt(along_m * along_m + aside_m * aside_m))
            if_straight = off - aside_m * scale
            if_across = off + (along_m - aside_m) * scale
            if abs(if_straight) <= abs(if_across):
                way, other, off = straight, across, if_straight
            else:
                way, other, off = across, straight, if_across
            code[cell] = way
        if way >= OUTLET:
            continue
        # The way taken, and then the one that is not.
        for turn in range(2):
            step = way if turn == 0 else other
            if step < 0:
                break
            to_row = row + ROW_STEP[step]
            to_col = col + COL_STEP[step]
            area = total[cell] if turn == 0 else np.int64(0)
            # A path over a flat follows no slope, so what it had gone astray before counts no longer.
            if turn == 0 and heights[high_row + ROW_STEP[step], high_col + COL_STEP[step]] == ground:
                off = np.float32(0.0)
            if 0 <= to_row < rows and 0 <= to_col < cols:
                below = to_row * cols + to_col
                if turn == 0:
                    total[below] += area
                    _keep_larger(handed, deviation, below, area, off)
                left[below] -= 1
                if left[below] == 0:
                    if stacked == len(stack):
                        stack = grown(stack)
                    stack[stacked] = below
                    stacked += 1
                continue
            if sent == len(out_row):
                out_row = grown(out_row)
                out_col = grown(out_col)
                out_area = grown(out_area)
                out_off = grown(out_off)
            out_row[sent] = to_row
            out_col[sent] = to_col
            out_area[sent] = area
            out_off[sent] = off
            sent += 1
    return passed, out_row[:sent].copy(), out_col[:sent].copy(), out_area[:sent].copy(), out_off[:sent].copy()
