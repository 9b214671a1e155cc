"""The compiled loop that opens pits one by one, by digging, by raising, or by some of both."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import grown, heap_drop, heap_push, kernel, neighbour_steps
from washgrade.land.pits import level_patch, lowest_cells
from washgrade.land.ways import (
    IN_PATCH,
    KEPT,
    MOST_LABELS,
    TIE_M_PER_CELL,
    TOO_DEEP,
    TOO_LONG,
    end_in_reach,
    heap_room,
    least_way,
    shorter_way,
)

__all__ = ["open_pits", "raise_single_pits", "why_left"]

# Our choice, because more changes little: rough ground moves 1 % less with 64 than 16.
MOST_RAISED = 32


@kernel
def _raise_among(
    ground: NDArray[np.float32], cells: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Raise those of some cells without a lower neighbour that have no even one either."""
    level = ground.ravel()
    steps = neighbour_steps(ground.shape[1])
    raised = np.empty(len(cells), np.int64)
    raised_m = np.empty(len(cells), np.float64)
    count = 0
    for turn in range(len(cells)):
        cell = cells[turn]
        lowest = level[cell + steps[0]]
        for k in range(1, 8):
            lowest = min(lowest, level[cell + steps[k]])
        if level[cell] < lowest:
            raised[count] = cell
            raised_m[count] = np.float64(lowest) - np.float64(level[cell])
            count += 1
            # No neighbour can be such a pit too, so the order of the cells does not matter.
            level[cell] = lowest
    return raised[:count].copy(), raised_m[:count].copy()


