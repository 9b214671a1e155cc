"""The map on a page: relief, contours, grid, channels, way, and names."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from washgrade.sheet.classes import CLOSED, STYLES, Style, YieldClasses
from washgrade.sheet.ink import Paper, colour
from washgrade.sheet.labels import Rectangle
from washgrade.sheet.names import channel_points, draw_names, visible
from washgrade.sheet.pen import GRID, NO_GO, PROPERTY, WAY, draw_line
from washgrade.sheet.relief import draw_contours, draw_relief, seen_ground
from washgrade.sheet.scale import Window, grid_step_m
from washgrade.sheet.view import Line, SheetView

__all__ = ["draw_chart", "round_numbers"]


def draw_chart(paper: Paper, view: SheetView, window: Window, classes: YieldClasses) -> float:
    """Draw the map of a window, without its margin.

    Parameters
    ----------
    paper : Paper
        The page.
    view : SheetView
        What to show.
    window : Window
        Ground and place on the page.
    classes : YieldClasses
        Limits of the yields.

    Returns
    -------
    float
        Height between two contours, metres; NaN where there are none.
    """
    frame = (
        window.left_pt,
        window.bottom_pt,
        window.left_pt + window.width_pt,
        window.bottom_pt + window.height_pt,
    )
    paper.saveState()
    clip = paper.beginPath()
    clip.rect(frame[0], frame[1], window.width_pt, window.height_pt)
    paper.clipPath(clip, stroke=0, fill=0)
    dem = seen_ground(view.ground, window)
    channels = channel_points(view, window)
    heights: list[Rectangle] = []
    step_m = math.nan
    if dem is not None:
        draw_relief(paper, dem, window)
        step_m = draw_contours(paper, dem, window, units=view.units, channels=channels, labelled=heights)
    _grid(paper, window)
    _bounds(paper, view, window)
    ways = view.plan.ways if view.plan is not None else ()
    for way in ways:
        _way(paper, way, window, seam=True)
    _reaches(paper, view, window, classes)
    for way in ways:
        _way(paper, way, window, seam=False)
    draw_names(paper, view, window, frame=frame, taken=heights, channels=channels)
    paper.restoreState()
    paper.setStrokeColor(colour("#000000"))
    paper.setLineWidth(0.8)
    paper.setDash()
    paper.rect(frame[0], frame[1], window.width_pt, window.height_pt, stroke=1, fill=0)
    return step_m


def _grid(paper: Paper, window: Window) -> None:
    """Lines of the grid."""
    box, step_m = window.box, grid_step_m(window.scale)
    for east_m in round_numbers(box.west_m, box.east_m, step_m):
        draw_line(paper, window.on_paper(np.array([[east_m, box.south_m], [east_m, box.north_m]])), GRID)
    for north_m in round_numbers(box.south_m, box.north_m, step_m):
        draw_line(paper, window.on_paper(np.array([[box.west_m, north_m], [box.east_m, north_m]])), GRID)


def round_numbers(low_m: float, high_m: float, step_m: float) -> Iterable[float]:
    """Count the multiples of a step between two numbers.

    Parameters
    ----------
    low_m, high_m, step_m : float
        Limits, both within, and the step, above 0; metres.

    Returns
    -------
    iterable of float
        From small to large.
    """
    return (count * step_m for count in range(math.ceil(low_m / step_m), math.floor(high_m / step_m) + 1))


def _bounds(paper: Paper, view: SheetView, window: Window) -> None:
    """The property line, and the areas not to enter under slant lines."""
    if view.no_go_rings:
        paper.saveState()
        path = paper.beginPath()
        for ring in view.no_go_rings:
            corners = window.on_paper(ring)
            path.moveTo(*corners[0])
            for corner in corners[1:]:
                path.lineTo(*corner)
            path.close()
        # Even-odd: what lies in a hole of an area is open.
        paper.clipPath(path, stroke=0, fill=0, fillMode=0)
        left, bottom, reach_pt = window.left_pt, window.bottom_pt, window.width_pt + window.height_pt
        corners = np.concatenate([window.on_paper(ring) for ring in view.no_go_rings])
        first = max(float((corners[:, 0] + corners[:, 1]).min()), left + bottom)
        last = min(float((corners[:, 0] + corners[:, 1]).max()), left + bottom + reach_pt)
        for total in np.arange(first, last, 4.5):
            draw_line(paper, np.array([[left, total - left], [total - bottom, bottom]]), NO_GO)
        paper.restoreState()
    for rings, style in (
        (view.no_go_rings, Style(colour="#333333", width_pt=0.8)),
        (view.property_rings, PROPERTY),
    ):
        for ring in rings:
            draw_line(paper, window.on_paper(np.concatenate([ring, ring[:1]])), style)


def _reaches(paper: Paper, view: SheetView, window: Window, classes: YieldClasses) -> None:
    """The channels, the richest on top, each on a white seam."""
    kinds = classes.of(view.kg_per_load_mean)
    order = sorted(visible(view, window), key=lambda k: (not view.closed[k], int(kinds[k])))
    paper.setLineCap(1)
    paper.setLineJoin(1)
    for k in order:
        style = CLOSED if view.closed[k] else STYLES[kinds[k]]
        places = window.on_paper(view.reach_line[k])
        if not view.closed[k] and kinds[k]:
            draw_line(paper, places, Style(colour="#ffffff", width_pt=style.width_pt + 1.0))
    for k in order:
        style = CLOSED if view.closed[k] else STYLES[kinds[k]]
        places = window.on_paper(view.reach_line[k])
        paper.setLineCap(0 if style.dash_pt else 1)
        draw_line(paper, places, style)
        if view.depleted[k] and not view.closed[k]:
            # Worked out: a white thread along the line.
            draw_line(paper, places, Style(colour="#ffffff", width_pt=0.4 * style.width_pt))
    paper.setLineCap(0)


def _way(paper: Paper, way: Line, window: Window, *, seam: bool) -> None:
    """The way on foot, or the white seam under it, which lies under the channels too."""
    if len(way) < 2:
        return
    places = window.on_paper(way)
    paper.setLineJoin(1)
    draw_line(paper, places, Style(colour="#ffffff", width_pt=WAY.width_pt + 1.4) if seam else WAY)
