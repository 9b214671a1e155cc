"""A thin plate laid over a hole of a DEM: the compiled solver behind `washgrade.land.voids`.

The start is a membrane, each height the mean of its straight neighbours, by successive over-relaxation with
the factor ``2 / (1 + sin(pi / (n + 2)))`` for a hole n cells wide (after Young 1954). On it the hole's own
cells do not bend, so that only the cells beside it pull; conjugate gradients (Hestenes and Stiefel 1952) then
make the sum of squared Laplacians least.

References
----------
Hestenes, M. R., Stiefel, E. (1952). Methods of conjugate gradients for solving linear systems. Journal of
Research of the National Bureau of Standards 49(6), 409-436.
Williams, J. W. J. (1964). Algorithm 232: Heapsort. Communications of the ACM 7(6), 347-348.
Young, D. (1954). Iterative methods for solving partial difference equations of elliptic type.
Transactions of the American Mathematical Society 76(1), 92-111.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import COL_STEP, ROW_STEP, kernel

__all__ = ["ascending", "mend_hole"]

# A change of a micrometre a sweep leaves the surface less than a tenth of a millimetre from its limit.
SETTLED_M = 1e-6
# Our choice, because real hollows reach below what shows around them, but not by much more than it shows.
SLACK_SHARE = 0.25


@kernel
def ascending(cells: NDArray[np.int32]) -> None:
    """Sort a list in place (heapsort, Williams 1964): numba takes seconds to compile a sort of numpy's."""
    size = len(cells)
    first = size // 2
    last = size
    while last > 1:
        if first > 0:
            first -= 1
            cell = cells[first]
        else:
            last -= 1
            cell = cells[last]
            cells[last] = cells[0]
        place = first
        while 2 * place + 1 < last:
            child = 2 * place + 1
            if child + 1 < last and cells[child + 1] > cells[child]:
                child += 1
            if cells[child] <= cell:
                break
            cells[place] = cells[child]
            place = child
        cells[place] = cell


@kernel
def _place(cells: NDArray[np.int32], cell: int) -> int:
    """First place in a sorted list whose cell is no smaller."""
    low = 0
    high = len(cells)
    while low < high:
        middle = (low + high) // 2
        if cells[middle] < cell:
            low = middle + 1
        else:
            high = middle
    return low


@kernel
def mend_hole(
    ground: NDArray[np.float32],
    mark: NDArray[np.uint8],
    rows: int,
    cols: int,
    hole: NDArray[np.int32],
    width: int,
) -> None:
    """Set the heights of one hole: a membrane first, then a plate.

    Parameters
    ----------
    ground : ndarray of float32, shape (cells,)
        Heights in metres, row by row; those of the hole are set.
    mark : ndarray of uint8, shape (cells,)
        0 where a height was measured.
    rows, cols : int
        Size of the map.
    hole : ndarray of int32, shape (hole cells,)
        Flat indices of the hole's cells in ascending order, none on the map's edge.
    width : int
        Its width in cells, which sets how many steps are taken at most.
    """
    size = len(hole)
    near_slot = np.full((size, 4), -1, np.int32)
    rim = np.zeros(size, np.float64)
    rim_sum = 0.0
    rim_count = 0
    low = np.inf
    high = -np.inf
    # Cells beside the hole bend the plate too, where all of their neighbours are known or in this hole.
    beside = np.empty(4 * size, np.int32)
    found = 0
    for slot in range(size):
        cell = hole[slot]
        for turn in range(4):
            near = cell + ROW_STEP[2 * turn] * cols + COL_STEP[2 * turn]
            height = np.float64(ground[near])
            if np.isnan(height):
                near_slot[slot, turn] = _place(hole, near)
            else:
                rim[slot] += height
                rim_sum += height
                rim_count += 1
                low = min(low, height)
                high = max(high, height)
                beside[found] = near
                found += 1
    value = np.full(size, rim_sum / rim_count)
    _relax(value, near_slot, rim, width)
    ascending(beside[:found])
    beside_slot = np.full((found, 4), -1, np.int32)
    beside_known = np.zeros(found, np.float64)
    count = 0
    for place in range(found):
        cell = beside[place]
        if place > 0 and cell == beside[place - 1]:
            continue
        row = cell // cols
        col = cell - row * cols
        if row == 0 or col == 0 or row == rows - 1 or col == cols - 1:
            continue
        known = -4.0 * np.float64(ground[cell])
        is_whole = True
        for turn in range(4):
            near = cell + ROW_STEP[2 * turn] * cols + COL_STEP[2 * turn]
            # What was mended before is no knowledge, or the order of the holes would show.
            if mark[near] == 0 and not np.isnan(ground[near]):
                known += np.float64(ground[near])
                beside_slot[count, turn] = -1
                continue
            slot = _place(hole, near)
            if slot == size or hole[slot] != near:
                is_whole = False
                break
            beside_slot[count, turn] = slot
        if is_whole:
            beside_known[count] = known
            count += 1
    _bend(value, near_slot, beside_slot[:count], beside_known[:count], width)
    slack = SLACK_SHARE * (high - low)
    for slot in range(size):
        ground[hole[slot]] = min(max(value[slot], low - slack), high + slack)


