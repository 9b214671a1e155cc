"""The pages of words: before you go, the ranking, and the sampling walk with its blanks."""

from __future__ import annotations

import math

from washgrade.sheet.flow import Column, Flow
from washgrade.sheet.ink import Paper
from washgrade.sheet.margins import grid_number
from washgrade.sheet.view import Leg, SheetView, WalkSheet, WalkStop
from washgrade.units import FOOT_M, show_grade, show_mass

__all__ = ["front_pages", "walk_pages"]


def front_pages(paper: Paper, view: SheetView, page_pt: tuple[float, float], contents: str) -> None:
    """Write what to do before going, the cautions, and the ranking.

    Parameters
    ----------
    paper : Paper
        Where to draw.
    view : SheetView
        What to show.
    page_pt : tuple of float
        Width and height of a page, points.
    contents : str
        What else the sheet holds.
    """
    flow = Flow(paper, view, page_pt, "field sheet")
    if view.invented:
        flow.text("This place is invented: nothing on this sheet exists.")
    flow.text(contents)
    flow.head("Before you go")
    flow.blanks([("Who goes:", 0.55), ("Phone:", 0.45)])
    flow.blanks([("Told whom:", 0.55), ("Their phone:", 0.45)])
    flow.blanks([("Leaving at:", 0.28), ("Back by:", 0.27), ("If not back by then, call:", 0.45)])
    flow.blanks([("Car, and where it stands:", 0.55), ("Nearest signal:", 0.45)])
    flow.space(9.0)
    _ticks(flow, ("forecast seen, here and upstream", "water", "permission", "this sheet left with them"))
    flow.space(4.0)
    for head, sentence in view.cautions:
        flow.text(sentence, lead=head, size_pt=7.4)
    flow.space(4.0)
    flow.head(
        f"Where to dig: the best {len(view.best)} of {len(view.reach_id)} reaches, as known on {view.day}"
    )
    _ranking(flow, view)
    for sentence in view.sentences:
        flow.text(sentence, size_pt=7.4)
    flow.end()


def _ticks(flow: Flow, words: tuple[str, ...]) -> None:
    """Boxes to tick, side by side."""
    from washgrade.sheet.ink import PLAIN, text_width_pt

    flow.need(16.0)
    flow.space(11.0)
    left = flow.left_pt
    for text in words:
        flow.tick(left, flow.top_pt - 1.0)
        flow.paper.setFont(PLAIN, 8.0)
        flow.paper.drawString(left + 12.0, flow.top_pt, text)
        left += text_width_pt(text, PLAIN, 8.0) + 30.0
    flow.space(4.0)


def _ranking(flow: Flow, view: SheetView) -> None:
    """Table of the best reaches."""
    columns = (
        Column(head="#", share=0.04, right=True),
        Column(head="reach", share=0.075),
        Column(head="in one load", share=0.085, right=True),
        Column(head="8 times in 10 within", share=0.135, right=True),
        Column(head=f"in top {view.top}", share=0.075, right=True),
        Column(head="loads left", share=0.07, right=True),
        Column(head="rests on", share=0.09),
        Column(head="easting, northing (m)", share=0.165, right=True),
        Column(head="latitude, longitude", share=0.165, right=True),
        Column(head="dug / notes", share=0.10),
    )
    rows = [
        (
            str(place),
            view.reach_id[k],
            show_mass(float(view.kg_per_load_mean[k]), view.units),
            f"{show_mass(float(view.kg_per_load_p10[k]), view.units)} to "
            f"{show_mass(float(view.kg_per_load_p90[k]), view.units)}",
            f"{view.chance_top[k]:.0%}",
            "–" if math.isnan(view.loads_left[k]) else f"{view.loads_left[k]:.0f}",
            "worked out" if view.depleted[k] else view.support[k],
            f"{grid_number(float(view.easting_m[k]))}, {grid_number(float(view.northing_m[k]))}",
            f"{view.lat[k]:.5f}, {view.lon[k]:.5f}",
            "",
        )
        for place, k in enumerate(view.best, start=1)
    ]
    flow.table(columns, rows, size_pt=6.8)


