"""Directions of flow tile by tile; only flats that cross the edge of a tile are led all at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import choice
from washgrade.errors import GroundError
from washgrade.land.descent import FACET, PENDING, lowest_ways
from washgrade.land.flow import FIRST_RING, METHODS, OUTLET
from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, grown, kernel, neighbour_steps
from washgrade.land.tiles.fill import sinks_in
from washgrade.land.tiles.store import Grid, HeightSource, Scratch, Tile, Tiling, each_tile
from washgrade.land.tiles.straight import straighten_tiles

__all__ = ["flow_tiles"]

# While at work: a flat cell whose flat goes on in another tile.
CROSSING = 253
# Cells that are led before their directions are written. Our choice: 40 MB.
BATCH = 4_000_000


def flow_tiles(
    conditioned: HeightSource,
    directions: Grid,
    *,
    tiling: Tiling,
    threads: int,
    scratch: Scratch | None = None,
    method: str = "steepest",
    outlets: NDArray[np.int64] | None = None,
    tell: Callable[[float], None] | None = None,
) -> None:
    """Find directions of flow, as `washgrade.land.flow.flow_directions` does in memory.

    Parameters
    ----------
    conditioned : HeightSource
        Heights in metres without pits; NaN is a void.
    directions : Grid
        Takes the result, uint8.
    tiling : Tiling
        How the ground is cut.
    threads : int
        How many tiles are worked on at once.
    scratch : Scratch, optional
        Where "least deviation" puts what it needs on the way.
    method : str, optional
        One of `washgrade.land.flow.METHODS`.
    outlets : ndarray of int64, shape (outlets,), optional
        Flat indices, ascending, of cells in which water sinks into the ground.
    tell : callable, optional
        Told the share done, 0 to 1.

    Raises
    ------
    InputError
        If there is no such method.
    GroundError
        If the heights still have a pit.
    ValueError
        If the method needs a scratch folder and there is none.

    Notes
    -----
    Of flats that cross a tile's edge one bit a cell is kept in memory while they are led, and the ring that
    grows in them. Two flat cells side by side have the same height, because the higher would drain into the
    other; so the bits are all that is needed.
    """
    is_straight = choice("method", method, METHODS) == "least deviation"
    if is_straight and scratch is None:
        raise ValueError("Least deviation needs a scratch folder.")
    facet = FACET if is_straight else 0
    sinks = np.empty(0, np.int64) if outlets is None else outlets
    # Untouched pages of zeros take no memory, and most tiles have few such flats.
    bits = np.zeros((len(tiling), (tiling.side**2 + 7) // 8), np.uint8)
    cols = tiling.shape[1]

    def lead(tile: Tile) -> tuple[int, NDArray[np.int64]]:
        box = tiling.around(tile.box, 2)
        heights = as_heights(conditioned.read(*box))
        code = np.empty(heights.shape, np.uint8)
        lowest_ways(heights, code, 0, heights.shape[0], facet)
        code.ravel()[sinks_in(sinks, box, cols)] = OUTLET
        inner = np.array([tile.top - box[0], tile.left - box[1], tile.bottom - box[0], tile.right - box[1]])
        left, first = _lead_inner(heights, code, inner)
        core = np.ascontiguousarray(code[inner[0] : inner[2], inner[1] : inner[3]])
        waits = core == CROSSING
        if waits.any():
            _set_bits(waits, bits[tile.number], tiling.side)
        directions.write(tile.top, tile.left, core)
        row, col = np.divmod(first, heights.shape[1])
        return left, (row + box[0]) * cols + col + box[1]

    report = tell or (lambda _share: None)
    undrained = 0
    rings = [np.empty(0, np.int64)]
    for _, (left, first) in each_tile(
        lead,
        tiling.tiles(),
        threads=threads,
        tell=lambda share: report((0.3 if is_straight else 0.9) * share),
    ):
        undrained += left
        rings.append(first)
    _lead_crossing(np.sort(np.concatenate(rings)), bits, directions, tiling)
    undrained += sum(int(np.unpackbits(row).sum()) for row in bits)
    if undrained:
        raise GroundError(
            f"Invalid 'conditioned_m' with {undrained} cells that cannot drain. "
            "It must have no pits: fill it first."
        )
    if scratch is not None and is_straight:
        straighten_tiles(
            conditioned,
            directions,
            scratch=scratch,
            tiling=tiling,
            threads=threads,
            tell=lambda share: report(0.3 + 0.7 * share),
        )
    report(1.0)


# Grow rings in the flats that cross tiles, and write the directions in batches.
def _lead_crossing(
    first: NDArray[np.int64], bits: NDArray[np.uint8], directions: Grid, tiling: Tiling
) -> None:
    queue = first
    while len(queue):
        cells, codes, place = _grow_rings(queue, bits, tiling.side, tiling.shape[1], BATCH)
        _write_cells(cells[len(queue) :], codes[len(queue) :], directions, tiling)
        queue = cells[place:]


# Write the values of scattered cells, a tile at a time.
def _write_cells(cells: NDArray[np.int64], values: NDArray[np.uint8], grid: Grid, tiling: Tiling) -> None:
    row, col = np.divmod(cells, tiling.shape[1])
    number = row // tiling.side * tiling.across + col // tiling.side
    order = np.argsort(number, kind="stable")
    for part in np.split(order, np.flatnonzero(np.diff(number[order])) + 1):
        if not len(part):
            continue
        top, bottom = int(row[part].min()), int(row[part].max()) + 1
        left, right = int(col[part].min()), int(col[part].max()) + 1
        window = grid.read(top, left, bottom, right)
        window[row[part] - top, col[part] - left] = values[part]
        grid.write(top, left, window)


# Lead the flats that lie wholly within a tile, as `flow_directions` does; ``code`` is changed. Return how
# many of their cells got no direction, and the first ring, in order, of the flats that go on elsewhere: its
# cells have their directions, the others of these flats are marked as crossing.
@kernel
def _lead_inner(
    heights: NDArray[np.float32], direction: NDArray[np.uint8], inner: NDArray[np.int64]
) -> tuple[int, NDArray[np.int64]]:
    cols = heights.shape[1]
    top, left, bottom, right = inner
    ground = heights.ravel()
    code = direction.ravel()
    steps = neighbour_steps(cols)
    queue = np.empty(1024, np.int32)
    found = 0
    pending = 0
    for row in range(top, bottom):
        for col in range(left, right):
            cell = row * cols + col
            if code[cell] != PENDING:
                continue
            pending += 1
            if not (row == top or row == bottom - 1 or col == left or col == right - 1):
                continue
            for k in range(8):
                near_row = row + ROW_STEP[k]
                near_col = col + COL_STEP[k]
                inside = top <= near_row < bottom and left <= near_col < right
                if not inside and code[cell + steps[k]] == PENDING:
                    code[cell] = CROSSING
                    if found == len(queue):
                        queue = grown(queue)
                    queue[found] = cell
                    found += 1
                    break
    place = 0
    while place < found:
        cell = np.int64(queue[place])
        place += 1
        for k in range(8):
            near = cell + steps[k]
            near_row = near // cols
            near_col = near - near_row * cols
            if top <= near_row < bottom and left <= near_col < right and code[near] == PENDING:
                code[near] = CROSSING
                if found == len(queue):
                    queue = grown(queue)
                queue[found] = near
                found += 1
    crossing = found
    first = np.empty(1024, np.int64)
    firsts = 0
    found = 0
    for row in range(top, bottom):
        for col in range(left, right):
            cell = row * cols + col
            if code[cell] != PENDING and code[cell] != CROSSING:
                continue
            for turn in range(8):
                k = (2 * turn) % 8 + turn // 4
                near = cell + steps[k]
                drains = code[near] <= OUTLET or FACET <= code[near] < FACET + 8
                if drains and ground[near] == ground[cell]:
                    if code[cell] == CROSSING:
                        if firsts == len(first):
                            first = grown(first)
                        first[firsts] = cell
                        firsts += 1
                    else:
                        if found == len(queue):
                            queue = grown(queue)
                        queue[found] = cell
                        found += 1
                    code[cell] = FIRST_RING + k
                    break
    for place in range(found):
        code[queue[place]] -= FIRST_RING
    for place in range(firsts):
        code[first[place]] -= FIRST_RING
    place = 0
    while place < found:
        cell = np.int64(queue[place])
        place += 1
        for turn in range(8):
            k = (2 * turn) % 8 + turn // 4
            near = cell + steps[k]
            near_row = near // cols
            near_col = near - near_row * cols
            # Beyond the tile nothing of this flat waits, but other flats may.
            if top <= near_row < bottom and left <= near_col < right and code[near] == PENDING:
                code[near] = (k + 4) % 8
                if found == len(queue):
                    queue = grown(queue)
                queue[found] = near
                found += 1
    return pending - crossing - found, first[:firsts].copy()


@kernel
def _set_bits(waits: NDArray[np.bool_], bits: NDArray[np.uint8], side: int) -> None:
    """Set the bits of a tile's marked cells."""
    rows, cols = waits.shape
    for row in range(rows):
        for col in range(cols):
            if waits[row, col]:
                place = row * side + col
                bits[place >> 3] |= np.uint8(1 << (place & 7))


