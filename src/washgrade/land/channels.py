"""Channels: nodes along the beds of the washes, and the reaches they make up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.dem import Dem
from washgrade.land.flow import VOID
from washgrade.land.links import (
    distance_down,
    follow_down,
    split_reaches,
    strahler_order,
    trace_washes,
    walk_down,
)
from washgrade.units import show_area

__all__ = [
    "Channels",
    "Nodes",
    "Reaches",
    "delineate",
    "letters_of",
    "middle_nodes",
    "path_nodes",
    "reach_lines",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Nodes:
    """Points on the channels, one DEM cell long, upstream before downstream.

    For every node ``i`` with ``downstream[i] >= 0`` holds ``i < downstream[i]``.

    Parameters
    ----------
    cell : ndarray of int64, shape (nodes,)
        Flat index of the node's cell in the DEM (row * cols + col).
    downstream : ndarray of int32, shape (nodes,)
        Index of the next node downstream; -1 at an outlet.
    length_m : ndarray of float64, shape (nodes,)
        Distance to the next node downstream, metres; 0 at an outlet.
    easting_m, northing_m, elevation_m : ndarray of float64, shape (nodes,)
        Where the node lies, metres; the height is that of the conditioned bed and never rises downstream.
    upstream_area_m2 : ndarray of float64, shape (nodes,)
        Ground that drains through the node, its own cell included, square metres.
    distance_to_outlet_m : ndarray of float64, shape (nodes,)
        Distance along the channel to the outlet, metres.
    order : ndarray of int32, shape (nodes,)
        Strahler order.
    reach : ndarray of int32, shape (nodes,)
        Index of the reach that the node belongs to.
    """

    cell: NDArray[np.int64]
    downstream: NDArray[np.int32]
    length_m: NDArray[np.float64]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    elevation_m: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    distance_to_outlet_m: NDArray[np.float64]
    order: NDArray[np.int32]
    reach: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.downstream)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaches:
    """Stretches of channel between confluences, no longer than a set length, upstream before downstream.

    A reach's line runs from its first node to the first node of the reach downstream of it, so that lines
    join without gaps; its length counts that last step.

    Parameters
    ----------
    reach_id : ndarray of str, shape (reaches,)
        Names as people say them: letters for the wash (its main stem follows the larger upstream area, A is
        the wash with the largest area at its mouth), a number counted from the mouth upstream: A1, A2, B1.
    first_node, last_node : ndarray of int32, shape (reaches,)
        Its most upstream and most downstream node.
    downstream : ndarray of int32, shape (reaches,)
        Index of the next reach downstream; -1 at an outlet.
    length_m, drop_m : ndarray of float64, shape (reaches,)
        Length along the channel and fall of the bed over it, metres.
    slope : ndarray of float64, shape (reaches,)
        Drop over length; 0 where the length is 0.
    upstream_area_m2 : ndarray of float64, shape (reaches,)
        Ground that drains through its last node, square metres.
    order : ndarray of int32, shape (reaches,)
        Strahler order.
    """

    reach_id: NDArray[np.str_]
    first_node: NDArray[np.int32]
    last_node: NDArray[np.int32]
    downstream: NDArray[np.int32]
    length_m: NDArray[np.float64]
    drop_m: NDArray[np.float64]
    slope: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    order: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.downstream)


@dataclass(frozen=True, slots=True, kw_only=True)
class Channels:
    """The channel network of a ground: its nodes and its reaches."""

    nodes: Nodes
    reaches: Reaches
    channel_area_m2: float


def delineate(
    dem: Dem,
    conditioned_m: NDArray[np.float32],
    directions: NDArray[np.uint8],
    upstream_cells: NDArray[np.int32],
    *,
    channel_area_m2: float,
    max_reach_m: float = 50.0,
    begin: NDArray[np.int64] | None = None,
    also: NDArray[np.int64] | None = None,
) -> Channels:
    """Find the channels: where enough ground drains through a cell, or where one is told.

    Parameters
    ----------
    dem : Dem
        The ground; gives cell size and place.
    conditioned_m : ndarray of float32, shape (rows, cols)
        Heights without pits, metres.
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    upstream_cells : ndarray of int32, shape (rows, cols)
        From `washgrade.land.flow.upstream_cells`.
    channel_area_m2 : float
        Smallest upstream area of a channel, square metres.
    max_reach_m : float, optional
        Longest reach, metres; cuts fall on nodes, so a reach may be up to one cell longer. 50 is our choice,
        because that much bed can be looked over and dug from one place.
    begin : ndarray of int64, shape (cells,), optional
        Flat indices of cells where channels begin, in place of the rule by area; all downstream of them
        is channel (such as `washgrade.land.heads.slope_area_heads` finds).
    also : ndarray of int64, shape (cells,), optional
        Flat indices of cells that are channel whatever drains through them, and everything downstream of them
        (such as those under a line somebody drew).

    Returns
    -------
    Channels
        Nodes and reaches. The nodes of a reach are ``first_node`` to ``last_node`` without gaps.

    Raises
    ------
    InputError
        If the area or the length is not above 0.
    GroundError
        If the arrays do not fit the DEM, no cell has so large an upstream area and none was told, or a told
        cell is void or off the map.

    Notes
    -----
    A stretch between confluences is cut into equal parts. Of two branches with the same area the one whose
    head comes first in the grid, row by row from the north-west, is the main one. The same ground always
    gives the same channels. An outlet that is itself a confluence is a reach of one node and no length.

    Examples
    --------
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> found = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> found.reaches.reach_id.tolist(), found.nodes.easting_m.tolist()
    (['A1'], [7.5, 12.5, 17.5])
    """
    channel_area_m2 = number("channel_area_m2", channel_area_m2, above=0)
    max_reach_m = number("max_reach_m", max_reach_m, above=0)
    for name, array in (
        ("conditioned_m", conditioned_m),
        ("directions", directions),
        ("upstream_cells", upstream_cells),
    ):
        if array.shape != dem.shape:
            raise GroundError(
                f"Invalid '{name}' of shape {array.shape}. It must have the DEM's shape, {dem.shape}."
            )
    for name, told in (("begin", begin), ("also", also)):
        if told is not None:
            _check_cells(name, told, directions)
    least_cells = max(1, math.ceil(channel_area_m2 / dem.cell_m**2 - 1e-9))
    is_channel = upstream_cells.ravel() >= least_cells
    if begin is not None:
        is_channel[:] = False
        follow_down(is_channel, np.asarray(begin, np.int64), directions)
    if also is not None:
        follow_down(is_channel, np.asarray(also, np.int64), directions)
    cells = np.flatnonzero(is_channel)
    if not len(cells):
        # No ground has more cells than int32 counts; a larger wish simply finds nothing.
        if begin is not None:
            raise GroundError("No channel found: 'begin' is empty. It must name at least one cell.")
        raise GroundError(no_channel(channel_area_m2, int(upstream_cells.max()) * dem.cell_m**2))
    cell, downstream, donors = walk_down(cells, directions)
    nodes, first = _nodes(dem, conditioned_m, upstream_cells, cell, downstream, donors, max_reach_m)
    return Channels(nodes=nodes, reaches=_reaches(nodes, first), channel_area_m2=channel_area_m2)


# Refuse cells that are void or off the map.
def _check_cells(name: str, cells: NDArray[np.int64], directions: NDArray[np.uint8]) -> None:
    told = np.asarray(cells)
    size = directions.size
    if told.size and not (told.min() >= 0 and told.max() < size):
        wrong = int(told.min() if told.min() < 0 else told.max())
        raise GroundError(f"Invalid '{name}' with cell {wrong}. Cells must be between 0 and {size - 1}.")
    void = told[directions.ravel()[told] == VOID] if told.size else told
    if void.size:
        raise GroundError(
            f"Invalid '{name}' with cell {int(void[0])}, which is void. Cells must have a height."
        )


# Round an area to one significant digit.
def no_channel(channel_area_m2: float, most_m2: float) -> Callable[[str], str]:
    """Say that no cell drains so much ground.

    Parameters
    ----------
    channel_area_m2 : float
        Area at which channels should begin, square metres.
    most_m2 : float
        Largest area that drains through one cell, square metres.

    Returns
    -------
    callable
        Gives the sentence in the reader's units.

    Examples
    --------
    >>> no_channel(5e5, 3e5)("metric").split(". ")[1]
    'At most 300000 m2 drain through one cell here; try 20000.'
    >>> no_channel(5e5, 3e5)("us").split(". ")[1]
    'At most 74.1 acres drain through one cell here; try 4.9 acres, 20000 m2.'
    """
    half_m2 = _round_area(most_m2 / 20)

    def said(units: str) -> str:
        if units == "us":
            wanted, most = show_area(channel_area_m2, units), show_area(most_m2, units)
            return (
                f"No channel found with 'channel_area_m2' of {channel_area_m2:g}, {wanted}. At most {most} "
                f"drain through one cell here; try {show_area(half_m2, units)}, {half_m2:g} m2."
            )
        return (
            f"No channel found with 'channel_area_m2' of {channel_area_m2:g}. "
            f"At most {most_m2:g} m2 drain through one cell here; try {half_m2:g}."
        )

    return said


def _round_area(area_m2: float) -> float:
    size = 10.0 ** math.floor(math.log10(area_m2))
    return max(1.0, round(area_m2 / size)) * size


# Build the nodes; return them with the first node of each reach.
def _nodes(
    dem: Dem,
    conditioned_m: NDArray[np.float32],
    upstream_cells: NDArray[np.int32],
    cell: NDArray[np.int64],
    downstream: NDArray[np.int32],
    donors: NDArray[np.int32],
    max_reach_m: float,
) -> tuple[Nodes, NDArray[np.int32]]:
    row, col = np.divmod(cell, dem.shape[1])
    to_row, to_col = row[downstream], col[downstream]
    across = (row != to_row) & (col != to_col)
    length_m = np.where(downstream < 0, 0.0, np.where(across, math.sqrt(2.0), 1.0) * dem.cell_m)
    reach, first = split_reaches(downstream, donors, length_m, max_reach_m)
    nodes = Nodes(
        cell=cell,
        downstream=downstream,
        length_m=length_m,
        easting_m=dem.easting_m(col),
        northing_m=dem.northing_m(row),
        elevation_m=conditioned_m.ravel()[cell].astype(np.float64),
        upstream_area_m2=upstream_cells.ravel()[cell].astype(np.float64) * dem.cell_m**2,
        distance_to_outlet_m=distance_down(downstream, length_m),
        order=strahler_order(downstream),
        reach=reach,
    )
    return nodes, first


# Sum the nodes up to reaches and name these.
def _reaches(nodes: Nodes, first: NDArray[np.int32]) -> Reaches:
    first_node = first[:-1].copy()
    last_node = (first[1:] - 1).astype(np.int32)
    below = nodes.downstream[last_node]
    length_m = np.add.reduceat(nodes.length_m, first_node)
    foot = np.where(below < 0, last_node, below)
    drop_m = nodes.elevation_m[first_node] - nodes.elevation_m[foot]
    downstream = np.where(below < 0, -1, nodes.reach[below]).astype(np.int32)
    area_m2 = nodes.upstream_area_m2[last_node]
    return Reaches(
        reach_id=_names(downstream, area_m2),
        first_node=first_node,
        last_node=last_node,
        downstream=downstream,
        length_m=length_m,
        drop_m=drop_m,
        slope=np.divide(drop_m, length_m, out=np.zeros_like(drop_m), where=length_m > 0),
        upstream_area_m2=area_m2,
        order=nodes.order[last_node],
    )


# Name reaches by wash and number.
def _names(downstream: NDArray[np.int32], area_m2: NDArray[np.float64]) -> NDArray[np.str_]:
    wash, count, mouth = trace_washes(downstream, area_m2)
    rank = np.empty(len(mouth), np.int64)
    rank[np.lexsort((mouth, -area_m2[mouth]))] = np.arange(len(mouth))
    letters = [letters_of(place) for place in range(len(mouth))]
    names = [
        letters[place] + str(step) for place, step in zip(rank[wash].tolist(), count.tolist(), strict=True)
    ]
    return np.array(names, dtype=np.str_)


def letters_of(place: int) -> str:
    """Letters of a wash by its place: A to Z, AA, AB and so on.

    Parameters
    ----------
    place : int
        0 for the first.

    Returns
    -------
    str
        Capital letters.

    Examples
    --------
    >>> letters_of(0), letters_of(25), letters_of(26)
    ('A', 'Z', 'AA')
    """
    word = ""
    place += 1
    while place > 0:
        place, letter = divmod(place - 1, 26)
        word = chr(65 + letter) + word
    return word


def path_nodes(channels: Channels, node: int) -> NDArray[np.int32]:
    """Nodes from one node down to its outlet.

    Parameters
    ----------
    channels : Channels
        The network.
    node : int
        Where the path begins.

    Returns
    -------
    ndarray of int32, shape (path,)
        The node itself first, the outlet last.

    Raises
    ------
    GroundError
        If there is no such node.

    Examples
    --------
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> path_nodes(delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150), 0).tolist()
    [0, 1, 2]
    """
    downstream = channels.nodes.downstream
    if not 0 <= node < len(downstream):
        raise GroundError(f"Invalid 'node' of {node}. It must be between 0 and {len(downstream) - 1}.")
    path = []
    while node >= 0:
        path.append(node)
        node = int(downstream[node])
    return np.array(path, np.int32)


def reach_lines(
    channels: Channels,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Lines of the reaches, each ending where the one downstream begins.

    Parameters
    ----------
    channels : Channels
        The network.

    Returns
    -------
    easting_m, northing_m : ndarray of float64, shape (points,)
        Points of all lines, one after the other, metres.
    start : ndarray of int64, shape (reaches + 1,)
        The points of reach ``i`` are ``start[i]`` to ``start[i + 1] - 1``; always two or more. A reach of no
        length has its one place twice.

    Examples
    --------
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> east, north, start = reach_lines(channels)
    >>> east.tolist(), north.tolist(), start.tolist()
    ([7.5, 12.5, 17.5], [7.5, 7.5, 7.5], [0, 3])
    """
    nodes, reaches = channels.nodes, channels.reaches
    own = (reaches.last_node - reaches.first_node + 1).astype(np.int64)
    below = nodes.downstream[reaches.last_node]
    # A line takes one point more than its reach has nodes: the next reach's first, or a lone outlet's own.
    lone = (below < 0) & (own == 1)
    joined = (below >= 0) | lone
    start = np.zeros(len(own) + 1, np.int64)
    np.cumsum(own + joined, out=start[1:])
    point = np.empty(start[-1], np.int64)
    is_own = np.ones(len(point), np.bool_)
    is_own[start[1:][joined] - 1] = False
    point[is_own] = np.arange(len(nodes))
    point[~is_own] = np.where(lone, reaches.last_node, below)[joined]
    return nodes.easting_m[point], nodes.northing_m[point], start


def middle_nodes(channels: Channels) -> NDArray[np.int64]:
    """Node nearest the middle of each reach, along the channel.

    Parameters
    ----------
    channels : Channels
        The network.

    Returns
    -------
    ndarray of int64, shape (reaches,)
        Indices of nodes.

    Examples
    --------
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9, 9], [9, 4, 3, 2, 1], [9, 9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=75)
    >>> channels.nodes.easting_m[middle_nodes(channels)].tolist()
    [12.5]
    """
    nodes, reaches = channels.nodes, channels.reaches
    along_m = nodes.distance_to_outlet_m
    # The nodes of a reach follow one another, so the one nearest its middle is found by a sort on the offset.
    middle_m = along_m[reaches.first_node] - reaches.length_m / 2.0
    offset_m = np.abs(along_m - middle_m[nodes.reach])
    order = np.lexsort((offset_m, nodes.reach))
    first: NDArray[np.int64] = order[np.searchsorted(nodes.reach[order], np.arange(len(reaches)))]
    return first
