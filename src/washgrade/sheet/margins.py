"""Around a map: its title, the numbers of the grid, scale, bars, north, and what the lines mean."""

from __future__ import annotations

import math

import numpy as np

from washgrade.sheet.chart import round_numbers
from washgrade.sheet.classes import CLOSED, STYLES, Style, YieldClasses
from washgrade.sheet.ink import BOLD, ITALIC, PLAIN, Paper, colour, fit, fitting_size_pt, text_width_pt, wrap
from washgrade.sheet.pen import CONTOUR, INDEX_CONTOUR, NO_GO, PROPERTY, WAY, draw_gate, draw_line, draw_stop
from washgrade.sheet.scale import POINT_MM, Window, bar_length, grid_step_m
from washgrade.sheet.view import SheetView, WalkSheet
from washgrade.units import FOOT_M, INCH_M

__all__ = ["MARGIN_PT", "draw_banner", "draw_margin", "draw_title", "grid_number", "map_area"]

MM = 1.0 / POINT_MM
MARGIN_PT = 10.0 * MM
"""Paper left free on each side: what ordinary printers cannot reach, and some more."""

_HEAD_PT = 11.0 * MM
_NUMBERS_PT = 4.5 * MM
_STRIP_PT = 37.0 * MM
_FOOT_PT = 5.0 * MM
_BANNER = "INVENTED PLACE"


def map_area(width_pt: float, height_pt: float) -> tuple[float, float, float, float]:
    """Room for the map on a page.

    Parameters
    ----------
    width_pt, height_pt : float
        The page, points.

    Returns
    -------
    left, bottom, width, height : float
        Points.
    """
    left = MARGIN_PT + _NUMBERS_PT
    bottom = MARGIN_PT + _FOOT_PT + _STRIP_PT + _NUMBERS_PT
    return left, bottom, width_pt - 2 * left, height_pt - MARGIN_PT - _HEAD_PT - _NUMBERS_PT - bottom


def draw_banner(paper: Paper, right_pt: float, bottom_pt: float) -> float:
    """Say that the place is invented.

    Parameters
    ----------
    paper : Paper
        The page.
    right_pt, bottom_pt : float
        Right end and baseline of the words, points.

    Returns
    -------
    float
        Width of the banner, points.
    """
    width = text_width_pt(_BANNER, BOLD, 7.5) + 8.0
    paper.setFillColor(colour("#000000"))
    paper.rect(right_pt - width, bottom_pt - 3.2, width, 12.0, stroke=0, fill=1)
    paper.setFillColor(colour("#ffffff"))
    paper.setFont(BOLD, 7.5)
    paper.drawString(right_pt - width + 4.0, bottom_pt, _BANNER)
    paper.setFillColor(colour("#000000"))
    return width


def draw_title(paper: Paper, text: str, left_pt: float, base_pt: float, room_pt: float) -> None:
    """Write the title of a page, smaller if it is long.

    Parameters
    ----------
    paper : Paper
        The page.
    text : str
        The title.
    left_pt, base_pt, room_pt : float
        Its left end and baseline, and its room, points.
    """
    size_pt = fitting_size_pt(text, BOLD, room_pt, most_pt=13.0, least_pt=8.0)
    paper.setFillColor(colour("#000000"))
    paper.setFont(BOLD, size_pt)
    paper.drawString(left_pt, base_pt, fit(text, BOLD, size_pt, room_pt))


