"""The first page: before you go, the cautions, and where to dig."""

from __future__ import annotations

import math

from washgrade.sheet.flow import Column, Flow
from washgrade.sheet.ink import Paper
from washgrade.sheet.margins import grid_number
from washgrade.sheet.view import SheetView
from washgrade.units import show_mass, show_share

__all__ = ["front_pages"]


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
            show_share(view.chance_top[k]),
            "–" if math.isnan(view.loads_left[k]) else f"{view.loads_left[k]:.0f}",
            "worked out" if view.depleted[k] else view.support[k],
            f"{grid_number(float(view.easting_m[k]))}, {grid_number(float(view.northing_m[k]))}",
            f"{view.lat[k]:.5f}, {view.lon[k]:.5f}",
            "",
        )
        for place, k in enumerate(view.best, start=1)
    ]
    flow.table(columns, rows, size_pt=6.8)
