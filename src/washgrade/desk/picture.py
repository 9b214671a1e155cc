"""A plain picture of the washes as SVG, for views and paper that need no script."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.survey import Ranking

__all__ = ["network_svg"]

SIDE_PX = 1000.0
# Bends finer than this do not show at that size.
STEP_PX = 1.0
# Lines under the picture's scale bar, metres: the longest that is at most a quarter of the picture.
_BARS_M = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0)


def network_svg(
    ranking: Ranking,
    *,
    lines_m: Sequence[NDArray[np.float64]] = (),
    stops: Sequence[tuple[float, float, str]] = (),
    chosen: int | None = None,
) -> str:
    """Draw the washes in the page's classes of grade, with a way and numbered stops.

    Parameters
    ----------
    ranking : Ranking
        The reaches.
    lines_m : sequence of ndarray of float64, shapes (points, 2)
        The way, easting and northing in metres.
    stops : sequence of (float, float, str)
        Easting and northing in metres, and what stands beside; the best reaches by rank if left out.
    chosen : int, optional
        A reach to stand out, by its index.

    Returns
    -------
    str
        SVG without any style of its own: classes ``grade-0`` to ``grade-4``, ``shut``, ``way``, ``stop``.
    """
    import numpy as np

    from washgrade.files.groundstore import load_shapes
    from washgrade.land.channels import reach_lines
    from washgrade.page.themes import CLASS_LIMITS
    from washgrade.units import show_length

    found = ranking.estimate
    east, north, start = reach_lines(found.channels)
    corners = np.column_stack((east, north))
    everything = np.concatenate([corners, *[np.asarray(line) for line in lines_m if len(line)]])
    low, high = everything.min(axis=0), everything.max(axis=0)
    span_m = float(max((high - low).max(), 1.0))
    scale = (SIDE_PX - 60.0) / span_m

    def laid(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(
            (30.0 + (points[:, 0] - low[0]) * scale, 30.0 + (high[1] - points[:, 1]) * scale)
        )

    def path(points: NDArray[np.float64]) -> str:
        spots = laid(points)
        step = np.abs(np.diff(np.round(spots / STEP_PX), axis=0)).sum(axis=1) > 0
        keep = np.concatenate([[True], step])
        keep[-1] = True
        return "M" + " ".join(f"{across:.0f},{down:.0f}" for across, down in spots[keep])

    grade_class = np.searchsorted(np.array(CLASS_LIMITS), found.grade.reach_mean, side="right")
    drawn: dict[str, list[str]] = {}
    # The rich are drawn last, so that they lie on top.
    for k in np.argsort(found.grade.reach_mean):
        line = corners[start[k] : start[k + 1]]
        if len(line) > 1:
            name = "shut" if ranking.closed[k] else f"grade-{grade_class[k]}"
            drawn.setdefault(name, []).append(path(line))
    width, height = 60.0 + (high - low) * scale
    height += 50.0
    names = ("shut", *(f"grade-{number}" for number in range(len(CLASS_LIMITS) + 1)))
    parts = [
        f'<path class="{edge} {name}" d="{"".join(drawn[name])}"/>'
        for edge in ("edge", "wash")
        for name in names
        if name in drawn
    ]
    for layer, style in (("property", "bound"), ("no_go", "keep-out")):
        for shape in load_shapes(found.site, layer):
            for ring in (shape.geometry.exterior, *shape.geometry.interiors):
                parts.append(f'<path class="{style}" d="{path(np.asarray(ring.coords)[:, :2])}Z"/>')
    parts += [f'<path class="way" d="{path(np.asarray(line))}"/>' for line in lines_m if len(line) > 1]
    for shape in load_shapes(found.site, "access"):
        spot = laid(np.array([[shape.geometry.x, shape.geometry.y]]))[0]
        parts.append(
            f'<g class="gate"><rect x="{spot[0] - 6:.0f}" y="{spot[1] - 6:.0f}" width="12" height="12"/>'
            f'<text x="{spot[0] + 13:.0f}" y="{spot[1] + 9:.0f}">{escape(shape.name)}</text></g>'
        )
    if chosen is not None:
        line = corners[start[chosen] : start[chosen + 1]]
        parts.append(f'<path class="chosen" d="{path(line)}"/>')
        stops = [(float(ranking.easting_m[chosen]), float(ranking.northing_m[chosen]), "")]
    elif not stops and not lines_m:
        best = np.argsort(ranking.rank)[: found.settings.top_reaches]
        stops = [
            (float(ranking.easting_m[k]), float(ranking.northing_m[k]), str(n + 1))
            for n, k in enumerate(best)
            if not ranking.closed[k]
        ]
    for easting_m, northing_m, name in reversed(stops):
        spot = laid(np.array([[easting_m, northing_m]]))[0]
        parts.append(
            f'<g class="stop"><circle cx="{spot[0]:.0f}" cy="{spot[1]:.0f}" r="19"/>'
            f'<text x="{spot[0]:.0f}" y="{spot[1] + 8:.0f}">{escape(name)}</text></g>'
        )
    bar_m = max((bar for bar in _BARS_M if bar * scale <= SIDE_PX / 4), default=_BARS_M[0])
    if found.settings.units == "us":
        bar_m *= 1.524  # 100 m to 500 ft: round numbers of feet for round numbers of metres
    told = f"{show_length(bar_m, found.settings.units)}, north is up"
    parts.append(
        f'<g class="scale"><path d="M30,{height - 36:.0f} h{bar_m * scale:.0f}"/>'
        f'<text x="30" y="{height - 8:.0f}">{told}</text></g>'
    )
    return (
        f'<svg class="network" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-label="Sketch of the washes, dark where the sand is rich">{"".join(parts)}</svg>'
    )
