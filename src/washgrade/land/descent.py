"""Descent: the compiled loops that find the steepest way from each cell, or the facet that it lies in.

`washgrade.land.flow.flow_directions` says what they compute.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import COL_STEP, ROW_STEP, kernel

__all__ = ["FACET", "OUTLET", "PENDING", "VOID", "lowest_ways"]

OUTLET = 8
VOID = 255
# While at work: FACET + f where the steepest descent lies between the ways f and f + 1, and a flat cell that
# has no way yet.
FACET = 32
PENDING = 254

INVERSE_DIAGONAL = np.float32(np.sqrt(0.5))


@kernel
def lowest_ways(
    heights: NDArray[np.float32], direction: NDArray[np.uint8], first: int, end: int, facet: int
) -> int:
    """Set the steepest directions of some rows.

    Parameters
    ----------
    heights : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN on voids.
    direction : ndarray of uint8, shape (rows, cols)
        Takes the ways of the rows: 0 to 7, `OUTLET`, `VOID`; `PENDING` on cells of flats and pits.
    first, end : int
        The rows, ``end`` not included.
    facet : int
        `FACET` to mark the cells whose steepest descent lies between two ways; 0 to give them their way.

    Returns
    -------
    int
        How many cells are pending.

    Examples
    --------
    >>> heights = np.array([[5, 5, 5], [5, 5, 5], [3, 2, 1]], np.float32)
    >>> ways = np.empty((3, 3), np.uint8)
    >>> lowest_ways(heights, ways, 0, 3, 0), ways[1].tolist()
    (0, [1, 2, 2])
    """
    rows, cols = heights.shape
    way = np.empty(cols, np.float32)
    pending = 0
    for row in range(first, end):
        if row == 0 or row == rows - 1:
            for col in range(cols):
                direction[row, col] = _edge_way(heights, row, col)
            continue
        direction[row, 0] = _edge_way(heights, row, 0)
        direction[row, cols - 1] = _edge_way(heights, row, cols - 1)
        _steepest_row(heights[row - 1], heights[row], heights[row + 1], way, facet)
        for col in range(1, cols - 1):
            direction[row, col] = np.uint8(way[col])
            if way[col] != PENDING:
                continue
            # Seldom, so that the loop before may do without: a void, a cell beside one, or a flat.
            if np.isnan(heights[row, col]):
                direction[row, col] = VOID
                continue
            void_near = False
            for k in range(8):
                void_near |= np.isnan(heights[row + ROW_STEP[k], col + COL_STEP[k]])
            if void_near:
                direction[row, col] = OUTLET
            else:
                pending += 1
    return pending


# Steepest way of each inner cell of a row: no branches and one type of number, so that the compiler takes
# many cells at a time. Comparisons with NaN are false, so voids are no lower ground.
@kernel
def _steepest_row(
    above: NDArray[np.float32],
    here: NDArray[np.float32],
    under: NDArray[np.float32],
    way: NDArray[np.float32],
    facet: int,
) -> None:
    across = INVERSE_DIAGONAL
    nothing = np.float32(0.0)
    for col in range(1, len(here) - 1):
        ground = here[col]
        best, chosen = nothing, np.float32(PENDING)
        drop = ground - here[col + 1]
        best, chosen = (drop, np.float32(0)) if drop > best else (best, chosen)
        drop = (ground - under[col + 1]) * across
        best, chosen = (drop, np.float32(1)) if drop > best else (best, chosen)
        drop = ground - under[col]
        best, chosen = (drop, np.float32(2)) if drop > best else (best, chosen)
        drop = (ground - under[col - 1]) * across
        best, chosen = (drop, np.float32(3)) if drop > best else (best, chosen)
        drop = ground - here[col - 1]
        best, chosen = (drop, np.float32(4)) if drop > best else (best, chosen)
        drop = (ground - above[col - 1]) * across
        best, chosen = (drop, np.float32(5)) if drop > best else (best, chosen)
        drop = ground - above[col]
        best, chosen = (drop, np.float32(6)) if drop > best else (best, chosen)
        drop = (ground - above[col + 1]) * across
        best, chosen = (drop, np.float32(7)) if drop > best else (best, chosen)
        way[col] = chosen
        if facet > 0:
            mark = np.float32(facet)
            best = best * best
            best, chosen = _facet(ground, here[col + 1], under[col + 1], mark, best, chosen)
            best, chosen = _facet(ground, under[col], under[col + 1], mark + 1, best, chosen)
            best, chosen = _facet(ground, under[col], under[col - 1], mark + 2, best, chosen)
            best, chosen = _facet(ground, here[col - 1], under[col - 1], mark + 3, best, chosen)
            best, chosen = _facet(ground, here[col - 1], above[col - 1], mark + 4, best, chosen)
            best, chosen = _facet(ground, above[col], above[col - 1], mark + 5, best, chosen)
            best, chosen = _facet(ground, above[col], above[col + 1], mark + 6, best, chosen)
            best, chosen = _facet(ground, here[col + 1], above[col + 1], mark + 7, best, chosen)
            way[col] = chosen


# The steeper of what is known and a facet, if the facet's descent lies inside it.
@kernel
def _facet(
    ground: np.float32,
    straight: np.float32,
    across: np.float32,
    mark: np.float32,
    best: np.float32,
    chosen: np.float32,
) -> tuple[np.float32, np.float32]:
    along = ground - straight
    aside = straight - across
    square = along * along + aside * aside
    inside = (aside > np.float32(0.0)) & (along > aside) & (square > best)
    return (square, mark) if inside else (best, chosen)


# Way of a cell at the map's edge.
@kernel
def _edge_way(heights: NDArray[np.float32], row: int, col: int) -> int:
    rows, cols = heights.shape
    here = heights[row, col]
    if np.isnan(here):
        return VOID
    best = np.float32(0.0)
    way = OUTLET
    for k in range(8):
        near_row = row + ROW_STEP[k]
        near_col = col + COL_STEP[k]
        if 0 <= near_row < rows and 0 <= near_col < cols:
            drop = here - heights[near_row, near_col]
            if k & 1:
                drop *= INVERSE_DIAGONAL
            if drop > best:
                best = drop
                way = k
    return way
