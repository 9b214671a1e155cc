"""Lines and marks on a page, and how they look."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.sheet.classes import Style
from washgrade.sheet.ink import BOLD, Paper, colour

__all__ = [
    "CONTOUR",
    "GRID",
    "INDEX_CONTOUR",
    "NO_GO",
    "PROPERTY",
    "STOP_PT",
    "WAY",
    "dense",
    "draw_dot",
    "draw_gate",
    "draw_line",
    "draw_stop",
]

CONTOUR = Style(colour="#b3a793", width_pt=0.25)
INDEX_CONTOUR = Style(colour="#a3957e", width_pt=0.5)
GRID = Style(colour="#6b7c93", width_pt=0.25)
PROPERTY = Style(colour="#000000", width_pt=1.0, dash_pt=(7.0, 2.0, 1.2, 2.0))
NO_GO = Style(colour="#555555", width_pt=0.5)
WAY = Style(colour="#1c62c9", width_pt=1.1, dash_pt=(4.0, 2.0))
STOP_PT = 5.6
"""Radius of the ring with the number of a stop, points."""


def draw_line(paper: Paper, places: NDArray[np.float64], style: Style) -> None:
    """Draw a line through places on the page.

    Parameters
    ----------
    paper : Paper
        The page.
    places : ndarray of float64, shape (points, 2)
        Points from the left and the bottom.
    style : Style
        How it looks.
    """
    paper.setStrokeColor(colour(style.colour))
    paper.setLineWidth(style.width_pt)
    paper.setDash(list(style.dash_pt))
    path = paper.beginPath()
    path.moveTo(*places[0])
    for place in places[1:]:
        path.lineTo(*place)
    paper.drawPath(path, stroke=1, fill=0)


def draw_stop(paper: Paper, left_pt: float, bottom_pt: float, number: str) -> None:
    """Draw the ring with the number of a stop.

    Parameters
    ----------
    paper : Paper
        The page.
    left_pt, bottom_pt : float
        Its middle, points.
    number : str
        What stands in it.
    """
    paper.setDash()
    paper.setFillColor(colour("#ffffff"))
    paper.setStrokeColor(colour(WAY.colour))
    paper.setLineWidth(1.1)
    paper.circle(left_pt, bottom_pt, STOP_PT, stroke=1, fill=1)
    paper.setFillColor(colour("#000000"))
    size_pt = 7.5 if len(number) < 2 else 6.6
    paper.setFont(BOLD, size_pt)
    paper.drawCentredString(left_pt, bottom_pt - 0.36 * size_pt, number)


def draw_dot(paper: Paper, spot: NDArray[np.float64]) -> None:
    """Draw the exact place of a stop.

    Parameters
    ----------
    paper : Paper
        The page.
    spot : ndarray of float64, shape (2,)
        Points from the left and the bottom.
    """
    paper.setDash()
    paper.setFillColor(colour(WAY.colour))
    paper.setStrokeColor(colour("#ffffff"))
    paper.setLineWidth(0.6)
    paper.circle(spot[0], spot[1], 1.8, stroke=1, fill=1)


def draw_gate(paper: Paper, spot: NDArray[np.float64]) -> None:
    """Draw a square with a P: where one parks and starts.

    Parameters
    ----------
    paper : Paper
        The page.
    spot : ndarray of float64, shape (2,)
        Points from the left and the bottom.
    """
    paper.setDash()
    paper.setFillColor(colour("#000000"))
    paper.setStrokeColor(colour("#ffffff"))
    paper.setLineWidth(0.6)
    paper.rect(spot[0] - 4.0, spot[1] - 4.0, 8.0, 8.0, stroke=1, fill=1)
    paper.setFillColor(colour("#ffffff"))
    paper.setFont(BOLD, 7.0)
    paper.drawCentredString(spot[0], spot[1] - 2.5, "P")


def dense(line: NDArray[np.float64], *, apart_pt: float = 2.0) -> NDArray[np.float64]:
    """Set points along a line at even distances.

    Parameters
    ----------
    line : ndarray of float64, shape (corners, 2)
        Points from the left and the bottom.
    apart_pt : float, default 2
        Distance, points.

    Returns
    -------
    ndarray of float64, shape (points, 2)
        Its ends and what lies between.
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(0.0, along[-1] + apart_pt, apart_pt)
    return np.column_stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])])