def draw_margin(
    paper: Paper,
    view: SheetView,
    window: Window,
    classes: YieldClasses,
    *,
    heading: str,
    contour_step_m: float,
    page_pt: tuple[float, float],
) -> None:
    """Draw all that stands around a map.

    Parameters
    ----------
    paper : Paper
        The page.
    view : SheetView
        What to show.
    window : Window
        The map.
    classes : YieldClasses
        Limits of the yields.
    heading : str
        Name of this map.
    contour_step_m : float
        Height between two contours, metres; NaN for none.
    page_pt : tuple of float
        Width and height of the page, points.
    """
    width, height = page_pt
    base = height - MARGIN_PT - 5.0 * MM
    room = width - 2 * MARGIN_PT
    if view.invented:
        room -= draw_banner(paper, width - MARGIN_PT, base) + 8.0
    paper.setFillColor(colour("#000000"))
    draw_title(paper, f"{view.title}: {heading}", MARGIN_PT, base, room)
    paper.setFont(PLAIN, 7.5)
    told = f"What was known on {view.day}. Yields are estimates; the ground and the law are right."
    paper.drawString(MARGIN_PT, base - 10.5, fit(told, PLAIN, 7.5, width - 2 * MARGIN_PT))
    _numbers(paper, window)
    top = MARGIN_PT + _FOOT_PT + _STRIP_PT
    columns = (0.0, 0.33, 0.52, 0.75)
    free = width - 2 * MARGIN_PT
    grid = (
        f"Grid: {view.grid} ({view.crs}), metres, lines every {grid_step_m(window.scale):g} m. "
        f"Datum: {view.datum}."
    )
    paper.setFillColor(colour("#000000"))
    paper.setFont(PLAIN, 6.5)
    paper.drawString(MARGIN_PT, MARGIN_PT + _FOOT_PT - 2.0, fit(grid, PLAIN, 6.5, free))
    lefts = [MARGIN_PT + share * free for share in columns]
    _scale(paper, view, window, left=lefts[0], top=top, width=0.31 * free)
    _north(paper, view, left=lefts[1], top=top, width=0.17 * free)
    _yields(paper, view, classes, left=lefts[2], top=top, width=0.22 * free)
    _signs(paper, view, contour_step_m, left=lefts[3], top=top, width=0.25 * free)


def _numbers(paper: Paper, window: Window) -> None:
    """Numbers of the grid's lines, on all four sides."""
    box, step_m, size = window.box, grid_step_m(window.scale), 6.0
    left, bottom = window.left_pt, window.bottom_pt
    right, top = left + window.width_pt, bottom + window.height_pt
    paper.setFillColor(colour("#000000"))
    paper.setStrokeColor(colour("#000000"))
    for axis in ("east", "north"):
        edges = (box.west_m, box.east_m) if axis == "east" else (box.south_m, box.north_m)
        for count, value in enumerate(round_numbers(*edges, step_m)):
            at = window.on_paper(np.array([[value, value]]))[0][0 if axis == "east" else 1]
            text = grid_number(value) + (f" m {axis[0].upper()}" if not count else "")
            half = text_width_pt(text, PLAIN, size) / 2
            first, last = (left, right) if axis == "east" else (bottom, top)
            paper.setFont(PLAIN, size)
            paper.setLineWidth(0.6)
            paper.setDash()
            # A number at a corner is pushed inwards; its tick stays.
            middle = min(max(at, first + half), last - half)
            if axis == "east":
                paper.drawCentredString(middle, top + 4.0, text)
                paper.drawCentredString(middle, bottom - 8.5, text)
                paper.line(at, top, at, top + 2.5)
                paper.line(at, bottom, at, bottom - 2.5)
            else:
                for side, turn in ((left - 4.0, 90.0), (right + 4.0 + 0.72 * size, 90.0)):
                    paper.saveState()
                    paper.translate(side, middle)
                    paper.rotate(turn)
                    paper.drawCentredString(0, 0, text)
                    paper.restoreState()
                paper.line(left, at, left - 2.5, at)
                paper.line(right, at, right + 2.5, at)


def grid_number(value_m: float) -> str:
    """Write a number of the grid in groups of three digits.

    Parameters
    ----------
    value_m : float
        Easting or northing, metres.

    Returns
    -------
    str
        Such as ``4 019 260``.
    """
    return f"{value_m:,.0f}".replace(",", " ")


