"""Paper and ground: round scales, the windows of map pages, grid steps and bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import InputError

__all__ = [
    "PAPERS",
    "POINT_MM",
    "READABLE",
    "SCALES",
    "Box",
    "Window",
    "bar_length",
    "fitting_scale",
    "grid_step_m",
    "tile_windows",
]

PAPERS = MappingProxyType({"a4": (210.0, 297.0), "letter": (215.9, 279.4)})
"""Width and height of upright paper, millimetres: ISO 216, and ANSI/ASME Y14.1 size A (8.5 by 11 inches)."""

POINT_MM = 25.4 / 72.0
"""A point of PDF, millimetres: ISO 32000-1, 8.3.2.3."""

SCALES = (500, 1000, 2000, 2500, 5000, 10_000, 20_000, 25_000, 50_000, 100_000, 200_000, 250_000, 500_000)
"""Scales that a sheet may have: 1 to so many. Round numbers, so that a ruler is enough."""

READABLE = 5000
"""Smallest scale at which a page is good to walk by: a reach of 50 m is 10 mm long and has room for its name.

Our choice."""

MOST_TILES = 12
"""So many pages of one map at most; a larger ground is drawn smaller. Our choice: what fits in a pocket."""

OVERLAP_MM = 8.0
"""Paper that two neighbouring pages share, so that a place at the edge is seen with its surroundings."""

_STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A part of the ground.

    Parameters
    ----------
    west_m, south_m, east_m, north_m : float
        Its edges on the grid, metres.
    """

    west_m: float
    south_m: float
    east_m: float
    north_m: float

    @classmethod
    def around(cls, lines: Sequence[NDArray[np.float64]], *, margin_m: float = 0.0) -> Box:
        """Box around some lines of eastings and northings.

        Parameters
        ----------
        lines : sequence of ndarray of float64, shapes (points, 2)
            At least one point in all, metres.
        margin_m : float, default 0
            Ground added on each side, metres.

        Returns
        -------
        Box
            The smallest that holds them, and the margin.
        """
        places = np.concatenate([np.reshape(line, (-1, 2)) for line in lines])
        west_m, south_m = places.min(axis=0)
        east_m, north_m = places.max(axis=0)
        return cls(
            west_m=float(west_m) - margin_m,
            south_m=float(south_m) - margin_m,
            east_m=float(east_m) + margin_m,
            north_m=float(north_m) + margin_m,
        )

    @property
    def width_m(self) -> float:
        """From west to east, metres."""
        return self.east_m - self.west_m

    @property
    def height_m(self) -> float:
        """From south to north, metres."""
        return self.north_m - self.south_m

    def touches(self, line: NDArray[np.float64]) -> bool:
        """Say whether the box around a line touches this one.

        Parameters
        ----------
        line : ndarray of float64, shape (points, 2)
            Eastings and northings, metres.

        Returns
        -------
        bool
            True where the two boxes share a place.
        """
        west_m, south_m = line.min(axis=0)
        east_m, north_m = line.max(axis=0)
        return bool(
            west_m <= self.east_m
            and east_m >= self.west_m
            and south_m <= self.north_m
            and north_m >= self.south_m
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A part of the ground on a rectangle of paper.

    Parameters
    ----------
    box : Box
        The ground.
    scale : int
        One to so many.
    left_pt, bottom_pt : float
        Corner of the rectangle on the page, points from its lower left.
    """

    box: Box
    scale: int
    left_pt: float
    bottom_pt: float

    @property
    def points_per_m(self) -> float:
        """Points of paper for one metre of ground."""
        return 1000.0 / (self.scale * POINT_MM)

    @property
    def width_pt(self) -> float:
        """Width of the rectangle, points."""
        return self.box.width_m * self.points_per_m

    @property
    def height_pt(self) -> float:
        """Height of the rectangle, points."""
        return self.box.height_m * self.points_per_m

    def on_paper(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn places on the grid into places on the page.

        Parameters
        ----------
        places : ndarray of float64, shape (points, 2)
            Eastings and northings, metres.

        Returns
        -------
        ndarray of float64, shape (points, 2)
            Points from the left and from the bottom of the page.
        """
        corner_m = np.array([self.box.west_m, self.box.south_m])
        corner_pt = np.array([self.left_pt, self.bottom_pt])
        moved: NDArray[np.float64] = (
            np.asarray(places, np.float64) - corner_m
        ) * self.points_per_m + corner_pt
        return moved


def fitting_scale(box: Box, *, width_mm: float, height_mm: float) -> int:
    """Choose the largest round scale at which some ground fits on paper.

    Parameters
    ----------
    box : Box
        The ground.
    width_mm, height_mm : float
        The paper, millimetres.

    Returns
    -------
    int
        One to so many.

    Raises
    ------
    InputError
        If it fits at none.

    Examples
    --------
    >>> fitting_scale(Box(west_m=0, south_m=0, east_m=900, north_m=500), width_mm=190, height_mm=140)
    5000
    """
    for scale in SCALES:
        if box.width_m * 1000 <= scale * width_mm and box.height_m * 1000 <= scale * height_mm:
            return scale
    raise InputError(
        f"The ground to show is {box.width_m / 1000:.0f} by {box.height_m / 1000:.0f} km. It must fit on a "
        f"page at 1:{SCALES[-1]}."
    )


def tile_windows(
    box: Box, lines: Sequence[NDArray[np.float64]], *, scale: int, width_mm: float, height_mm: float
) -> tuple[Box, ...]:
    """Cut some ground into pages of one scale, row by row from the north-west.

    Parameters
    ----------
    box : Box
        The ground.
    lines : sequence of ndarray of float64, shapes (points, 2)
        What is to be seen, metres; a page that none of it touches is left out.
    scale : int
        One to so many.
    width_mm, height_mm : float
        The map on each page, millimetres.

    Returns
    -------
    tuple of Box
        Ground of each page; neighbours overlap, and together they lie as evenly over the ground as they can.

    Examples
    --------
    >>> ground = Box(west_m=0, south_m=0, east_m=1500, north_m=500)
    >>> pages = tile_windows(ground, [np.array([[0.0, 0.0], [1500, 0]])], scale=5000, width_mm=190,
    ...                      height_mm=140)
    >>> [(page.west_m, page.east_m) for page in pages]
    [(-180.0, 770.0), (730.0, 1680.0)]
    """
    first_m, pitch_m, page_m = np.empty(2), np.empty(2), np.empty(2)
    number = np.empty(2, np.int64)
    for axis, (length_m, paper_mm) in enumerate(((box.width_m, width_mm), (box.height_m, height_mm))):
        page_m[axis], shared_m = paper_mm * scale / 1000, OVERLAP_MM * scale / 1000
        pitch_m[axis] = page_m[axis] - shared_m
        number[axis] = max(math.ceil((length_m - shared_m) / pitch_m[axis]), 1)
        # What the pages reach over is shared out to both sides.
        over_m = number[axis] * page_m[axis] - (number[axis] - 1) * shared_m - length_m
        first_m[axis] = (box.west_m, box.south_m)[axis] - over_m / 2
    touched: set[tuple[int, int]] = set()
    for line in lines:
        ends = (line, line) if len(line) == 1 else (line[:-1], line[1:])
        # A page ends a page's width after it begins, and begins a pitch after the one before.
        low = np.ceil((np.minimum(*ends) - first_m - page_m) / pitch_m).astype(np.int64)
        high = np.floor((np.maximum(*ends) - first_m) / pitch_m).astype(np.int64)
        low, high = np.maximum(low, 0), np.minimum(high, number - 1)
        for west, south, east, north in np.unique(np.hstack([low, high]), axis=0).tolist():
            touched |= {(row, col) for row in range(south, north + 1) for col in range(west, east + 1)}
    pages = []
    for row, col in sorted(touched, key=lambda page: (-page[0], page[1])):
        west_m, south_m = first_m + np.array([col, row]) * pitch_m
        pages.append(
            Box(
                west_m=float(west_m),
                south_m=float(south_m),
                east_m=float(west_m + page_m[0]),
                north_m=float(south_m + page_m[1]),
            )
        )
    return tuple(pages)


def grid_step_m(scale: int, *, least_mm: float = 25.0) -> float:
    """Choose the distance between grid lines.

    Parameters
    ----------
    scale : int
        One to so many.
    least_mm : float, default 25
        Paper between two lines at least, millimetres: room for a number of six figures.

    Returns
    -------
    float
        1, 2 or 5 times a power of ten, metres.

    Examples
    --------
    >>> grid_step_m(5000), grid_step_m(10_000)
    (200.0, 500.0)
    """
    least_m = least_mm * scale / 1000
    power = 10.0 ** math.floor(math.log10(least_m))
    return next(step * power for step in (*_STEPS, 10.0) if step * power >= least_m * (1 - 1e-9))


def bar_length(scale: int, *, longest_mm: float, unit_m: float = 1.0) -> float:
    """Choose a round length for a scale bar.

    Parameters
    ----------
    scale : int
        One to so many.
    longest_mm : float
        Paper there is, millimetres.
    unit_m : float, default 1
        Metres in the unit of the bar.

    Returns
    -------
    float
        1, 2 or 5 times a power of ten, in that unit.

    Examples
    --------
    >>> bar_length(5000, longest_mm=55), bar_length(5000, longest_mm=55, unit_m=0.3048)
    (200.0, 500.0)
    """
    most = longest_mm * scale / 1000 / unit_m
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in _STEPS if step * power <= most * (1 + 1e-9))
