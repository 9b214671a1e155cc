"""Heads: where channels begin by area and slope, for ground on which area alone is too crude."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.channels import no_channel
from washgrade.land.flow import OUTLET
from washgrade.land.kernel import kernel, neighbour_steps
from washgrade.land.links import walk_down
from washgrade.units import show_head_area

__all__ = ["Heads", "least_cells_of_heads", "pick_heads", "slope_area_heads", "slope_down"]

# Our choice, because the fall over fewer than 3 cells is noise of the DEM.
SLOPE_CELLS = 3.0
SLOPE_M = 20.0
# Our choice, because a bank or a scar of a few cells is steep enough for any constant: below a tenth of the
# area told no channel begins, however steep.
LEAST_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Heads:
    """Where channels begin.

    Parameters
    ----------
    cell : ndarray of int64, shape (heads,)
        Flat indices of the cells, ascending; `washgrade.land.channels.delineate` takes them as ``begin``.
    upstream_area_m2 : ndarray of float64, shape (heads,)
        Ground that drains through each, square metres.
    slope : ndarray of float64, shape (heads,)
        Fall over distance below each.
    constant_m2 : float
        Area times slope to the power at which a channel begins, square metres.
    slope_power : float
        The power of the slope.
    """

    cell: NDArray[np.int64]
    upstream_area_m2: NDArray[np.float64]
    slope: NDArray[np.float64]
    constant_m2: float
    slope_power: float

    def sentence(self, units: str = "metric") -> str:
        """Say where channels begin.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        str
            Plain words.
        """
        few, many = np.quantile(self.upstream_area_m2, (0.1, 0.9)).tolist()
        return (
            f"Channels begin where upstream area times slope to the power {self.slope_power:g} passes "
            f"{show_head_area(self.constant_m2, units)}: {len(self.cell)} heads, eight in ten of them with "
            f"{show_head_area(few, units)} to {show_head_area(many, units)} above them."
        )


def slope_down(
    conditioned_m: NDArray[np.float32],
    directions: NDArray[np.uint8],
    cells: NDArray[np.int64],
    *,
    cell_m: float,
    over_m: float | None = None,
) -> NDArray[np.float64]:
    """Slope of the ground below some cells, along the way that water takes.

    Parameters
    ----------
    conditioned_m : ndarray of float32, shape (rows, cols)
        Heights without pits, metres.
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    cells : ndarray of int64, shape (cells,)
        Flat indices.
    cell_m : float
        Side of a cell, metres.
    over_m : float, optional
        Distance over which the fall is taken, metres. Unless told 20 m or 3 cells, whichever is more: our
        choice, because the fall to one neighbour is noise of the DEM.

    Returns
    -------
    ndarray of float64, shape (cells,)
        Fall over distance; over what there is where water leaves sooner, 0 where it leaves at once.

    Raises
    ------
    InputError
        If a length is not above 0.

    Examples
    --------
    >>> from washgrade.land.flow import flow_directions
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 1], [9, 9, 9, 9]], np.float32)
    >>> slope_down(ground, flow_directions(ground), np.array([5, 6, 7]), cell_m=5, over_m=10).tolist()
    [0.3, 0.4, 0.0]
    """
    cell_m = number("cell_m", cell_m, above=0)
    over_m = number("over_m", max(SLOPE_M, SLOPE_CELLS * cell_m) if over_m is None else over_m, above=0)
    return _slope_down(conditioned_m, directions, np.asarray(cells, np.int64), cell_m, over_m)


@kernel
def _slope_down(
    heights: NDArray[np.float32],
    directions: NDArray[np.uint8],
    cells: NDArray[np.int64],
    cell_m: float,
    over_m: float,
) -> NDArray[np.float64]:
    level_m = heights.ravel()
    code = directions.ravel()
    steps = neighbour_steps(directions.shape[1])
    slope = np.zeros(len(cells))
    for place in range(len(cells)):
        here = cells[place]
        gone_m = 0.0
        while gone_m < over_m * (1.0 - 1e-9) and code[here] < OUTLET:
            gone_m += cell_m * (1.0 if code[here] & 1 == 0 else np.sqrt(2.0))
            here += steps[code[here]]
        if gone_m > 0.0:
            slope[place] = (np.float64(level_m[cells[place]]) - np.float64(level_m[here])) / gone_m
    return slope


def slope_area_heads(
    conditioned_m: NDArray[np.float32],
    directions: NDArray[np.uint8],
    upstream_cells: NDArray[np.int32],
    *,
    cell_m: float,
    channel_area_m2: float,
    slope_power: float = 2.0,
    constant_m2: float | None = None,
    over_m: float | None = None,
) -> Heads:
    """Find where channels begin: where area times a power of slope first passes a constant.

    Parameters
    ----------
    conditioned_m : ndarray of float32, shape (rows, cols)
        Heights without pits, metres.
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    upstream_cells : ndarray of int32, shape (rows, cols)
        From `washgrade.land.flow.upstream_cells`.
    cell_m : float
        Side of a cell, metres.
    channel_area_m2 : float
        Area that feeds a channel where area alone decides, square metres, such as
        `washgrade.land.threshold.constant_drop` picks: how much channel there is in all.
    slope_power : float, optional
        Power of the slope. 2 as in Montgomery and Dietrich (1992) and Montgomery and Foufoula-Georgiou (1993)
        for channels cut by water running over the ground; 0 is the rule by area alone.
    constant_m2 : float, optional
        The constant, square metres, for who has measured it on heads in the field. Unless told, the one
        that gives as many cells of channel as the area alone would.
    over_m : float, optional
        See `slope_down`.

    Returns
    -------
    Heads
        Cells where channels begin, and the rule.

    Raises
    ------
    InputError
        If a value is out of its limits.
    GroundError
        If the arrays differ in shape, or no cell passes.

    Notes
    -----
    A channel begins where ``A S^k >= C``, A the upstream area, and goes on downstream whatever its slope is
    there. Unless told, C is such that there is as much channel as by area alone: steep hollows gain what
    gentle ground loses. (To make the two rules agree at the median slope of the heads by area, which lies
    nearer at hand, gave twice to four times the length of channel on three grounds, because ground steepens
    above such a head.) Nothing begins below a tenth of the area told: our choice, because a bank of a few
    cells is steep enough for any constant.

    For hills with gullies. On nearly level ground the slopes are noise of the DEM, and on wide valley floors
    a wash that begins gently is lost: there the area alone is the better rule.

    The studies give A per width of contour in some equations and as a whole in others, and constants from
    their own grounds; that is one more reason to take ours from the ground at hand.

    References
    ----------
    Montgomery, D. R., Dietrich, W. E. (1988). Where do channels begin? Nature 336, 232-234.
    Montgomery, D. R., Dietrich, W. E. (1992). Channel initiation and the problem of landscape scale. Science
    255, 826-830.
    Montgomery, D. R., Foufoula-Georgiou, E. (1993). Channel network source representation using digital
    elevation models. Water Resources Research 29(12), 3925-3934.

    Examples
    --------
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9, 9], [9, 8, 7, 3, 2], [9, 9, 9, 9, 9]], np.float32)
    >>> ways = flow_directions(ground)
    >>> found = slope_area_heads(ground, ways, upstream_cells(ways), cell_m=5, channel_area_m2=225, over_m=5)
    >>> found.cell.tolist(), found.upstream_area_m2.tolist(), round(found.constant_m2, 6)
    ([7], [175.0], 112.0)
    """
    cell_m = number("cell_m", cell_m, above=0)
    channel_area_m2 = number("channel_area_m2", channel_area_m2, above=0)
    slope_power = number("slope_power", slope_power, at_least=0)
    if not conditioned_m.shape == directions.shape == upstream_cells.shape:
        raise GroundError(
            f"Invalid arrays of shapes {conditioned_m.shape}, {directions.shape} and {upstream_cells.shape}. "
            "Heights, directions and counts must have one shape."
        )
    count = upstream_cells.ravel()
    enough = np.flatnonzero(count >= least_cells_of_heads(channel_area_m2, cell_m))
    cells, downstream, _ = walk_down(enough, directions)
    slope = slope_down(conditioned_m, directions, cells, cell_m=cell_m, over_m=over_m)
    return pick_heads(
        cells,
        downstream,
        count[cells],
        slope,
        cell_m=cell_m,
        channel_area_m2=channel_area_m2,
        slope_power=slope_power,
        constant_m2=constant_m2,
        largest=int(count.max()),
    )


def least_cells_of_heads(channel_area_m2: float, cell_m: float) -> int:
    """Fewest cells that drain through a cell where a channel may begin.

    Parameters
    ----------
    channel_area_m2 : float
        As for `slope_area_heads`.
    cell_m : float
        Side of a cell, metres.

    Returns
    -------
    int
        At least 1.

    Examples
    --------
    >>> least_cells_of_heads(1010.0, 5.0)
    5
    """
    return max(1, math.ceil(LEAST_SHARE * channel_area_m2 / cell_m**2 - 1e-9))


def pick_heads(
    cells: NDArray[np.int64],
    downstream: NDArray[np.int32],
    count: NDArray[np.integer],
    slope: NDArray[np.float64],
    *,
    cell_m: float,
    channel_area_m2: float,
    largest: int,
    slope_power: float = 2.0,
    constant_m2: float | None = None,
) -> Heads:
    """Make the choice of `slope_area_heads` among cells that are given, however they were collected.

    Parameters
    ----------
    cells : ndarray of int64, shape (cells,)
        Flat indices of the cells through which at least `least_cells_of_heads` drain, upstream before
        downstream.
    downstream : ndarray of int32, shape (cells,)
        Place of the next one downstream, -1 at an outlet.
    count : ndarray of int, shape (cells,)
        Cells that drain through each.
    slope : ndarray of float64, shape (cells,)
        From `slope_down`.
    cell_m, channel_area_m2, slope_power, constant_m2 : float
        As for `slope_area_heads`.
    largest : int
        Most cells that drain through one cell of the ground.

    Returns
    -------
    Heads
        Cells where channels begin, and the rule.

    Raises
    ------
    InputError
        If the constant is not above 0.
    GroundError
        If no cell passes.
    """
    cell_m2 = cell_m**2
    pull_m2 = count * cell_m2 * slope**slope_power
    # What the strongest place upstream has: a cell is channel where that passes the constant.
    most_m2 = _most_above(downstream, pull_m2)
    wanted = int((count >= np.ceil(channel_area_m2 / cell_m2 - 1e-9)).sum())
    if constant_m2 is not None:
        constant_m2 = number("constant_m2", constant_m2, above=0)
    elif wanted == 0:
        raise GroundError(no_channel(channel_area_m2, largest * cell_m2))
    else:
        constant_m2 = float(np.partition(most_m2, -wanted)[-wanted])
    is_channel = most_m2 >= constant_m2 * (1 - 1e-12)
    if not is_channel.any() or constant_m2 <= 0.0:
        raise GroundError(
            f"No channel begins with 'constant_m2' of {constant_m2:g}. It must be above 0 and at most "
            f"{float(most_m2.max(initial=0.0)):g} here, the largest area times slope to the power "
            f"{slope_power:g}."
        )
    fed = np.zeros(len(cells), np.bool_)
    fed[downstream[is_channel & (downstream >= 0)]] = True
    first = np.flatnonzero(is_channel & ~fed)
    first = first[np.argsort(cells[first])]
    area_m2 = count[first].astype(np.float64) * cell_m2
    return Heads(
        cell=cells[first],
        upstream_area_m2=area_m2,
        slope=slope[first],
        constant_m2=constant_m2,
        slope_power=slope_power,
    )


@kernel
def _most_above(downstream: NDArray[np.int32], value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Largest value at each node or anywhere upstream of it."""
    most = value.copy()
    # Downwards: all that lies upstream of a node comes before it.
    for node in range(len(downstream)):
        if downstream[node] >= 0 and most[node] > most[downstream[node]]:
            most[downstream[node]] = most[node]
    return most
