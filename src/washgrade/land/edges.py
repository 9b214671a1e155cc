"""The edge of the data: which catchments it cuts, so that their upstream area is a lower bound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.flow import OUTLET, VOID
from washgrade.land.grids import MakeGrid
from washgrade.land.kernel import COL_STEP, ROW_STEP, as_heights, kernel, neighbour_steps

__all__ = ["EdgeCut", "edge_cut", "first_nodes"]

# Cells over which the slope at the edge is taken. Our choice, because one cell is lost in the noise of lidar
# and many see the next hill.
REACH = 3
# Our choice, because a hundredth of its divide seldom hides more ground than a DEM's cells blur.
LEAST_SHARE = 0.01
# Our choice: with more than half of the divides on the edge, the edge may well have been drawn along them.
MOSTLY_EDGE = 0.5

NO_LABEL = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeCut:
    """How far the edge of the data cuts the catchment of each node.

    Parameters
    ----------
    is_lower_bound : ndarray of bool, shape (nodes,)
        Whether the upstream area is a lower bound: land beyond the data may drain to the node as well.
    edge_share : ndarray of float64, shape (nodes,)
        Share of the catchment's divide that is no divide but an edge over which land beyond may drain in,
        0 to 1.
    entries : ndarray of int32, shape (nodes,)
        Valleys of the catchment that come in over the edge.
    open_cells : ndarray of int64, shape (open cells,)
        Flat indices of the cells over whose edge land beyond may drain into a channel, for a map.
    mouth_share : float
        The share for all mouths together, 0 to 1.
    """

    is_lower_bound: NDArray[np.bool_]
    edge_share: NDArray[np.float64]
    entries: NDArray[np.int32]
    open_cells: NDArray[np.int64]
    mouth_share: float

    @property
    def sentences(self) -> tuple[str, ...]:
        """What was found, in plain words; empty if no catchment is cut."""
        size = len(self.is_lower_bound)
        cut = int(self.is_lower_bound.sum())
        if not cut:
            return ()
        told = (
            f"The edge of the data cuts the catchments of {100 * cut / size:.0f} % of the channel: land "
            "beyond may drain in, so upstream areas there are lower bounds. A DEM that reaches over the "
            "hills mends it."
        )
        if self.mouth_share > MOSTLY_EDGE:
            told += " If it was clipped along its divide on purpose, nothing is missing."
        return (told,)


def edge_cut(
    elevation_m: NDArray[np.float32],
    directions: NDArray[np.uint8],
    *,
    cell: NDArray[np.int64],
    downstream: NDArray[np.int32],
    least_share: float = LEAST_SHARE,
    make: MakeGrid = np.zeros,
) -> EdgeCut:
    """Find the nodes whose upstream area is a lower bound, because the edge of the data cuts their catchment.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Heights in metres, best as read: filling makes edges level. NaN where void.
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    cell : ndarray of int64, shape (nodes,)
        Flat index of each node's cell.
    downstream : ndarray of int32, shape (nodes,)
        Next node downstream, always of a higher index; -1 at an outlet.
    least_share : float, optional
        Share of the divide from which a catchment counts as cut, 0 to 1; 0.01 is our choice, because so
        little hides less than the cells blur.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    EdgeCut
        One value for each node; those of a reach are those of its last node.

    Raises
    ------
    InputError
        If the share is not from 0 to 1.
    GroundError
        If the arrays do not fit each other.

    Notes
    -----
    A *side* is a straight side of a cell with the map's edge or a void behind it. It is *open* if the ground
    climbs towards it: the cell is higher than the one three cells inwards (two or one, where the data end
    before). Then the ground beyond is taken to climb on, and drains in. A side along which the ground is
    level or falls outwards is a divide, or an outlet, and hides nothing. A crest that lies exactly on the
    edge cannot be told from a slope that goes on, so a DEM clipped to its own watershed reads as cut.

    An open side is an *entry*, a valley coming in, if its cell is the lowest of the seven along the edge
    whose middle it is, and the outer two stand higher above it than it stands above the cell inwards: sides
    steeper than the bed. One
    entry may hide any area, so a catchment with one is always cut; without, it is cut from ``least_share``
    of its divide upwards. Cells from which water leaves the map pass nothing on and do not count.

    The divide of a catchment are all sides of cells with only one of the two cells inside. A side between the
    catchments of two nodes counts for both and all below them until the two meet; so both get it, and the
    meeting node, found by heavy paths (Harel and Tarjan 1984), gets it back twice; sums down the tree then
    leave each node with its own divide. Time is linear but for the logarithm of the number of branches;
    memory is a number for each cell.

    References
    ----------
    Harel, D., Tarjan, R. E. (1984). Fast algorithms for finding nearest common ancestors. SIAM Journal on
    Computing 13(2), 338-355.

    Examples
    --------
    Two cells, one behind the other on a plane that falls to the east, with ground beyond in the west:

    >>> plane = np.tile(np.arange(6, 0, -1, dtype=np.float32), (3, 1))
    >>> from washgrade.land.flow import flow_directions
    >>> cut = edge_cut(plane, flow_directions(plane), cell=np.array([6, 7]), downstream=np.array([1, -1]))
    >>> cut.is_lower_bound.tolist(), cut.edge_share.round(3).tolist(), cut.open_cells.tolist()
    ([True, True], [0.25, 0.167], [6])
    """
    heights = as_heights(elevation_m)
    least_share = number("least_share", least_share, at_least=0, at_most=1)
    ways = np.ascontiguousarray(directions, np.uint8)
    where = np.ascontiguousarray(cell, np.int64)
    down = np.ascontiguousarray(downstream, np.int32)
    size = len(where)
    if ways.shape != heights.shape:
        raise GroundError(
            f"Invalid 'directions' of shape {ways.shape}. It must be that of 'elevation_m', {heights.shape}."
        )
    if down.shape != (size,) or (size and not 0 <= where.min() <= where.max() < heights.size):
        raise GroundError("Invalid 'cell' and 'downstream'. They must be those of the nodes of this ground.")
    if ((down != NO_LABEL) & (down <= np.arange(size))).any() or (down >= size).any():
        raise GroundError("Invalid 'downstream'. Nodes must stand upstream before downstream.")
    label = first_nodes(ways, where, make=make).ravel()
    head, depth = _heavy_paths(down)
    divide = np.zeros(size, np.int64)
    open_sides = np.zeros(size, np.int64)
    entries = np.zeros(size, np.int32)
    open_cells = _tally(heights, ways, label, down, head, depth, divide, open_sides, entries)
    _sum_down(down, divide, open_sides, entries)
    mouth = down == NO_LABEL
    share = np.where(divide > 0, open_sides / np.maximum(divide, 1), 0.0)
    return EdgeCut(
        is_lower_bound=(entries > 0) | ((share >= least_share) & (open_sides > 0)),
        edge_share=share,
        entries=entries,
        open_cells=open_cells,
        mouth_share=float(open_sides[mouth].sum() / max(int(divide[mouth].sum()), 1)),
    )


def first_nodes(
    directions: NDArray[np.uint8], cell: NDArray[np.int64], *, make: MakeGrid = np.zeros
) -> NDArray[np.int32]:
    """Give every cell the first node that its water passes.

    Parameters
    ----------
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    cell : ndarray of int64, shape (nodes,)
        Flat index of each node's cell.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    ndarray of int32, shape (rows, cols)
        Index of the node; -1 where the water passes none.

    Examples
    --------
    >>> plane = np.tile(np.arange(4, 0, -1, dtype=np.float32), (3, 1))
    >>> from washgrade.land.flow import flow_directions
    >>> first_nodes(flow_directions(plane), np.array([5, 6]))[1].tolist()
    [0, 0, 1, -1]
    """
    rows, cols = directions.shape
    label = make((rows, cols), np.int32)
    _label(directions.ravel(), cell, label.ravel(), cols)
    return label


@kernel
def _label(code: NDArray[np.uint8], where: NDArray[np.int64], label: NDArray[np.int32], cols: int) -> None:
    unknown = -2
    steps = neighbour_steps(cols)
    for cell in range(len(label)):
        label[cell] = NO_LABEL if code[cell] == VOID else unknown
    for node in range(len(where)):
        label[where[node]] = node
    for start in range(len(label)):
        # Down to a cell that knows, then the same way again to tell the others.
        cell = start
        while label[cell] == unknown and code[cell] < OUTLET:
            cell += steps[code[cell]]
        found = label[cell] if label[cell] != unknown else NO_LABEL
        cell = start
        while label[cell] == unknown:
            label[cell] = found
            if code[cell] < OUTLET:
                cell += steps[code[cell]]


# For each node the foot of its heavy path, which follows the branch with most nodes, and its steps to the
# outlet.
@kernel
def _heavy_paths(down: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    size = len(down)
    weight = np.ones(size, np.int32)
    heavy = np.full(size, NO_LABEL, np.int32)
    for node in range(size):
        if down[node] >= 0:
            weight[down[node]] += weight[node]
    for node in range(size):
        below = down[node]
        if below >= 0 and (heavy[below] < 0 or weight[node] > weight[heavy[below]]):
            heavy[below] = node
    head = np.empty(size, np.int32)
    depth = np.zeros(size, np.int32)
    for node in range(size - 1, -1, -1):
        below = down[node]
        if below >= 0:
            depth[node] = depth[below] + 1
        head[node] = head[below] if below >= 0 and heavy[below] == node else node
    return head, depth


# The node at which the ways from two nodes meet; -1 if they never do.
@kernel
def _meeting(
    one: int, other: int, down: NDArray[np.int32], head: NDArray[np.int32], depth: NDArray[np.int32]
) -> int:
    while head[one] != head[other]:
        if depth[head[one]] < depth[head[other]]:
            one, other = other, one
        one = down[head[one]]
        if one < 0:
            return NO_LABEL
    return one if depth[one] < depth[other] else other


# Height of a cell some steps away, NaN off the map.
@kernel
def _height(heights: NDArray[np.float32], row: int, col: int) -> float:
    if 0 <= row < heights.shape[0] and 0 <= col < heights.shape[1]:
        return float(heights[row, col])
    return np.nan


# Whether land beyond side k of a cell may drain in: 0 no, 1 it may, 2 a valley comes in.
@kernel
def _beyond(heights: NDArray[np.float32], row: int, col: int, k: int) -> int:
    here = heights[row, col]
    inner = np.nan
    for step in range(1, REACH + 1):
        height = _height(heights, row - step * ROW_STEP[k], col - step * COL_STEP[k])
        if np.isnan(height):
            break
        inner = height
    if not here > inner:
        return 0
    climb = here - inner
    for turn in (-1, 1):
        for step in range(1, REACH + 1):
            # A quarter turn from k.
            side = _height(heights, row + turn * step * COL_STEP[k], col + turn * step * ROW_STEP[k])
            # The lowest along the edge, the first of equals; NaN says no.
            if not (side > here or (side == here and turn > 0)):
                return 1
        if not side - here > climb:
            return 1
    return 2


# Count sides into the nodes, as if each catchment were on its own; return the open cells.
@kernel
def _tally(
    heights: NDArray[np.float32],
    ways: NDArray[np.uint8],
    label: NDArray[np.int32],
    down: NDArray[np.int32],
    head: NDArray[np.int32],
    depth: NDArray[np.int32],
    divide: NDArray[np.int64],
    open_sides: NDArray[np.int64],
    entries: NDArray[np.int32],
) -> NDArray[np.int64]:
    rows, cols = heights.shape
    found = 0
    # Room for every cell; what is never written takes no memory.
    open_cells = np.empty(heights.size, np.int32)
    for row in range(rows):
        for col in range(cols):
            if ways[row, col] == VOID:
                continue
            cell = row * cols + col
            node = label[cell]
            # Each side between two cells is looked at once, from its western or northern cell.
            if col + 1 < cols and label[cell + 1] != node and ways[row, col + 1] != VOID:
                _count_side(node, label[cell + 1], down, head, depth, divide)
            if row + 1 < rows and label[cell + cols] != node and ways[row + 1, col] != VOID:
                _count_side(node, label[cell + cols], down, head, depth, divide)
            if node < 0 or (
                0 < row < rows - 1
                and 0 < col < cols - 1
                and ways[row, col + 1] != VOID
                and ways[row + 1, col] != VOID
                and ways[row, col - 1] != VOID
                and ways[row - 1, col] != VOID
            ):
                continue
            is_open = False
            for k in range(0, 8, 2):
                near_row = row + ROW_STEP[k]
                near_col = col + COL_STEP[k]
                if 0 <= near_row < rows and 0 <= near_col < cols and ways[near_row, near_col] != VOID:
                    continue
                divide[node] += 1
                if ways[row, col] >= OUTLET:
                    continue
                beyond = _beyond(heights, row, col, k)
                if beyond:
                    open_sides[node] += 1
                    is_open = True
                if beyond == 2:
                    entries[node] += 1
            if is_open:
                open_cells[found] = cell
                found += 1
    return open_cells[:found].astype(np.int64)


# Count a side between two catchments for both, and take it back where their waters meet.
@kernel
def _count_side(
    one: int,
    other: int,
    down: NDArray[np.int32],
    head: NDArray[np.int32],
    depth: NDArray[np.int32],
    divide: NDArray[np.int64],
) -> None:
    if one >= 0:
        divide[one] += 1
    if other >= 0:
        divide[other] += 1
    if one >= 0 and other >= 0:
        meeting = _meeting(one, other, down, head, depth)
        if meeting >= 0:
            divide[meeting] -= 2


# Add up what lies upstream of each node.
@kernel
def _sum_down(
    down: NDArray[np.int32],
    divide: NDArray[np.int64],
    open_sides: NDArray[np.int64],
    entries: NDArray[np.int32],
) -> None:
    for node in range(len(down)):
        below = down[node]
        if below >= 0:
            divide[below] += divide[node]
            open_sides[below] += open_sides[node]
            entries[below] += entries[node]
