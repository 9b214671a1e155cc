"""Flow: which way the water of each cell goes, and how many cells drain through it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import choice
from washgrade.errors import GroundError
from washgrade.land.descent import FACET, OUTLET, PENDING, VOID, lowest_ways
from washgrade.land.kernel import (
    COL_STEP,
    ROW_STEP,
    as_heights,
    as_outlets,
    in_bands,
    kernel,
    neighbour_steps,
)
from washgrade.land.straight import count_facet_donors, straighten

__all__ = ["METHODS", "OUTLET", "VOID", "downstream_cells", "flow_directions", "route", "upstream_cells"]

METHODS = ("least deviation", "steepest")

# While at work: the mark of a cell in the first ring around an outlet.
FIRST_RING = 16


def flow_directions(
    conditioned_m: NDArray[np.float32],
    *,
    outlets: NDArray[np.integer] | None = None,
    method: str = "steepest",
) -> NDArray[np.uint8]:
    """Direction of flow to one of the eight neighbours, flats led to their outlets.

    Parameters
    ----------
    conditioned_m : ndarray of float32, shape (rows, cols)
        Heights in metres without pits, as `fill` returns them; NaN is a void.
    outlets : ndarray of int, shape (outlets,), optional
        Flat indices of cells in which water sinks into the ground: it ends there, lower neighbours or not.
    method : str, optional
        One of `METHODS`: "steepest", the steepest descent of each cell by itself, or "least deviation", by
        which paths follow the fall line of even slopes whatever its bearing.

    Returns
    -------
    ndarray of uint8, shape (rows, cols)
        0 E, 1 SE, 2 S, 3 SW, 4 W, 5 NW, 6 N, 7 NE; `OUTLET` (8) where water leaves; `VOID` (255).

    Raises
    ------
    InputError
        If there is no such method.
    GroundError
        If the heights still have a pit, or are no grid that `as_heights` takes, or an outlet is no cell with
        a height.

    Notes
    -----
    Descent is drop over distance, 1 along rows and columns and the square root of 2 across (O'Callaghan and
    Mark 1984); of equally steep ways the first in the order above is taken. Cells at the map's edge or beside
    a void are outlets when no neighbour is lower. In flats, rings grow by breadth-first search from the cells
    that already drain, straight neighbours first, so that every flat cell takes a shortest way out.

    Steepest ways alone run an even slope in one of eight bearings, up to 22.5 degrees off its fall line.
    "Least deviation" is D8-LTD with its factor of 1 (Orlandini et al. 2003): where the steepest descent of a
    cell lies inside one of the eight triangular facets around it (Tarboton 1997), both ways that bound the
    facet lead to lower ground. How far the path leaves the fall line is counted across that line, in cells:
    ``-side * sin(a)`` by the straight way and ``side * (cos(a) - sin(a))`` by the diagonal one, ``a`` being
    the angle of the descent to the straight way and ``side`` 1 or -1 for the side that the facet lies on. It
    is summed along the path, and each cell takes the way that leaves the smaller sum. Where paths join, the
    sum of the one with the largest upstream area is kept; of equal areas, the sum nearer to 0; past a flat it
    begins anew (these two rules are our choice). Cells at the map's edge, in flats, and those whose steepest
    descent is one of the eight ways keep it.

    References
    ----------
    O'Callaghan, J. F., Mark, D. M. (1984). The extraction of drainage networks from digital elevation data.
    Computer Vision, Graphics and Image Processing 28, 323-344.
    Orlandini, S., Moretti, G., Franchini, M., Aldighieri, B., Testa, B. (2003). Path-based methods for the
    determination of nondispersive drainage directions in grid-based digital elevation models. Water Resources
    Research 39(6), 1144.
    Tarboton, D. G. (1997). A new method for the determination of flow directions and upslope areas in grid
    digital elevation models. Water Resources Research 33(2), 309-319.

    Examples
    --------
    >>> flow_directions(np.array([[5, 5, 5, 5], [5, 3, 2, 2], [5, 5, 5, 5]], np.float32))[1].tolist()
    [0, 0, 0, 8]
    """
    if choice("method", method, METHODS) == "steepest":
        return _lowest_ways(as_heights(conditioned_m), outlets, 0)
    return route(conditioned_m, outlets=outlets, method=method)[0]


def route(
    conditioned_m: NDArray[np.float32],
    *,
    outlets: NDArray[np.integer] | None = None,
    method: str = "steepest",
) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """Directions of flow and, in the same pass where the method allows, what drains through each cell.

    Parameters
    ----------
    conditioned_m, outlets, method
        As for `flow_directions`.

    Returns
    -------
    directions : ndarray of uint8, shape (rows, cols)
        As from `flow_directions`.
    count : ndarray of int32, shape (rows, cols)
        As from `upstream_cells`.

    Raises
    ------
    InputError
        If there is no such method.
    GroundError
        If the heights still have a pit, or are no grid that `as_heights` takes, or an outlet is no cell with
        a height.

    Examples
    --------
    >>> ways, count = route(np.array([[5, 5, 5, 5], [5, 3, 2, 2], [5, 5, 5, 5]], np.float32))
    >>> count[1].tolist()
    [1, 4, 9, 12]
    """
    if choice("method", method, METHODS) == "steepest":
        directions = _lowest_ways(as_heights(conditioned_m), outlets, 0)
        return directions, upstream_cells(directions)
    heights = as_heights(conditioned_m)
    directions = _lowest_ways(heights, outlets, FACET)
    waiting = np.zeros(heights.shape, np.uint8)
    count_facet_donors(directions, waiting)
    count = np.zeros(heights.shape, np.int32)
    straighten(heights, directions, waiting, count)
    return directions, count


# Steepest ways over lower ground and out of flats; with ``facet`` above 0, cells whose steepest descent lies
# between two ways are marked with it.
def _lowest_ways(
    heights: NDArray[np.float32], outlets: NDArray[np.integer] | None, facet: int
) -> NDArray[np.uint8]:
    rows, cols = heights.shape
    direction = np.empty(heights.shape, np.uint8)
    pending = sum(in_bands(lambda first, end: lowest_ways(heights, direction, first, end, facet), rows, cols))
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
                drains = code[near] <= OUTLET or FACET <= code[near] < FACET + 8
                if drains and ground[near] == ground[cell]:
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
