"""Height and distance of every cell above the channel that it drains to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.land.channels import Channels
from washgrade.land.dem import Dem
from washgrade.land.flow import OUTLET, VOID
from washgrade.land.kernel import kernel, neighbour_steps

__all__ = ["AboveChannel", "above_channel"]

# While at work: a cell not yet passed.
UNSEEN = -2


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
    the first cell whose node is known, then the same way once more to tell the cells between: two steps per
    cell, no order of the cells and no stack.

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
    node = np.full(dem.shape, UNSEEN, np.int32)
    node.ravel()[channels.nodes.cell] = np.arange(len(channels.nodes))
    distance_m = np.full(dem.shape, np.nan, np.float32)
    distance_m.ravel()[channels.nodes.cell] = 0.0
    if not _lead_to_nodes(np.ascontiguousarray(directions, np.uint8), dem.cell_m, node, distance_m):
        raise GroundError(
            "Invalid 'directions' with a cell that drains off the map, into a void or in a circle. "
            "They must be those that 'flow_directions' returns."
        )
    height_m = np.full(dem.shape, np.nan, np.float32)
    found = node >= 0
    height_m[found] = dem.elevation_m[found] - channels.nodes.elevation_m[node[found]]
    return AboveChannel(node=node, height_m=height_m, distance_m=distance_m)


# Lead every cell to its node; False if a direction leads nowhere.
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
    size = len(code)
    steps = neighbour_steps(direction.shape[1])
    lengths_m = np.empty(8, np.float64)
    for way in range(8):
        lengths_m[way] = cell_m * (np.sqrt(2.0) if way & 1 else 1.0)
    for start in range(size):
        if code[start] == VOID:
            found[start] = -1
            continue
        cell = start
        total_m = 0.0
        passed = 0
        while found[cell] == UNSEEN:
            way = code[cell]
            if way == OUTLET:
                found[cell] = -1
                break
            passed += 1
            if way > OUTLET or passed > size:
                return False
            below = cell + steps[way]
            if below < 0 or below >= size or code[below] == VOID:
                return False
            total_m += lengths_m[way]
            cell = below
        goal = found[cell]
        if goal >= 0:
            total_m += away_m[cell]
        # The same way once more, up to the cell that knew.
        cell = start
        while found[cell] == UNSEEN:
            way = code[cell]
            found[cell] = goal
            if goal >= 0:
                away_m[cell] = total_m
                total_m -= lengths_m[way]
            cell += steps[way]
    return True
