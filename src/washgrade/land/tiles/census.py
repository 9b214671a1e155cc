"""Pits of a ground that is worked on by tiles: how many there are, and those that lie across tiles' edges."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, grown, kernel, mark_outlets
from washgrade.land.tiles.fill import edges, sinks_in
from washgrade.land.tiles.store import HeightSource, Tile, Tiling, each_tile

__all__ = ["PitCensus", "count_pits", "outlets_in"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PitCensus:
    """Pits of a ground.

    Parameters
    ----------
    count : int
        How many there are.
    by_tile : ndarray of int64, shape (tiles,)
        How many lie wholly within each tile.
    crossing : ndarray of int64, shape (pits, 4)
        Top, left, bottom and right of those that lie across the edges of tiles.
    """

    count: int
    by_tile: NDArray[np.int64]
    crossing: NDArray[np.int64]


def outlets_in(
    heights: NDArray[np.float32],
    box: tuple[int, int, int, int],
    shape: tuple[int, int],
    sinks: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Mark where water leaves in a window; its outermost cells too, wherever they lie.

    Parameters
    ----------
    heights : ndarray of float32, shape (rows, cols)
        The window; NaN is a void.
    box : tuple of int
        Its top, left, bottom and right.
    shape : tuple of int
        Rows and columns of the whole grid.
    sinks : ndarray of int64, shape (cells,)
        Flat indices, ascending, of cells in which water sinks into the ground.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
        True where water leaves.
    """
    leaves = np.empty(heights.shape, np.bool_)
    mark_outlets(heights, leaves)
    leaves.ravel()[sinks_in(sinks, box, shape[1])] = True
    return leaves


def count_pits(
    source: HeightSource,
    *,
    tiling: Tiling,
    threads: int,
    outlets: NDArray[np.int64] | None = None,
    tell: Callable[[float], None] | None = None,
) -> PitCensus:
    """Count the level patches that have no lower neighbour and touch no outlet.

    Parameters
    ----------
    source : HeightSource
        Heights in metres; NaN is a void.
    tiling : Tiling
        How the ground is cut.
    threads : int
        How many tiles are worked on at once.
    outlets : ndarray of int64, shape (outlets,), optional
        Flat indices, ascending, of cells in which water sinks into the ground.
    tell : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    PitCensus
        As many as `washgrade.land.pits.find_pits` finds in memory.
    """
    sinks = np.empty(0, np.int64) if outlets is None else outlets

    def look(tile: Tile) -> tuple[int, NDArray[np.int64], NDArray[np.bool_], dict[str, Any], dict[str, Any]]:
        # Two cells more, so that the next cell beyond the tile is known to be an outlet or not.
        box = tiling.around(tile.box, 2)
        heights = as_heights(source.read(*box))
        leaves = outlets_in(heights, box, tiling.shape, sinks)
        inner = np.array([tile.top - box[0], tile.left - box[1], tile.bottom - box[0], tile.right - box[1]])
        label = np.zeros(heights.shape, np.int32)
        count, boxes, open_ = _look(heights, leaves, inner, label)
        core = (slice(inner[0], inner[2]), slice(inner[1], inner[3]))
        boxes += np.array([box[0], box[1], box[0], box[1]])
        return count, boxes, open_, edges(heights[core]), edges(label[core])

    by_tile = np.zeros(len(tiling), np.int64)
    boxes: list[NDArray[np.int64]] = [np.empty((0, 4), np.int64)] * len(tiling)
    drains: list[NDArray[np.bool_]] = [np.empty(0, np.bool_)] * len(tiling)
    height: dict[int, dict[str, Any]] = {}
    label: dict[int, dict[str, Any]] = {}
    for tile, found in each_tile(look, tiling.tiles(), threads=threads, tell=tell):
        number = tile.number
        by_tile[number], boxes[number], drains[number], height[number], label[number] = found
    base = np.zeros(len(tiling) + 1, np.int64)
    np.cumsum([len(part) for part in drains], out=base[1:])
    for number, ring in label.items():
        label[number] = {side: np.where(name > 0, name - 1 + base[number], -1) for side, name in ring.items()}
    pairs = [np.empty((0, 2), np.int64), *(_same(height, label, tiling, number) for number in height)]
    group, groups = _group(np.concatenate(pairs).astype(np.int64), int(base[-1]))
    all_boxes = np.concatenate(boxes)
    is_open = np.zeros(groups, np.bool_)
    np.logical_or.at(is_open, group, np.concatenate(drains))
    whole = np.empty((groups, 4), np.int64)
    whole[:, :2] = np.iinfo(np.int64).max
    whole[:, 2:] = -1
    for part, join in enumerate((np.minimum, np.minimum, np.maximum, np.maximum)):
        join.at(whole[:, part], group, all_boxes[:, part])
    crossing = whole[~is_open]
    return PitCensus(count=int(by_tile.sum()) + len(crossing), by_tile=by_tile, crossing=crossing)


