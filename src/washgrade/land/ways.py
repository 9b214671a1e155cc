"""The compiled searches for a way out of a pit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import grown, heap_drop, heap_push, kernel

__all__ = [
    "IN_PATCH",
    "KEPT",
    "TOO_DEEP",
    "TOO_LONG",
    "end_in_reach",
    "heap_room",
    "least_way",
    "shorter_way",
]

# Our choice, because it must only break ties: of ways that move the same volume, the shorter.
TIE_M_PER_CELL = 1e-4
# Mark of the cells where a search begins, among the ways back 0 to 7.
IN_PATCH = 8
# What a search was refused, as bits.
TOO_LONG = 1
TOO_DEEP = 2
KEPT = 4
# Our choice, because a search that weighs length against digging may keep many ways to one cell: beyond so
# many it gives up and the shortest way is taken.
MOST_LABELS = 1 << 15


# What forbids to bring a cell down to a level: 0 if nothing does.
@kernel
def _refusal(here: np.float32, raw: np.float32, kept: bool, bottom: np.float32, max_depth_m: float) -> int:
    if here <= bottom:
        return 0
    if kept:
        return KEPT
    if np.float64(raw) - np.float64(bottom) > max_depth_m:
        return TOO_DEEP
    return 0


@kernel
def heap_room(patch: NDArray[np.int32], size: int, rows: int, cols: int, max_length_cell_count: float) -> int:
    """Most entries that a search from a patch can ever push: eight for each cell within the length."""
    north = south = patch[0] // cols
    west = east = patch[0] % cols
    for place in range(1, size):
        row = patch[place] // cols
        col = patch[place] % cols
        north = min(north, row)
        south = max(south, row)
        west = min(west, col)
        east = max(east, col)
    reach = int(min(max_length_cell_count, np.float64(rows + cols))) + 1
    high = min(south - north + 1 + 2 * reach, rows)
    wide = min(east - west + 1 + 2 * reach, cols)
    return int(8 * high * wide)


@kernel
def least_way(
    level: NDArray[np.float32],
    raw: NDArray[np.float32],
    outlet: NDArray[np.bool_],
    keep: NDArray[np.bool_],
    seen: NDArray[np.int32],
    stamp: int,
    steps: NDArray[np.int64],
    patch: NDArray[np.int32],
    size: int,
    bottom: np.float32,
    budget_m: np.float32,
    max_length_cell_count: float,
    max_depth_m: float,
    by_length: bool,
    digging: NDArray[np.float32],
    length: NDArray[np.float32],
    back: NDArray[np.uint8],
    keys: NDArray[np.float32],
    cells: NDArray[np.int32],
) -> tuple[int, int]:
    """Find the way from a patch to lower ground or an outlet, of least digging or of least length."""
    # Dijkstra's algorithm. Of several ways to a cell one is kept, so by digging a dearer but shorter way may
    # be missed where the length is limited; by length nothing is missed. The heap's lists have the room that
    # `heap_room` says. Returns the end (-1 if there is none under the budget) and what was refused.
    weight = np.float32(0.0) if by_length else np.float32(1.0)
    tie = np.float32(1.0) if by_length else np.float32(TIE_M_PER_CELL)
    for place in range(size):
        seen[patch[place]] = stamp
        digging[patch[place]] = 0.0
        length[patch[place]] = 0.0
        back[patch[place]] = IN_PATCH
    waiting = 0
    member = 0
    refused = 0
    # The patch's cells come first, at no cost; then the heap's, least first.
    while member < size or waiting > 0:
        if member < size:
            cell = np.int64(patch[member])
            member += 1
        else:
            cell = np.int64(cells[0])
            key = keys[0]
            heap_drop(keys, cells, waiting)
            waiting -= 1
            if key > digging[cell]:
                continue
            if key >= budget_m:
                break
            if outlet[cell] or level[cell] < bottom:
                return int(cell), refused
        for k in range(8):
            near = cell + steps[k]
            step = np.float32(1.4142135) if k & 1 else np.float32(1.0)
            far = length[cell] + step
            if far > max_length_cell_count:
                refused |= TOO_LONG
                continue
            forbidden = _refusal(level[near], raw[near], keep[near], bottom, max_depth_m)
            if forbidden:
                refused |= forbidden
                continue
            cost = digging[cell] + weight * max(level[near] - bottom, np.float32(0.0)) + tie * step
            if seen[near] != stamp or cost < digging[near]:
                seen[near] = stamp
                digging[near] = cost
                length[near] = far
                back[near] = (k + 4) % 8
                heap_push(keys, cells, waiting, cost, near)
                waiting += 1
    return -1, refused


@kernel
def end_in_reach(
    level: NDArray[np.float32],
    outlet: NDArray[np.bool_],
    cols: int,
    patch: NDArray[np.int32],
    size: int,
    bottom: np.float32,
    max_length_cell_count: float,
) -> bool:
    """Whether a box around a patch, as wide as a way is long, holds lower ground or an outlet at all."""
    rows = len(level) // cols
    north = south = patch[0] // cols
    west = east = patch[0] % cols
    for place in range(1, size):
        row = patch[place] // cols
        col = patch[place] % cols
        north = min(north, row)
        south = max(south, row)
        west = min(west, col)
        east = max(east, col)
    reach = int(min(max_length_cell_count, np.float64(rows + cols)))
    for row in range(max(north - reach, 0), min(south + reach, rows - 1) + 1):
        base = row * cols
        for cell in range(base + max(west - reach, 0), base + min(east + reach, cols - 1) + 1):
            if level[cell] < bottom or (outlet[cell] and not np.isnan(level[cell])):
                return True
    return False


@kernel
def shorter_way(
    level: NDArray[np.float32],
    raw: NDArray[np.float32],
    outlet: NDArray[np.bool_],
    keep: NDArray[np.bool_],
    seen: NDArray[np.int32],
    stamp: int,
    steps: NDArray[np.int64],
    patch: NDArray[np.int32],
    size: int,
    bottom: np.float32,
    budget_m: np.float32,
    max_length_cell_count: float,
    max_depth_m: float,
    length: NDArray[np.float32],
    label_cell: NDArray[np.int32],
    label_from: NDArray[np.int32],
    label_length: NDArray[np.float32],
    keys: NDArray[np.float32],
    labels: NDArray[np.int32],
    way: NDArray[np.int64],
) -> tuple[NDArray[np.int64], int, float]:
    """Find the way of least digging within a length, exactly."""
    # Several ways to a cell are kept, the dearer ones shorter. Labels leave the heap in the order of their
    # digging, so one is worth following only if it is shorter than all that came to its cell before. The
    # lists of labels are scratch; a search that needs more is given up. Returns the way (its cells from the
    # end back to the patch), how many cells it has (0 if there is none under the budget, -1 if it was given
    # up) and its length in cells.
    for place in range(size):
        seen[patch[place]] = stamp
        length[patch[place]] = -1.0
    count = 0
    waiting = 0
    member = 0
    while member < size or waiting > 0:
        if member < size:
            cell = np.int64(patch[member])
            member += 1
            origin = -1
            dug = np.float32(0.0)
            gone = np.float32(0.0)
        else:
            origin = labels[0]
            dug = keys[0]
            heap_drop(keys, labels, waiting)
            waiting -= 1
            cell = np.int64(label_cell[origin])
            gone = label_length[origin]
            if dug >= budget_m:
                break
            if gone >= length[cell]:
                continue
            length[cell] = gone
            if outlet[cell] or level[cell] < bottom:
                found = 0
                whole = gone
                first = cell
                while origin >= 0:
                    first = np.int64(label_cell[origin])
                    if found == len(way):
                        way = grown(way)
                    way[found] = first
                    found += 1
                    origin = label_from[origin]
                return way, found, np.float64(whole)
        for k in range(8):
            near = cell + steps[k]
            step = np.float32(1.4142135) if k & 1 else np.float32(1.0)
            far = gone + step
            if far > max_length_cell_count or (seen[near] == stamp and far >= length[near]):
                continue
            if _refusal(level[near], raw[near], keep[near], bottom, max_depth_m):
                continue
            if seen[near] != stamp:
                seen[near] = stamp
                length[near] = np.inf
            if count == len(label_cell):
                return way, -1, 0.0
            cost = dug + max(level[near] - bottom, np.float32(0.0)) + np.float32(TIE_M_PER_CELL) * step
            label_cell[count] = near
            label_from[count] = origin
            label_length[count] = far
            heap_push(keys, labels, waiting, cost, count)
            count += 1
            waiting += 1
    return way, 0, 0.0