def _scale(paper: Paper, view: SheetView, window: Window, *, left: float, top: float, width: float) -> None:
    """The scale in words and as bars."""
    paper.setFillColor(colour("#000000"))
    paper.setFont(BOLD, 11)
    paper.drawString(left, top - 11, f"Scale 1:{window.scale}")
    paper.setFont(PLAIN, 7)
    if view.units == "us":
        words = f"1 inch on paper is {window.scale * INCH_M / FOOT_M:.0f} feet on the ground"
    else:
        words = f"1 cm on paper is {window.scale / 100:g} m on the ground"
    paper.drawString(left, top - 21, words)
    line = top - 36
    first = 0.0
    for unit, unit_m in (("m", 1.0),) + ((("ft", FOOT_M),) if view.units == "us" else ()):
        length = bar_length(window.scale, longest_mm=(width - 22) * POINT_MM, unit_m=unit_m)
        first = first or length
        _bar(paper, left, line, length, unit, length * unit_m * window.points_per_m)
        line -= 20
    paper_mm = first * 1000 / window.scale
    told = (
        f"Print at 100 % (actual size). The bar of {first:g} m must measure {paper_mm:g} mm"
        + (f" ({paper_mm / 25.4:.2f} inches)" if view.units == "us" else "")
        + "; if not, the printer has changed the scale."
    )
    base = line + 2
    paper.setFont(PLAIN, 6)
    for text in wrap(told, PLAIN, 6, width):
        paper.drawString(left, base, text)
        base -= 7.2


def _bar(paper: Paper, left: float, bottom: float, length: float, unit: str, long_pt: float) -> None:
    """A bar in fields of black and white; half of the first field is divided once more."""
    parts = 5 if f"{length:g}".startswith("5") else 4
    paper.setStrokeColor(colour("#000000"))
    paper.setLineWidth(0.5)
    paper.setDash()
    for k in range(parts):
        paper.setFillColor(colour("#000000" if k % 2 == 0 else "#ffffff"))
        paper.rect(left + k * long_pt / parts, bottom, long_pt / parts, 3.0, stroke=1, fill=1)
    paper.setFillColor(colour("#000000"))
    paper.setFont(PLAIN, 6)
    for k in range(parts + 1):
        text = f"{k * length / parts:g}" + (f" {unit}" if k == parts else "")
        at = left + k * long_pt / parts
        if k == 0:
            paper.drawString(at, bottom + 5, text)
        elif k == parts:
            paper.drawString(at - text_width_pt(f"{length:g}", PLAIN, 6) / 2, bottom + 5, text)
        elif parts == 4 or k in {1, 2, 3, 4}:
            paper.drawCentredString(at, bottom + 5, text)


def _north(paper: Paper, view: SheetView, *, left: float, top: float, width: float) -> None:
    """An arrow to grid north, and a blank for the compass."""
    stem = left + 9.0
    paper.setStrokeColor(colour("#000000"))
    paper.setFillColor(colour("#000000"))
    paper.setLineWidth(1.0)
    paper.setDash()
    paper.line(stem, top - 36, stem, top - 8)
    arrow = paper.beginPath()
    arrow.moveTo(stem, top - 1)
    arrow.lineTo(stem - 4, top - 13)
    arrow.lineTo(stem, top - 10)
    arrow.lineTo(stem + 4, top - 13)
    arrow.close()
    paper.drawPath(arrow, stroke=0, fill=1)
    paper.setFont(BOLD, 7)
    paper.drawString(stem + 8, top - 12, "Grid north")
    paper.setFont(PLAIN, 6)
    turn = view.grid_north_deg
    away = (
        "on true north" if abs(turn) < 0.05 else f"{abs(turn):.1f}° {'east' if turn > 0 else 'west'} of true"
    )
    paper.drawString(stem + 8, top - 20, away)
    base = top - 45
    paper.setFont(PLAIN, 6.5)
    paper.drawString(left, base, "Declination today:")
    base -= 13
    paper.setLineWidth(0.5)
    paper.line(left, base - 1, left + 0.45 * width, base - 1)
    paper.drawString(left + 0.47 * width, base, "°  E / W")
    base -= 10
    paper.setFont(PLAIN, 6)
    sign = "plus" if turn >= 0 else "less"
    extra = "" if abs(turn) < 0.05 else f", {sign} {abs(turn):.1f}°"
    told = f"Compass bearing = grid bearing{extra}, less an east declination (or plus a west one)."
    for text in wrap(told, PLAIN, 6, width):
        paper.drawString(left, base, text)
        base -= 7.2


