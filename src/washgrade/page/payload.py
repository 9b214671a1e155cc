"""The data within the page: compact columns that its script unfolds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict

import numpy as np

from washgrade.page.pack import mercator_pixels, pack_column, pack_integers
from washgrade.page.themes import CLASS_LIMITS, DOUBT_LIMITS, THEMES
from washgrade.page.view import PageView, Ring
from washgrade.page.words import SUPPORT_WORDS
from washgrade.sand.support import SUPPORT

__all__ = ["MOST_FINE", "page_payload"]

_IF_THERE = {
    "fresh_share": 1e3,
    "left_share": 1e3,
    "magnetite_kg_mean": 1e4,
    "magnetite_kg_p10": 1e4,
    "magnetite_kg_p90": 1e4,
}
"""The same for columns that may be left out."""

_COLUMNS = {
    "rank": 1.0,
    "grade_mean": 1e5,
    "grade_p10": 1e4,
    "grade_p90": 1e4,
    "kg_per_load_mean": 1e4,
    "kg_per_load_p10": 1e4,
    "kg_per_load_p90": 1e4,
    "chance_top": 1e3,
    "chance_above_cutoff": 1e3,
    "stock_kg": 1e1,
    "loads_left": 1.0,
    "depleted": 1.0,
    "closed": 1.0,
    "length_m": 1e1,
    "slope": 1e4,
    "upstream_area_m2": 1.0,
    "width_m": 1e1,
    "easting_m": 1e1,
    "northing_m": 1e1,
    "lon": 1e6,
    "lat": 1e6,
}
"""Columns by reach, and in how many steps one unit is told: finer than what the page shows."""


_COARSE = {
    "grade_mean": 1e4,
    "grade_p10": 1e3,
    "grade_p90": 1e3,
    "kg_per_load_mean": 1e3,
    "kg_per_load_p10": 1e2,
    "kg_per_load_p90": 1e2,
    "magnetite_kg_mean": 1e2,
    "magnetite_kg_p10": 1e2,
    "magnetite_kg_p90": 1e2,
    "chance_top": 1e2,
    "chance_above_cutoff": 1e2,
    "fresh_share": 1e2,
    "left_share": 1e2,
    "stock_kg": 1.0,
    "length_m": 1.0,
    "slope": 1e3,
    "upstream_area_m2": 1e-2,
    "lon": 1e5,
    "lat": 1e5,
}
"""The same on a large page."""


# Sections and reasons of so many of the best reaches are put in: they are most of a large page (our choice).
MOST_SECTIONS = 8000
# A page of more reaches than this tells each number no more finely than it shows it (our choice: with fifty
# thousand it then stays below five megabytes).
MOST_FINE = 10_000
# So many numbers of the reaches' past go into a page (our choice, because a chart needs four for each day).
MOST_PAST = 100_000
# On a page of more reaches than this a section keeps every other point.
FINE_SECTIONS = 2000


def page_payload(view: PageView) -> dict[str, object]:
    """Everything that the page's script needs, ready for JSON.

    Parameters
    ----------
    view : PageView
        What to show.

    Returns
    -------
    dict
        Columns and lines as packed text, everything else as plain values.
    """
    east, south = mercator_pixels(view.line_lon, view.line_lat)
    given = {name: getattr(view, name) for name in ("width_measured", "least_area")}
    flags = {name: np.zeros(len(view.reach_id)) if told is None else told for name, told in given.items()}
    more = {name: told for name in _IF_THERE if (told := getattr(view, name)) is not None}
    large = len(view.reach_id) > MOST_FINE
    # Metres of the grid can be had from degrees: a large page leaves them out.
    columns = {
        name: _steps(name, scale, large=large)
        for name, scale in _COLUMNS.items()
        if not (large and name in {"easting_m", "northing_m"})
    }
    return {
        "units": view.units,
        "top": view.top,
        "day": view.day,
        "crs": view.crs,
        "cutoff": view.cutoff_grade,
        "class_limits": CLASS_LIMITS,
        "doubt_limits": DOUBT_LIMITS,
        "themes": [asdict(theme) for theme in THEMES],
        "reach": list(view.reach_id),
        "columns": {
            name: {"scale": scale, "data": pack_column(getattr(view, name), scale)}
            for name, scale in columns.items()
        }
        | {name: {"scale": 1.0, "data": pack_column(told, 1.0)} for name, told in flags.items()}
        | {
            name: {
                "scale": (scale := _steps(name, _IF_THERE[name], large=large)),
                "data": pack_column(told, scale),
            }
            for name, told in more.items()
        },
        "support_words": SUPPORT,
        "support_told": [SUPPORT_WORDS[word] for word in SUPPORT],
        "support": pack_integers(np.array([SUPPORT.index(word) for word in view.support], dtype=np.int64)),
        "notes": _words(view.notes),
        "traps": _words(view.traps or ((),) * len(view.reach_id)),
        "sections": _sections(view),
        "marks": [
            {
                "kind": mark.kind,
                "name": mark.name,
                "lon": [round(lon, 7) for lon in mark.lon],
                "lat": [round(lat, 7) for lat in mark.lat],
                "length_m": None if math.isnan(mark.length_m) else round(mark.length_m, 2),
                "depth_m": None if math.isnan(mark.depth_m) else round(mark.depth_m, 2),
                "why": mark.why,
            }
            for mark in view.marks
        ],
        "line": {
            "start": pack_integers(view.line_start),
            "east": pack_integers(east),
            "south": pack_integers(south),
        },
        "why": _why(view),
        "walk": None
        if view.walk is None
        else {
            "stops": [asdict(stop) for stop in view.walk.stops],
            "way": _ring((view.walk.lon, view.walk.lat)),
            "sentences": list(view.walk.sentences),
        },
        "day_plan": None
        if view.day_plan is None
        else {
            "stops": [asdict(stop) for stop in view.day_plan.stops],
            "way": _ring((view.day_plan.lon, view.day_plan.lat)),
            "sentences": view.day_plan.sentences,
        },
        "title": view.title,
        "entering": None if view.entering is None else _given(asdict(view.entering)),
        "storm": None if view.storm is None else asdict(view.storm),
        "other": _other(view),
        "history": _history(view),
        "belief": None if view.belief is None else asdict(view.belief),
        "holes": [
            {
                **asdict(hole),
                **{
                    name: [round(value, 5) for value in getattr(hole, name)]
                    for name in ("top_m", "bottom_m", "grade", "low_grade", "high_grade")
                },
            }
            for hole in view.holes
        ],
        "next_spots": [asdict(spot) for spot in view.next_spots],
        "samples": [
            {
                "id": mark.sample_id,
                "day": mark.day,
                "lon": round(mark.lon, 7),
                "lat": round(mark.lat, 7),
                "grade": None if math.isnan(mark.grade) else mark.grade,
                "trace": mark.trace,
                "place": mark.place,
                "note": mark.note,
                "depth_m": None
                if math.isnan(mark.depth_top_m + mark.depth_bottom_m)
                else (mark.depth_top_m, mark.depth_bottom_m),
            }
            for mark in view.samples
        ],
        "property": [_ring(ring) for ring in view.property_rings],
        "no_go": [_ring(ring) for ring in view.no_go_rings],
        "sources": [
            {"name": area.name, "grade": area.grade, "rings": [_ring(ring) for ring in area.rings]}
            for area in view.sources
        ],
        "access": [{"lon": lon, "lat": lat, "name": name} for lon, lat, name in view.access],
        "relief_bounds": view.relief_bounds if view.relief_png else None,
    }


def _steps(name: str, scale: float, *, large: bool) -> float:
    # In how many steps one unit of a column is told.
    return _COARSE.get(name, scale) if large else scale


def _words(reaches: Sequence[Sequence[str]]) -> dict[str, object]:
    # Sentences by reach: each written once, and called by its number.
    words: dict[str, int] = {}
    for reach in reaches:
        for sentence in reach:
            words.setdefault(sentence, len(words))
    return {
        "words": list(words),
        "count": pack_integers(np.array([len(reach) for reach in reaches], dtype=np.int64)),
        "word": pack_integers(
            np.array([words[sentence] for reach in reaches for sentence in reach], dtype=np.int64)
        ),
    }


def _sections(view: PageView) -> dict[str, object] | None:
    # Heights above each section's lowest point, in centimetres; a page may hold them for the best only.
    if view.section_m is None or view.section_half_m is None:
        return None
    chosen = np.flatnonzero(view.rank <= MOST_SECTIONS)
    stride = 1 if len(chosen) <= FINE_SECTIONS else 2
    heights = view.section_m[chosen, ::stride].astype(np.float64)
    known = np.isfinite(heights)
    lowest = np.where(known, heights, np.inf).min(axis=1, keepdims=True)
    return {
        "reach": pack_integers(chosen),
        "half": pack_column(view.section_half_m[chosen], 1e1),
        "points": heights.shape[1],
        "heights": pack_column(np.where(known, heights - lowest, np.nan).ravel(), 1e2),
    }


def _why(view: PageView) -> dict[str, object] | None:
    # Percent are enough: nobody weighs a sample's say more finely.
    if view.why is None:
        return None
    found = view.why
    chosen = np.flatnonzero(view.rank <= MOST_SECTIONS)
    return {
        "parts": list(found.parts),
        "sample_ids": list(found.sample_ids),
        "few": found.place.shape[1],
        "reach": pack_integers(chosen),
        "added": pack_column(found.added[chosen].ravel(), 1e2),
        "place": pack_integers(found.place[chosen].ravel().astype(np.int64)),
        "weight": pack_column(found.weight[chosen].ravel(), 1e2),
    }


def _given(value: object) -> object:
    # Without what is empty: a form is mostly that.
    if isinstance(value, dict):
        empty = (None, False)
        return {
            name: _given(part)
            for name, part in value.items()
            # A limit of 0 says something.
            if not any(part is one for one in empty) and part not in ("", ())
        }
    return [_given(part) for part in value] if isinstance(value, tuple) else value


def _other(view: PageView) -> dict[str, object] | None:
    # The columns of the other day, packed like those of the day itself.
    if view.other is None:
        return None
    names = (
        "rank",
        "grade_mean",
        "grade_p10",
        "grade_p90",
        "kg_per_load_mean",
        "kg_per_load_p10",
        "kg_per_load_p90",
        "loads_left",
    )
    large = len(view.reach_id) > MOST_FINE
    scales = {name: _steps(name, _COLUMNS[name], large=large) for name in names}
    return {
        "day": view.other.day,
        "told": view.other.told,
        "columns": {
            name: {"scale": scale, "data": pack_column(getattr(view.other, name), scale)}
            for name, scale in scales.items()
        },
    }


def _history(view: PageView) -> dict[str, object] | None:
    # Shares to a thousandth are finer than a chart of a phone's width.
    if view.history is None:
        return None
    found = view.history
    chosen = np.flatnonzero(view.rank <= min(MOST_SECTIONS, MOST_PAST // max(len(found.days), 1)))
    columns = {name: getattr(found, name) for name in ("grade_mean", "grade_p10", "grade_p90", "left_share")}
    return {
        "days": list(found.days),
        "reach": pack_integers(chosen),
        "columns": {
            name: pack_column(told[chosen].ravel(), 1e3) for name, told in columns.items() if told is not None
        },
        "events": [asdict(event) for event in found.events],
    }


def _ring(ring: Ring) -> dict[str, str]:
    # A closed line in the same pixels as the reaches.
    east, south = mercator_pixels(
        np.asarray(ring[0], dtype=np.float64), np.asarray(ring[1], dtype=np.float64)
    )
    return {"east": pack_integers(east), "south": pack_integers(south)}
