"""Beside: channels that run side by side, where one line of flow cannot show what the ground has."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import whole
from washgrade.land.channels import Channels
from washgrade.land.kernel import kernel

__all__ = ["Beside", "channels_beside"]

# Our choice: two threads up to two cells apart are one bed, or one hillside, to a DEM that coarse.
WITHIN_CELLS = 2
# Our choice: two channels that meet run close for a few cells before they do; ten cells side by side are more
# than the angle of a confluence.
LEAST_RUN_CELLS = 10


BESIDE_NOTE = "Braided or parallel: another line of flow runs beside this one. Look at both threads."


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Where a channel runs beside another.

    Parameters
    ----------
    other : ndarray of int32, shape (nodes,)
        The nearest node of the channel beside; -1 where there is none.
    same_outlet : ndarray of bool, shape (nodes,)
        Whether that channel leaves by the same outlet.
    share : ndarray of float64, shape (reaches,)
        Share of a reach's nodes with a channel beside.
    reach_beside : ndarray of bool, shape (reaches,)
        Whether at least half of a reach has one.
    """

    other: NDArray[np.int32]
    same_outlet: NDArray[np.bool_]
    share: NDArray[np.float64]
    reach_beside: NDArray[np.bool_]

    @property
    def note(self) -> str:
        """What to say of a reach with a channel beside it."""
        return BESIDE_NOTE

    @property
    def sentence(self) -> str:
        """What to say of the ground."""
        count = int(self.reach_beside.sum())
        if not count:
            return "No channels run side by side."
        return (
            f"{count} of {len(self.reach_beside)} reaches {'run' if count > 1 else 'runs'} beside another "
            "channel: braided, or parallel lines on even ground. Look at both threads."
        )


def channels_beside(
    channels: Channels,
    *,
    cell_m: float,
    within_cells: int = WITHIN_CELLS,
    least_run_cells: int = LEAST_RUN_CELLS,
) -> Beside:
    """Find stretches along which another channel runs within a few cells.

    Parameters
    ----------
    channels : Channels
        The network.
    cell_m : float
        Side of a cell, metres.
    within_cells : int, optional
        How near the other channel runs, cells along rows or columns. 2 is our choice, because to a DEM two
        threads so near are one bed or one hillside.
    least_run_cells : int, optional
        Nodes in a row that must have one. 10 is our choice, because two channels that meet are close for a
        few cells before they do.

    Returns
    -------
    Beside
        Marks of nodes and reaches.

    Raises
    ------
    InputError
        If a number is no whole number above 0.

    Notes
    -----
    Every cell has one receiver (O'Callaghan and Mark 1984), so a bed that divides and joins again cannot be
    shown: the network is a tree. What shows of a braided bed are threads side by side that join at last; what
    shows of an even slope are parallel lines, an artefact of eight directions (Tarboton 1997). Both say: look
    at the ground. Two nodes count as side by side if they are near and the way down from neither reaches the
    other, nor do their ways meet, within ``2 within_cells + 1`` steps.

    References
    ----------
    O'Callaghan, J. F., Mark, D. M. (1984). The extraction of drainage networks from digital elevation data.
    Computer Vision, Graphics and Image Processing 28, 323-344.
    Tarboton, D. G. (1997). A new method for the determination of flow directions and upslope areas in grid
    digital elevation models. Water Resources Research 33(2), 309-319.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.dem import Dem
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> row, col = np.mgrid[0:30, 0:5]
    >>> ground = (30.0 - row + 0.5 * np.isin(col, [0, 2, 4])).astype(np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=150, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=100)
    >>> found = channels_beside(channels, cell_m=5)
    >>> found.reach_beside.all(), found.same_outlet.any()
    (np.True_, np.False_)
    """
    within_cells = whole("within_cells", within_cells, at_least=1)
    least_run_cells = whole("least_run_cells", least_run_cells, at_least=1)
    nodes, reaches = channels.nodes, channels.reaches
    other = np.full(len(nodes), -1, np.int32)
    if len(nodes) > 1:
        place = np.stack([nodes.easting_m, nodes.northing_m], axis=1) / cell_m
        # Slow to load, and the words of this module are asked for without it.
        from scipy.spatial import KDTree

        pairs = KDTree(place).query_pairs(within_cells + 1e-6, p=np.inf, output_type="ndarray")
        # The nearest of all that count is taken; of equals the first, so that any order gives the same.
        away = np.linalg.norm(place[pairs[:, 0]] - place[pairs[:, 1]], axis=1).round(6)
        pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0], away))]
        _pair_up(nodes.downstream, pairs.astype(np.int64), 2 * within_cells + 1, other)
        _drop_short_runs(nodes.downstream, other, least_run_cells)
    has = other >= 0
    mouth = _mouths(nodes.downstream)
    share = np.bincount(nodes.reach, has, minlength=len(reaches)) / np.bincount(nodes.reach)
    return Beside(
        other=other,
        same_outlet=has & (mouth[other] == mouth),
        share=share,
        reach_beside=share >= 0.5,
    )


@kernel
def _pair_up(
    downstream: NDArray[np.int32], pairs: NDArray[np.int64], steps: int, other: NDArray[np.int32]
) -> None:
    """Note for each node its first pair whose ways down do not meet within some steps."""
    path = np.empty(steps + 1, np.int64)
    for pair in range(len(pairs)):
        first, second = pairs[pair, 0], pairs[pair, 1]
        if other[first] >= 0 and other[second] >= 0:
            continue
        size = 0
        here = first
        while here >= 0 and size <= steps:
            path[size] = here
            size += 1
            here = downstream[here]
        here = second
        meets = False
        for _ in range(steps + 1):
            if here < 0 or meets:
                break
            for place in range(size):
                if path[place] == here:
                    meets = True
            here = downstream[here]
        if not meets:
            if other[first] < 0:
                other[first] = second
            if other[second] < 0:
                other[second] = first


@kernel
def _drop_short_runs(downstream: NDArray[np.int32], other: NDArray[np.int32], least: int) -> None:
    """Take the marks off runs that are too short, a run being marked nodes in a row, up or down."""
    size = len(downstream)
    above = np.zeros(size, np.int64)
    # Downwards: the longest marked way that ends at each node.
    for node in range(size):
        if other[node] >= 0:
            above[node] += 1
            to = downstream[node]
            if to >= 0 and above[node] > above[to]:
                above[to] = above[node]
        else:
            above[node] = 0
    longest = above.copy()
    # Upwards: what the run grows to further down counts for all of it.
    for node in range(size - 1, -1, -1):
        to = downstream[node]
        if to >= 0 and other[node] >= 0 and other[to] >= 0 and longest[to] > longest[node]:
            longest[node] = longest[to]
    for node in range(size):
        if longest[node] < least:
            other[node] = -1


@kernel
def _mouths(downstream: NDArray[np.int32]) -> NDArray[np.int32]:
    """Outlet of each node."""
    mouth = np.empty(len(downstream), np.int32)
    # Upwards: the node downstream knows its outlet.
    for node in range(len(downstream) - 1, -1, -1):
        mouth[node] = node if downstream[node] < 0 else mouth[downstream[node]]
    return mouth
