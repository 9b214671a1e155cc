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
    kernel,
    mark_outlets,
    neighbour_steps,
)

__all__ = ["fill"]

# Our choice: rough hills pass 0.1 to 0.2 cells per cell through the queue, smooth ones under 0.05, but white
# noise more than 8 (made grounds of benchmarks/ground.py); beyond the limit a flood in order of height is
# quicker and its time is bounded.
QUEUE_LIMIT_PER_CELL = 0.5


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
    is used: raster scans forth and back, then a first-in first-out queue for what they left. Where the queue
    runs long (white noise, spirals), it is given up for a priority flood, whose result is the same.

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


# Fill by scans and a queue; False, with ``water`` unfinished, when the queue runs too long.
@kernel
def _fill_by_scans(
    heights: NDArray[np.float32],
    water: NDArray[np.float32],
    queue_limit_per_cell: float,
    sinks: NDArray[np.int64],
) -> bool:
    rows, cols = heights.shape
    _start(heights, water)
    ground = heights.ravel()
    level = water.ravel()
    for sink in sinks:
        level[sink] = ground[sink]
    # Comparisons with NaN are false, so voids never lower anything; cells beside them are outlets already.
    for _ in range(2):
        for row in range(1, rows - 1):
            base = row * cols
            for cell in range(base + 1, base + cols - 1):
                here = level[cell]
                if here > ground[cell]:
                    least = here
                    above = cell - cols
                    if level[cell - 1] < least:
                        least = level[cell - 1]
                    if level[above - 1] < least:
                        least = level[above - 1]
                    if level[above] < least:
                        least = level[above]
                    if level[above + 1] < least:
                        least = level[above + 1]
                    if least < here:
                        level[cell] = max(least, ground[cell])
        for row in range(rows - 2, 0, -1):
            base = row * cols
            for cell in range(base + cols - 2, base, -1):
                here = level[cell]
                if here > ground[cell]:
                    least = here
                    under = cell + cols
                    if level[cell + 1] < least:
                        least = level[cell + 1]
                    if level[under + 1] < least:
                        least = level[under + 1]
                    if level[under] < least:
                        least = level[under]
                    if level[under - 1] < least:
                        least = level[under - 1]
                    if least < here:
                        level[cell] = max(least, ground[cell])
    steps = neighbour_steps(cols)
    limit = int(queue_limit_per_cell * len(ground)) + 1024
    room = 1024
    queue = np.empty(room, np.int32)
    first = 0
    waiting = 0
    pushed = 0
    for row in range(1, rows - 1):
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
            queue[(first + waiting) % room] = start
            waiting += 1
            pushed += 1
            # The queue is drained at once, so that it stays short and near in memory.
            while waiting > 0:
                cell = queue[first]
                first = (first + 1) % room
                waiting -= 1
                source = level[cell]
                for k in range(8):
                    near = cell + steps[k]
                    if level[near] > source and level[near] > ground[near]:
                        level[near] = max(source, ground[near])
                        if waiting == room:
                            larger = np.empty(2 * room, np.int32)
                            for place in range(waiting):
                                larger[place] = queue[(first + place) % room]
                            queue = larger
                            room *= 2
                            first = 0
                        queue[(first + waiting) % room] = near
                        waiting += 1
                        pushed += 1
                if pushed > limit:
                    return False
    return True


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
    keys = np.empty(1024, np.float32)
    cells = np.empty(1024, np.int32)
    size = 0
    for cell in range(len(ground)):
        if np.isnan(ground[cell]):
            level[cell] = np.nan
        elif outlet[cell]:
            level[cell] = ground[cell]
            if size == len(keys):
                keys = grown(keys)
                cells = grown(cells)
            heap_push(keys, cells, size, ground[cell], cell)
            size += 1
        else:
            level[cell] = np.inf
    stack = np.empty(1024, np.int32)
    drowned = 0
    while size > 0 or drowned > 0:
        if drowned > 0:
            drowned -= 1
            cell = stack[drowned]
        else:
            cell = cells[0]
            heap_drop(keys, cells, size)
            size -= 1
        source = level[cell]
        row = cell // cols
        col = cell - row * cols
        for k in range(8):
            near_row = row + ROW_STEP[k]
            near_col = col + COL_STEP[k]
            if not (0 <= near_row < rows and 0 <= near_col < cols):
                continue
            near = near_row * cols + near_col
            if level[near] != np.inf:
                continue
            if ground[near] <= source:
                level[near] = source
                if drowned == len(stack):
                    stack = grown(stack)
                stack[drowned] = near
                drowned += 1
            else:
                level[near] = ground[near]
                if size == len(keys):
                    keys = grown(keys)
                    cells = grown(cells)
                heap_push(keys, cells, size, ground[near], near)
                size += 1
