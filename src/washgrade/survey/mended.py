"""What was mended in a DEM so that water finds its way: as marks for the map, and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from washgrade.land.dem import Dem
    from washgrade.land.drainage import Drainage
    from washgrade.land.tiles.drainage import TiledDrainage
    from washgrade.land.voids import Mended
    from washgrade.survey.ways import Ways

__all__ = ["mended_marks", "mended_sentences"]

# So many cuts and hollows are told one by one; the rest stand on the page and in the file (our choice).
TOLD = 5
# A cut shallower than this is the noise of a DEM along a bed, no dam: it is listed, but not asked about (our
# choice: lidar on bare ground is good to 0.1 or 0.15 m).
DAM_M = 0.5
# More marks than this are no list to look through; the largest are kept (our choice).
MOST_MARKS = 500
# Words of why a hollow was left, and the option whose limit it is.
_LIMITS = {"too long": "--max-breach", "too deep": "--max-breach-depth"}


def mended_marks(dem: Dem, ways: Ways, holes: Mended) -> dict[str, list[dict[str, Any]]]:
    """List the cuts, the filled hollows and the closed holes, the largest first.

    Parameters
    ----------
    dem : Dem
        The ground.
    ways : Ways
        What was cut and filled.
    holes : Mended
        The holes that were closed.

    Returns
    -------
    dict of str to list of dict
        Layers as `washgrade.files.groundtables.GroundLayers` wants them.
    """
    import numpy as np

    cuts, hollows = ways.cut_report, ways.hollow_report
    start = cuts.start.tolist()
    cut_rows = [
        {
            "name": cuts.name[k],
            "length_m": float(cuts.length_m[k]),
            "depth_m": float(cuts.depth_m[k]),
            "volume_m3": float(cuts.volume_m3[k]),
            "upstream_area_m2": float(cuts.upstream_area_m2[k]),
            "easting_m": cuts.line_easting_m[start[k] : start[k + 1]].tolist(),
            "northing_m": cuts.line_northing_m[start[k] : start[k + 1]].tolist(),
        }
        for k in np.argsort(-cuts.volume_m3, kind="stable")[:MOST_MARKS].tolist()
    ]
    hollow_rows = [
        {
            "name": hollows.name[k],
            "depth_m": float(hollows.depth_m[k]),
            "area_m2": float(hollows.area_m2[k]),
            "volume_m3": float(hollows.volume_m3[k]),
            "upstream_area_m2": float(hollows.upstream_area_m2[k]),
            "why": hollows.why[k],
            "easting_m": [float(hollows.easting_m[k])],
            "northing_m": [float(hollows.northing_m[k])],
        }
        for k in np.argsort(-hollows.volume_m3, kind="stable")[:MOST_MARKS].tolist()
    ]
    return {"cuts": cut_rows, "hollows": hollow_rows, "mended": _holes(dem, holes)}


def _holes(dem: Dem, holes: Mended) -> list[dict[str, Any]]:
    """List the closed holes, the largest first."""
    import numpy as np

    order = np.argsort(-holes.hole_cells, kind="stable")[:MOST_MARKS]
    return [
        {
            "name": f"M{place + 1}",
            "area_m2": float(holes.hole_cells[k]) * dem.cell_m**2,
            "easting_m": [float(dem.west_m + (holes.hole_col[k] + 0.5) * dem.cell_m)],
            "northing_m": [float(dem.north_m - (holes.hole_row[k] + 0.5) * dem.cell_m)],
        }
        for place, k in enumerate(order.tolist())
    ]


def _because(why: str) -> str:
    """Why a hollow was filled, as a part of a sentence."""
    return f"left by the cuts ({why})"


def _or_cut(why: str) -> str:
    """How to have a hollow cut open, if a limit kept it from being so."""
    options = [option for word, option in _LIMITS.items() if word in why]
    if not options:
        return ""
    return (
        f"; if a culvert leads out of it, with a larger {options[0]}, or the wash drawn across as --channel"
    )


def mended_sentences(
    drained: Drainage | TiledDrainage, marks: Mapping[str, Sequence[Mapping[str, Any]]], *, units: str
) -> tuple[str, ...]:
    """Say what was mended, the greatest one by one.

    Parameters
    ----------
    drained : Drainage
        What was cut and filled.
    marks : mapping
        From `mended_marks`.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    tuple of str
        Plain sentences.
    """
    from washgrade.units import show_area, show_count, show_length, show_volume

    if not drained.pits_found:
        return ("The DEM has no pits: all water finds its way out.",)

    def long(length_m: float) -> str:
        return show_length(length_m, units)

    cuts = len(drained.cuts)
    put_in = (
        f"raised or filled ({show_volume(drained.filled_volume_m3, units)} put in, up to "
        f"{long(drained.deepest_fill_m)} deep)"
    )
    told = [f"{show_count(drained.pits_found, 'pit')} in the DEM, {put_in}."]
    if cuts:
        # What drawn channels were carved by is told of beside them, and is no cut.
        carved_m3 = 0.0 if drained.burned is None else drained.burned.volume_m3
        told = [
            f"{show_count(drained.pits_found, 'pit')} in the DEM, {cuts} of them opened by cuts, the longest "
            f"{long(float(drained.cuts.length_m.max()))} "
            f"({show_volume(max(drained.cut_volume_m3 - carved_m3, 0.0), units)} taken away), the others "
            f"{put_in}."
        ]
    # Where most water passes, a wrong cut does most harm.
    dams = sorted(
        (mark for mark in marks["cuts"] if mark["depth_m"] >= DAM_M),
        key=lambda mark: -mark["upstream_area_m2"],
    )
    for mark in dams[:TOLD]:
        told.append(
            f"{mark['name']}: a dam cut open, {long(mark['length_m'])} long and up to "
            f"{long(mark['depth_m'])} deep; {show_area(mark['upstream_area_m2'], units)} of ground drains "
            "through. Is there a culvert? "
            f"If the dam stands, build again with --keep-dam {mark['name']}."
        )
    for mark in marks["hollows"][:TOLD]:
        told.append(
            f"{mark['name']}: a hollow of {show_area(mark['area_m2'], units)} filled, up to "
            f"{long(mark['depth_m'])} deep, {_because(mark['why'])}; "
            f"{show_area(mark['upstream_area_m2'], units)} of ground drains through. If water stays or sinks "
            f"there, build again with --sink {mark['name']}{_or_cut(mark['why'])}."
        )
    listed = sum(len(marks[layer]) for layer in ("cuts", "hollows"))
    more = listed - len(dams[:TOLD]) - len(marks["hollows"][:TOLD])
    if more:
        what = (
            "cuts and hollows, shallow or small, are" if more > 1 else "cut or hollow, shallow or small, is"
        )
        told.append(f"{more} more {what} listed on the page and in site.gpkg.")
    return tuple(told)
