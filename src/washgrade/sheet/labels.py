"""Where names go on a map, so that none lies on another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Placed", "Rectangle", "Wanted", "place_labels"]

Rectangle = tuple[float, float, float, float]
"""Left, bottom, right and top, points."""

# Gaps between a place and its name that are tried one after the other, points, and directions around it.
_GAPS_PT = (3.0, 7.0, 12.0, 18.0, 26.0, 36.0, 50.0)
_DIRECTIONS = 16
_AIR_PT = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A name that wants a place.

    Parameters
    ----------
    left_pt, bottom_pt : float
        What it names: points from the left and from the bottom of the page.
    width_pt, height_pt : float
        Its size, points.
    gaps : int
        How many of the gaps may be tried, at least 1: a name of little weight stays near or stays out.
    covers_count : float
        How many points of lines may lie under it.
    """

    left_pt: float
    bottom_pt: float
    width_pt: float
    height_pt: float
    gaps: int = len(_GAPS_PT)
    covers_count: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where a name goes.

    Parameters
    ----------
    left_pt, bottom_pt : float
        Its lower left corner, points.
    gap_pt : float
        Its distance from what it names, points.
    """

    left_pt: float
    bottom_pt: float
    gap_pt: float


def place_labels(
    wanted: Sequence[Wanted], *, inside: Rectangle, taken: Sequence[Rectangle], lines: NDArray[np.float64]
) -> list[Placed | None]:
    """Find a place for each name, the first come first.

    Parameters
    ----------
    wanted : sequence of Wanted
        The names, the weightiest first.
    inside : Rectangle
        Where they must lie.
    taken : sequence of Rectangle
        Where none may lie.
    lines : ndarray of float64, shape (points, 2)
        Points along lines that should stay seen.

    Returns
    -------
    list of Placed or None
        One for each; None where there is no room. No two overlap, and none lies on what is taken.

    Examples
    --------
    >>> name = Wanted(left_pt=50, bottom_pt=50, width_pt=20, height_pt=8)
    >>> one, two = place_labels([name, name], inside=(0, 0, 100, 100), taken=[], lines=np.empty((0, 2)))
    >>> (one.left_pt, one.bottom_pt), (two.left_pt, two.bottom_pt)
    ((53.0, 46.0), (27.0, 46.0))
    """
    full = [*taken]
    found: list[Placed | None] = []
    for name in wanted:
        best: tuple[float, Placed, Rectangle] | None = None
        for gap in _GAPS_PT[: name.gaps]:
            for step in range(_DIRECTIONS):
                # Right and left first, then above and below, then aslant.
                turn = 2 * math.pi * int(f"{step:04b}"[::-1], 2) / _DIRECTIONS
                across, up = math.cos(turn), math.sin(turn)
                left = name.left_pt + gap * across + name.width_pt * (across - 1) / 2
                bottom = name.bottom_pt + gap * up + name.height_pt * (up - 1) / 2
                area = (left, bottom, left + name.width_pt, bottom + name.height_pt)
                if not _within(area, inside) or any(_meet(area, other) for other in full):
                    continue
                covered = _count(lines, area)
                if covered > name.covers_count:
                    continue
                cost = covered + 0.15 * gap
                if best is None or cost < best[0] - 1e-9:
                    best = (cost, Placed(left_pt=left, bottom_pt=bottom, gap_pt=gap), area)
            if best is not None and best[0] <= 0.15 * gap + 0.5:
                break
        found.append(None if best is None else best[1])
        if best is not None:
            full.append(best[2])
    return found


def _within(area: Rectangle, inside: Rectangle) -> bool:
    return area[0] >= inside[0] and area[1] >= inside[1] and area[2] <= inside[2] and area[3] <= inside[3]


def _meet(one: Rectangle, other: Rectangle) -> bool:
    return (
        one[0] < other[2] + _AIR_PT
        and other[0] < one[2] + _AIR_PT
        and one[1] < other[3] + _AIR_PT
        and other[1] < one[3] + _AIR_PT
    )


def _count(lines: NDArray[np.float64], area: Rectangle) -> int:
    left, bottom = lines[:, 0], lines[:, 1]
    within = (left > area[0]) & (left < area[2]) & (bottom > area[1]) & (bottom < area[3])
    return int(np.count_nonzero(within))
