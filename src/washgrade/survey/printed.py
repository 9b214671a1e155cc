"""The field sheet: what is known and planned, laid out for paper."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from functools import partial
from importlib.util import find_spec
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from washgrade import __version__
from washgrade.errors import InputError
from washgrade.survey.answers import estimate
from washgrade.survey.dayplan import DayPlan
from washgrade.survey.days import plan_digging_day
from washgrade.survey.ranking import Ranking, rank
from washgrade.survey.steps import Progress, stage
from washgrade.survey.walks import WalkPlan, plan_sampling_walk

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.sheet.view import DaySheet, Leg, SheetView, WalkSheet

__all__ = ["save_sheet", "sheet_view", "write_sheet"]

LISTED = 15


def sheet_view(
    ranking: Ranking,
    *,
    title: str | None = None,
    units: str | None = None,
    listed: int = LISTED,
    plan: WalkPlan | DayPlan | None = None,
) -> SheetView:
    """Lay out what a field sheet shows.

    Parameters
    ----------
    ranking : Ranking
        The ranking to show.
    title : str, optional
        Heading; the name of the site's folder if left out.
    units : {"us", "metric"}, optional
        Units shown; the site's setting if left out.
    listed : int, default 15
        How many of the best reaches to list and name.
    plan : WalkPlan or DayPlan, optional
        A sampling walk or a digging day to show.

    Returns
    -------
    SheetView
        The sheet's whole content.
    """
    import numpy as np

    from washgrade.files.groundstore import dem_window_m, load_shapes
    from washgrade.files.places import grid_facts
    from washgrade.land.channels import reach_lines
    from washgrade.page.words import CAUTIONS
    from washgrade.sheet.view import Ground, Place, SheetView

    found = ranking.estimate
    shown = units or found.settings.units
    reaches, load = found.channels.reaches, ranking.kg_per_load
    easting_m, northing_m, start = reach_lines(found.channels)
    line = np.column_stack([easting_m, northing_m])
    grid = grid_facts(found.facts.crs, float(easting_m.mean()), float(northing_m.mean()))

    def rings(layer: str) -> tuple[tuple[NDArray[np.float64], ...], tuple[str, ...]]:
        edges, names = [], []
        for shape in load_shapes(found.site, layer):
            # A hole is a line too; its name is that of the area, written once.
            for place, edge in enumerate((shape.geometry.exterior, *shape.geometry.interiors)):
                edges.append(np.asarray(edge.coords)[:, :2])
                names.append(shape.name if not place else "")
        return tuple(edges), tuple(names)

    no_go, no_go_names = rings("no_go")
    return SheetView(
        title=title or found.site.folder.resolve().name,
        day=found.day.isoformat(),
        made_with=f"washgrade {__version__}",
        grid=grid.name,
        crs=found.facts.crs if len(found.facts.crs) < 20 else "own grid",
        datum=grid.datum,
        grid_scale=grid.scale,
        grid_north_deg=grid.north_deg,
        invented=bool(found.facts.more.get("invented")),
        units=shown,
        ground=Ground(
            shape=(found.facts.rows, found.facts.cols),
            cell_m=found.facts.cell_m,
            west_m=found.facts.west_m,
            north_m=found.facts.north_m,
            crs=found.facts.crs,
            heights_m=partial(dem_window_m, found.site),
        ),
        reach_id=tuple(str(name) for name in reaches.reach_id),
        reach_line=tuple(line[start[k] : start[k + 1]] for k in range(len(reaches))),
        rank=ranking.rank,
        kg_per_load_mean=load.mean,
        kg_per_load_p10=load.p10,
        kg_per_load_p90=load.p90,
        chance_top=ranking.chance_top,
        loads_left=ranking.stock.loads_left,
        closed=ranking.closed,
        depleted=ranking.stock.depleted,
        support=tuple(str(word) for word in found.grade.reach_support),
        easting_m=ranking.easting_m,
        northing_m=ranking.northing_m,
        lon=ranking.lon,
        lat=ranking.lat,
        top=found.settings.top_reaches,
        listed=listed,
        property_rings=rings("property")[0],
        no_go_rings=no_go,
        no_go_names=no_go_names,
        access=tuple(
            Place(name=shape.name, easting_m=shape.geometry.x, northing_m=shape.geometry.y)
            for shape in load_shapes(found.site, "access")
        ),
        plan=None if plan is None else _walk(plan) if isinstance(plan, WalkPlan) else _day(plan, shown),
        sentences=(*found.sentences, *ranking.sentences),
        cautions=CAUTIONS,
    )


def _walk(plan: WalkPlan) -> WalkSheet:
    """A sampling walk, for paper."""
    import numpy as np

    from washgrade.sheet.view import Place, WalkSheet, WalkStop

    walk, grade, nodes = plan.walk, plan.estimate.grade, plan.estimate.channels.nodes
    legs = [_leg(line, float(minutes)) for line, minutes in zip(walk.lines_m, walk.leg_minutes, strict=True)]
    stops = tuple(
        WalkStop(
            reach=plan.reach(k),
            easting_m=float(nodes.easting_m[node]),
            northing_m=float(nodes.northing_m[node]),
            lon=float(plan.lon[k]),
            lat=float(plan.lat[k]),
            leg=legs[k],
            arrival_minutes=float(walk.arrival_minutes[k]),
            two=bool(walk.duplicate[k]),
            grade_mean=float(grade.node_mean[node]),
            grade_p10=float(grade.node_p10[node]),
            grade_p90=float(grade.node_p90[node]),
            settled_share=float(walk.settled_share[k]),
        )
        for k, node in enumerate(walk.node.tolist())
    )
    ways = tuple(line for line in walk.lines_m if len(line))
    first = ways[0][0] if ways else np.array([math.nan, math.nan])
    return WalkSheet(
        start=Place(name=plan.start_name, easting_m=float(first[0]), northing_m=float(first[1])),
        stops=stops,
        back=legs[len(stops)] if len(legs) > len(stops) else None,
        ways=ways,
        minutes=walk.minutes,
        sentences=plan.sentences,
    )


def _day(plan: DayPlan, units: str) -> DaySheet:
    """A digging day, for paper."""
    import numpy as np

    from washgrade.files.places import to_grid
    from washgrade.sheet.view import DaySheet, DigStop, Place
    from washgrade.survey.daytold import steps

    crs = plan.estimate.facts.crs
    east_m, north_m = to_grid(crs, [plan.start_lon], [plan.start_lat])
    ways = [np.column_stack(to_grid(crs, *dug.way_lonlat.T)) for dug in plan.dug]
    stops = tuple(
        DigStop(
            reach=dug.reach,
            easting_m=dug.easting_m,
            northing_m=dug.northing_m,
            lon=dug.lon,
            lat=dug.lat,
            leg=_leg(way, dug.out_minutes),
            back_minutes=dug.back_minutes,
            arrival_minutes=dug.arrival_minutes,
            loads=dug.loads,
            carries=dug.carries,
            wet_kg=dug.wet_kg,
            product_kg=dug.product_kg,
        )
        for dug, way in zip(plan.dug, ways, strict=True)
    )
    told = [
        (
            " and ".join(
                f"{size} loads at {name}" for name, size in zip(carry.reaches, carry.loads, strict=True)
            ),
            f"{carry.minutes:.0f} min by {carry.by}",
        )
        for carry in plan.carries
    ]
    carries = tuple((len(list(alike)), *words) for words, alike in groupby(told))
    return DaySheet(
        start=Place(name=plan.start_name, easting_m=float(east_m[0]), northing_m=float(north_m[0])),
        stops=stops,
        ways=tuple(way for way in ways if len(way)),
        carries=carries,
        steps=tuple(steps(plan, units)) if plan.dug else (),
        minutes=60.0 * plan.field_hours,
        sentences=plan.sentences(units),
    )


def _leg(line: NDArray[np.float64], minutes: float) -> Leg:
    """Bearing and lengths of a way on foot."""
    import numpy as np

    from washgrade.sheet.view import Leg

    if len(line) < 2:
        return Leg(bearing_deg=math.nan, straight_m=0.0, way_m=0.0, minutes=minutes)
    east_m, north_m = line[-1] - line[0]
    straight_m = math.hypot(east_m, north_m)
    return Leg(
        bearing_deg=math.degrees(math.atan2(east_m, north_m)) % 360.0 if straight_m else math.nan,
        straight_m=straight_m,
        way_m=float(np.hypot(*np.diff(line, axis=0).T).sum()),
        minutes=minutes,
    )


def write_sheet(
    site: Path | str,
    *,
    out: Path | str | None = None,
    title: str | None = None,
    on: str | date | None = None,
    units: str | None = None,
    paper: str | None = None,
    scale: int | None = None,
    listed: int = LISTED,
    walk_hours: float | None = None,
    day_hours: float | None = None,
    start: str | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write the field sheet of a site as one PDF file.

    Parameters
    ----------
    site : Path or str
        The site folder.
    out : Path or str, optional
        Where; ``out/sheet.pdf`` in the site if left out.
    title : str, optional
        Heading; the name of the site's folder if left out.
    on : str or date, optional
        The day; today if left out.
    units : {"us", "metric"}, optional
        Units shown; the site's setting if left out.
    paper : {"a4", "letter"}, optional
        The paper; Letter with US units, else A4, if left out.
    scale : int, optional
        Scale of the maps, one to so many; the largest round one that is good to walk by if left out.
    listed : int, default 15
        How many of the best reaches to list and name.
    walk_hours : float, optional
        Plan a sampling walk of so many hours, and show it.
    day_hours : float, optional
        Or plan a digging day of so many hours at the wash, and show it.
    start : str, optional
        Where the walk begins or the vehicle stands: ``LON,LAT`` or a point of access by name; the first
        one if left out.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SiteError
        If the site has no ground, or the file cannot be written.
    InputError
        If a value is wrong, or the part of the package that draws on paper is not installed.
    """
    from washgrade.checks import choice
    from washgrade.units import UNITS

    _need_reportlab()
    if walk_hours is not None and day_hours is not None:
        raise InputError(
            "Give either the hours of a walk or those of a digging day, not both: each has its own sheet."
        )
    found = estimate(site, on=on, progress=stage(progress, 0.0, 0.6))
    if units is not None:
        # Sentences speak in the units of the sheet.
        found = replace(found, settings=replace(found.settings, units=choice("units", units, UNITS)))
    ranking = rank(found)
    plan: WalkPlan | DayPlan | None = None
    told = stage(progress, 0.6, 0.8)
    if walk_hours is not None:
        plan = plan_sampling_walk(found, hours=walk_hours, start=start, progress=told)
    elif day_hours is not None:
        plan = plan_digging_day(ranking, hours=day_hours, start=start, progress=told)
    stage(progress, 0.8, 1.0)("drawing", 0.0)
    view = sheet_view(ranking, title=title, units=units, listed=listed, plan=plan)
    path = Path(out) if out is not None else found.site.out / "sheet.pdf"
    if out is None:
        found.site.out.mkdir(exist_ok=True)
    return save_sheet(view, path, paper=paper, scale=scale)


def save_sheet(
    view: SheetView, out: Path | str, *, paper: str | None = None, scale: int | None = None
) -> Path:
    """Write what `sheet_view` laid out as one PDF file.

    Parameters
    ----------
    view : SheetView
        The sheet's whole content.
    out : Path or str
        Where.
    paper : {"a4", "letter"}, optional
        The paper; Letter with US units, else A4, if left out.
    scale : int, optional
        Scale of the maps, one to so many; the largest round one that is good to walk by if left out.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SiteError
        If the file cannot be written.
    InputError
        If a value is wrong, or the part of the package that draws on paper is not installed.
    """
    from washgrade.files.site import replacing

    _need_reportlab()
    from washgrade.sheet.build import render_sheet

    content = render_sheet(view, paper=paper or ("letter" if view.units == "us" else "a4"), scale=scale)
    with replacing(Path(out)) as draft:
        draft.write_bytes(content)
    return Path(out)


def _need_reportlab() -> None:
    if find_spec("reportlab") is None:
        raise InputError(
            "The field sheet needs reportlab, which is not installed. Install it beside washgrade: "
            "pip install reportlab."
        )
