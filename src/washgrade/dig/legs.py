"""Legs of a round on the walking surface: times between many places, and the ways as lines for a map."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import shortest_path

from washgrade.land.kernel import processors
from washgrade.land.travel import WalkingField, walking_field, walking_times_s
from washgrade.land.walkable import NOWHERE, WalkingSurface, cells_near

__all__ = ["NEAR", "WalkLegs", "legs_between", "open_cells"]

# How far a place may lie from open ground. Our choice: the default of `cells_near`.
BESIDE_M = 15.0
# Nearest places to which times are searched; to others one goes by way of these. Our choice, because a good
# round goes from stop to near stop, and the time of a search grows with its area. On 50,000 nodes walks
# settled up to 0.9 % less with 8, and 0.1 % more with 24 in nearly twice the time (benchmarks/route.py).
NEAR = 12
# Room around the places that a way may use, metres and share of their extent: our choice.
ROOM_M = 150.0
ROOM_SHARE = 0.3
LEAST_MINUTES = 1e-6


def open_cells(
    surface: WalkingSurface, easting_m: NDArray[np.float64], northing_m: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Find the open walking cell of each place: its own, or the nearest within 15 m.

    Parameters
    ----------
    surface : WalkingSurface
        The walking cells.
    easting_m, northing_m : ndarray of float64, shape (places,)
        The places, metres.

    Returns
    -------
    ndarray of int64, shape (places,)
        Walking cells, `NOWHERE` where none is open so near.

    Examples
    --------
    >>> height_m = np.array([[np.nan, 1, 1]], np.float32)
    >>> surface = WalkingSurface(height_m=height_m, cell_m=5, west_m=0, north_m=5)
    >>> open_cells(surface, np.array([2.0, 6.0, 90.0]), np.array([2.5, 1.0, 2.5])).tolist()
    [1, 1, -1]
    """
    rows, cols = surface.shape
    col = np.floor((easting_m - surface.west_m) / surface.cell_m).astype(np.int64)
    row = np.floor((surface.north_m - northing_m) / surface.cell_m).astype(np.int64)
    inside = (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
    cells = np.where(inside, row * cols + col, NOWHERE)
    open_here = inside.copy()
    open_here[inside] = ~surface.closed.ravel()[cells[inside]]
    beside = ~open_here
    if beside.any():
        cells[beside] = cells_near(surface, easting_m[beside], northing_m[beside], within_m=BESIDE_M)
    return cells


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkLegs:
    """Ways from a start to places, between them, and on to an end.

    Parameters
    ----------
    surface : WalkingSurface
        The walking cells.
    start : int
        Walking cell of the start.
    end : int, optional
        Walking cell of the end; None if the last stop is the end.
    within_minutes : float, optional
        Ways back that take longer, without a load, are of no interest and count as none: it spares the search
        of a ground much larger than a day's walk. No limit unless told.
    """

    surface: WalkingSurface
    start: int
    end: int | None
    within_minutes: float = math.inf
    _out: WalkingField = field(init=False)
    _back: WalkingField | None = field(init=False)

    def __post_init__(self) -> None:
        within_s = 60.0 * self.within_minutes
        with ThreadPoolExecutor(2) as pool:
            # The way out is searched everywhere, to tell what is far from what is cut off.
            out = pool.submit(walking_field, self.surface, self.start)
            if self.end is not None:
                back = pool.submit(
                    walking_field, self.surface, self.end, to_source=True, within_s=within_s
                ).result()
            object.__setattr__(self, "_out", out.result())
        object.__setattr__(self, "_back", None if self.end is None else back)

    def out_minutes(self, cells: NDArray[np.int64]) -> NDArray[np.float64]:
        """Times from the start.

        Parameters
        ----------
        cells : ndarray of int64, shape (places,)
            Walking cells or `NOWHERE`.

        Returns
        -------
        ndarray of float64, shape (places,)
            Minutes without a load; inf where no walk leads.
        """
        return np.where(cells == NOWHERE, np.inf, self._out.time_s.ravel()[cells] / 60.0)

    def back_minutes(self, cells: NDArray[np.int64]) -> NDArray[np.float64]:
        """Times on to the end.

        Parameters
        ----------
        cells : ndarray of int64, shape (places,)
            Walking cells or `NOWHERE`.

        Returns
        -------
        ndarray of float64, shape (places,)
            Minutes without a load; inf where no walk leads within the limit, 0 where the last stop is the
            end.
        """
        if self._back is None:
            return np.where(cells == NOWHERE, np.inf, 0.0)
        return np.where(cells == NOWHERE, np.inf, self._back.time_s.ravel()[cells] / 60.0)

    def out_line_m(self, cell: int) -> NDArray[np.float64]:
        """Give the way from the start to a place.

        Parameters
        ----------
        cell : int
            Walking cell of the place.

        Returns
        -------
        ndarray of float64, shape (points, 2)
            Easting and northing, metres; none where no walk leads.
        """
        return _line(self.surface, self._out.path_cells(cell))

    def along(
        self, cells: NDArray[np.int64], at_most_minutes: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], tuple[NDArray[np.float64], ...]]:
        """Walk from the start by way of places to the end.

        Parameters
        ----------
        cells : ndarray of int64, shape (stops,)
            Walking cells in order.
        at_most_minutes : ndarray of float64, shape (stops - 1,)
            Times between them that are known to be enough, such as those of `legs_between`.

        Returns
        -------
        minutes : ndarray of float64, shape (legs,)
            Of each leg, without a load.
        lines_m : tuple of ndarray of float64, shapes (points, 2)
            Easting and northing of each leg, metres.
        """
        minutes: list[float] = []
        lines: list[NDArray[np.float64]] = []
        if len(cells):
            minutes.append(float(self.out_minutes(cells[:1])[0]))
            lines.append(_line(self.surface, self._out.path_cells(int(cells[0]))))
        with ThreadPoolExecutor(processors()) as pool:
            for took, line in pool.map(
                self._leg, cells[:-1].tolist(), cells[1:].tolist(), at_most_minutes.tolist()
            ):
                minutes.append(took)
                lines.append(line)
        if self._back is not None:
            last = cells[-1:] if len(cells) else np.array([self.start], np.int64)
            minutes.append(float(self.back_minutes(last)[0]))
            lines.append(_line(self.surface, self._back.path_cells(int(last[0]))))
        return np.array(minutes), tuple(lines)

    def _leg(self, here: int, there: int, enough_minutes: float) -> tuple[float, NDArray[np.float64]]:
        """Walk from place to place: minutes and line."""
        # Most ways stay near the two ends; one that does not is looked for everywhere.
        area = _part_around(self.surface, np.array([here, there]), margin_share=1.0)
        found = walking_field(area.surface, area.cell(here), until=area.cell(there))
        if found.time_s.ravel()[area.cell(there)] / 60.0 > enough_minutes * (1.0 + 1e-12):
            area = _part_around(self.surface, np.arange(self.surface.height_m.size)[[0, -1]])
            found = walking_field(area.surface, area.cell(here), until=area.cell(there))
        took_s = float(found.time_s.ravel()[area.cell(there)])
        return took_s / 60.0, _line(area.surface, found.path_cells(area.cell(there)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """A window of a walking surface."""

    surface: WalkingSurface
    first_row: int
    first_col: int
    whole_cols: int

    def cell(self, whole_cell: int) -> int:
        """Return the window's number of a walking cell of the whole."""
        row, col = divmod(whole_cell, self.whole_cols)
        return (row - self.first_row) * self.surface.shape[1] + col - self.first_col


def _part_around(
    surface: WalkingSurface, cells: NDArray[np.int64], *, margin_share: float = ROOM_SHARE
) -> _Part:
    rows, cols = surface.shape
    row, col = cells // cols, cells % cols
    extent = max(int(row.max() - row.min()), int(col.max() - col.min()))
    margin = int(np.ceil(ROOM_M / surface.cell_m + margin_share * extent))
    top, left = max(int(row.min()) - margin, 0), max(int(col.min()) - margin, 0)
    bottom, right = min(int(row.max()) + margin + 1, rows), min(int(col.max()) + margin + 1, cols)
    window = WalkingSurface(
        height_m=np.ascontiguousarray(surface.height_m[top:bottom, left:right]),
        cell_m=surface.cell_m,
        west_m=surface.west_m + left * surface.cell_m,
        north_m=surface.north_m - top * surface.cell_m,
        walking=surface.walking,
    )
    return _Part(surface=window, first_row=top, first_col=left, whole_cols=cols)


def _line(surface: WalkingSurface, cells: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.column_stack([surface.easting_m(cells), surface.northing_m(cells)])


def legs_between(
    ways: WalkLegs,
    cells: NDArray[np.int64],
    *,
    near: int = NEAR,
    within_minutes: float = math.inf,
    threads: int | None = None,
) -> NDArray[np.float64]:
    """Walking times between places, from the start and to the end.

    Parameters
    ----------
    ways : WalkLegs
        Surface, start and end.
    cells : ndarray of int64, shape (places,)
        Walking cells that can be reached.
    near : int, default 12
        Nearest places, as the crow flies, to which times are searched; to others one goes by way of these, so
        that a time may be too long but is never too short.
    within_minutes : float, optional
        Longest walk from start to end that is of interest, stops not counted: no time is searched between
        two places that surely are not both on such a walk. No limit unless told.
    threads : int, optional
        Searches that run at once; one for each processor unless told.

    Returns
    -------
    ndarray of float64, shape (places + ends, places + ends)
        Minutes without a load; the start is the last but one and the end the last, one point if they are the
        same cell or the walk ends anywhere. Inf where there is no way, or none within the longest walk.

    Notes
    -----
    A walk by way of i and then j takes at least ``out(i) + t + back(j)``, t being at least the straight line
    at the greatest speed, ``out(j) - out(i)`` and ``back(i) - back(j)`` (triangle inequality).
    """
    many = len(cells)
    apart = int(ways.end is not None and ways.end != ways.start)
    legs = np.full((many + 1 + apart, many + 1 + apart), np.inf)
    np.fill_diagonal(legs, 0.0)
    if ways.end is not None:
        legs[many, -1] = ways.out_minutes(np.array([ways.end]))[0]
    if not many:
        return legs
    east, north = ways.surface.easting_m(cells), ways.surface.northing_m(cells)
    out, back = ways.out_minutes(cells), ways.back_minutes(cells)
    walking = ways.surface.walking
    quickest_m_minute = 60.0 * walking.fastest_m_s * walking.off_path_factor

    def one(place: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        away = np.hypot(east - east[place], north - north[place])
        least = np.maximum(away / quickest_m_minute, np.maximum(out - out[place], back[place] - back))
        # A hair more, so that rounding shuts out nothing.
        fits = np.flatnonzero(out[place] + least + back <= within_minutes * (1.0 + 1e-9))
        fits = fits[fits != place]
        targets = fits[np.argsort(away[fits], kind="stable")[:near]]
        if not len(targets):
            return targets, np.empty(0)
        # Most ways stay near their ends; if one does not, the window grows to all the places.
        for around in (cells[[place, *targets]], cells):
            part = _part_around(ways.surface, around)
            source, *goals = (part.cell(cell) for cell in (int(cells[place]), *cells[targets].tolist()))
            times_s = walking_times_s(part.surface, np.array([source]), np.array(goals), threads=1)[0]
            if np.isfinite(times_s).all():
                break
        return targets, times_s / 60.0

    with ThreadPoolExecutor(threads or processors()) as pool:
        for place, (targets, minutes) in enumerate(pool.map(one, range(many))):
            legs[place, targets] = minutes
    legs[many, :many] = out
    if ways.end is not None:
        legs[:many, -1] = back
    # Two places in one cell: scipy takes a time below 1e-8 as no way at all.
    joined: NDArray[np.float64] = shortest_path(np.maximum(legs, LEAST_MINUTES), method="D")
    np.fill_diagonal(joined, 0.0)
    return joined