# A membrane: each height the mean of its four straight neighbours.
@kernel
def _relax(
    value: NDArray[np.float64], near_slot: NDArray[np.int32], rim: NDArray[np.float64], width: int
) -> None:
    factor = 2.0 / (1.0 + np.sin(np.pi / (width + 2.0)))
    # Sweeps grow with the width; the bound only guards against a rim of absurd heights.
    for _ in range(200 + 100 * width):
        most = 0.0
        for slot in range(len(value)):
            total = rim[slot]
            for turn in range(4):
                other = near_slot[slot, turn]
                if other >= 0:
                    total += value[other]
            change = factor * (0.25 * total - value[slot])
            value[slot] += change
            most = max(most, abs(change))
        if most < SETTLED_M:
            break


# The Laplacian of the unknown heights, then its transpose: the plate's pull on each height.
@kernel
def _pull(
    value: NDArray[np.float64],
    near_slot: NDArray[np.int32],
    beside_slot: NDArray[np.int32],
    bends: NDArray[np.float64],
    pull: NDArray[np.float64],
) -> None:
    size = len(value)
    for slot in range(size):
        bend = -4.0 * value[slot]
        for turn in range(4):
            if near_slot[slot, turn] >= 0:
                bend += value[near_slot[slot, turn]]
        bends[slot] = bend
    for slot in range(size):
        total = -4.0 * bends[slot]
        for turn in range(4):
            if near_slot[slot, turn] >= 0:
                total += bends[near_slot[slot, turn]]
        pull[slot] = total
    for place in range(len(beside_slot)):
        bend = 0.0
        for turn in range(4):
            if beside_slot[place, turn] >= 0:
                bend += value[beside_slot[place, turn]]
        for turn in range(4):
            if beside_slot[place, turn] >= 0:
                pull[beside_slot[place, turn]] += bend


# A plate: conjugate gradients from the membrane, on which the cells of the hole themselves do not bend.
@kernel
def _bend(
    value: NDArray[np.float64],
    near_slot: NDArray[np.int32],
    beside_slot: NDArray[np.int32],
    beside_known: NDArray[np.float64],
    width: int,
) -> None:
    size = len(value)
    bends = np.empty(size, np.float64)
    rest = np.zeros(size, np.float64)
    for place in range(len(beside_known)):
        bend = beside_known[place]
        for turn in range(4):
            if beside_slot[place, turn] >= 0:
                bend += value[beside_slot[place, turn]]
        for turn in range(4):
            if beside_slot[place, turn] >= 0:
                rest[beside_slot[place, turn]] -= bend
    way = rest.copy()
    size_of_rest = _dot(rest, rest)
    enough = max(1e-18 * size, 1e-14 * size_of_rest)
    pull = np.empty(size, np.float64)
    # In exact numbers as many steps as unknowns; by the width of the hole many fewer.
    for _ in range(100 + 20 * width * width):
        if size_of_rest <= enough:
            break
        _pull(way, near_slot, beside_slot, bends, pull)
        step = size_of_rest / _dot(way, pull)
        for slot in range(size):
            value[slot] += step * way[slot]
            rest[slot] -= step * pull[slot]
        left = _dot(rest, rest)
        for slot in range(size):
            way[slot] = rest[slot] + left / size_of_rest * way[slot]
        size_of_rest = left


@kernel
def _dot(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Sum of products, spelled out: numba compiles a loop faster than a call of numpy's."""
    total = 0.0
    for slot in range(len(one)):
        total += one[slot] * other[slot]
    return total
