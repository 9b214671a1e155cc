"""Cross-sections: the ground across a channel, and the banks seen there; right is positive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.channels import Channels
from washgrade.land.dem import Dem
from washgrade.land.kernel import in_bands, kernel
from washgrade.land.line import Line

__all__ = ["Banks", "Sections", "cross_sections", "find_banks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sections:
    """Heights of the ground across the channel.

    Parameters
    ----------
    node : ndarray of int64, shape (sections,)
        Where each section crosses the channel.
    offset_m : ndarray of float64, shape (points,)
        Distance from the node, metres; below 0 to the left, looking downstream.
    elevation_m : ndarray of float64, shape (sections, points)
        Heights between cells, metres; NaN off the map, beside voids and at a node without direction.
    """

    node: NDArray[np.int64]
    offset_m: NDArray[np.float64]
    elevation_m: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Banks:
    """What the sections show at each node, distances across in metres from the node.

    Parameters
    ----------
    left_m, right_m : ndarray of float64, shape (nodes,)
        Where the ground first stands a set height above the bed; NaN where it does not within the section.
    width_m : ndarray of float64, shape (nodes,)
        From bank to bank; NaN where a bank is missing.
    full_share : ndarray of float64, shape (nodes,)
        Width at half the bank height over the width: 0.5 in a V, 0.71 in a parabola, 1 between walls.
    bank_slope : ndarray of float64, shape (nodes,)
        Slope across over the half cell in which a bank is met, of the gentler bank.
    valley_m : ndarray of float64, shape (nodes,)
        Width at the valley height; where a side is not reached, up to the section's end or the last height
        known. NaN at a node without direction.
    is_open : ndarray of bool, shape (nodes,)
        Whether a side of the valley was not reached, so that its width is a lower bound.
    """

    left_m: NDArray[np.float64]
    right_m: NDArray[np.float64]
    width_m: NDArray[np.float64]
    full_share: NDArray[np.float64]
    bank_slope: NDArray[np.float64]
    valley_m: NDArray[np.float64]
    is_open: NDArray[np.bool_]


def cross_sections(
    dem: Dem,
    channels: Channels,
    line: Line,
    nodes: NDArray[np.integer],
    *,
    half_m: float,
    step_m: float | None = None,
) -> Sections:
    """Heights across the channel at some nodes, perpendicular to its smoothed line.

    Parameters
    ----------
    dem : Dem
        The ground, raw or conditioned.
    channels : Channels
        The network of the same ground.
    line : Line
        From `washgrade.land.line.channel_line`.
    nodes : ndarray of int, shape (sections,)
        Where to cross, such as `washgrade.land.channels.middle_nodes`.
    half_m : float
        Length of a section to each side, metres.
    step_m : float, optional
        Distance between points, metres; half a cell unless told.

    Returns
    -------
    Sections
        Offsets and heights, bilinear between the centres of cells.

    Raises
    ------
    InputError
        If a length is not above 0.
    GroundError
        If a node does not exist.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [8, 8, 8, 8]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> from washgrade.land.line import channel_line
    >>> line = channel_line(channels, smooth_m=25)
    >>> found = cross_sections(dem, channels, line, np.array([1]), half_m=5)
    >>> found.offset_m.tolist(), found.elevation_m[0].round(6).tolist()
    ([-5.0, -2.5, 0.0, 2.5, 5.0], [9.0, 6.0, 3.0, 5.5, 8.0])
    """
    half_m = number("half_m", half_m, above=0)
    step_m = number("step_m", dem.cell_m / 2.0 if step_m is None else step_m, above=0)
    chosen = np.asarray(nodes, np.int64)
    if chosen.size and not (chosen.min() >= 0 and chosen.max() < len(channels.nodes)):
        raise GroundError(
            f"Invalid 'nodes' of {chosen.min()} to {chosen.max()}. "
            f"They must be between 0 and {len(channels.nodes) - 1}."
        )
    steps = int(half_m / step_m + 1e-9)
    offset_m = np.arange(-steps, steps + 1, dtype=np.float64) * step_m
    cell, eastward, northward = channels.nodes.cell[chosen], line.eastward[chosen], line.northward[chosen]
    offset_cells = offset_m / dem.cell_m
    elevation_m = np.concatenate(
        in_bands(
            lambda first, end: _cross(
                dem.elevation_m, cell[first:end], eastward[first:end], northward[first:end], offset_cells
            ),
            len(chosen),
            len(offset_m),
        )
    )
    return Sections(node=chosen, offset_m=offset_m, elevation_m=elevation_m)


# Height between cells; row and column count from the centre of the first cell.
@kernel
def _bilinear(heights: NDArray[np.float32], row: float, col: float) -> float:
    rows, cols = heights.shape
    # Rounding must not reach for a void beside a point that lies on a row or column.
    row = np.round(row) if abs(row - np.round(row)) < 1e-9 else row
    col = np.round(col) if abs(col - np.round(col)) < 1e-9 else col
    if not (0.0 <= row <= rows - 1 and 0.0 <= col <= cols - 1):
        return np.nan
    top, left = int(row), int(col)
    down, right = row - top, col - left
    low = top + 1 if down > 0.0 else top
    far = left + 1 if right > 0.0 else left
    upper = heights[top, left] * (1.0 - right) + heights[top, far] * right
    lower = heights[low, left] * (1.0 - right) + heights[low, far] * right
    return float(upper * (1.0 - down) + lower * down)


@kernel
def _cross(
    heights: NDArray[np.float32],
    cell: NDArray[np.int64],
    eastward: NDArray[np.float64],
    northward: NDArray[np.float64],
    offset_cells: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the heights of all sections, shape (sections, points)."""
    cols = heights.shape[1]
    elevation_m = np.full((len(cell), len(offset_cells)), np.nan)
    for place in range(len(cell)):
        if np.isnan(eastward[place]):
            continue
        row, col = cell[place] // cols, cell[place] % cols
        for point in range(len(offset_cells)):
            away = offset_cells[point]
            # Right of a channel that runs (e, n) lies (n, -e); rows count southward.
            elevation_m[place, point] = _bilinear(
                heights, row + away * eastward[place], col + away * northward[place]
            )
    return elevation_m