def _yields(
    paper: Paper, view: SheetView, classes: YieldClasses, *, left: float, top: float, width: float
) -> None:
    """What the widths of the lines mean."""
    paper.setFillColor(colour("#000000"))
    paper.setFont(BOLD, 7)
    paper.drawString(left, top - 8, "Magnetics in one load")
    shown = STYLES[len(STYLES) - len(classes.words) :]
    base = top - 19
    rows: list[tuple[Style, str]] = list(zip(shown, classes.words, strict=True))[::-1]
    rows.append((CLOSED, "closed: do not dig"))
    for style, words in rows:
        draw_line(paper, np.array([[left, base + 2], [left + 20, base + 2]]), style)
        _told(paper, left + 25, base, words, width - 25)
        base -= 10.5
    if view.depleted.any():
        best = STYLES[-2]
        draw_line(paper, np.array([[left, base + 2], [left + 20, base + 2]]), best)
        thread = Style(colour="#ffffff", width_pt=0.4 * best.width_pt)
        draw_line(paper, np.array([[left, base + 2], [left + 20, base + 2]]), thread)
        _told(paper, left + 25, base, "worked out", width - 25)


def _signs(
    paper: Paper, view: SheetView, contour_step_m: float, *, left: float, top: float, width: float
) -> None:
    """What the other signs mean."""
    base = top - 8
    middle = left + 10

    def line(style: Style, words: str) -> None:
        nonlocal base
        draw_line(paper, np.array([[left, base + 2], [left + 20, base + 2]]), style)
        _told(paper, left + 25, base, words, width - 25)
        base -= 10.5

    paper.setFont(BOLD, 6.2)
    paper.setFillColor(colour("#000000"))
    paper.drawString(
        left, base, "#1 " + fit(view.reach_id[view.best[0]], BOLD, 6.2, 14) if view.best else "#1"
    )
    _told(paper, left + 25, base, "rank and name of a reach", width - 25)
    base -= 10.5
    if view.access:
        draw_gate(paper, np.array([middle, base + 2]))
        _told(paper, left + 25, base, "access", width - 25)
        base -= 10.5
    if view.plan is not None:
        base -= 1.5
        draw_stop(paper, middle, base + 2, "1")
        _told(
            paper,
            left + 25,
            base,
            "stop of the walk" if isinstance(view.plan, WalkSheet) else "reach to dig, in order",
            width - 25,
        )
        base -= 11.5
        line(WAY, "way on foot")
    if view.property_rings:
        line(PROPERTY, "property line")
    if view.no_go_rings:
        paper.saveState()
        clip = paper.beginPath()
        clip.rect(left, base - 1.5, 20, 7.5)
        paper.clipPath(clip, stroke=0, fill=0)
        for at in np.arange(left - 10, left + 24, 4.5):
            draw_line(paper, np.array([[at, base + 8], [at + 12, base - 4]]), NO_GO)
        paper.restoreState()
        draw_line(
            paper,
            np.array(
                [
                    [left, base - 1.5],
                    [left + 20, base - 1.5],
                    [left + 20, base + 6],
                    [left, base + 6],
                    [left, base - 1.5],
                ]
            ),
            Style(colour="#333333", width_pt=0.8),
        )
        _told(paper, left + 25, base, "no-go area: stay out", width - 25)
        base -= 10.5
    if math.isfinite(contour_step_m):
        unit, unit_m = ("ft", FOOT_M) if view.units == "us" else ("m", 1.0)
        draw_line(paper, np.array([[left, base + 3.4], [left + 20, base + 3.4]]), INDEX_CONTOUR)
        draw_line(paper, np.array([[left, base + 0.8], [left + 20, base + 0.8]]), CONTOUR)
        _told(paper, left + 25, base, f"contours every {contour_step_m / unit_m:g} {unit}", width - 25)
        base -= 10.5
    if abs(view.grid_scale - 1.0) >= 5e-5:
        paper.setFont(ITALIC, 6)
        for text in wrap(
            f"100 m on the ground are {100 * view.grid_scale:.2f} m on this grid.", ITALIC, 6, width
        ):
            paper.drawString(left, base, text)
            base -= 7.2


def _told(paper: Paper, left: float, base: float, words: str, width: float) -> None:
    paper.setFillColor(colour("#000000"))
    paper.setFont(PLAIN, 6.5)
    paper.drawString(left, base, fit(words, PLAIN, 6.5, width))