def raise_single_pits(
    ground: NDArray[np.float32], is_outlet: NDArray[np.bool_], *, lowest: NDArray[np.int64] | None = None
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Raise cells that are lower than all their neighbours to the lowest of them, changing ``ground``.

    Parameters
    ----------
    ground : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN on voids; changed.
    is_outlet : ndarray of bool, shape (rows, cols)
        Where water leaves.
    lowest : ndarray of int64, shape (cells,), optional
        From `washgrade.land.pits.lowest_cells`, if it is known already.

    Returns
    -------
    raised : ndarray of int64, shape (raised,)
        Raised cells, ascending.
    raised_m : ndarray of float64, shape (raised,)
        By how much, metres.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9], [9, 1, 2, 9], [9, 9, 9, 9]], np.float32)
    >>> [part.tolist() for part in raise_single_pits(ground, np.zeros((3, 4), np.bool_))], ground[1].tolist()
    ([[5], [1.0]], [9.0, 2.0, 2.0, 9.0])
    """
    return _raise_among(ground, lowest_cells(ground, is_outlet) if lowest is None else lowest)


# Flood a pit from its floor in order of height, up to a number of cells. Fills in the flooded cells and the
# level at which each joined; returns how many, and whether the water spilled at the last level without any
# digging. The heap takes at most eight entries for each flooded cell.
@kernel
def _flood(
    level: NDArray[np.float32],
    outlet: NDArray[np.bool_],
    seen: NDArray[np.int32],
    stamp: int,
    steps: NDArray[np.int64],
    patch: NDArray[np.int32],
    size: int,
    keys: NDArray[np.float32],
    cells: NDArray[np.int32],
    flooded: NDArray[np.int64],
    joined_m: NDArray[np.float32],
) -> tuple[int, bool]:
    count = 0
    waiting = 0
    stand = level[patch[0]]
    for place in range(size):
        flooded[count] = patch[place]
        joined_m[count] = stand
        count += 1
    place = 0
    while True:
        while place < count:
            for k in range(8):
                near = flooded[place] + steps[k]
                if seen[near] != stamp:
                    seen[near] = stamp
                    heap_push(keys, cells, waiting, level[near], near)
                    waiting += 1
            place += 1
        cell = np.int64(cells[0])
        height = keys[0]
        heap_drop(keys, cells, waiting)
        waiting -= 1
        if height < stand:
            return count, True
        if count == len(flooded):
            return count, False
        stand = height
        flooded[count] = cell
        joined_m[count] = stand
        count += 1
        if outlet[cell]:
            return count, True


@kernel
def open_pits(
    ground: NDArray[np.float32],
    before: NDArray[np.float32],
    is_outlet: NDArray[np.bool_],
    is_kept: NDArray[np.bool_],
    visit: NDArray[np.int32],
    pits: NDArray[np.int64],
    max_length_cell_count: float,
    max_depth_m: float,
) -> tuple[
    NDArray[np.int64],
    NDArray[np.int64],
    NDArray[np.float64],
    NDArray[np.int64],
    NDArray[np.int64],
    NDArray[np.float64],
    NDArray[np.int64],
    NDArray[np.float64],
]:
    """Open pits one by one in the given order, changing ``ground``.

    Parameters
    ----------
    ground : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN on voids; changed.
    before : ndarray of float32, shape (rows, cols)
        The same heights; not changed. Depths are counted from them.
    is_outlet : ndarray of bool, shape (rows, cols)
        Where water leaves.
    is_kept : ndarray of bool, shape (rows, cols)
        Cells that may not be lowered.
    visit : ndarray of int32, shape (rows, cols)
        All 0; used as scratch.
    pits : ndarray of int64, shape (pits,)
        One cell of each pit.
    max_length_cell_count, max_depth_m : float
        Longest cut in cells; deepest lowering of a cell, metres.

    Returns
    -------
    start : ndarray of int64, shape (cuts + 1,)
        Where each cut's lowered cells begin.
    cell : ndarray of int64, shape (cells,)
        Lowered cells.
    lowered_m : ndarray of float64, shape (cells,)
        By how much, metres.
    way_start : ndarray of int64, shape (cuts + 1,)
        Where each cut's way begins.
    way : ndarray of int64, shape (steps,)
        Cells of the ways, from the pit to where the cut comes out, both included.
    length_cells : ndarray of float64, shape (cuts,)
        Length of each cut, in cells.
    raised : ndarray of int64, shape (raised,)
        Raised cells; one that was raised twice stands twice.
    raised_m : ndarray of float64, shape (raised,)
        By how much, metres.
    """
    rows, cols = ground.shape
    level = ground.ravel()
    raw = before.ravel()
    outlet = is_outlet.ravel()
    keep = is_kept.ravel()
    seen = visit.ravel()
    steps = neighbour_steps(cols)
    digging = np.empty(len(level), np.float32)
    length = np.empty(len(level), np.float32)
    back = np.empty(len(level), np.uint8)
    keys = np.empty(1024, np.float32)
    cells = np.empty(1024, np.int32)
    patch = np.empty(len(level), np.int32)
    label_cell = np.empty(MOST_LABELS, np.int32)
    label_from = np.empty(MOST_LABELS, np.int32)
    label_length = np.empty(MOST_LABELS, np.float32)
    label_keys = np.empty(MOST_LABELS, np.float32)
    labels = np.empty(MOST_LABELS, np.int32)
    path = np.empty(1024, np.int64)
    flooded = np.empty(MOST_RAISED, np.int64)
    joined_m = np.empty(MOST_RAISED, np.float32)
    start = np.zeros(len(pits) + 1, np.int64)
    way_start = np.zeros(len(pits) + 1, np.int64)
    length_cells = np.empty(len(pits), np.float64)
    cut_cell = np.empty(1024, np.int64)
    cut_m = np.empty(1024, np.float64)
    way = np.empty(1024, np.int64)
    raised = np.empty(1024, np.int64)
    raised_m = np.empty(1024, np.float64)
    cuts = 0
    lowered = 0
    walked = 0
    raises = 0
    stamp = 0
    for turn in range(len(pits)):
        stamp += 1
        size, is_pit = level_patch(level, outlet, seen, stamp, steps, patch, pits[turn])
        if not is_pit:
            continue
        bottom = level[pits[turn]]
        pool = 0
        spills = False
        budget_m = np.float32(np.inf)
        if size < MOST_RAISED:
            pool, spills = _flood(
                level, outlet, seen, stamp, steps, patch, size, keys, cells, flooded, joined_m
            )
            if spills:
                whole_m = 0.0
                for place in range(pool):
                    whole_m += np.float64(joined_m[pool - 1]) - np.float64(level[flooded[place]])
                # Digging is preferred to raising as much.
                budget_m = np.float32(whole_m + TIE_M_PER_CELL * pool)
        stamp += 1
        room = heap_room(patch, size, rows, cols, max_length_cell_count)
        if room > len(keys):
            keys = np.empty(2 * room, np.float32)
            cells = np.empty(2 * room, np.int32)
        end, refused = least_way(
            level, raw, outlet, keep, seen, stamp, steps, patch, size, bottom, budget_m,
            max_length_cell_count, max_depth_m, False, digging, length, back, keys, cells,
        )  # fmt: skip
        count = 0
        if end >= 0:
            cell = np.int64(end)
            while back[cell] != IN_PATCH:
                if count == len(path):
                    path = grown(path)
                path[count] = cell
                count += 1
                cell = cell + steps[back[cell]]
            best_m = digging[end]
        else:
            best_m = budget_m
        # Where the length barred every way, a dearer but shorter one to some cell may have been lost.
        if (
            end < 0
            and refused & TOO_LONG
            and end_in_reach(level, outlet, cols, patch, size, bottom, max_length_cell_count)
        ):
            # By length alone nothing is missed, so most pits without a way are told quickly.
            stamp += 1
            end, refused = least_way(
                level, raw, outlet, keep, seen, stamp, steps, patch, size, bottom, np.float32(np.inf),
                max_length_cell_count, max_depth_m, True, digging, length, back, keys, cells,
            )  # fmt: skip
            if end >= 0:
                cell = np.int64(end)
                while back[cell] != IN_PATCH:
                    if count == len(path):
                        path = grown(path)
                    path[count] = cell
                    count += 1
                    cell = cell + steps[back[cell]]
                stamp += 1
                path, found, _ = shorter_way(
                    level, raw, outlet, keep, seen, stamp, steps, patch, size, bottom, best_m,
                    max_length_cell_count, max_depth_m, length, label_cell, label_from, label_length,
                    label_keys, labels, path,
                )  # fmt: skip
                if found > 0:
                    count = found
        # Weigh the levels to which the floor may be raised before the rest is dug along the way.
        best_m = np.float32(np.inf)
        best_pool = 0
        if spills:
            best_m = budget_m
            best_pool = pool
        stand = bottom
        from_place = count - 1
        to_place = 0
        if count > 0:
            filled_m = 0.0
            for members in range(size, max(pool, size) + 1):
                if spills and members == pool:
                    break
                if members > size and members >= pool and not spills:
                    break
                top = bottom if members == size else joined_m[members - 1]
                filled_m = 0.0
                for place in range(members if members > size else 0):
                    filled_m += np.float64(top) - np.float64(level[flooded[place]])
                if filled_m > best_m:
                    break
                # From the last flooded cell of the way to the first one that is lower than the water.
                first = count - 1
                last = 0
                dug_m = 0.0
                for place in range(count - 1, -1, -1):
                    spot = path[place]
                    inside = False
                    if members > size and level[spot] <= top:
                        for other in range(members):
                            inside |= flooded[other] == spot
                    if inside:
                        first = place - 1
                        dug_m = 0.0
                        continue
                    if level[spot] < top:
                        last = place
                        break
                    dug_m += np.float64(level[spot]) - np.float64(top)
                # Of equal ones that which raises fewest cells.
                moved_m = filled_m + dug_m + TIE_M_PER_CELL * (members - size)
                if moved_m < best_m:
                    best_m = np.float32(moved_m)
                    best_pool = members if members > size else 0
                    stand = top
                    from_place = first
                    to_place = last
        if best_m == np.inf:
            continue
        only_raised = spills and best_pool == pool
        if only_raised:
            stand = joined_m[pool - 1]
        if best_pool > 0:
            for place in range(best_pool):
                spot = flooded[place]
                if level[spot] < stand:
                    if raises == len(raised):
                        raised = grown(raised)
                        raised_m = grown(raised_m)
                    raised[raises] = spot
                    raised_m[raises] = np.float64(stand) - np.float64(level[spot])
                    raises += 1
                    level[spot] = stand
        if only_raised:
            continue
        before_cut = lowered
        before_way = walked
        # The cell of the pool from which the way leaves.
        cell = path[from_place]
        if from_place + 1 < count:
            origin = path[from_place + 1]
        else:
            origin = np.int64(-1)
            # Straight neighbours first, for the way may not grow longer than the search found it.
            for turned in range(8):
                near = cell + steps[(2 * turned) % 8 + turned // 4]
                if level[near] == stand and origin < 0:
                    for place in range(size):
                        if patch[place] == near:
                            origin = near
                            break
        gone = 0.0
        for place in range(from_place + 1, to_place - 1, -1):
            spot = origin if place == from_place + 1 else path[place]
            if walked == len(way):
                way = grown(way)
            way[walked] = spot
            walked += 1
            if place == from_place + 1:
                continue
            last_spot = way[walked - 2]
            across = last_spot // cols != spot // cols and last_spot % cols != spot % cols
            gone += 1.4142135623730951 if across else 1.0
            if level[spot] > stand:
                if lowered == len(cut_cell):
                    cut_cell = grown(cut_cell)
                    cut_m = grown(cut_m)
                cut_cell[lowered] = spot
                cut_m[lowered] = np.float64(level[spot]) - np.float64(stand)
                lowered += 1
                level[spot] = stand
        if lowered > before_cut:
            length_cells[cuts] = gone
            cuts += 1
            start[cuts] = lowered
            way_start[cuts] = walked
        else:
            walked = before_way
    return (
        start[: cuts + 1].copy(),
        cut_cell[:lowered].copy(),
        cut_m[:lowered].copy(),
        way_start[: cuts + 1].copy(),
        way[:walked].copy(),
        length_cells[:cuts].copy(),
        raised[:raises].copy(),
        raised_m[:raises].copy(),
    )


@kernel
def why_left(
    ground: NDArray[np.float32],
    before: NDArray[np.float32],
    is_outlet: NDArray[np.bool_],
    is_kept: NDArray[np.bool_],
    is_free: NDArray[np.bool_],
    visit: NDArray[np.int32],
    pits: NDArray[np.int64],
    max_length_cell_count: float,
    max_depth_m: float,
) -> NDArray[np.uint8]:
    """Tell which limit keeps each pit closed: the bits `KEPT` and `TOO_DEEP`, or else `TOO_LONG`."""
    # A limit is to blame if a way exists once it is lifted; if lifting kept cells and depth together does not
    # help, no lower ground is within the length. 0 where there is no pit. ``is_free`` and ``visit`` come
    # as zeros.
    rows, cols = ground.shape
    level = ground.ravel()
    raw = before.ravel()
    outlet = is_outlet.ravel()
    keep = is_kept.ravel()
    free = is_free.ravel()
    seen = visit.ravel()
    steps = neighbour_steps(cols)
    digging = np.empty(len(level), np.float32)
    length = np.empty(len(level), np.float32)
    back = np.empty(len(level), np.uint8)
    keys = np.empty(1024, np.float32)
    cells = np.empty(1024, np.int32)
    patch = np.empty(len(level), np.int32)
    why = np.zeros(len(pits), np.uint8)
    stamp = 0
    for turn in range(len(pits)):
        stamp += 1
        size, is_pit = level_patch(level, outlet, seen, stamp, steps, patch, pits[turn])
        if not is_pit:
            continue
        bottom = level[pits[turn]]
        why[turn] = TOO_LONG
        if not end_in_reach(level, outlet, cols, patch, size, bottom, max_length_cell_count):
            continue
        for lifted in (KEPT, TOO_DEEP, KEPT | TOO_DEEP):
            stamp += 1
            room = heap_room(patch, size, rows, cols, max_length_cell_count)
            if room > len(keys):
                keys = np.empty(2 * room, np.float32)
                cells = np.empty(2 * room, np.int32)
            end, _ = least_way(
                level, raw, outlet, free if lifted & KEPT else keep, seen, stamp, steps, patch, size, bottom,
                np.float32(np.inf), max_length_cell_count, np.inf if lifted & TOO_DEEP else max_depth_m,
                True, digging, length, back, keys, cells,
            )  # fmt: skip
            if end >= 0:
                why[turn] = lifted
                break
    return why
