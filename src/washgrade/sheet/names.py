"""Names, stops and gates on a map."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.sheet.classes import Style
from washgrade.sheet.ink import BOLD, PLAIN, Paper, colour, printable, text_width_pt
from washgrade.sheet.labels import Rectangle, Wanted, place_labels
from washgrade.sheet.pen import STOP_PT, dense, draw_dot, draw_gate, draw_line, draw_stop
from washgrade.sheet.scale import READABLE, Window
from washgrade.sheet.view import DigStop, SheetView, WalkStop

__all__ = ["channel_points", "draw_names", "visible"]


def visible(view: SheetView, window: Window) -> list[int]:
    """Find the reaches that a map may show.

    Parameters
    ----------
    view : SheetView
        What there is.
    window : Window
        The map.

    Returns
    -------
    list of int
        Their indices.
    """
    return [k for k, line in enumerate(view.reach_line) if window.box.touches(line)]


def channel_points(view: SheetView, window: Window) -> NDArray[np.float64]:
    """Find points along the channels on a page, two points apart.

    Parameters
    ----------
    view : SheetView
        What there is.
    window : Window
        The map.

    Returns
    -------
    ndarray of float64, shape (points, 2)
        Points from the left and the bottom of the page.
    """
    parts = [np.empty((0, 2))]
    for k in visible(view, window):
        parts.append(dense(window.on_paper(view.reach_line[k])))
    return np.concatenate(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Name:
    text: str
    font: str
    size_pt: float
    spot: NDArray[np.float64]
    is_stop: bool = False
    gaps: int = 7
    covers: float = math.inf
    leader: bool = True


def draw_names(
    paper: Paper,
    view: SheetView,
    window: Window,
    *,
    frame: Rectangle,
    taken: Sequence[Rectangle],
    channels: NDArray[np.float64],
) -> None:
    """Gates, stops and names."""
    box = window.box
    names: list[_Name] = []
    spots: list[Rectangle] = []

    def inside(east_m: float, north_m: float) -> bool:
        return box.west_m <= east_m <= box.east_m and box.south_m <= north_m <= box.north_m

    if view.plan is not None:
        stops: list[WalkStop | DigStop] = list(view.plan.stops)
        for number, stop in enumerate(stops, start=1):
            if inside(stop.easting_m, stop.northing_m):
                spot = window.on_paper(np.array([[stop.easting_m, stop.northing_m]]))[0]
                names.append(_Name(text=str(number), font=BOLD, size_pt=7.5, spot=spot, is_stop=True))
                draw_dot(paper, spot)
                spots.append((spot[0] - 1.8, spot[1] - 1.8, spot[0] + 1.8, spot[1] + 1.8))
    for gate in view.access:
        if inside(gate.easting_m, gate.northing_m):
            spot = window.on_paper(np.array([[gate.easting_m, gate.northing_m]]))[0]
            draw_gate(paper, spot)
            spots.append((spot[0] - 4.0, spot[1] - 4.0, spot[0] + 4.0, spot[1] + 4.0))
            names.append(_Name(text=printable(gate.name), font=BOLD, size_pt=6.5, spot=spot))
    for place, k in enumerate(view.best, start=1):
        if inside(view.easting_m[k], view.northing_m[k]):
            spot = window.on_paper(np.array([[view.easting_m[k], view.northing_m[k]]]))[0]
            text = f"#{place} {printable(view.reach_id[k])}"
            names.append(_Name(text=text, font=BOLD, size_pt=6.2, spot=spot))
    for ring, called in zip(view.no_go_rings, view.no_go_names, strict=False):
        if called and box.touches(ring):
            spot = window.on_paper(ring.mean(axis=0, keepdims=True))[0]
            names.append(_Name(text=printable(called), font=PLAIN, size_pt=6.0, spot=spot, leader=False))
    if window.scale <= READABLE:
        best = set(view.best)
        for k in visible(view, window):
            if k not in best and inside(view.easting_m[k], view.northing_m[k]):
                spot = window.on_paper(np.array([[view.easting_m[k], view.northing_m[k]]]))[0]
                text = printable(view.reach_id[k])
                names.append(
                    _Name(text=text, font=PLAIN, size_pt=4.6, spot=spot, gaps=2, covers=0, leader=False)
                )
    wanted = [
        Wanted(
            left_pt=float(name.spot[0]),
            bottom_pt=float(name.spot[1]),
            width_pt=2 * STOP_PT if name.is_stop else text_width_pt(name.text, name.font, name.size_pt) + 1.6,
            height_pt=2 * STOP_PT if name.is_stop else name.size_pt + 0.6,
            gaps=name.gaps,
            covers_count=name.covers,
        )
        for name in names
    ]
    ways = [dense(window.on_paper(way)) for way in (view.plan.ways if view.plan else ()) if len(way) > 1]
    placed = place_labels(
        wanted,
        inside=(frame[0] + 2, frame[1] + 2, frame[2] - 2, frame[3] - 2),
        taken=[*taken, *spots],
        lines=np.concatenate([channels, *ways]),
    )
    for name, want, found in zip(names, wanted, placed, strict=True):
        if found is None:
            continue
        middle = (found.left_pt + want.width_pt / 2, found.bottom_pt + want.height_pt / 2)
        if name.leader and found.gap_pt > 5.0:
            draw_line(
                paper,
                np.array([name.spot, _edge(middle, name.spot, want.width_pt, want.height_pt)]),
                Style(colour="#000000", width_pt=0.4),
            )
        if name.is_stop:
            draw_stop(paper, *middle, name.text)
        else:
            _haloed(paper, name, found.left_pt + 0.8, found.bottom_pt + 0.2 * name.size_pt)


def _edge(
    middle: tuple[float, float], spot: NDArray[np.float64], width_pt: float, height_pt: float
) -> tuple[float, float]:
    """Where the line from the middle of a name to its spot leaves the name."""
    across, up = spot[0] - middle[0], spot[1] - middle[1]
    share = min(
        width_pt / 2 / abs(across) if across else math.inf, height_pt / 2 / abs(up) if up else math.inf, 1.0
    )
    return (middle[0] + share * across, middle[1] + share * up)


def _haloed(paper: Paper, name: _Name, left_pt: float, bottom_pt: float) -> None:
    """A name on a seam of white."""
    paper.setDash()
    paper.setLineJoin(1)
    for mode, line in ((1, 1.8), (0, 0.0)):
        text = paper.beginText(left_pt, bottom_pt)
        text.setFont(name.font, name.size_pt)
        text.setTextRenderMode(mode)
        paper.setStrokeColor(colour("#ffffff"))
        paper.setLineWidth(line)
        paper.setFillColor(colour("#000000" if name.font == BOLD else "#444444"))
        text.textOut(name.text)
        text.setTextRenderMode(0)
        paper.drawText(text)