# Grow rings from cells in order until nothing waits or about ``batch`` cells are new; return all cells in
# order, the directions of the new ones, and how many cells were grown from.
@kernel
def _grow_rings(
    first: NDArray[np.int64], bits: NDArray[np.uint8], side: int, cols: int, batch: int
) -> tuple[NDArray[np.int64], NDArray[np.uint8], int]:
    across = (cols + side - 1) // side
    size = len(first)
    cells = np.empty(2 * size + 1024, np.int64)
    codes = np.empty(2 * size + 1024, np.uint8)
    cells[:size] = first
    place = 0
    while place < size and size - len(first) < batch:
        cell = cells[place]
        place += 1
        row = cell // cols
        col = cell - row * cols
        for turn in range(8):
            k = (2 * turn) % 8 + turn // 4
            near_row = row + ROW_STEP[k]
            near_col = col + COL_STEP[k]
            tile = near_row // side * across + near_col // side
            spot = near_row % side * side + near_col % side
            bit = np.uint8(1 << (spot & 7))
            if bits[tile, spot >> 3] & bit:
                bits[tile, spot >> 3] ^= bit
                if size == len(cells):
                    cells = grown(cells)
                    codes = grown(codes)
                cells[size] = near_row * cols + near_col
                codes[size] = (k + 4) % 8
                size += 1
    return cells[:size].copy(), codes[:size].copy(), place
