"""Height and distance of every cell above the channel that it drains to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.land.channels import Channels
from washgrade.land.dem import Dem
from washgrade.land.flow import OUTLET, VOID
from washgrade.land.kernel import COL_STEP, ROW_STEP, in_bands, kernel, neighbour_steps

__all__ = ["AboveChannel", "above_channel"]

# While at work: a cell not yet passed.
UNSEEN = -2
# On the way at work: met again, it is a circle.
WALKED = -3


@dataclass(frozen=True, slots=True, kw_only=True)
class AboveChannel:
    """Where each cell lies, seen from the channel that it drains to.

    Parameters
    ----------
    node : ndarray of int32, shape (rows, cols)
        The channel node that the cell's water reaches first; -1 on voids and where water leaves the map
        without reaching a channel.
    height_m : ndarray of float32, shape (rows, cols)
        Height above the bed at that node, metres; NaN where there is none. Raw ground below the conditioned
        bed (a pit that was filled) gives a height below 0.
    distance_m : ndarray of float32, shape (rows, cols)
        Distance to that node along the flow, metres; NaN where there is none.
    """

    node: NDArray[np.int32]
    height_m: NDArray[np.float32]
    distance_m: NDArray[np.float32]


def above_channel(dem: Dem, channels: Channels, directions: NDArray[np.uint8]) -> AboveChannel:
    """Height above the nearest channel downstream, and the way to it.

    Parameters
    ----------
    dem : Dem
        The ground, raw or conditioned.
    channels : Channels
        The network of the same ground.
    directions : ndarray of uint8, shape (rows, cols)
        The directions of flow that the network was made from.

    Returns
    -------
    AboveChannel
        Node, height and distance of every cell.

    Raises
    ------
    GroundError
        If the directions do not fit the DEM, lead off the map, into a void or round in a circle.

    Notes
    -----
    The height is ``cell height - bed height of the first channel cell downstream``. Each cell walks down to
    the first cell whose node is known, then back up to tell the cells between. The distance of a cell is that
    of the cell below it plus one step, in float32, so that it hangs on no order of the walks.

    References
    ----------
    Rennó, C. D., Nobre, A. D., Cuartas, L. A., et al. (2008). HAND, a new terrain descriptor using SRTM-DEM.
    Remote Sensing of Environment 112(9), 3469-3481.
    Nobre, A. D., Cuartas, L. A., Hodnett, M., et al. (2011). Height Above the Nearest Drainage, a
    hydrologically relevant new terrain model. Journal of Hydrology 404(1-2), 13-29.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> above = above_channel(dem, channels, ways)
    >>> above.height_m[1].tolist(), above.distance_m[1].tolist()
    ([5.0, 0.0, 0.0, 0.0], [5.0, 0.0, 0.0, 0.0])
    """
    if directions.shape != dem.shape:
        raise GroundError(
            f"Invalid 'directions' of shape {directions.shape}. It must have the DEM's shape, {dem.shape}."
        )
    code = np.ascontiguousarray(directions, np.uint8)
    node = np.full(dem.shape, UNSEEN, np.int32)
    distance_m = np.full(dem.shape, np.nan, np.float32)
    height_m = np.empty(dem.shape, np.float32)
    rows, cols = dem.shape
    flat = node.ravel()
    flat[channels.nodes.cell] = np.arange(len(channels.nodes))
    distance_m.ravel()[channels.nodes.cell] = 0.0
    whole = _leads_on(code) and _lead_to_nodes(code, dem.cell_m, node, distance_m)
    if not whole:
        raise GroundError(
            "Invalid 'directions' with a cell that drains off the map, into a void or in a circle. "
            "They must be those that 'flow_directions' returns."
        )
    bed_m = channels.nodes.elevation_m
    ground_m = dem.elevation_m
    in_bands(lambda first, end: _rise(ground_m, bed_m, node, height_m, first, end), rows, cols)
    return AboveChannel(node=node, height_m=height_m, distance_m=distance_m)


# Say whether every cell on the map's edge stays on the map.
@kernel
def _leads_on(direction: NDArray[np.uint8]) -> bool:
    rows, cols = direction.shape
    for row in range(rows):
        step = 1 if row == 0 or row == rows - 1 else max(1, cols - 1)
        for col in range(0, cols, step):
            way = direction[row, col]
            if way < OUTLET:
                to_row = row + ROW_STEP[way]
                to_col = col + COL_STEP[way]
                if not (0 <= to_row < rows and 0 <= to_col < cols):
                    return False
    return True


# Lead every cell to its node; False if a direction leads into a void or round in a circle.
@kernel
def _lead_to_nodes(
    direction: NDArray[np.uint8],
    cell_m: float,
    node: NDArray[np.int32],
    distance_m: NDArray[np.float32],
) -> bool:
    code = direction.ravel()
    found = node.ravel()
    away_m = distance_m.ravel()
    steps = neighbour_steps(direction.shape[1])
    lengths_m = np.empty(8, np.float32)
    for way in range(8):
        lengths_m[way] = cell_m * (np.sqrt(2.0) if way & 1 else 1.0)
    # Room for the longest way there could be; only what is written to takes memory. (Lists that grow inside a
    # loop cost it half its speed, for each turn then counts their users.)
    path = np.empty(len(code), np.int32)
    for start in range(len(code)):
        if found[start] != UNSEEN:
            continue
        if code[start] == VOID:
            found[start] = -1
            continue
        cell = np.int64(start)
        passed = 0
        while found[cell] == UNSEEN:
            way = code[cell]
            if way == OUTLET:
                found[cell] = -1
                break
            if way > OUTLET:
                return False
            path[passed] = cell
            passed += 1
            found[cell] = WALKED
            cell += steps[way]
        goal = found[cell]
        if goal == WALKED or code[cell] == VOID:
            return False
        # Back up the same way, from the cell that knew.
        total_m = away_m[cell]
        while passed > 0:
            passed -= 1
            cell = np.int64(path[passed])
            total_m += lengths_m[code[cell]]
            found[cell] = goal
            away_m[cell] = total_m
    return True


# Set the heights of the rows from ``first`` to before ``end``.
@kernel
def _rise(
    elevation_m: NDArray[np.float32],
    bed_m: NDArray[np.float64],
    node: NDArray[np.int32],
    height_m: NDArray[np.float32],
    first: int,
    end: int,
) -> None:
    for row in range(first, end):
        for col in range(node.shape[1]):
            goal = node[row, col]
            if goal >= 0:
                height_m[row, col] = np.float64(elevation_m[row, col]) - bed_m[goal]
            else:
                height_m[row, col] = np.nan