def walk_pages(paper: Paper, view: SheetView, walk: WalkSheet, page_pt: tuple[float, float]) -> None:
    """Write the sampling walk, stop by stop, with blanks for what is found.

    Parameters
    ----------
    paper : Paper
        Where to draw.
    view : SheetView
        What to show.
    walk : WalkSheet
        The walk.
    page_pt : tuple of float
        Width and height of a page, points.
    """
    flow = Flow(paper, view, page_pt, "sampling walk")
    flow.text(
        f"From {walk.start.name}, easting {grid_number(walk.start.easting_m)} m, northing "
        f"{grid_number(walk.start.northing_m)} m. Bearings are from grid north, of the straight line; "
        "the way on foot is the dashed line on the map."
    )
    for sentence in walk.sentences:
        flow.text(sentence, size_pt=7.4)
    flow.blanks([("Date:", 0.2), ("Started at:", 0.2), ("Weather, state of the bed:", 0.6)])
    flow.space(8.0)
    columns = (
        Column(head="stop", share=0.05, right=True),
        Column(head="reach", share=0.09),
        Column(head="easting, northing (m)", share=0.16, right=True),
        Column(head="latitude, longitude", share=0.16, right=True),
        Column(head="bearing", share=0.075, right=True),
        Column(head="straight", share=0.08, right=True),
        Column(head="on foot", share=0.08, right=True),
        Column(head="walk", share=0.07, right=True),
        Column(head="there after", share=0.07, right=True),
        Column(head="grade expected (8 times in 10)", share=0.165, right=True),
    )
    rows = [_stop_row(view, number, stop) for number, stop in enumerate(walk.stops, start=1)]

    def under(number: int, top_pt: float) -> None:
        samples = 2 if walk.stops[number].two else 1
        for sample in range(2):
            if sample < samples:
                _sample_blanks(flow, top_pt - 12.0 - 19.0 * sample, second=sample == 1)
        _note_blanks(flow, top_pt - 12.0 - 19.0 * samples)

    flow.table(
        columns, rows, size_pt=7.0, under=under, under_pt=[56.0 if stop.two else 37.0 for stop in walk.stops]
    )
    if walk.back is not None:
        flow.text(f"{_leg_words(walk.back, view.units)} back to {walk.start.name}.", lead="Way back")
    flow.text(
        "Enter what you found with washgrade sample, or as a file with washgrade add. A trace too little to "
        "weigh is worth recording too.",
        size_pt=7.4,
    )
    flow.end()


def _stop_row(view: SheetView, number: int, stop: WalkStop) -> tuple[str, ...]:
    leg = stop.leg
    return (
        str(number),
        stop.reach + (" (two samples)" if stop.two else ""),
        f"{grid_number(stop.easting_m)}, {grid_number(stop.northing_m)}",
        f"{stop.lat:.5f}, {stop.lon:.5f}",
        "–" if math.isnan(leg.bearing_deg) else f"{leg.bearing_deg:03.0f}°",
        _far(leg.straight_m, view.units),
        _far(leg.way_m, view.units),
        f"{leg.minutes:.0f} min",
        f"{stop.arrival_minutes:.0f} min",
        f"{show_grade(stop.grade_mean)} ({100 * stop.grade_p10:.1f} to {100 * stop.grade_p90:.1f})",
    )


def _far(distance_m: float, units: str) -> str:
    """Whole feet or metres, as a walker counts them."""
    return f"{distance_m / FOOT_M:,.0f} ft" if units == "us" else f"{distance_m:,.0f} m"


def _leg_words(leg: Leg, units: str) -> str:
    bearing = "" if math.isnan(leg.bearing_deg) else f"bearing {leg.bearing_deg:03.0f}°, "
    return (
        f"{bearing}{_far(leg.straight_m, units)} straight, {_far(leg.way_m, units)} on foot, "
        f"{leg.minutes:.0f} min"
    )


def _sample_blanks(flow: Flow, base_pt: float, *, second: bool) -> None:
    """Blanks for the masses of one sample."""
    flow.tick(flow.left_pt + 6.0, base_pt - 1.0)
    words = "second sample" if second else "sampled"
    left = flow.left_pt + 18.0
    unit = ("lb", "oz", "in") if flow.view.units == "us" else ("kg", "g", "cm")
    flow.paper.setFont("Vera", 7.0)
    flow.paper.drawString(left, base_pt, words)
    room = flow.width_pt - 18.0
    for share, width, text, mark in (
        (0.13, 0.20, "dry sand", unit[0]),
        (0.35, 0.20, "magnetics", unit[1]),
        (0.57, 0.20, "depth from / to", unit[2]),
        (0.79, 0.17, "at (clock)", ""),
    ):
        begin = left + share * room
        flow.blank(text, begin, base_pt, width * room - 16.0, size_pt=7.0)
        flow.paper.drawString(begin + width * room - 13.0, base_pt, mark)


def _note_blanks(flow: Flow, base_pt: float) -> None:
    """A line for a note, and boxes for what the eye sees."""
    left = flow.left_pt + 18.0
    flow.tick(flow.left_pt + 6.0, base_pt - 1.0)
    flow.paper.setFont("Vera", 7.0)
    flow.paper.drawString(left, base_pt, "only a trace")
    flow.blank(
        "note",
        left + 0.13 * (flow.width_pt - 18.0),
        base_pt,
        0.87 * (flow.width_pt - 18.0) - 4.0,
        size_pt=7.0,
    )
