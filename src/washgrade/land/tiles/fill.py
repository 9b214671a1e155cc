"""Filling tile by tile: what the tiles tell each other is where their edges spill."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, flow_directions
from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, kernel, mark_outlets, neighbour_steps
from washgrade.land.tiles.store import Grid, HeightSource, Tile, Tiling, each_tile

__all__ = ["fill_tiles"]


def fill_tiles(
    source: HeightSource,
    water: Grid,
    *,
    tiling: Tiling,
    threads: int,
    outlets: NDArray[np.int64] | None = None,
    tell: Callable[[float], None] | None = None,
) -> None:
    """Raise every hollow to its spill height, as `washgrade.land.fill.fill` does in memory.

    Parameters
    ----------
    source : HeightSource
        Heights in metres; NaN is a void.
    water : Grid
        Takes the result, float32.
    tiling : Tiling
        How the ground is cut.
    threads : int
        How many tiles are worked on at once.
    outlets : ndarray of int64, shape (outlets,), optional
        Flat indices, ascending, of cells in which water sinks into the ground.
    tell : callable, optional
        Told the share done, 0 to 1.

    Raises
    ------
    GroundError
        If a height is infinite.

    Notes
    -----
    First every tile is flooded from its own edge, which tells between which stretches of the edge water
    passes, and at what height: a tree with fewer branches than the edge has cells. All these trees together,
    joined where tiles touch, give the height at which each cell of an edge fills. Then every tile is filled
    with the cells around it standing at these heights.

    References
    ----------
    Barnes, R. (2016). Parallel priority-flood depression filling for trillion cell digital elevation models
    on desktops or clusters. Computers & Geosciences 96, 56-68.
    """
    report = tell or (lambda _share: None)
    sinks = np.empty(0, np.int64) if outlets is None else outlets

    def flood(tile: Tile) -> tuple[dict[str, Any], int, NDArray[np.int32], NDArray[np.float32]]:
        box = tiling.around(tile.box, 1)
        heights = as_heights(source.read(*box))
        leaves = np.empty(heights.shape, np.bool_)
        mark_outlets(heights, leaves)
        leaves.ravel()[sinks_in(sinks, box, tiling.shape[1])] = True
        inner = (
            slice(tile.top - box[0], tile.bottom - box[0]),
            slice(tile.left - box[1], tile.right - box[1]),
        )
        own_sinks = sinks_in(sinks, tile.box, tiling.shape[1])
        level_m = fill(heights[inner], outlets=own_sinks)
        names = np.zeros(tile.shape, np.int32)
        # Where water runs matters not here, only that it comes to the tile's edge without climbing.
        count, pairs, step_m = _name_waters(
            level_m, flow_directions(level_m, outlets=own_sinks), np.ascontiguousarray(leaves[inner]), names
        )
        kept = _least_tree(pairs[order := np.argsort(step_m)], step_m[order], count + 1)
        return (
            {"height": edges(level_m), "name": edges(names)},
            count,
            pairs[order][kept],
            step_m[order][kept],
        )

    rings: dict[int, dict[str, Any]] = {}
    counts = np.zeros(len(tiling) + 1, np.int64)
    trees = []
    for tile, (ring, count, pairs, spill_m) in each_tile(
        flood, tiling.tiles(), threads=threads, tell=lambda share: report(0.5 * share)
    ):
        rings[tile.number] = ring
        counts[tile.number + 1] = count
        trees.append((tile.number, pairs, spill_m))
    # Names of all tiles in one row; the ocean is the same for all, and -1 is a void.
    base = np.cumsum(counts)
    first = [np.where(pairs > 0, pairs + base[number], 0) for number, pairs, _ in trees]
    for number, ring in rings.items():
        ring["name"] = {
            side: np.where(name > 0, name + base[number], -1) for side, name in ring["name"].items()
        }
    joined = [_join(rings, tiling, number) for number in rings]
    pairs = np.concatenate([*first, *(pair for pair, _ in joined)]).astype(np.int64)
    spill_m = np.concatenate([*(spill for _, _, spill in trees), *(spill for _, spill in joined)])
    del first, joined, trees
    order = np.argsort(spill_m, kind="stable")
    level_m = _rise(pairs[order].astype(np.int64), spill_m[order], int(base[-1]) + 1)
    del pairs, spill_m, order
    stands = {
        number: {
            side: np.maximum(ring["height"][side], level_m[np.maximum(ring["name"][side], 0)])
            for side in ring["name"]
        }
        for number, ring in rings.items()
    }
    del rings

    def pour(tile: Tile) -> None:
        box = tiling.around(tile.box, 1)
        heights = as_heights(source.read(*box)).copy()
        lay_ring(heights, box, tile, tiling, stands)
        filled = fill(heights, outlets=sinks_in(sinks, box, tiling.shape[1]))
        water.write(
            tile.top,
            tile.left,
            filled[tile.top - box[0] : tile.bottom - box[0], tile.left - box[1] : tile.right - box[1]],
        )

    for _ in each_tile(pour, tiling.tiles(), threads=threads, tell=lambda share: report(0.5 + 0.5 * share)):
        pass


def sinks_in(sinks: NDArray[np.int64], box: tuple[int, int, int, int], cols: int) -> NDArray[np.int64]:
    """Flat indices, within a window, of those of some cells that lie in it.

    Parameters
    ----------
    sinks : ndarray of int64, shape (cells,)
        Flat indices in the whole grid, ascending.
    box : tuple of int
        Top, left, bottom and right of the window.
    cols : int
        Columns of the whole grid.

    Returns
    -------
    ndarray of int64
        Flat indices in the window, ascending.

    Examples
    --------
    >>> sinks_in(np.array([0, 7, 8]), (1, 1, 3, 4), 5).tolist()
    [1, 2]
    """
    top, left, bottom, right = box
    near = sinks[np.searchsorted(sinks, top * cols) : np.searchsorted(sinks, bottom * cols)]
    row, col = np.divmod(near, cols)
    inside = (col >= left) & (col < right)
    found: NDArray[np.int64] = (row[inside] - top) * (right - left) + col[inside] - left
    return found


def edges(values: NDArray[Any]) -> dict[str, NDArray[Any]]:
    """Copy the four edges of a tile.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        The tile.

    Returns
    -------
    dict
        Its first and last row and column: ``north``, ``south``, ``west``, ``east``.
    """
    return {
        "north": values[0].copy(),
        "south": values[-1].copy(),
        "west": values[:, 0].copy(),
        "east": values[:, -1].copy(),
    }


def lay_ring(
    window: NDArray[Any],
    box: tuple[int, int, int, int],
    tile: Tile,
    tiling: Tiling,
    rings: dict[int, dict[str, NDArray[Any]]],
) -> None:
    """Put the neighbours' edges around a tile, in place.

    Parameters
    ----------
    window : ndarray, shape (rows, cols)
        The tile with one cell more to each side, as far as the grid goes; changed.
    box : tuple of int
        Top, left, bottom and right of the window.
    tile : Tile
        The tile.
    tiling : Tiling
        How the grid is cut.
    rings : dict of dict
        `edges` of every tile by its number.
    """
    for near in tiling.touching(box):
        if near.number == tile.number:
            continue
        ring = rings[near.number]
        rows = slice(max(near.top, box[0]) - box[0], min(near.bottom, box[2]) - box[0])
        cols = slice(max(near.left, box[1]) - box[1], min(near.right, box[3]) - box[1])
        from_row = slice(max(near.top, box[0]) - near.top, min(near.bottom, box[2]) - near.top)
        from_col = slice(max(near.left, box[1]) - near.left, min(near.right, box[3]) - near.left)
        if near.bottom <= tile.top:
            window[rows, cols] = ring["south"][None, from_col]
        elif near.top >= tile.bottom:
            window[rows, cols] = ring["north"][None, from_col]
        elif near.right <= tile.left:
            window[rows, cols] = ring["east"][from_row, None]
        else:
            window[rows, cols] = ring["west"][from_row, None]


# Pairs of labels that touch between a tile and those east and south of it, and the height of the step.
def _join(
    rings: dict[int, dict[str, Any]], tiling: Tiling, number: int
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    across = tiling.across
    down, col = divmod(number, across)
    own = rings[number]
    pairs, spill_m = [], []

    def meet(mine: str, near: int, theirs: str, shift: int) -> None:
        # Cell i of mine touches cell i + shift of theirs.
        other = rings[near]
        size = min(len(own["name"][mine]), len(other["name"][theirs]))
        low, high = max(0, -shift), size - max(0, shift)
        here, there = slice(low, high), slice(low + shift, high + shift)
        pairs.append(np.stack([own["name"][mine][here], other["name"][theirs][there]], axis=1))
        spill_m.append(np.maximum(own["height"][mine][here], other["height"][theirs][there]))

    def corner(mine: tuple[str, int], near: int, theirs: tuple[str, int]) -> None:
        other = rings[near]
        pairs.append(np.array([[own["name"][mine[0]][mine[1]], other["name"][theirs[0]][theirs[1]]]]))
        spill_m.append(np.maximum(own["height"][mine[0]][[mine[1]]], other["height"][theirs[0]][[theirs[1]]]))

    for shift in (-1, 0, 1):
        if col + 1 < across:
            meet("east", number + 1, "west", shift)
        if down + 1 < tiling.down:
            meet("south", number + across, "north", shift)
    if down + 1 < tiling.down:
        if col + 1 < across:
            corner(("south", -1), number + across + 1, ("north", 0))
        if col > 0:
            corner(("south", 0), number + across - 1, ("north", -1))
    if not pairs:
        return np.empty((0, 2), np.int64), np.empty(0, np.float32)
    both, height_m = np.concatenate(pairs).astype(np.int64), np.concatenate(spill_m)
    known = (both >= 0).all(axis=1) & (both[:, 0] != both[:, 1])
    both, height_m = np.sort(both[known], axis=1), height_m[known]
    # Of each pair only the lowest step counts.
    order = np.lexsort((height_m, both[:, 1], both[:, 0]))
    both, height_m = both[order], height_m[order]
    fresh = np.ones(len(both), np.bool_)
    fresh[1:] = (both[1:] != both[:-1]).any(axis=1)
    return both[fresh], height_m[fresh]


@kernel
def _root(parent: NDArray[Any], label: int) -> int:
    """Find the label that stands for a set, shortening the way there."""
    while parent[label] != label:
        parent[label] = parent[parent[label]]
        label = parent[label]
    return label


# Name every cell of a filled tile after the cell at which its water leaves the tile, 0 on voids, and find the
# lowest step between each two names that touch; ``leaves`` marks where water leaves the map, under name 0.
@kernel
def _name_waters(
    level_m: NDArray[np.float32],
    direction: NDArray[np.uint8],
    leaves: NDArray[np.bool_],
    label: NDArray[np.int32],
) -> tuple[int, NDArray[np.int64], NDArray[np.float32]]:
    rows, cols = level_m.shape
    level = level_m.ravel()
    code = direction.ravel()
    name = label.ravel()
    leave = leaves.ravel()
    steps = neighbour_steps(cols)
    names = 0
    for start in range(len(code)):
        cell = start
        while name[cell] == 0 and code[cell] < OUTLET:
            cell += steps[code[cell]]
        if name[cell] == 0 and code[cell] == OUTLET:
            names += 1
            name[cell] = names
        mine = name[cell]
        cell = start
        while name[cell] == 0 and code[cell] < OUTLET:
            name[cell] = mine
            cell += steps[code[cell]]
    # Lowest steps by pair of names, in an open hash table that is kept at most half full.
    room = 1024
    key = np.full(room, -1, np.int64)
    step_m = np.empty(room, np.float32)
    pairs = 0
    for row in range(rows):
        for col in range(cols):
            cell = row * cols + col
            mine = name[cell]
            if mine == 0:
                continue
            # East, south-east, south, south-west; then the ocean.
            for k in range(5):
                height = level[cell]
                other = np.int32(0)
                if k < 4:
                    near_row = row + ROW_STEP[k]
                    near_col = col + COL_STEP[k]
                    if not (near_row < rows and 0 <= near_col < cols):
                        continue
                    other = name[cell + steps[k]]
                    if other == 0 or other == mine:
                        continue
                    height = max(height, level[cell + steps[k]])
                elif not leave[cell]:
                    continue
                pair = np.int64(min(mine, other)) << 32 | np.int64(max(mine, other))
                place = _place(key, pair)
                if key[place] < 0:
                    key[place] = pair
                    step_m[place] = height
                    pairs += 1
                    if 2 * pairs > room:
                        room *= 4
                        larger = np.full(room, -1, np.int64)
                        larger_m = np.empty(room, np.float32)
                        for old in range(len(key)):
                            if key[old] >= 0:
                                at = _place(larger, key[old])
                                larger[at] = key[old]
                                larger_m[at] = step_m[old]
                        key = larger
                        step_m = larger_m
                elif height < step_m[place]:
                    step_m[place] = height
    found = np.flatnonzero(key >= 0)
    both = np.empty((len(found), 2), np.int64)
    both[:, 0] = key[found] >> 32
    both[:, 1] = key[found] & 0xFFFFFFFF
    return names, both, step_m[found]


@kernel
def _place(key: NDArray[np.int64], pair: Any) -> Any:
    """Find where a pair stands in a hash table, or the free place for it."""
    mask = len(key) - 1
    place = (pair * 0x9E3779B1 ^ pair >> 29) & mask
    while key[place] >= 0 and key[place] != pair:
        place = (place + 1) & mask
    return place


# Of steps in order of height, those that join what was not joined yet.
@kernel
def _least_tree(pairs: NDArray[np.int64], step_m: NDArray[np.float32], names: int) -> NDArray[np.bool_]:
    parent = np.arange(names)
    kept = np.zeros(len(step_m), np.bool_)
    for place in range(len(pairs)):
        one = _root(parent, pairs[place, 0])
        two = _root(parent, pairs[place, 1])
        if one != two:
            parent[max(one, two)] = min(one, two)
            kept[place] = True
    return kept


# Lowest height at which each label's water reaches the ocean, label 0, over spills in order of height.
@kernel
def _rise(pairs: NDArray[np.int64], spill_m: NDArray[np.float32], labels: int) -> NDArray[np.float32]:
    level_m = np.full(labels, np.inf, np.float32)
    level_m[0] = -np.inf
    parent = np.arange(labels)
    # Members of a set in a ring, so that two sets are joined by swapping two successors.
    after = np.arange(labels)
    for place in range(len(pairs)):
        one = _root(parent, pairs[place, 0])
        two = _root(parent, pairs[place, 1])
        if one == two:
            continue
        if two == 0:
            one, two = two, one
        if one == 0:
            member = two
            while True:
                level_m[member] = spill_m[place]
                member = after[member]
                if member == two:
                    break
        parent[two] = one
        after[one], after[two] = after[two], after[one]
    return level_m
