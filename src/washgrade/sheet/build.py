"""From a view to the bytes of one PDF file."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np

from washgrade.checks import choice
from washgrade.errors import InputError
from washgrade.sheet.chart import draw_chart
from washgrade.sheet.classes import yield_classes
from washgrade.sheet.front import front_pages
from washgrade.sheet.ink import BOLD, PLAIN, Paper, colour, fit, text_width_pt
from washgrade.sheet.margins import MARGIN_PT, draw_margin, map_area
from washgrade.sheet.plans import day_pages, walk_pages
from washgrade.sheet.scale import (
    MOST_TILES,
    PAPERS,
    POINT_MM,
    READABLE,
    SCALES,
    Box,
    Window,
    fitting_scale,
    tile_windows,
)
from washgrade.sheet.view import Line, SheetView, WalkSheet

__all__ = ["render_sheet"]

# The whole ground is drawn where it fits on a page at this scale; else only what the sheet speaks of.
WHOLE_SCALE = 10_000
# Ground around what must be seen, as paper at the scale it is drawn.
AROUND_MM = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Map:
    """A map page: its ground, scale, paper and name."""

    box: Box
    scale: int
    page_pt: tuple[float, float]
    heading: str
    key: str


def render_sheet(view: SheetView, *, paper: str = "a4", scale: int | None = None) -> bytes:
    """Render the field sheet: the same bytes for the same view.

    Parameters
    ----------
    view : SheetView
        What to show.
    paper : {"a4", "letter"}, default "a4"
        The paper.
    scale : int, optional
        Scale of the maps, one to so many; the largest round one that is good to walk by unless told.

    Returns
    -------
    bytes
        A PDF file with its fonts in it.

    Raises
    ------
    InputError
        If the paper or the scale is none of the allowed ones, or the maps would need too many pages.
    """
    upright = tuple(side / POINT_MM for side in PAPERS[choice("paper", paper.lower(), tuple(PAPERS))])
    page_pt = (upright[0], upright[1])
    if scale is not None and scale not in SCALES:
        allowed = ", ".join(str(one) for one in SCALES)
        raise InputError(f"Invalid 'scale' of {scale!r}. It must be one of {allowed}.")
    maps = _maps(view, page_pt, scale)
    classes = yield_classes(view)
    file = io.BytesIO()

    def foot(sheet: Paper, number: int, count: int) -> None:
        sheet.setFillColor(colour("#000000"))
        right = f"page {number} of {count}"
        width = sheet._pagesize[0]
        room = width - 2 * MARGIN_PT - text_width_pt(right, PLAIN, 6.5) - 20
        told = (
            f"{view.title} · {view.day} · {view.made_with} · an estimate, no promise; local rules come first"
        )
        sheet.setFont(PLAIN, 6.5)
        sheet.drawString(MARGIN_PT, MARGIN_PT, fit(told, PLAIN, 6.5, room))
        sheet.drawRightString(width - MARGIN_PT, MARGIN_PT, right)

    sheet = Paper(file, foot)
    sheet.setTitle(f"{view.title}, field sheet of {view.day}")
    sheet.setAuthor("")
    sheet.setCreator(view.made_with)
    sheet.setSubject(
        "An estimate of magnetics in dry washes" + (", of an invented place" if view.invented else "")
    )
    _mark(sheet, "front", "Before you go, and where to dig")
    front_pages(sheet, view, page_pt, _contents(view, maps))
    if isinstance(view.plan, WalkSheet):
        _mark(sheet, "walk", "Sampling walk")
        walk_pages(sheet, view, view.plan, page_pt)
    elif view.plan is not None:
        _mark(sheet, "day", "Digging day")
        day_pages(sheet, view, view.plan, page_pt)
    for chart in maps:
        _mark(sheet, chart.key, chart.heading)
        sheet.setPageSize(chart.page_pt)
        left, bottom, _, _ = map_area(*chart.page_pt)
        window = Window(box=chart.box, scale=chart.scale, left_pt=left, bottom_pt=bottom)
        step_m = draw_chart(sheet, view, window, classes)
        if chart.key == "index":
            _tiles(sheet, window, maps)
        draw_margin(
            sheet,
            view,
            window,
            classes,
            heading=chart.heading,
            contour_step_m=step_m,
            page_pt=chart.page_pt,
        )
        sheet.showPage()
    sheet.save()
    return file.getvalue()


def _mark(sheet: Paper, key: str, words: str) -> None:
    sheet.bookmarkPage(key)
    sheet.addOutlineEntry(words, key)


def _contents(view: SheetView, maps: tuple[_Map, ...]) -> str:
    parts = ["Where to dig"]
    if view.plan is not None:
        kind = "sampling walk" if isinstance(view.plan, WalkSheet) else "digging day"
        parts.append(f"a {kind} of {view.plan.minutes / 60:.1f} hours")
    scales = sorted({chart.scale for chart in maps}, reverse=True)
    words = " and ".join(f"1:{scale}" for scale in scales)
    parts.append(f"{len(maps)} map{'s' if len(maps) > 1 else ''} at {words}")
    return (
        f"This sheet holds: {'; '.join(parts)}. Coordinates: {view.grid}; latitude and longitude in WGS 84."
    )


def _wanted(view: SheetView) -> list[Line]:
    """What the maps must show: the best reaches, the gates, the plan."""
    lines = [view.reach_line[k] for k in view.best] or list(view.reach_line)
    lines += [np.array([[gate.easting_m, gate.northing_m]]) for gate in view.access]
    if view.plan is not None:
        lines += [way for way in view.plan.ways if len(way)]
        lines += [np.array([[stop.easting_m, stop.northing_m]]) for stop in view.plan.stops]
    return lines


def _maps(view: SheetView, upright_pt: tuple[float, float], scale: int | None) -> tuple[_Map, ...]:
    """Choose the map pages: one, or an index and its parts."""
    needed = _wanted(view)
    ground = view.ground
    known = Box(
        west_m=ground.west_m,
        south_m=ground.north_m - ground.shape[0] * ground.cell_m,
        east_m=ground.west_m + ground.shape[1] * ground.cell_m,
        north_m=ground.north_m,
    )
    everything = [*view.reach_line, *view.property_rings, *needed]
    overview_scale, overview_page = _best_page(Box.around(everything), upright_pt)
    overview_box = Box.around(everything)
    if overview_scale > WHOLE_SCALE:
        overview_box = Box.around(needed)
        overview_scale, overview_page = _best_page(overview_box, upright_pt)
    if overview_scale <= (READABLE if scale is None else scale):
        shown = overview_scale if scale is None else scale
        return (_map(overview_box, known, shown, overview_page, "map", "map"),)
    for tried in (one for one in SCALES if one >= (READABLE if scale is None else scale)):
        if tried >= overview_scale and scale is None:
            break
        best: tuple[_Map, ...] = ()
        for page_pt in (upright_pt, upright_pt[::-1]):
            width_mm, height_mm = _area_mm(page_pt)
            around_m = AROUND_MM * tried / 1000
            boxes = tile_windows(
                Box.around(needed, margin_m=around_m),
                needed,
                scale=tried,
                width_mm=width_mm,
                height_mm=height_mm,
            )
            pages = tuple(
                _Map(
                    box=box,
                    scale=tried,
                    page_pt=(page_pt[0], page_pt[1]),
                    heading=f"map {number} of {len(boxes)}",
                    key=f"map-{number}",
                )
                for number, box in enumerate(boxes, start=1)
            )
            if not best or len(pages) < len(best):
                best = pages
        if len(best) <= MOST_TILES:
            index = _map(overview_box, known, overview_scale, overview_page, "index of maps", "index")
            return (index, *best)
        if scale is not None:
            raise InputError(
                f"Maps at 1:{scale} would take {len(best)} pages. It must be at most {MOST_TILES}: choose a "
                "smaller scale, list fewer reaches, or plan a shorter walk."
            )
    return (_map(overview_box, known, overview_scale, overview_page, "map", "map"),)


def _area_mm(page_pt: tuple[float, ...]) -> tuple[float, float]:
    _, _, width_pt, height_pt = map_area(page_pt[0], page_pt[1])
    return width_pt * POINT_MM, height_pt * POINT_MM


def _best_page(box: Box, upright_pt: tuple[float, float]) -> tuple[int, tuple[float, float]]:
    """The way of holding the paper that lets the ground be drawn larger, and the scale."""
    tried = []
    for page_pt in (upright_pt, (upright_pt[1], upright_pt[0])):
        width_mm, height_mm = _area_mm(page_pt)
        room = 2 * AROUND_MM
        tried.append((fitting_scale(box, width_mm=width_mm - room, height_mm=height_mm - room), page_pt))
    return min(tried, key=lambda found: found[0])


def _map(box: Box, known: Box, scale: int, page_pt: tuple[float, float], heading: str, key: str) -> _Map:
    """A page with some ground in its middle, or as near to it as the known ground allows."""
    width_mm, height_mm = _area_mm(page_pt)
    middle_m = ((box.west_m + box.east_m) / 2, (box.south_m + box.north_m) / 2)
    half_m = (width_mm * scale / 2000, height_mm * scale / 2000)
    whole = Box(
        west_m=middle_m[0] - half_m[0],
        south_m=middle_m[1] - half_m[1],
        east_m=middle_m[0] + half_m[0],
        north_m=middle_m[1] + half_m[1],
    )
    return _Map(box=_over(whole, known), scale=scale, page_pt=page_pt, heading=heading, key=key)


def _over(box: Box, known: Box) -> Box:
    """Move a map over the known ground, where it would look beyond an edge and miss what lies behind."""

    def move(low_m: float, high_m: float, first_m: float, last_m: float) -> float:
        if high_m - low_m >= last_m - first_m:
            return (first_m + last_m - low_m - high_m) / 2
        return max(first_m - low_m, 0.0) + min(last_m - high_m, 0.0)

    east_m = move(box.west_m, box.east_m, known.west_m, known.east_m)
    north_m = move(box.south_m, box.north_m, known.south_m, known.north_m)
    return Box(
        west_m=box.west_m + east_m,
        south_m=box.south_m + north_m,
        east_m=box.east_m + east_m,
        north_m=box.north_m + north_m,
    )


def _tiles(sheet: Paper, window: Window, maps: tuple[_Map, ...]) -> None:
    """Frames of the other maps on the index."""
    for number, chart in enumerate(maps[1:], start=1):
        corners = window.on_paper(
            np.array([[chart.box.west_m, chart.box.south_m], [chart.box.east_m, chart.box.north_m]])
        )
        sheet.saveState()
        clip = sheet.beginPath()
        clip.rect(window.left_pt, window.bottom_pt, window.width_pt, window.height_pt)
        sheet.clipPath(clip, stroke=0, fill=0)
        sheet.setStrokeColor(colour("#000000"))
        sheet.setLineWidth(1.4)
        sheet.setDash()
        size = corners[1] - corners[0]
        sheet.rect(corners[0][0], corners[0][1], size[0], size[1], stroke=1, fill=0)
        left = max(float(corners[0][0]), window.left_pt)
        top = min(float(corners[1][1]), window.bottom_pt + window.height_pt)
        sheet.setFillColor(colour("#000000"))
        sheet.rect(left, top - 13, 34, 13, stroke=0, fill=1)
        sheet.setFillColor(colour("#ffffff"))
        sheet.setFont(BOLD, 8)
        sheet.drawString(left + 3, top - 10, f"map {number}")
        sheet.restoreState()
