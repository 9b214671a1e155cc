"""Burning in: carve a drawn line or a GPS track into the ground, so that water follows it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.stats import theilslopes

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.dem import Dem
from washgrade.land.flow import OUTLET
from washgrade.land.grids import MakeGrid, copied
from washgrade.land.kernel import COL_STEP, ROW_STEP
from washgrade.units import show_height, show_length, show_volume

__all__ = ["Burned", "burn", "lead_along", "smooth_track"]

# Our choice: more than float32 can tell apart below 8000 m (0.0005 m), so that a bed falls from cell to cell.
FALL_M = 0.002
# Our choice, because it must only win against the noise of a bed.
CARVE_M = 0.1
# Our choice, because a handheld receiver is off by some metres (common practice, no source).
SMOOTH_M = 5.0
# A track that turns back by more than this is a spike, or somebody walked to and fro. Our choice.
SPIKE_DEG = 150.0
# Our choice, because fewer show no direction.
LEAST_CELLS = 5
# Our choice, as `default_breach_depth_m`: no bank over a wash is higher.
MOST_CLIMB_M = 6.0
# Our choice: 1 m above the valley's floor makes a step ten times as long.
SNAP_PER_M = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Burned:
    """Lines as carved into the ground.

    Parameters
    ----------
    elevation_m : ndarray of float32, shape (rows, cols)
        Carved heights, metres; only for routing water. The DEM itself stays as it was.
    start : ndarray of int64, shape (lines + 1,)
        The cells of line ``i`` are ``cell[start[i]:start[i + 1]]``.
    cell : ndarray of int64, shape (cells,)
        Flat indices, downstream. A line that joins another ends on a cell of it.
    carved_m : ndarray of float64, shape (cells,)
        By how much each cell was lowered, metres.
    volume_m3 : float
        Ground taken away, cubic metres.
    reversed_lines : tuple of int
        Numbers of the lines that were drawn upstream, 0 for the first.
    notes : tuple of str
        What is to be said of single lines, in plain words.
    """

    elevation_m: NDArray[np.float32]
    start: NDArray[np.int64]
    cell: NDArray[np.int64]
    carved_m: NDArray[np.float64]
    volume_m3: float
    reversed_lines: tuple[int, ...]
    notes: tuple[str, ...]

    def sentences(self, units: str = "metric") -> tuple[str, ...]:
        """Say what was done.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        tuple of str
            Plain words.
        """
        if not len(self.cell):
            return self.notes
        lines = len(self.start) - 1
        return (
            *self.notes,
            f"{lines} channel line{'s' if lines != 1 else ''} carved into the ground along "
            f"{len(self.cell)} cells, up to {show_height(self.carved_m.max(), units)} deep "
            f"({show_volume(self.volume_m3, units)}), for the water's way only.",
        )


def smooth_track(line_m: ArrayLike, *, step_m: float, smooth_m: float = SMOOTH_M) -> NDArray[np.float64]:
    """Take spikes and jitter out of a track and put its points at even distances.

    Parameters
    ----------
    line_m : array_like of float, shape (vertices, 2)
        Eastings and northings, metres, at least two of them apart.
    step_m : float
        Distance of the returned points, metres.
    smooth_m : float
        Standard deviation of the smoothing along the track, metres; 0 for a drawn line, which has no jitter.

    Returns
    -------
    ndarray of float64, shape (points, 2)
        Eastings and northings, metres; the ends are those of the track.

    Raises
    ------
    GroundError
        If fewer than two points are apart.

    Notes
    -----
    A vertex at which the track turns by more than 150 degrees goes, until none is left; then a Gaussian
    average over the distance along the track, with the ends mirrored through themselves so that they stay.
    Our choice, because it needs no times, which a drawn line has not. It rounds bends whose radius is not
    above the smoothing.

    Examples
    --------
    >>> smooth_track([(0, 0), (10, 0), (4, 0), (20, 0)], step_m=5).round(6)[:, 0].tolist()
    [0.0, 5.0, 10.0, 15.0, 20.0]
    """
    number("step_m", step_m, above=0)
    number("smooth_m", smooth_m, at_least=0)
    points = np.asarray(line_m, np.float64)
    turned = True
    while turned:
        apart = np.concatenate([[True], np.hypot(*np.diff(points, axis=0).T) > 1e-6])
        points = points[apart]
        turned = False
        if len(points) > 2:
            heading = np.arctan2(*np.diff(points, axis=0).T)
            turn = np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi)
            if np.degrees(turn.max()) > SPIKE_DEG:
                points = np.delete(points, int(turn.argmax()) + 1, axis=0)
                turned = True
    if len(points) < 2:
        raise GroundError("A channel line has fewer than two points apart. Draw it from its head to its end.")
    far_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(round(float(far_m[-1] / step_m)), 1) + 1
    at_m = np.linspace(0.0, far_m[-1], count)
    even = np.column_stack([np.interp(at_m, far_m, points[:, axis]) for axis in (0, 1)])
    if smooth_m > 0:
        size = smooth_m / (far_m[-1] / (count - 1))
        pad = min(int(4 * size) + 1, count - 1)
        mirrored = np.concatenate(
            [2 * even[0] - even[pad:0:-1], even, 2 * even[-1] - even[-2 : -pad - 2 : -1]]
        )
        even = ndimage.gaussian_filter1d(mirrored, size, axis=0)[pad : pad + count]
    return even


def burn(
    dem: Dem,
    lines_m: Sequence[ArrayLike],
    *,
    smooth_m: float = SMOOTH_M,
    snap_m: float = 0.0,
    max_climb_m: float = MOST_CLIMB_M,
    make: MakeGrid = np.zeros,
) -> Burned:
    """Carve lines into the ground so that water follows them.

    Parameters
    ----------
    dem : Dem
        The ground.
    lines_m : sequence of array_like, shape (vertices, 2)
        Drawn lines or tracks, eastings and northings, metres. Where one reaches another, it joins it.
    smooth_m : float
        Smoothing of a track's jitter, metres; 0 for drawn lines. See `smooth_track`.
    snap_m : float
        How far a line may be moved into the valley that the DEM shows, metres; 0 leaves it where it is.
    max_climb_m : float
        Most by which the ground along a line may rise above a lower place upstream, metres.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    Burned
        Carved heights, the cells of the lines and what was done.

    Raises
    ------
    GroundError
        If a line is too short, leaves the ground or climbs too much.
    InputError
        If a number is out of its limits.

    Notes
    -----
    Lines are carved from the longest to the shortest. Loops are cut off where a line comes back to a cell.
    Which end is lower is told by the median of the slopes between pairs of points (Theil and Sen). A bed is
    the least of the ground upstream along the line, 0.1 m deeper and 2 mm deeper from cell to cell. Snapping
    takes the way along the valley's floor: each step counts the more, the higher it lies above the lowest
    ground within the distance.

    References
    ----------
    Sen, P. K. (1968). Estimates of the regression coefficient based on Kendall's tau. Journal of the American
    Statistical Association 63, 1379-1389.

    Examples
    --------
    >>> slope = np.repeat(np.arange(9.0, 0.0, -1.0)[:, None], 5, axis=1).astype(np.float32)
    >>> dem = Dem(elevation_m=slope, cell_m=1, west_m=0, north_m=9, crs="EPSG:25830")
    >>> burned = burn(dem, [[(1.5, 0.5), (1.5, 8.5)]], smooth_m=0)
    >>> burned.reversed_lines, burned.cell.tolist()
    ((0,), [1, 6, 11, 16, 21, 26, 31, 36, 41])
    """
    number("snap_m", snap_m, at_least=0)
    number("max_climb_m", max_climb_m, at_least=0)
    raw = dem.elevation_m.ravel()
    notes = []
    backwards = []
    ways = []
    for place, line in enumerate(lines_m):
        cells = _line_cells(dem, smooth_track(line, step_m=dem.cell_m / 2, smooth_m=smooth_m), place)
        if snap_m > 0:
            cells = _snapped(dem, cells, snap_m)
        if len(cells) < LEAST_CELLS:
            raise GroundError(_too_short(place, len(cells), dem.cell_m))
        heights = raw[cells].astype(np.float64)
        some = np.unique(np.linspace(0, len(cells) - 1, min(len(cells), 200)).astype(np.int64))
        if theilslopes(heights[some], some)[0] > 0:
            cells, heights = cells[::-1], heights[::-1]
            backwards.append(place)
            notes.append(
                f"Channel line {place + 1} was drawn upstream: it is taken from its higher end to the lower."
            )
        climb_m = float((heights - np.minimum.accumulate(heights)).max())
        if climb_m > max_climb_m:
            at = int((heights - np.minimum.accumulate(heights)).argmax())
            east_m = float(dem.easting_m(cells[at : at + 1] % dem.shape[1])[0])
            north_m = float(dem.northing_m(cells[at : at + 1] // dem.shape[1])[0])
            raise GroundError(_climbs(place, climb_m, (east_m, north_m), max_climb_m))
        ways.append(cells)
    bed = {cell: float(raw[cell]) for cells in ways for cell in cells.tolist()}
    down: dict[int, int] = {}
    parts: list[NDArray[np.int64]] = [np.empty(0, np.int64)] * len(ways)
    for place in sorted(range(len(ways)), key=lambda one: -len(ways[one])):
        cells, whole, joins = _up_to_join(ways[place], down, dem.shape[1])
        if not whole:
            notes.append(f"Channel line {place + 1} joins another and is followed only that far.")
        parts[place] = cells
        down.update(zip(cells[:-1].tolist(), cells[1:].tolist(), strict=True))
        if not joins:
            down.setdefault(int(cells[-1]), -1)
        _carve(bed, down, cells.tolist())
    carved = copied(dem.elevation_m, make, np.float32)
    touched = np.fromiter(bed, np.int64, len(bed))
    carved.ravel()[touched] = np.fromiter(bed.values(), np.float64, len(bed))
    cell = np.concatenate(parts) if parts else np.empty(0, np.int64)
    carved_m = raw[cell].astype(np.float64) - carved.ravel()[cell]
    lower_m = raw[touched].astype(np.float64) - carved.ravel()[touched]
    volume_m3 = float(lower_m.sum() * dem.cell_m**2)
    return Burned(
        elevation_m=carved,
        start=np.concatenate([np.zeros(1, np.int64), np.cumsum([len(part) for part in parts])]).astype(
            np.int64
        ),
        cell=cell,
        carved_m=carved_m,
        volume_m3=volume_m3,
        reversed_lines=tuple(backwards),
        notes=tuple(notes),
    )


def lead_along(
    directions: NDArray[np.uint8], conditioned_m: NDArray[np.float32], burned: Burned
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Find how the water of burned lines runs along them, where it would cut a corner.

    Parameters
    ----------
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    conditioned_m : ndarray of float32, shape (rows, cols)
        The heights that they were found on, metres.
    burned : Burned
        The lines.

    Returns
    -------
    cell : ndarray of int64, shape (led cells,)
        Flat indices of the cells to be led, each once; where filling drowned a line, none.
    way : ndarray of uint8, shape (led cells,)
        Their directions.
    """
    led: dict[int, int] = {}
    cols = directions.shape[1]
    level = conditioned_m.ravel()
    code = directions.ravel()
    way_of = {
        int(down * cols + right): k for k, (down, right) in enumerate(zip(ROW_STEP, COL_STEP, strict=True))
    }
    for line in range(len(burned.start) - 1):
        cells = burned.cell[burned.start[line] : burned.start[line + 1]]
        for cell, below in pairwise(cells.tolist()):
            # Always strictly down, so no circle can arise.
            if level[below] < level[cell] and code[cell] != OUTLET:
                led[cell] = way_of[below - cell]
    return np.fromiter(led, np.int64, len(led)), np.fromiter(led.values(), np.uint8, len(led))


