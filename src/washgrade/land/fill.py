"""Filling: raise every hollow to the height at which its water would spill over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import (
    COL_STEP,
    ROW_STEP,
    as_heights,
    as_outlets,
    grown,
    heap_drop,
    heap_push,
    in_bands,
    kernel,
    mark_outlets,
    neighbour_steps,
)

__all__ = ["fill"]

# Our choice: rough hills and carved valleys of 4 to 25 million cells pass under 2 cells per cell through the
# queue, white noise more than 8 (made grounds of benchmarks/); beyond the limit a flood in order of height is
# quicker and its time is bounded. Noise shows at once by the share of cells that the scans leave: 0.035,
# where rough hills leave 0.005.
QUEUE_LIMIT_PER_CELL = 2.0
MOST_LEFT = 0.03
# Our choice: on carved valleys of 4 and 25 million cells four pairs of scans took least time, both processors
# at work, and on rough hills no more than three.
DOUBLE_SCANS = 4
MOST_RANGES = 65_536


def fill(
    elevation_m: NDArray[np.float32],
    *,
    in_order: bool = False,
    outlets: NDArray[np.integer] | None = None,
) -> NDArray[np.float32]:
    """Raise every hollow to its spill height.

    Water may leave at the map's edge, beside voids and where it is told to.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres; NaN is a void.
    in_order : bool, optional
        Flood in order of height from the outset. The result is the same; this is for checking.
    outlets : ndarray of int, shape (outlets,), optional
        Flat indices of cells in which water sinks into the ground; they keep their heights.

    Returns
    -------
    ndarray of float32, shape (rows, cols)
        The lowest surface that is nowhere below the given one and from each of whose cells a path that never
        climbs leads to an outlet; metres, NaN where it was NaN. Heights that change take exactly the height
        of the cell over which they spill.

    Raises
    ------
    GroundError
        If the array has no two dimensions, no cell, too many cells or an infinite height, or an outlet is no
        cell with a height.

    Notes
    -----
    The filled surface is the reconstruction by erosion of the DEM from its outlets. Vincent's hybrid method
    is used: raster scans forth and back, then a first-in first-out queue for what they left. Between the two,
    cells that can be left dry are settled once and for all, so that no wave of a queue passes them again and
    again. Scans and dry cells go in bands of rows, one to each processor. Where the queue runs long (white
    noise, spirals), it is given up for a priority flood, whose result is the same.

    References
    ----------
    Vincent, L. (1993). Morphological grayscale reconstruction in image analysis. IEEE Transactions on Image
    Processing 2(2), 176-201.
    Barnes, R., Lehman, C., Mulla, D. (2014). Priority-flood: an optimal depression-filling and
    watershed-labeling algorithm for digital elevation models. Computers & Geosciences 62, 117-127.

    Examples
    --------
    >>> bowl = np.array([[5, 5, 5, 5], [5, 1, 2, 3], [5, 5, 5, 5]], np.float32)
    >>> fill(bowl)[1].tolist()
    [5.0, 3.0, 3.0, 3.0]
    """
    heights = as_heights(elevation_m)
    sinks = as_outlets(outlets, heights)
    water = np.empty_like(heights)
    if in_order or not _fill_by_scans(heights, water, QUEUE_LIMIT_PER_CELL, sinks):
        _fill_in_order(heights, water, sinks)
    return water


@kernel
def _start(heights: NDArray[np.float32], water: NDArray[np.float32]) -> None:
    """Water stands at the ground on outlets, at infinity elsewhere, NaN on voids."""
    rows, cols = heights.shape
    has_void = False
    for row in range(rows):
        for col in range(cols):
            height = heights[row, col]
            if np.isnan(height):
                has_void = True
                water[row, col] = np.nan
            elif row == 0 or col == 0 or row == rows - 1 or col == cols - 1:
                water[row, col] = height
            else:
                water[row, col] = np.inf
    if not has_void:
        return
    for row in range(rows):
        for col in range(cols):
            if np.isnan(heights[row, col]):
                for k in range(8):
                    near_row = row + ROW_STEP[k]
                    near_col = col + COL_STEP[k]
                    if 0 <= near_row < rows and 0 <= near_col < cols:
                        water[near_row, near_col] = heights[near_row, near_col]


# Lower a row of water to what its neighbours in the row before and in itself let run off; ``forward`` says
# whether the row runs from the west. Comparisons with NaN are false, so voids never lower anything; cells
# beside them are outlets already.
@kernel
def _scan_row(
    ground: NDArray[np.float32],
    level: NDArray[np.float32],
    before: NDArray[np.float32],
    low: NDArray[np.float32],
    forward: bool,
) -> None:
    cols = len(ground)
    # What hangs on the row before is apart from what hangs on the cell before: the compiler then takes many
    # cells of the first kind at a time.
    for col in range(1, cols - 1):
        least = level[col]
        least = before[col - 1] if before[col - 1] < least else least
        least = before[col] if before[col] < least else least
        least = before[col + 1] if before[col + 1] < least else least
        low[col] = least
    if forward:
        last = level[0]
        for col in range(1, cols - 1):
            least = low[col]
            least = last if last < least else least
            last = ground[col] if least < ground[col] else least
            level[col] = last
    else:
        last = level[cols - 1]
        for col in range(cols - 2, 0, -1):
            least = low[col]
            least = last if last < least else least
            last = ground[col] if least < ground[col] else least
            level[col] = last


# Count the cells of a row that could still be lowered by one of their eight neighbours.
@kernel
def _unsettled(
    ground: NDArray[np.float32],
    level: NDArray[np.float32],
    above: NDArray[np.float32],
    under: NDArray[np.float32],
) -> int:
    count = 0
    for col in range(1, len(ground) - 1):
        here = level[col]
        least = here
        least = above[col - 1] if above[col - 1] < least else least
        least = above[col] if above[col] < least else least
        least = above[col + 1] if above[col + 1] < least else least
        least = level[col - 1] if level[col - 1] < least else least
        least = level[col + 1] if level[col + 1] < least else least
        least = under[col - 1] if under[col - 1] < least else least
        least = under[col] if under[col] < least else least
        least = under[col + 1] if under[col + 1] < least else least
        count += (least < here) & (ground[col] < here)
    return count


# Scan the rows from ``first`` to before ``end`` forth and back.
@kernel
def _scan_pair(heights: NDArray[np.float32], water: NDArray[np.float32], first: int, end: int) -> None:
    rows, cols = heights.shape
    low = np.empty(cols, np.float32)
    for row in range(max(first, 1), min(end, rows - 1)):
        _scan_row(heights[row], water[row], water[row - 1], low, True)
    for row in range(min(end, rows - 1) - 1, max(first, 1) - 1, -1):
        _scan_row(heights[row], water[row], water[row + 1], low, False)


# Let the water off every cell from ``first`` to before ``end`` row that some neighbour lets run dry, and off
# those that these let run dry. A cell at its own height is final, so each is met once, in whatever order.
@kernel
def _run_dry(heights: NDArray[np.float32], water: NDArray[np.float32], first: int, end: int) -> None:
    rows, cols = heights.shape
    first = max(first, 1)
    end = min(end, rows - 1)
    ground = heights.ravel()
    level = water.ravel()
    steps = neighbour_steps(cols)
    stack = np.empty(1024, np.int32)
    for row in range(first, end):
        if _unsettled(heights[row], water[row], water[row - 1], water[row + 1]) == 0:
            continue
        for start in range(row * cols + 1, (row + 1) * cols - 1):
            if not level[start] > ground[start]:
                continue
            least = level[start]
            for k in range(8):
                if level[start + steps[k]] < least:
                    least = level[start + steps[k]]
            if not ground[start] >= least:
                continue
            level[start] = ground[start]
            stack[0] = start
            size = 1
            while size > 0:
                size -= 1
                cell = int(stack[size])
                source = level[cell]
                for k in range(8):
                    near = cell + steps[k]
                    if (
                        level[near] > ground[near]
                        and ground[near] >= source
                        and first * cols <= near < end * cols
                    ):
                        level[near] = ground[near]
                        if size == len(stack):
                            stack = grown(stack)
                        stack[size] = near
                        size += 1


# Count the cells of the rows from ``first`` to before ``end`` that could still be lowered.
@kernel
def _count_unsettled(heights: NDArray[np.float32], water: NDArray[np.float32], first: int, end: int) -> int:
    left = 0
    for row in range(max(first, 1), min(end, heights.shape[0] - 1)):
        left += _unsettled(heights[row], water[row], water[row - 1], water[row + 1])
    return left


# Settle what scans have left, by a queue; False, with ``water`` unfinished, when the queue runs too long.
@kernel
def _settle(heights: NDArray[np.float32], water: NDArray[np.float32], limit: int) -> bool:
    rows, cols = heights.shape
    ground = heights.ravel()
    level = water.ravel()
    steps = neighbour_steps(cols)
    # As long as the queue may ever get; only what is written to takes memory.
    queue = np.empty(limit + 9, np.int32)
    pushed = 0
    for row in range(1, rows - 1):
        if _unsettled(heights[row], water[row], water[row - 1], water[row + 1]) == 0:
            continue
        base = row * cols
        for start in range(base + 1, base + cols - 1):
            here = level[start]
            if not here > ground[start]:
                continue
            least = here
            for k in range(8):
                if level[start + steps[k]] < least:
                    least = level[start + steps[k]]
            if not least < here:
                continue
            level[start] = max(least, ground[start])
            # The queue is drained at once, so that it stays short and near in memory.
            queue[0] = start
            first = 0
            end = 1
            pushed += 1
            while first < end:
                cell = int(queue[first])
                first += 1
                source = level[cell]
                for k in range(8):
                    near = cell + steps[k]
                    if level[near] > source and level[near] > ground[near]:
                        level[near] = max(source, ground[near])
                        queue[end] = near
                        end += 1
                pushed_now = pushed + end - 1
                if pushed_now > limit:
                    return False
            pushed += end - 1
    return True


def _fill_by_scans(
    heights: NDArray[np.float32],
    water: NDArray[np.float32],
    queue_limit_per_cell: float,
    sinks: NDArray[np.int64],
) -> bool:
    """Fill by scans and a queue; False, with ``water`` unfinished, when the queue would run too long."""
    _start(heights, water)
    water.ravel()[sinks] = heights.ravel()[sinks]
    # Bands read each other's rows while these are being lowered. What they read is never too low, and the
    # surface that nothing lowers any more is the same, whatever they have read.
    for _ in range(DOUBLE_SCANS):
        in_bands(lambda first, end: _scan_pair(heights, water, first, end), *heights.shape)
    in_bands(lambda first, end: _run_dry(heights, water, first, end), *heights.shape)
    _run_dry(heights, water, 0, len(heights))
    limit = int(queue_limit_per_cell * heights.size) + 1024
    left = sum(in_bands(lambda first, end: _count_unsettled(heights, water, first, end), *heights.shape))
    return left <= min(limit, MOST_LEFT * heights.size + 1024) and _settle(heights, water, limit)


@kernel
def _fill_in_order(
    heights: NDArray[np.float32], water: NDArray[np.float32], sinks: NDArray[np.int64]
) -> None:
    """Fill by a priority flood: from the lowest shore inwards, hollows through a stack of their own."""
    rows, cols = heights.shape
    is_outlet = np.empty((rows, cols), np.bool_)
    mark_outlets(heights, is_outlet)
    ground = heights.ravel()
    level = water.ravel()
    outlet = is_outlet.ravel()
    for sink in sinks:
        outlet[sink] = True
    lowest = np.inf
    highest = -np.inf
    for cell in range(len(ground)):
        if not np.isnan(ground[cell]):
            lowest = min(lowest, np.float64(ground[cell]))
            highest = max(highest, np.float64(ground[cell]))
    # Shore cells wait in lists, one to each of many equal ranges of height; only those of the range at work
    # are kept in order, in a heap so small that it stays in the processor's cache.
    ranges = min(MOST_RANGES, len(ground))
    per_m = (ranges - 1) / (highest - lowest) if highest > lowest else 0.0
    first = np.full(ranges, -1, np.int32)
    after = np.empty(len(ground), np.int32)
    for cell in range(len(ground)):
        if np.isnan(ground[cell]):
            level[cell] = np.nan
        elif outlet[cell]:
            level[cell] = ground[cell]
            place = int((np.float64(ground[cell]) - lowest) * per_m)
            after[cell] = first[place]
            first[place] = cell
        else:
            level[cell] = np.inf
    steps = neighbour_steps(cols)
    # Each cell waits once, so there is room for all; only what is written to takes memory.
    keys = np.empty(len(ground), np.float32)
    cells = np.empty(len(ground), np.int32)
    stack = np.empty(len(ground), np.int32)
    size = 0
    drowned = 0
    for turn in range(ranges):
        waiting = first[turn]
        while waiting >= 0 or size > 0 or drowned > 0:
            if waiting >= 0:
                heap_push(keys, cells, size, ground[waiting], waiting)
                size += 1
                waiting = after[waiting]
                continue
            if drowned > 0:
                drowned -= 1
                cell = int(stack[drowned])
            else:
                cell = int(cells[0])
                heap_drop(keys, cells, size)
                size -= 1
            source = level[cell]
            row = cell // cols
            col = cell - row * cols
            is_inner = 0 < row < rows - 1 and 0 < col < cols - 1
            for k in range(8):
                if not is_inner and not (0 <= row + ROW_STEP[k] < rows and 0 <= col + COL_STEP[k] < cols):
                    continue
                near = cell + steps[k]
                if level[near] != np.inf:
                    continue
                if ground[near] <= source:
                    level[near] = source
                    stack[drowned] = near
                    drowned += 1
                    continue
                level[near] = ground[near]
                place = int((np.float64(ground[near]) - lowest) * per_m)
                if place > turn:
                    after[near] = first[place]
                    first[place] = near
                    continue
                heap_push(keys, cells, size, ground[near], near)
                size += 1
