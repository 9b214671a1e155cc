"""Walking times: shortest walks over the walking cells, uphill slower than down."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import whole
from washgrade.errors import GroundError, InputError
from washgrade.land.kernel import MOST_CELLS
from washgrade.land.shortest import MOVE_COLS, MOVE_ROWS, NO_MOVE, shortest
from washgrade.land.walkable import NOWHERE, WalkingSurface

__all__ = ["ELONGATION_BOUND", "WalkingField", "walking_field", "walking_times_s"]

# A walk on flat ground made of the 16 directions is at most this many times as long as the straight line: the
# widest gap between neighbouring directions is atan(1/2), the worst line halves it.
ELONGATION_BOUND = 1.0 / math.cos(0.5 * math.atan(0.5))
# Room around the grid, so that no move leaves it; its cells are closed.
EDGE = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkingField:
    """Walking time between one walking cell and every other.

    Parameters
    ----------
    surface : WalkingSurface
        The walking cells.
    source : int
        The walking cell.
    to_source : bool
        False: times from the source to the cells; True: from the cells to the source.
    time_s : ndarray of float64, shape (rows, cols)
        Seconds; inf where closed or cut off.
    move : ndarray of uint8, shape (rows, cols)
        Number of the last move to the cell, or of the opposite of the first move from it; 255 for none.
    """

    surface: WalkingSurface
    source: int
    to_source: bool
    time_s: NDArray[np.float64]
    move: NDArray[np.uint8]

    def path_cells(self, cell: int) -> NDArray[np.int64]:
        """Give the walk between the source and a cell.

        Parameters
        ----------
        cell : int
            The other end.

        Returns
        -------
        ndarray of int64, shape (steps + 1,)
            Walking cells in the order walked, both ends included; none if there is no walk.

        Raises
        ------
        GroundError
            If there is no such walking cell.
        InputError
            If it is no whole number.

        Notes
        -----
        A knight's move passes two cells that are not listed; they are open.

        Examples
        --------
        >>> surface = WalkingSurface(height_m=np.zeros((3, 3), np.float32), cell_m=5, west_m=0, north_m=15)
        >>> walking_field(surface, 0).path_cells(5).tolist()
        [0, 5]
        """
        at = _checked_cell("cell", cell, self.surface)
        if at == NOWHERE or math.isinf(self.time_s.flat[at]):
            return np.empty(0, np.int64)
        cols = self.surface.shape[1]
        cells = [at]
        while at != self.source:
            k = int(self.move.flat[at])
            at -= int(MOVE_ROWS[k]) * cols + int(MOVE_COLS[k])
            cells.append(at)
        return np.array(cells if self.to_source else cells[::-1], np.int64)


def walking_field(
    surface: WalkingSurface,
    source: int,
    *,
    to_source: bool = False,
    within_s: float = math.inf,
    until: int | None = None,
) -> WalkingField:
    """Walking time from one walking cell to every other, or from every other to it.

    Parameters
    ----------
    surface : WalkingSurface
        The walking cells.
    source : int
        The walking cell.
    to_source : bool, optional
        True for the times of the ways back.
    within_s : float, optional
        Longest time that is of interest, seconds, at least 0: the search stops there. No end unless told.
    until : int, optional
        The one walking cell that is of interest; the search stops there too.

    Returns
    -------
    WalkingField
        Times in seconds, and the moves. All inf if the source is closed or `NOWHERE`; inf too wherever the
        walk takes longer than ``within_s`` or than that to the cell ``until``.

    Raises
    ------
    GroundError
        If there is no such walking cell, or too many.
    InputError
        If it is no whole number, or the time is below 0.

    Notes
    -----
    The model, what closes a move and how exact the times are: see `walking_times_s`.

    Examples
    --------
    Down a slope of 1 in 8 over 40 m, and back up:

    >>> height_m = np.repeat(np.arange(5, dtype=np.float32)[::-1] * 1.25, 3).reshape(5, 3)
    >>> hill = WalkingSurface(height_m=height_m, cell_m=10, west_m=0, north_m=50)
    >>> down, up = walking_field(hill, 1), walking_field(hill, 1, to_source=True)
    >>> down.path_cells(13).tolist(), round(float(down.time_s[4, 1]), 1)
    ([1, 4, 7, 10, 13], 52.0)
    >>> up.path_cells(13).tolist(), round(float(up.time_s[4, 1]), 1)
    ([13, 10, 7, 4, 1], 73.8)
    """
    start = _checked_cell("source", source, surface)
    if math.isnan(within_s) or within_s < 0.0:
        raise InputError(f"Invalid 'within_s' of {within_s}. It must be at least 0.")
    goal = np.empty(0, np.int64)
    if until is not None:
        goal = np.array([_checked_cell("until", until, surface)])
        # Towards a closed cell there is nothing to stop at: everything within the time is searched.
        goal = goal[(goal != NOWHERE) & ~surface.closed.flat[goal]]
    rows, cols = surface.shape
    time_s, move = _search(surface, _with_edge(surface), start, goal, to_source, within_s)
    last_s = min(within_s, float(time_s[_edged(goal, surface)].max(initial=0.0)) if len(goal) else math.inf)
    if math.isfinite(last_s):
        # Beyond it times are not final.
        late = time_s > last_s
        time_s[late], move[late] = np.inf, NO_MOVE
    inside = (slice(EDGE, EDGE + rows), slice(EDGE, EDGE + cols))
    return WalkingField(
        surface=surface,
        source=start,
        to_source=to_source,
        time_s=np.ascontiguousarray(time_s.reshape(rows + 2 * EDGE, -1)[inside]),
        move=np.ascontiguousarray(move.reshape(rows + 2 * EDGE, -1)[inside]),
    )


def walking_times_s(
    surface: WalkingSurface,
    sources: NDArray[np.integer],
    targets: NDArray[np.integer],
    *,
    threads: int | None = None,
) -> NDArray[np.float64]:
    """Walking times from many walking cells to many others.

    Parameters
    ----------
    surface : WalkingSurface
        The walking cells.
    sources : ndarray of int, shape (sources,)
        Walking cells where walks begin.
    targets : ndarray of int, shape (targets,)
        Walking cells where they end.
    threads : int, optional
        Searches that run at once, at least 1; each takes 18 bytes for every walking cell. As many as the
        machine has processors unless told; the times do not depend on it.

    Returns
    -------
    ndarray of float64, shape (sources, targets)
        Seconds; 0 from an open cell to itself, inf where an end is closed, `NOWHERE` or cut off.

    Raises
    ------
    GroundError
        If the cells are not whole numbers in a list or there is no such walking cell, or too many.
    InputError
        If the threads are not a whole number of at least 1.

    Notes
    -----
    A person steps to the 8 neighbours and by the 8 knight's moves, at the speed of `walking_speed_m_s` for
    the slope walked. Heights between the centres of the cells are read on the grid lines that join them: a
    knight's move crosses one halfway, between two cells, so it is walked in two halves, by way of the mean of
    their heights, and steps over no ridge or ditch. A diagonal step or a knight's move is closed if one of
    the two cells it passes is, so no walk enters, crosses or touches the corner of a closed cell.

    A move is also closed if the ground under it is too steep, whichever way it is crossed (a bank is no
    gentler for being taken aslant): the rise of a straight step; under a diagonal one the bilinear patch of
    its four cells, in its middle; under each half of a knight's move the plane through the cell and the two
    passed.

    On level ground a walk along one of the 16 directions takes exactly the time of the straight line, any
    other at most 2.75 % more (``1 / cos(atan(1/2) / 2)``, `ELONGATION_BOUND`; 8.2 % with 8 neighbours).

    Dijkstra's search with a ring of buckets in the place of a heap. A bucket is narrower than the quickest
    move, so a cell that is reached in the current bucket can no longer be improved, in whatever order the
    bucket is emptied (Denardo & Fox). The search is run from the fewer ends and stops at the last of the
    others.

    References
    ----------
    Tobler, W. (1993). Three presentations on geographical analysis and modeling. Technical Report 93-1,
    National Center for Geographic Information and Analysis.
    Denardo, E. V., Fox, B. L. (1979). Shortest-route methods: 1. Reaching, pruning, and buckets. Operations
    Research 27(1), 161-186.

    Examples
    --------
    >>> level = WalkingSurface(height_m=np.zeros((4, 4), np.float32), cell_m=5, west_m=0, north_m=20)
    >>> walking_times_s(level, np.array([0, 3]), np.array([3, 6])).round(2).tolist()
    [[17.87, 13.32], [0.0, 8.42]]
    """
    workers = whole("threads", os.cpu_count() or 1 if threads is None else threads, at_least=1)
    begin = _checked_cells("sources", sources, surface)
    end = _checked_cells("targets", targets, surface)
    heights = _with_edge(surface)
    to_source = len(end) < len(begin)
    from_cells, to_cells = (end, begin) if to_source else (begin, end)
    open_to = to_cells != NOWHERE
    goals = to_cells[open_to]
    wanted = np.unique(goals[~surface.closed.flat[goals]])
    inner = _edged(goals, surface)

    def one(start: int) -> NDArray[np.float64]:
        times_s = np.full(len(to_cells), np.inf)
        if len(wanted):
            times_s[open_to] = _search(surface, heights, start, wanted, to_source)[0][inner]
        return times_s

    with ThreadPoolExecutor(max_workers=workers) as pool:
        found = list(pool.map(one, from_cells.tolist()))
    times = np.array(found, np.float64).reshape(len(from_cells), len(to_cells))
    return np.ascontiguousarray(times.T) if to_source else times


def _checked_cells(name: str, cells: NDArray[np.integer], surface: WalkingSurface) -> NDArray[np.int64]:
    """Return walking cells as int64, or say which one there is not."""
    given = np.asarray(cells)
    if given.ndim != 1 or (given.size and not np.issubdtype(given.dtype, np.integer)):
        raise GroundError(
            f"Invalid '{name}' of shape {given.shape} and type {given.dtype}. They must be whole numbers in "
            "one list."
        )
    count = surface.shape[0] * surface.shape[1]
    wrong = given[(given < NOWHERE) | (given >= count)]
    if wrong.size:
        raise GroundError(
            f"Invalid '{name}' with walking cell {int(wrong[0])}. It must be 0 to {count - 1}, or -1 for "
            "nowhere."
        )
    return given.astype(np.int64)


def _checked_cell(name: str, cell: int, surface: WalkingSurface) -> int:
    """Return one walking cell, or say that there is none of that number."""
    return int(_checked_cells(name, np.array([whole(name, cell)]), surface)[0])


def _with_edge(surface: WalkingSurface) -> NDArray[np.float32]:
    """Heights with a closed edge around, flattened."""
    count = (surface.shape[0] + 2 * EDGE) * (surface.shape[1] + 2 * EDGE)
    if count > MOST_CELLS:
        raise GroundError(
            f"The walking surface has {count} cells with its edge. It must have at most {MOST_CELLS}; a "
            "larger 'walking_cell_m' gives fewer."
        )
    return np.pad(surface.height_m.astype(np.float32, copy=False), EDGE, constant_values=np.nan).ravel()


def _edged(cells: NDArray[np.int64], surface: WalkingSurface) -> NDArray[np.int64]:
    """Places of walking cells in the grid with its edge."""
    cols = surface.shape[1]
    return (cells // cols + EDGE) * (cols + 2 * EDGE) + cells % cols + EDGE


def _search(
    surface: WalkingSurface,
    heights: NDArray[np.float32],
    source: int,
    targets: NDArray[np.int64],
    to_source: bool,
    within_s: float = math.inf,
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Times and moves in the grid with its edge, as far as the targets or the time; else everywhere."""
    walking = surface.walking
    start = int(_edged(np.array([source]), surface)[0]) if source != NOWHERE else 0
    return shortest(
        heights,
        surface.shape[1] + 2 * EDGE,
        float(surface.cell_m),
        1.0 / (walking.fastest_m_s * walking.off_path_factor),
        walking.fading_per_unit_slope,
        walking.fastest_slope,
        walking.too_steep_slope,
        start,
        _edged(targets, surface),
        to_source,
        within_s,
    )
