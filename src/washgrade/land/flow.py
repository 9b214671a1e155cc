"""Flow: which way the water of each cell goes, and how many cells drain through it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, as_outlets, kernel, neighbour_steps

__all__ = ["OUTLET", "VOID", "downstream_cells", "flow_directions", "upstream_cells"]

OUTLET = 8
VOID = 255
# While at work: a flat cell without direction, and the mark of a cell in the first ring around an outlet.
PENDING = 254
FIRST_RING = 16

INVERSE_DIAGONAL = np.float32(np.sqrt(0.5))


def flow_directions(
    conditioned_m: NDArray[np.float32], *, outlets: NDArray[np.integer] | None = None
) -> NDArray[np.uint8]:
    """Direction of steepest descent among the eight neighbours, flats led to their outlets.

    Parameters
    ----------
    conditioned_m : ndarray of float32, shape (rows, cols)
        Heights in metres without pits, as `fill` returns them; NaN is a void.
    outlets : ndarray of int, shape (outlets,), optional
        Flat indices of cells in which water sinks into the ground: it ends there, lower neighbours or not.

    Returns
    -------
    ndarray of uint8, shape (rows, cols)
        0 E, 1 SE, 2 S, 3 SW, 4 W, 5 NW, 6 N, 7 NE; `OUTLET` (8) where water leaves; `VOID` (255).

    Raises
    ------
    GroundError
        If the heights still have a pit, or are no grid that `as_heights` takes, or an outlet is no cell with
        a height.

    Notes
    -----
    Descent is drop over distance, 1 along rows and columns and the square root of 2 across (O'Callaghan and
    Mark 1984); of equally steep ways the first in the order above is taken. Cells at the map's edge or beside
    a void are outlets when no neighbour is lower. In flats, rings grow by breadth-first search from the cells
    that already drain, straight neighbours first, so that every flat cell takes a shortest way out.

    References
    ----------
    O'Callaghan, J. F., Mark, D. M. (1984). The extraction of drainage networks from digital elevation data.
    Computer Vision, Graphics and Image Processing 28, 323-344.

    Examples
    --------
    >>> flow_directions(np.array([[5, 5, 5, 5], [5, 3, 2, 2], [5, 5, 5, 5]], np.float32))[1].tolist()
    [0, 0, 0, 8]
    """
    heights = as_heights(conditioned_m)
    direction = np.empty(heights.shape, np.uint8)
    pending = _steepest(heights, direction)
    sinks = as_outlets(outlets, heights)
    pending -= int(np.count_nonzero(direction.ravel()[sinks] == PENDING))
    direction.ravel()[sinks] = OUTLET
    left = _lead_flats(heights, direction, pending)
    if left:
        raise GroundError(
            f"Invalid 'conditioned_m' with {left} cells that cannot drain. "
            "It must have no pits: fill it first."
        )
    return direction


def downstream_cells(directions: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Flat index of the cell that each cell drains to.

    Parameters
    ----------
    directions : ndarray of uint8, shape (rows, cols)
        As `flow_directions` returns them.

    Returns
    -------
    ndarray of int64, shape (rows * cols,)
        Flat index of the next cell; the cell's own where water leaves; -1 on voids.

    Examples
    --------
    >>> downstream_cells(np.array([[0, 0, 8, 255]], np.uint8)).tolist()
    [1, 2, 2, -1]
    """
    cols = directions.shape[1]
    steps = np.zeros(256, np.int64)
    steps[:8] = ROW_STEP * cols + COL_STEP
    code = directions.ravel()
    to = np.arange(code.size, dtype=np.int64) + steps[code]
    to[code == VOID] = -1
    return to