# Pairs of patches of one height that touch across the edges between a tile and those east and south of it.
def _same(
    height: dict[int, dict[str, Any]], label: dict[int, dict[str, Any]], tiling: Tiling, number: int
) -> NDArray[np.int64]:
    down, col = divmod(number, tiling.across)
    pairs = []

    def meet(mine: str, near: int, theirs: str, here: Any, there: Any) -> None:
        even = height[number][mine][here] == height[near][theirs][there]
        both = np.stack([label[number][mine][here], label[near][theirs][there]], axis=1)
        pairs.append(both[even & (both >= 0).all(axis=1)])

    for shift in (-1, 0, 1):
        here, there = slice(max(0, -shift), None), slice(max(0, shift), None)
        if col + 1 < tiling.across:
            size = len(label[number]["east"]) - abs(shift)
            meet("east", number + 1, "west", *(slice(s.start, s.start + size) for s in (here, there)))
        if down + 1 < tiling.down:
            size = len(label[number]["south"]) - abs(shift)
            meet(
                "south",
                number + tiling.across,
                "north",
                *(slice(s.start, s.start + size) for s in (here, there)),
            )
    if down + 1 < tiling.down:
        if col + 1 < tiling.across:
            meet("south", number + tiling.across + 1, "north", slice(-1, None), slice(0, 1))
        if col > 0:
            meet("south", number + tiling.across - 1, "north", slice(0, 1), slice(-1, None))
    return np.concatenate(pairs) if pairs else np.empty((0, 2), np.int64)


# Groups of what is joined by pairs.
@kernel
def _group(pairs: NDArray[np.int64], size: int) -> tuple[NDArray[np.int64], int]:
    parent = np.arange(size)
    for place in range(len(pairs)):
        one, two = pairs[place, 0], pairs[place, 1]
        while parent[one] != one:
            parent[one] = parent[parent[one]]
            one = parent[one]
        while parent[two] != two:
            parent[two] = parent[parent[two]]
            two = parent[two]
        parent[max(one, two)] = min(one, two)
    group = np.empty(size, np.int64)
    groups = 0
    for item in range(size):
        root = parent[item]
        if root == item:
            group[item] = groups
            groups += 1
        else:
            # A parent always comes first.
            group[item] = group[root]
    return group, groups


# Count the pits that lie wholly within a tile; return also the boxes of the level patches that go on beyond
# it, and whether these are known to drain. Such patches are labelled from 1, others -1.
@kernel
def _look(
    heights: NDArray[np.float32],
    leaves: NDArray[np.bool_],
    inner: NDArray[np.int64],
    label: NDArray[np.int32],
) -> tuple[int, NDArray[np.int64], NDArray[np.bool_]]:
    top, left, bottom, right = inner
    boxes = np.empty((64, 4), np.int64)
    drains = np.empty(64, np.bool_)
    crossing = 0
    count = 0
    patch = np.empty((1024, 2), np.int32)
    # Patches that go on beyond the tile first, from its edge.
    for turn in range(2):
        for first_row in range(top, bottom):
            edge_row = first_row == top or first_row == bottom - 1
            for first_col in range(left, right):
                if label[first_row, first_col] != 0 or leaves[first_row, first_col]:
                    continue
                here = heights[first_row, first_col]
                if np.isnan(here):
                    continue
                goes_on = False
                lower = False
                if turn == 0:
                    if not (edge_row or first_col == left or first_col == right - 1):
                        continue
                    # No outlet, so all its neighbours exist.
                    for k in range(8):
                        row = first_row + ROW_STEP[k]
                        col = first_col + COL_STEP[k]
                        inside = top <= row < bottom and left <= col < right
                        goes_on |= not inside and heights[row, col] == here
                    if not goes_on:
                        continue
                else:
                    for k in range(8):
                        lower |= heights[first_row + ROW_STEP[k], first_col + COL_STEP[k]] < here
                    if lower:
                        continue
                mark = crossing + 1 if turn == 0 else -1
                label[first_row, first_col] = mark
                patch[0, 0] = first_row
                patch[0, 1] = first_col
                size = 1
                place = 0
                is_open = False
                low_row = high_row = np.int64(first_row)
                low_col = high_col = np.int64(first_col)
                while place < size:
                    at_row = np.int64(patch[place, 0])
                    at_col = np.int64(patch[place, 1])
                    place += 1
                    low_row = min(low_row, at_row)
                    low_col = min(low_col, at_col)
                    high_row = max(high_row, at_row)
                    high_col = max(high_col, at_col)
                    for k in range(8):
                        row = at_row + ROW_STEP[k]
                        col = at_col + COL_STEP[k]
                        if heights[row, col] < here:
                            is_open = True
                        elif heights[row, col] == here:
                            inside = top <= row < bottom and left <= col < right
                            if leaves[row, col]:
                                is_open = True
                            elif inside and label[row, col] == 0:
                                label[row, col] = mark
                                if size == len(patch):
                                    larger = np.empty((2 * size, 2), np.int32)
                                    larger[:size] = patch
                                    patch = larger
                                patch[size, 0] = row
                                patch[size, 1] = col
                                size += 1
                if turn == 1:
                    count += not is_open
                    continue
                if crossing == len(drains):
                    drains = grown(drains)
                    more = np.empty((2 * crossing, 4), np.int64)
                    more[:crossing] = boxes
                    boxes = more
                drains[crossing] = is_open
                boxes[crossing, 0] = low_row
                boxes[crossing, 1] = low_col
                boxes[crossing, 2] = high_row + 1
                boxes[crossing, 3] = high_col + 1
                crossing += 1
    return count, boxes[:crossing].copy(), drains[:crossing].copy()
