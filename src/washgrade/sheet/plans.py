"""The pages of a plan, with blanks for what is found: a sampling walk, a digging day."""

from __future__ import annotations

import math

from washgrade.sheet.flow import Column, Flow
from washgrade.sheet.ink import PLAIN, Paper
from washgrade.sheet.margins import grid_number
from washgrade.sheet.view import DaySheet, DigStop, Leg, SheetView, WalkSheet, WalkStop
from washgrade.units import FOOT_M, show_grade, show_mass

__all__ = ["day_pages", "walk_pages"]


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
    flow.paper.setFont(PLAIN, 7.0)
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
    flow.paper.setFont(PLAIN, 7.0)
    flow.paper.drawString(left, base_pt, "only a trace")
    flow.blank(
        "note",
        left + 0.13 * (flow.width_pt - 18.0),
        base_pt,
        0.87 * (flow.width_pt - 18.0) - 4.0,
        size_pt=7.0,
    )


def day_pages(paper: Paper, view: SheetView, day: DaySheet, page_pt: tuple[float, float]) -> None:
    """Write the digging day: reaches, carries, and the way to clean product, with blanks for what it brings.

    Parameters
    ----------
    paper : Paper
        Where to draw.
    view : SheetView
        What to show.
    day : DaySheet
        The day.
    page_pt : tuple of float
        Width and height of a page, points.
    """
    flow = Flow(paper, view, page_pt, "digging day")
    flow.text(
        f"The vehicle stands at {day.start.name}, easting {grid_number(day.start.easting_m)} m, northing "
        f"{grid_number(day.start.northing_m)} m. Bearings are from grid north, of the straight line; the way "
        "on foot is the dashed line on the map."
    )
    for sentence in day.sentences:
        flow.text(sentence, size_pt=7.4)
    flow.blanks([("Date:", 0.2), ("Started at:", 0.2), ("Weather, state of the bed:", 0.6)])
    flow.space(8.0)
    columns = (
        Column(head="", share=0.03, right=True),
        Column(head="reach", share=0.075),
        Column(head="easting, northing (m)", share=0.16, right=True),
        Column(head="latitude, longitude", share=0.16, right=True),
        Column(head="bearing", share=0.07, right=True),
        Column(head="on foot", share=0.075, right=True),
        Column(head="out + back", share=0.09, right=True),
        Column(head="there after", share=0.07, right=True),
        Column(head="loads", share=0.05, right=True),
        Column(head="carries", share=0.06, right=True),
        Column(head="sand", share=0.075, right=True),
        Column(head="product", share=0.085, right=True),
    )
    rows = [_dig_row(view, number, stop) for number, stop in enumerate(day.stops, start=1)]
    flow.table(
        columns,
        rows,
        size_pt=6.8,
        under=lambda _number, top_pt: _dig_blanks(flow, top_pt - 13.0),
        under_pt=[19.0] * len(rows),
    )
    if day.carries:
        flow.head("Carries, in this order")
        _carries(flow, day.carries)
    if day.steps:
        flow.head("From the wash to the container")
        flow.table(
            (
                Column(head="step", share=0.2),
                Column(head="time", share=0.12, right=True),
                Column(head="how much", share=0.38),
                Column(head="as it was", share=0.3),
            ),
            [(*step, "") for step in day.steps],
        )
    mass = "lb" if view.units == "us" else "kg"
    flow.blanks([(f"Clean product, {mass}:", 0.3), ("Purity, %:", 0.2), (f"Middlings kept, {mass}:", 0.3)])
    flow.space(4.0)
    flow.text("Enter it with washgrade dig: the next ranking heeds it.", size_pt=7.4)
    flow.end()


def _carries(flow: Flow, carries: tuple[tuple[int, str, str], ...]) -> None:
    """Carries in their order, a box to tick for each."""
    rows, begun = [], 0
    for count, filled, takes in carries:
        numbers = str(begun + 1) if count == 1 else f"{begun + 1} to {begun + count}"
        rows.append((numbers, filled, takes, ""))
        begun += count
    shares = (0.09, 0.36, 0.19, 0.36)
    left = flow.left_pt + sum(shares[:3]) * flow.width_pt + 2.5
    across_pt = 10.0
    in_row = int((shares[3] * flow.width_pt - 5.0) / across_pt)

    def boxes(number: int, top_pt: float) -> None:
        for place in range(carries[number][0]):
            line, column = divmod(place, in_row)
            flow.tick(left + column * across_pt, top_pt + 3.0 - 10.0 * line, size_pt=7.0)

    flow.table(
        (
            Column(head="carry", share=shares[0], right=True),
            Column(head="fill with", share=shares[1]),
            Column(head="takes", share=shares[2]),
            Column(head="done", share=shares[3]),
        ),
        rows,
        under=boxes,
        under_pt=[10.0 * ((count - 1) // in_row) for count, _, _ in carries],
    )


def _dig_row(view: SheetView, number: int, stop: DigStop) -> tuple[str, ...]:
    leg = stop.leg
    return (
        str(number),
        stop.reach,
        f"{grid_number(stop.easting_m)}, {grid_number(stop.northing_m)}",
        f"{stop.lat:.5f}, {stop.lon:.5f}",
        "–" if math.isnan(leg.bearing_deg) else f"{leg.bearing_deg:03.0f}°",
        _far(leg.way_m, view.units),
        f"{leg.minutes:.0f} + {stop.back_minutes:.0f} min",
        f"{stop.arrival_minutes:.0f} min",
        str(stop.loads),
        str(stop.carries),
        show_mass(stop.wet_kg, view.units),
        show_mass(stop.product_kg, view.units),
    )


def _dig_blanks(flow: Flow, base_pt: float) -> None:
    """Blanks for what a reach brought."""
    inch = "in" if flow.view.units == "us" else "cm"
    left = flow.left_pt + 18.0
    room = flow.width_pt - 18.0
    flow.tick(flow.left_pt + 6.0, base_pt - 1.0)
    flow.paper.setFont(PLAIN, 7.0)
    flow.paper.drawString(left, base_pt, "holes filled in")
    for share, width, text in (
        (0.14, 0.15, "loads dug"),
        (0.30, 0.14, "buckets"),
        (0.45, 0.18, f"depth of bite, {inch}"),
        (0.64, 0.36, "note"),
    ):
        flow.blank(text, left + share * room, base_pt, width * room - 8.0, size_pt=7.0)