def upstream_cells(directions: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Count the cells that drain through each cell, itself included.

    Parameters
    ----------
    directions : ndarray of uint8, shape (rows, cols)
        As `flow_directions` returns them.

    Returns
    -------
    ndarray of int32, shape (rows, cols)
        Number of cells; 0 on voids.

    Raises
    ------
    GroundError
        If a direction leads off the map, into a void or round in a circle.

    Notes
    -----
    Every cell knows how many neighbours pour into it. From each cell that has none, the count is carried
    downstream until a cell still waits for another neighbour; so each cell is passed once and no order of the
    cells is ever stored.

    Examples
    --------
    >>> upstream_cells(np.array([[0, 0, 8, 255]], np.uint8)).tolist()
    [[1, 2, 3, 0]]
    """
    code = np.ascontiguousarray(directions, dtype=np.uint8)
    count = np.zeros(code.shape, np.int32)
    waiting = np.zeros(code.shape, np.uint8)
    if not _count_donors(code, waiting):
        raise GroundError(
            "Invalid 'directions' with a cell that drains off the map or into a void. "
            "They must be those that 'flow_directions' returns."
        )
    passed = _carry_down(code, waiting, count)
    whole = int(np.count_nonzero(code != VOID))
    if passed != whole:
        raise GroundError(
            f"Invalid 'directions' with {whole - passed} cells that drain in a circle. "
            "They must be those that 'flow_directions' returns."
        )
    return count


# Set steepest directions; return how many cells have no lower neighbour and are no outlets.
@kernel
def _steepest(heights: NDArray[np.float32], direction: NDArray[np.uint8]) -> int:
    rows, cols = heights.shape
    ground = heights.ravel()
    code = direction.ravel()
    steps = neighbour_steps(cols)
    pending = 0
    for row in range(rows):
        inner_row = 0 < row < rows - 1
        for col in range(cols):
            cell = row * cols + col
            here = ground[cell]
            if np.isnan(here):
                code[cell] = VOID
                continue
            best = np.float32(0.0)
            way = PENDING
            if inner_row and 0 < col < cols - 1:
                void_near = False
                for k in range(8):
                    drop = here - ground[cell + steps[k]]
                    if k & 1:
                        drop *= INVERSE_DIAGONAL
                    if drop > best:
                        best = drop
                        way = k
                if way == PENDING:
                    for k in range(8):
                        void_near |= np.isnan(ground[cell + steps[k]])
                if void_near:
                    way = OUTLET
            else:
                way = OUTLET
                for k in range(8):
                    near_row = row + ROW_STEP[k]
                    near_col = col + COL_STEP[k]
                    if 0 <= near_row < rows and 0 <= near_col < cols:
                        drop = here - ground[cell + steps[k]]
                        if k & 1:
                            drop *= INVERSE_DIAGONAL
                        if drop > best:
                            best = drop
                            way = k
            code[cell] = way
            if way == PENDING:
                pending += 1
    return pending


# Give every flat cell a direction, ring by ring from the flats' outlets; return how many got none.
@kernel
def _lead_flats(heights: NDArray[np.float32], direction: NDArray[np.uint8], pending: int) -> int:
    rows, cols = heights.shape
    ground = heights.ravel()
    code = direction.ravel()
    steps = neighbour_steps(cols)
    queue = np.empty(pending, np.int32)
    found = 0
    # Pending cells lie off the edge and off voids, so all their neighbours exist.
    for row in range(1, rows - 1):
        for col in range(1, cols - 1):
            cell = row * cols + col
            if code[cell] != PENDING:
                continue
            for turn in range(8):
                k = (2 * turn) % 8 + turn // 4
                near = cell + steps[k]
                if code[near] <= OUTLET and ground[near] == ground[cell]:
                    code[cell] = FIRST_RING + k
                    queue[found] = cell
                    found += 1
                    break
    for place in range(found):
        code[queue[place]] -= FIRST_RING
    place = 0
    while place < found:
        cell = queue[place]
        place += 1
        for turn in range(8):
            k = (2 * turn) % 8 + turn // 4
            near = cell + steps[k]
            if code[near] == PENDING and ground[near] == ground[cell]:
                code[near] = (k + 4) % 8
                queue[found] = near
                found += 1
    return pending - found


# Count the neighbours that pour into each cell; False if a direction leads nowhere.
@kernel
def _count_donors(direction: NDArray[np.uint8], waiting: NDArray[np.uint8]) -> bool:
    rows, cols = direction.shape
    for row in range(rows):
        for col in range(cols):
            way = direction[row, col]
            if way < OUTLET:
                to_row = row + ROW_STEP[way]
                to_col = col + COL_STEP[way]
                if not (0 <= to_row < rows and 0 <= to_col < cols) or direction[to_row, to_col] == VOID:
                    return False
                waiting[to_row, to_col] += 1
            elif way != OUTLET and way != VOID:
                return False
    return True


# Sum cells downstream; return how many cells were passed.
@kernel
def _carry_down(direction: NDArray[np.uint8], waiting: NDArray[np.uint8], count: NDArray[np.int32]) -> int:
    cols = direction.shape[1]
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
            if way == OUTLET:
                break
            below = cell + steps[way]
            total[below] += total[cell]
            left[below] -= 1
            if left[below] != 0:
                break
            cell = below
    return passed
