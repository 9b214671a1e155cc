"""What the page shows, gathered from the ground, the grade, the stock, the past and the plans."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date
from typing import TYPE_CHECKING

from washgrade import __version__
from washgrade.survey.answers import Estimate
from washgrade.survey.belief import (
    NUMBERS_IN_WORDS,
    diagnose,
    holes,
    learnt,
    next_samples,
    repeats,
    spread_in_words,
    why,
)
from washgrade.survey.dayplan import DayPlan
from washgrade.survey.pastview import other_day, past_view
from washgrade.survey.phone import entering
from washgrade.survey.planviews import day_view, walk_view
from washgrade.survey.ranking import Ranking
from washgrade.survey.traps import traps
from washgrade.survey.walks import WalkPlan

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from shapely import Polygon

    from washgrade.files.settings import Settings
    from washgrade.page.view import (
        Belief,
        GroundMark,
        Hole,
        NextSpot,
        PageView,
        Ring,
        SourceArea,
        Why,
    )

__all__ = ["page_view"]

# So many samples are named for a reach, and so many readings are drawn beside what the others say of them.
WEIGHTY = 3
READINGS_SHOWN = 60
SOURCES_TOLD = 20


def page_view(
    ranking: Ranking,
    *,
    title: str | None = None,
    units: str | None = None,
    walk: WalkPlan | None = None,
    day: DayPlan | None = None,
    beside: str | date | None = None,
) -> PageView:
    """Lay out what the page shows.

    Parameters
    ----------
    ranking : Ranking
        The ranking to show.
    title : str, optional
        Heading; the name of the site's folder if left out.
    units : {"us", "metric"}, optional
        Units shown first; the site's setting if left out.
    walk : WalkPlan, optional
        A sampling walk to show.
    day : DayPlan, optional
        A digging day to show.
    beside : str or date, optional
        Another day to show beside; the one before the last storm if left out.

    Returns
    -------
    PageView
        The page's whole content.
    """
    import numpy as np

    from washgrade.files.groundstore import load_dem, load_shapes
    from washgrade.files.places import lonlat
    from washgrade.files.sample import grade_and_mass
    from washgrade.files.terrain import PICTURE_CELLS, RELIEF_PIXELS, relief_png
    from washgrade.land.channels import reach_lines
    from washgrade.land.dem import hillshade
    from washgrade.land.width import MEASURED
    from washgrade.page.payload import MOST_FINE
    from washgrade.page.view import PageView, SampleMark, SourceArea

    found = ranking.estimate
    site, chosen, crs = found.site, found.settings, found.facts.crs
    reaches, grade = found.channels.reaches, found.grade
    dem = load_dem(site, most_cells=PICTURE_CELLS)
    shade = hillshade(dem, exaggeration=1.5)
    grey = np.where(np.isnan(shade), 255, 120 + 135 * np.nan_to_num(shade)).astype(np.uint8)
    # On a ground of so many reaches nobody sees a small gully of the relief, and the page must stay light.
    longest_px = RELIEF_PIXELS if len(reaches) <= MOST_FINE else RELIEF_PIXELS // 2
    relief, bounds = relief_png(dem, grey, longest_px=longest_px)
    easting_m, northing_m, start = reach_lines(found.channels)
    line_lon, line_lat = lonlat(crs, easting_m, northing_m)

    def rings_of(area: Polygon) -> tuple[Ring, ...]:
        # A hole is a line too: land inside that belongs to somebody else.
        corners = [np.asarray(edge.coords) for edge in (area.exterior, *area.interiors)]
        return tuple(lonlat(crs, ring[:, 0], ring[:, 1]) for ring in corners)

    def rings(layer: str) -> tuple[Ring, ...]:
        return tuple(ring for shape in load_shapes(site, layer) for ring in rings_of(shape.geometry))

    sources = tuple(
        SourceArea(name=shape.name, grade=shape.grade or 0.0, rings=rings_of(shape.geometry))
        for shape in load_shapes(site, "sources")
    )
    gates = []
    for shape in load_shapes(site, "access"):
        lon, lat = lonlat(crs, np.array([shape.geometry.x]), np.array([shape.geometry.y]))
        gates.append((float(lon[0]), float(lat[0]), shape.name))
    marks = tuple(
        SampleMark(
            sample_id=sample.id,
            day=sample.time[:10],
            lon=sample.lon,
            lat=sample.lat,
            grade=math.nan if (made := grade_and_mass(sample, porosity=chosen.porosity)[0]) is None else made,
            trace=sample.trace,
            place=sample.place,
            note=sample.note,
            depth_top_m=float("nan") if sample.depth_top_m is None else sample.depth_top_m,
            depth_bottom_m=float("nan") if sample.depth_bottom_m is None else sample.depth_bottom_m,
        )
        for sample in found.samples
    )
    load, kg = ranking.kg_per_load, ranking.stock_kg
    return PageView(
        title=title or site.folder.resolve().name,
        day=found.day.isoformat(),
        crs=crs,
        datum=_datum(crs),
        made_with=f"washgrade {__version__}",
        invented=bool(found.facts.more.get("invented")),
        units=units or chosen.units,
        reach_id=tuple(str(name) for name in reaches.reach_id),
        line_lon=line_lon,
        line_lat=line_lat,
        line_start=start,
        rank=ranking.rank,
        grade_mean=grade.reach_mean,
        grade_p10=grade.reach_p10,
        grade_p50=grade.reach_p50,
        grade_p90=grade.reach_p90,
        kg_per_load_mean=load.mean,
        kg_per_load_p10=load.p10,
        kg_per_load_p50=load.p50,
        kg_per_load_p90=load.p90,
        magnetite_kg_mean=ranking.magnetite_kg_per_load.mean,
        magnetite_kg_p10=ranking.magnetite_kg_per_load.p10,
        magnetite_kg_p90=ranking.magnetite_kg_per_load.p90,
        chance_top=ranking.chance_top,
        chance_above_cutoff=grade.reach_chance_above_cutoff,
        stock_kg=kg.mean,
        loads_left=ranking.stock.loads_left,
        depleted=ranking.stock.depleted,
        closed=ranking.closed,
        length_m=reaches.length_m,
        slope=reaches.slope,
        upstream_area_m2=reaches.upstream_area_m2,
        width_m=ranking.shape.width_m,
        width_measured=ranking.shape.width_from == MEASURED,
        least_area=ranking.least_area,
        traps=tuple(tuple(traps(ranking.shape, k)) for k in range(len(reaches))),
        section_half_m=found.layers.sections.half_m,
        section_m=found.layers.sections.elevation_m,
        marks=_ground_marks(found),
        holes=_holes(found),
        next_spots=_next_spots(found),
        walk=None if walk is None else walk_view(walk),
        day_plan=None if day is None else day_view(day),
        entering=entering(found),
        why=_why(found),
        belief=_belief(found),
        support=tuple(str(word) for word in grade.reach_support),
        notes=tuple(tuple(ranking.notes(k)) for k in range(len(reaches))),
        easting_m=ranking.easting_m,
        northing_m=ranking.northing_m,
        lon=ranking.lon,
        lat=ranking.lat,
        samples=marks,
        property_rings=rings("property"),
        no_go_rings=rings("no_go"),
        sources=sources,
        access=tuple(gates),
        relief_png=relief,
        relief_bounds=bounds,
        cutoff_grade=chosen.cutoff_grade,
        top=chosen.top_reaches,
        settings=(*_settings_told(chosen), *_sources_told(sources)),
        cautions=(),
        **(past_view(ranking) | ({} if beside is None else {"other": other_day(ranking, beside)})),
    )


def _holes(found: Estimate) -> tuple[Hole, ...]:
    """Holes sampled in layers, for the page."""
    import numpy as np

    from washgrade.files.places import lonlat
    from washgrade.page.view import Hole

    told = []
    for hole in holes(found):
        lon, lat = lonlat(found.facts.crs, np.array([hole.easting_m]), np.array([hole.northing_m]))
        told.append(
            Hole(
                name=hole.place or hole.sample_ids[0][:8],
                day=hole.day,
                lon=float(lon[0]),
                lat=float(lat[0]),
                top_m=tuple(hole.top_m.tolist()),
                bottom_m=tuple(hole.bottom_m.tolist()),
                grade=tuple(hole.grade.tolist()),
                low_grade=tuple(hole.low_grade.tolist()),
                high_grade=tuple(hole.high_grade.tolist()),
                told=(hole.told("us"), hole.told("metric")),
            )
        )
    return tuple(told)


def _next_spots(found: Estimate) -> tuple[NextSpot, ...]:
    """Where one more sample would tell most, for the page."""
    from washgrade.page.view import NextSpot

    return tuple(
        NextSpot(reach=spot.reach, lon=spot.lon, lat=spot.lat, gain_share=spot.gain_share)
        for spot in next_samples(found)
    )


def _why(found: Estimate) -> Why:
    """What the grade of each reach rests on, for the page."""
    import numpy as np

    from washgrade.page.view import Why
    from washgrade.sand.reasons import ACROSS

    told = why(found)
    return Why(
        parts=(*told.names, ACROSS),
        added=np.expm1(np.column_stack([told.trend, told.across])),
        sample_ids=tuple(ids[0][:8] for ids in told.sample_ids),
        place=told.place[:, :WEIGHTY],
        weight=told.weight[:, :WEIGHTY],
    )


def _belief(found: Estimate) -> Belief:
    """Whether to believe the numbers, for the page."""
    import numpy as np

    from washgrade.page.view import Belief

    judged, told = diagnose(found), learnt(found)
    far = judged.with_place
    order = np.argsort(-np.abs(far.score), kind="stable")[:READINGS_SHOWN]

    def share(logit: NDArray[np.float64]) -> tuple[float, ...]:
        return tuple((1.0 / (1.0 + np.exp(-logit[order]))).round(5).tolist())

    return Belief(
        sentences=(judged.sentence, repeats(found).sentence),
        reading=tuple("+".join(one[:8] for one in judged.sample_ids[k]) for k in order),
        grade=share(np.where(judged.trace, judged.limit, judged.value)),
        low_grade=share(far.mean - 1.6449 * far.sd),
        high_grade=share(far.mean + 1.6449 * far.sd),
        trace=tuple(judged.trace[order].tolist()),
        numbers=tuple(
            (NUMBERS_IN_WORDS[name], spread_in_words(pair["before"]), spread_in_words(pair["now"]))
            for name, pair in told["numbers"].items()
        ),
        effects=tuple((name, spread_in_words(numbers)) for name, numbers in told["effects"].items()),
    )


def _ground_marks(found: Estimate) -> tuple[GroundMark, ...]:
    """Cuts and hollows for the map."""
    import numpy as np

    from washgrade.files.places import lonlat
    from washgrade.page.view import GroundMark

    told = []
    for layer, kind in (("cuts", "cut"), ("hollows", "hollow"), ("mended", "hole")):
        for mark in found.layers.marks.get(layer, ()):
            lon, lat = lonlat(found.facts.crs, np.array(mark["easting_m"]), np.array(mark["northing_m"]))
            told.append(
                GroundMark(
                    kind=kind,
                    name=mark["name"],
                    lon=tuple(lon.tolist()),
                    lat=tuple(lat.tolist()),
                    length_m=mark.get("length_m", math.nan),
                    depth_m=mark.get("depth_m", math.nan),
                    why=mark.get("why", ""),
                )
            )
    return tuple(told)


def _datum(crs: str) -> str:
    """Name the datum of a projection in words."""
    from pyproj import CRS

    found = CRS.from_user_input(crs)
    return f"{found.name} ({found.geodetic_crs.name})" if found.geodetic_crs else found.name


def _sources_told(sources: Sequence[SourceArea]) -> tuple[tuple[str, str], ...]:
    """Name the known sources, for those who do not look at the map."""
    from washgrade.units import show_grade

    if not sources:
        return ()
    told = [f"{area.name or 'unnamed'} {show_grade(area.grade)}" for area in sources]
    more = f" and {len(told) - SOURCES_TOLD} more" if len(told) > SOURCES_TOLD else ""
    return (("Known sources", ", ".join(told[:SOURCES_TOLD]) + more),)


def _settings_told(chosen: Settings) -> tuple[tuple[str, str], ...]:
    """Name the assumptions that the page shows, in both systems."""
    from washgrade.units import show_depth, show_grade, show_length, show_volume

    def both(show: Callable[[float, str], str], value: float) -> str:
        return f"{show(value, 'metric')} ({show(value, 'us')})"

    return (
        ("Shovel load", both(show_volume, chosen.shovel_litres / 1000)),
        ("Depth of a bite", both(show_depth, chosen.bite_m)),
        ("Cut-off grade", show_grade(chosen.cutoff_grade)),
        (
            "Width of the bed where the DEM shows no banks",
            both(show_length, chosen.bed_width_m)
            if chosen.bed_width_m
            else "by the ground that drains to it",
        ),
        ("Share of the bed with streaks", show_grade(chosen.streak_share)),
        ("Air in loose sand", show_grade(chosen.porosity)),
    )