def find_banks(
    dem: Dem,
    channels: Channels,
    line: Line,
    *,
    bank_height_m: float,
    valley_height_m: float,
    half_m: float,
) -> Banks:
    """Find the banks and the valley sides on the sections of every node.

    Parameters
    ----------
    dem : Dem
        The ground, raw or conditioned; raw heights keep a bed's true form, conditioned ones may hold a cut
        one cell wide.
    channels : Channels
        The network of the same ground.
    line : Line
        From `washgrade.land.line.channel_line`.
    bank_height_m, valley_height_m : float
        Height above the bed at which a bank and a valley side begin, metres.
    half_m : float
        How far to look to each side, metres.

    Returns
    -------
    Banks
        Distances and widths.

    Raises
    ------
    InputError
        If a height or the length is not above 0.

    Notes
    -----
    The bed is the ground at the node. From there the section goes outward in steps of half a cell; the bank
    is the first place where the ground stands ``bank_height_m`` above the bed, by straight lines between
    steps. A bank of slope ``1 : z`` therefore adds ``z bank_height_m`` to each side of a flat bed. Where a
    bank is high and steep against a cell, its foot is drawn towards the last cell of the bed, and the bed
    comes out too narrow: by up to about one cell.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [8, 8, 8, 8]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> from washgrade.land.line import channel_line
    >>> line = channel_line(channels, smooth_m=25)
    >>> banks = find_banks(dem, channels, line, bank_height_m=0.6, valley_height_m=3, half_m=5)
    >>> banks.left_m.round(3).tolist(), banks.right_m.round(3).tolist()
    ([0.6, 0.5, 0.429], [0.75, 0.6, 0.5])
    """
    bank_height_m = number("bank_height_m", bank_height_m, above=0)
    valley_height_m = number("valley_height_m", valley_height_m, above=0)
    half_m = number("half_m", half_m, above=0)
    step_m = dem.cell_m / 2.0
    rises_m = np.array([bank_height_m / 2.0, bank_height_m, valley_height_m])
    steps = int(half_m / step_m + 1e-9)
    cell = channels.nodes.cell
    found = in_bands(
        lambda first, end: _find_rises(
            dem.elevation_m,
            cell[first:end],
            line.eastward[first:end],
            line.northward[first:end],
            rises_m,
            step_m,
            steps,
        ),
        len(cell),
        2 * steps,
    )
    crossed_m, slope, end_m = (np.concatenate(part, axis=-1) for part in zip(*found, strict=True))
    width_m = crossed_m[1].sum(axis=0)
    is_open = np.isnan(crossed_m[2]).any(axis=0)
    valley_m = np.where(np.isnan(crossed_m[2]), end_m, crossed_m[2]).sum(axis=0)
    return Banks(
        left_m=crossed_m[1, 0],
        right_m=crossed_m[1, 1],
        width_m=width_m,
        full_share=crossed_m[0].sum(axis=0) / width_m,
        bank_slope=slope[1].min(axis=0),
        valley_m=np.where(np.isnan(line.eastward), np.nan, valley_m),
        is_open=is_open,
    )


# Go outward to both sides; return where each rise is first met and the slope there, (rises, 2, nodes), and
# how far heights go.
@kernel
def _find_rises(
    heights: NDArray[np.float32],
    cell: NDArray[np.int64],
    eastward: NDArray[np.float64],
    northward: NDArray[np.float64],
    rises_m: NDArray[np.float64],
    step_m: float,
    steps: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    cols = heights.shape[1]
    slope = np.full((len(rises_m), 2, len(cell)), np.nan)
    crossed_m = np.full((len(rises_m), 2, len(cell)), np.nan)
    end_m = np.zeros((2, len(cell)))
    highest_m = rises_m.max()
    for node in range(len(cell)):
        if np.isnan(eastward[node]):
            continue
        row, col = cell[node] // cols, cell[node] % cols
        bed_m = float(heights[row, col])
        for side in range(2):
            turn = 0.5 if side == 1 else -0.5
            before_m = 0.0
            for step in range(1, steps + 1):
                away = turn * step
                rise_m = _bilinear(heights, row + away * eastward[node], col + away * northward[node]) - bed_m
                if np.isnan(rise_m):
                    break
                for k in range(len(rises_m)):
                    if np.isnan(crossed_m[k, side, node]) and rise_m >= rises_m[k]:
                        part = (rises_m[k] - before_m) / (rise_m - before_m)
                        crossed_m[k, side, node] = (step - 1 + part) * step_m
                        slope[k, side, node] = (rise_m - before_m) / step_m
                end_m[side, node] = step * step_m
                before_m = rise_m
                if rise_m >= highest_m:
                    break
    return crossed_m, slope, end_m
