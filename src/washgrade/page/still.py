"""The picture of the map for readers whose viewer runs no script: washes as lines over the relief."""

from __future__ import annotations

import base64
from html import escape
from itertools import pairwise

import numpy as np

from washgrade.page.pack import mercator_pixels
from washgrade.page.themes import CLASS_LIMITS, COLOURS
from washgrade.page.view import PageView

__all__ = ["still_html"]

# So many points are drawn, those of the largest washes and the best reaches first (our choice: about 60 kB).
MOST_POINTS = 8000
WIDE = 2000


def still_html(view: PageView) -> str:
    """Draw the relief and, for readers without script, the washes on it.

    Parameters
    ----------
    view : PageView
        What to show.

    Returns
    -------
    str
        HTML, escaped. The page's script takes the relief's picture out of it into the map; what is drawn over
        it stands in a ``noscript`` element and costs others nothing.
    """
    east, south = mercator_pixels(view.line_lon, view.line_lat)
    if view.relief_png:
        west_lon, south_lat, east_lon, north_lat = view.relief_bounds
        box_east, box_south = mercator_pixels(
            np.array([west_lon, east_lon]), np.array([north_lat, south_lat])
        )
        left, right = (int(value) for value in box_east)
        top, bottom = (int(value) for value in box_south)
    else:
        left, right, top, bottom = (int(v) for v in (east.min(), east.max(), south.min(), south.max()))
    scale = WIDE / max(right - left, 1)
    tall = max(int((bottom - top) * scale), 1)
    across = np.rint((east - left) * scale).astype(np.int64)
    down = np.rint((south - top) * scale).astype(np.int64)
    paths: list[list[str]] = [[] for _ in range(len(CLASS_LIMITS) + 1)]
    for reach in _chosen(view):
        at = slice(int(view.line_start[reach]), int(view.line_start[reach + 1]))
        spots = np.column_stack([across[at], down[at]])
        spots = spots[np.concatenate([[True], np.any(np.diff(spots, axis=0) != 0, axis=1)])]
        first = f"M{spots[0, 0]} {spots[0, 1]}"
        steps = "".join(f"l{step[0]} {step[1]}" for step in np.diff(spots, axis=0))
        paths[int(np.searchsorted(CLASS_LIMITS, view.grade_mean[reach], side="right"))].append(first + steps)
    lines = []
    for level, path in enumerate(paths):
        if path:
            edge = COLOURS["casing-dark" if level < 2 else "casing-light"]
            tint = COLOURS[f"grade-{level}"]
            drawn = "".join(path)
            lines.append(f'<path d="{drawn}" stroke="{edge}" stroke-width="13"/>')
            lines.append(f'<path d="{drawn}" stroke="{tint}" stroke-width="8"/>')
    badges = []
    for reach in np.argsort(view.rank)[: view.top]:
        if view.closed[reach]:
            continue
        middle = (int(view.line_start[reach]) + int(view.line_start[reach + 1])) // 2
        x, y = int(across[middle]), int(down[middle])
        badges.append(
            f'<circle cx="{x}" cy="{y}" r="30" fill="#fffdf8" stroke="#231c17" stroke-width="5"/>'
            f'<text x="{x}" y="{y + 13}" font-size="36" font-weight="700" text-anchor="middle">'
            f"{view.rank[reach]}</text>"
        )
    percent = [f"{100.0 * limit:g}" for limit in CLASS_LIMITS]
    spans = [
        f"under {percent[0]}",
        *(f"{low} to {high}" for low, high in pairwise(percent)),
        f"over {percent[-1]}",
    ]
    names = ", ".join(
        f'<svg viewBox="0 0 20 10" width="20" height="10" role="presentation"><rect width="20" height="10" '
        f'fill="{COLOURS[f"grade-{n}"]}"/></svg> {span} %'
        for n, span in enumerate(spans)
    )
    relief = ""
    if view.relief_png:
        data = base64.b64encode(view.relief_png).decode("ascii")
        relief = f'<img id="relief" alt="" src="data:image/png;base64,{data}">'
    return (
        f'<figure class="still"><div class="drawn">{relief}<noscript>'
        f'<svg viewBox="0 0 {WIDE} {tall}" fill="none" stroke-linejoin="round" role="img" '
        f'aria-label="{escape(f"Map of the washes on {view.day}")}">{"".join(lines)}'
        f'<g fill="#231c17">{"".join(badges)}</g></svg></noscript></div>'
        f"<noscript><figcaption>Expected grade: {names}. Numbers: the best reaches. North is up.</figcaption>"
        f"</noscript></figure>"
    )


def _chosen(view: PageView) -> list[int]:
    """Reaches to draw: the best first, then the largest washes, as far as the points go."""
    order = np.concatenate([np.argsort(view.rank)[: view.top], np.argsort(-view.upstream_area_m2)])
    points = np.diff(view.line_start)
    chosen: dict[int, None] = {}
    left = MOST_POINTS
    for reach in order.tolist():
        if left <= 0:
            break
        if reach not in chosen:
            chosen[reach] = None
            left -= int(points[reach])
    return list(chosen)