# A line up to where it comes to one that is there already; whether that is all of it, and whether it joins.
def _up_to_join(
    cells: NDArray[np.int64], down: dict[int, int], cols: int
) -> tuple[NDArray[np.int64], bool, bool]:
    for place, cell in enumerate(cells.tolist()):
        if cell in down:
            return cells[: place + 1], place == len(cells) - 1, True
        last = place == len(cells) - 1
        below = cell if last else int(cells[place + 1])
        # Two lines may pass through each other diagonally, or one may end beside the other.
        beside = [cell + step for step in (ROW_STEP * cols + COL_STEP).tolist()]
        if not last:
            corners = (cell // cols * cols + below % cols, below // cols * cols + cell % cols)
            beside = list(corners) if all(spot in down for spot in corners) else []
        for spot in beside:
            if spot in down:
                return np.append(cells[: place + 1], spot), last, True
    return cells, True, False


# Lower the bed along a line, and on along those that it joins, as far as it must be.
def _carve(bed: dict[int, float], down: dict[int, int], cells: list[int]) -> None:
    limit_m = np.inf
    for cell in cells:
        bed[cell] = min(bed[cell] - CARVE_M if limit_m == np.inf or cell != cells[-1] else bed[cell], limit_m)
        limit_m = bed[cell] - FALL_M
    cell = down.get(cells[-1], -1)
    while cell >= 0 and bed[cell] > limit_m:
        bed[cell] = limit_m
        limit_m -= FALL_M
        cell = down.get(cell, -1)


def _too_short(place: int, cells: int, cell_m: float) -> Callable[[str], str]:
    return lambda units: (
        f"Channel line {place + 1} is {cells} cells long. It must have at least {LEAST_CELLS} cells of "
        f"{show_length(cell_m, units)} to show a direction. Draw it longer or leave it out."
    )


def _climbs(
    place: int, climb_m: float, at_m: tuple[float, float], max_climb_m: float
) -> Callable[[str], str]:
    return lambda units: (
        f"Channel line {place + 1} climbs {show_height(climb_m, units)} above a lower place upstream, at "
        f"easting {at_m[0]:.0f}, northing {at_m[1]:.0f}. It may climb {show_height(max_climb_m, units)} "
        "at most. Does it leave its valley there? Move the line, or cut it in two."
    )


# Cells along a line, joined by sides or corners, each once: loops are cut off.
def _line_cells(dem: Dem, points: NDArray[np.float64], place: int) -> NDArray[np.int64]:
    rows, cols = dem.shape
    row = np.floor((dem.north_m - points[:, 1]) / dem.cell_m).astype(np.int64)
    col = np.floor((points[:, 0] - dem.west_m) / dem.cell_m).astype(np.int64)
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    inside[inside] = ~np.isnan(dem.elevation_m[row[inside], col[inside]])
    if not inside.all():
        east_m, north_m = points[np.flatnonzero(~inside)[0]]
        raise GroundError(
            f"Channel line {place + 1} leaves the ground at easting {east_m:.0f}, northing {north_m:.0f}. "
            "It must lie on the DEM, off its voids. Cut the line there, or give a DEM that covers it."
        )
    return _without_loops(row * cols + col, cols)


# Cut off loops and corners: a cell beside an earlier one follows that one directly.
def _without_loops(cells: NDArray[np.int64], cols: int) -> NDArray[np.int64]:
    kept: list[int] = []
    order: dict[int, int] = {}
    steps = (ROW_STEP * cols + COL_STEP).tolist()
    for cell in cells.tolist():
        near = [order[spot] for spot in (cell, *(cell + step for step in steps)) if spot in order]
        if near:
            for lost in kept[min(near) + 1 :]:
                del order[lost]
            del kept[min(near) + 1 :]
            if kept[-1] == cell:
                continue
        order[cell] = len(kept)
        kept.append(cell)
    return np.array(kept, np.int64)


# The way along the valley's floor within a distance of a line.
def _snapped(dem: Dem, cells: NDArray[np.int64], snap_m: float) -> NDArray[np.int64]:
    rows, cols = dem.shape
    reach = int(np.ceil(snap_m / dem.cell_m))
    row, col = np.divmod(cells, cols)
    north, south = max(row.min() - reach, 0), min(row.max() + reach + 1, rows)
    west, east = max(col.min() - reach, 0), min(col.max() + reach + 1, cols)
    heights = dem.elevation_m[north:south, west:east].astype(np.float64)
    on_line = np.zeros(heights.shape, np.bool_)
    on_line[row - north, col - west] = True
    away = ndimage.distance_transform_edt(~on_line) * dem.cell_m
    open_cells = (away <= snap_m) & ~np.isnan(heights)
    known = np.where(np.isnan(heights), np.inf, heights)
    down, right = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disk = np.hypot(down, right) * dem.cell_m <= snap_m
    above_m = known - ndimage.minimum_filter(known, footprint=disk, mode="nearest")
    number_of = np.full(heights.shape, -1, np.int64)
    number_of[open_cells] = np.arange(open_cells.sum())
    from_cells, to_cells, weights = [], [], []
    inner_row, inner_col = np.nonzero(open_cells)
    for k in range(8):
        near_row, near_col = inner_row + ROW_STEP[k], inner_col + COL_STEP[k]
        there = (near_row >= 0) & (near_row < heights.shape[0])
        there &= (near_col >= 0) & (near_col < heights.shape[1])
        there[there] = open_cells[near_row[there], near_col[there]]
        from_cells.append(number_of[inner_row[there], inner_col[there]])
        to_cells.append(number_of[near_row[there], near_col[there]])
        step = np.sqrt(2.0) if k & 1 else 1.0
        weights.append(step * (1.0 + SNAP_PER_M * above_m[near_row[there], near_col[there]]))
    count = int(open_cells.sum())
    graph = coo_array(
        (np.concatenate(weights), (np.concatenate(from_cells), np.concatenate(to_cells))), (count, count)
    )
    ends = []
    for end in (0, -1):
        near = open_cells & (
            np.hypot(np.arange(heights.shape[0])[:, None] + north - row[end],
                     np.arange(heights.shape[1]) + west - col[end]) * dem.cell_m <= snap_m
        )  # fmt: skip
        # The lowest place of its surroundings; of equal ones the nearest to the line's own end.
        choice = np.where(near, above_m + away * 1e-6, np.inf)
        ends.append(int(number_of.ravel()[choice.argmin()]))
    _, before = dijkstra(graph.tocsr(), indices=ends[0], return_predecessors=True)
    path = [ends[1]]
    while path[-1] != ends[0] and before[path[-1]] >= 0:
        path.append(int(before[path[-1]]))
    spots = np.array(path[::-1], np.int64)
    return _without_loops((inner_row[spots] + north) * cols + inner_col[spots] + west, cols)
