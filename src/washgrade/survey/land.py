"""Building the ground of a site from DEMs."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import GroundError, GroundWarning
from washgrade.survey.steps import Progress, settings, stage

if TYPE_CHECKING:
    from washgrade.files.groundtables import GroundLayers
    from washgrade.files.site import Site
    from washgrade.files.vectors import Shape
    from washgrade.land.channels import Channels
    from washgrade.land.dem import Dem

__all__ = ["GroundMade", "build_ground"]

# Our choice, because fewer cells show no valley.
LEAST_SIDE = 10
# Share of known cells below which the ground is doubted. Our choice, because one tile of two covers half.
MOSTLY_VOID = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundMade:
    """What building the ground found.

    Parameters
    ----------
    site : Path
        The site folder.
    crs : str
        Its projected metre CRS.
    cell_m : float
        Side of a cell, metres.
    channel_area_m2 : float
        Ground that feeds the head of a channel, square metres.
    nodes, reaches, washes : int
        How many of each.
    length_m : float
        Length of all channels, metres.
    sentences : tuple of str
        The report in plain words.
    doubts : tuple of str
        What a person should look at.
    """

    site: Path
    crs: str
    cell_m: float
    channel_area_m2: float
    nodes: int
    reaches: int
    washes: int
    length_m: float
    sentences: tuple[str, ...]
    doubts: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Lay the report out for other programs.

        Returns
        -------
        dict
            Stable names, SI units.
        """
        return {
            "site": str(self.site),
            "crs": self.crs,
            "cell_m": self.cell_m,
            "channel_area_m2": self.channel_area_m2,
            "nodes": self.nodes,
            "reaches": self.reaches,
            "washes": self.washes,
            "length_m": self.length_m,
            "report": list(self.sentences),
            "doubts": list(self.doubts),
        }


def build_ground(
    site: Path | str,
    dems: Sequence[Path | str],
    *,
    property_file: Path | str | None = None,
    no_go_file: Path | str | None = None,
    access_file: Path | str | None = None,
    z_unit: str | None = None,
    dem_crs: str | None = None,
    crs: str | None = None,
    cell_m: float | None = None,
    channel_area_m2: float | None = None,
    max_reach_m: float | None = None,
    max_breach_m: float | None = None,
    units: str | None = None,
    invented: bool = False,
    progress: Progress | None = None,
) -> GroundMade:
    """Build the ground of a site from DEMs, or build it anew; the notebook is not touched.

    Parameters
    ----------
    site : Path or str
        The site folder; made if it is missing.
    dems : sequence of Path or str
        Rasters of heights.
    property_file, no_go_file, access_file : Path or str, optional
        Vector files; what the site had stays where one is left out.
    z_unit, dem_crs, crs : str, optional
        See `washgrade.files.rasters.read_dems`.
    cell_m : float, optional
        Side of a cell, metres; the DEM's own if left out.
    channel_area_m2 : float, optional
        Ground that feeds the head of a channel, square metres; the site's setting if left out, and the
        constant-drop test if that is 0.
    max_reach_m, max_breach_m : float, optional
        Longest reach and longest cut, metres; the site's settings if left out.
    units : {"us", "metric"}, optional
        Written into the settings of a new site.
    invented : bool, default False
        Whether the place does not exist, which its page then says.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    GroundMade
        The report.

    Raises
    ------
    GroundError
        If a DEM or a shape cannot be read, or there is no channel.
    SiteError
        If the folder cannot be written.
    InputError
        If a value is out of its limits.
    """
    from washgrade.checks import number
    from washgrade.files.groundstore import has_ground, load_facts, save_ground
    from washgrade.files.rasters import read_dems
    from washgrade.files.settings import Settings
    from washgrade.files.site import make_site
    from washgrade.files.vectors import read_areas, read_points
    from washgrade.land.channels import delineate
    from washgrade.land.drainage import condition_and_route
    from washgrade.land.threshold import constant_drop

    for name, value in (
        ("channel_area_m2", channel_area_m2),
        ("max_reach_m", max_reach_m),
        ("cell_m", cell_m),
    ):
        if value is not None:
            number(name, value, above=0)
    # Read everything before anything is written, so that a wrong file leaves no half-made site.
    dem, report = read_dems(
        dems, z_unit=z_unit, dem_crs=dem_crs, crs=crs, cell_m=cell_m, progress=stage(progress, 0.0, 0.3)
    )
    _refuse_hopeless(dem)
    shapes = {
        "property_areas": read_areas(property_file, crs=dem.crs) if property_file else None,
        "no_go": read_areas(no_go_file, crs=dem.crs) if no_go_file else None,
        "access": read_points(access_file, crs=dem.crs) if access_file else None,
    }
    _shapes_on_ground(
        shapes, {"property_areas": property_file, "no_go": no_go_file, "access": access_file}, dem
    )
    folder = Path(site)
    kept = settings(folder) if (folder / "site.toml").is_file() else Settings(units=units or "metric")
    if max_breach_m is None:
        # 0.0 in the settings means by cell size, which `condition_and_route` knows.
        max_breach_m = kept.max_breach_m or None
    drained = condition_and_route(dem, max_breach_m=max_breach_m, progress=stage(progress, 0.3, 0.8))
    area_m2 = channel_area_m2 or kept.channel_area_m2
    chosen = f"Channels begin at {area_m2:,.0f} m² of upstream area, as told."
    if not area_m2:
        test = constant_drop(
            drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=dem.cell_m
        )
        area_m2 = test.channel_area_m2
        chosen = test.sentence if test.passed else f"Channels begin at {area_m2:,.0f} m², which is a guess."
    channels = delineate(
        dem,
        drained.conditioned_m,
        drained.directions,
        drained.upstream_cells,
        channel_area_m2=area_m2,
        max_reach_m=max_reach_m or kept.max_reach_m,
    )
    stage(progress, 0.8, 1.0)("writing the site", 0.2)
    made = make_site(folder, kept)
    # An invented place stays invented when its ground is built anew.
    invented = invented or (has_ground(made) and bool(load_facts(made).more.get("invented")))
    conditioned = replace(dem, elevation_m=drained.conditioned_m)
    sentences = (*_drainage_sentences(drained), chosen)
    nodes, reaches = channels.nodes, channels.reaches
    length_m = float(reaches.length_m.sum())
    washes = int((reaches.downstream < 0).sum())
    counted = (
        f"{len(reaches)} reaches of up to {reaches.length_m.max():.0f} m on {length_m / 1000:.1f} km of "
        f"channel; water leaves in {washes} place{'s' if washes != 1 else ''}."
    )
    save_ground(
        made,
        conditioned,
        channels,
        _layers(dem, channels),
        replace(report, sentences=(*report.sentences, *sentences, counted)),
        more={"max_reach_m": max_reach_m or kept.max_reach_m, "invented": invented},
        **shapes,
    )
    stage(progress, 0.8, 1.0)("done", 1.0)
    off_ground = _samples_off_ground(made)
    for sentence in off_ground:
        warnings.warn(sentence, GroundWarning, stacklevel=2)
    return GroundMade(
        site=folder,
        crs=dem.crs,
        cell_m=dem.cell_m,
        channel_area_m2=area_m2,
        nodes=len(nodes),
        reaches=len(reaches),
        washes=washes,
        length_m=length_m,
        sentences=(*report.sentences, *sentences, counted),
        doubts=(*report.doubts, *off_ground),
    )


def _layers(dem: Dem, channels: Channels) -> GroundLayers:
    """Measure the channels on the ground as it was read: a cut of one cell is no bed."""
    import numpy as np

    from washgrade.files.groundtables import GroundLayers
    from washgrade.land.reachsections import reach_sections
    from washgrade.land.reachshape import reach_shape
    from washgrade.land.shape import measure_shape

    shape = measure_shape(dem, channels)
    return GroundLayers(
        shape=shape,
        sections=reach_sections(dem, channels, width_m=reach_shape(channels, shape).width_m),
        edge_share=np.zeros(len(channels.nodes)),
    )


def _drainage_sentences(drained: Any) -> tuple[str, ...]:
    """Say what was mended in the DEM."""
    cuts = len(drained.cuts)
    if not drained.pits_found:
        return ("The DEM has no pits: all water finds its way out.",)
    longest = f", the longest {drained.cuts.length_m.max():.0f} m" if cuts else ""
    return (
        f"{drained.pits_found} pits in the DEM. {cuts} of them opened by cuts{longest} "
        f"({drained.cut_volume_m3:,.0f} m³ taken away), the others raised or filled "
        f"({drained.filled_volume_m3:,.0f} m³ put in, up to {drained.deepest_fill_m:.1f} m deep).",
    )


def _refuse_hopeless(dem: Dem) -> None:
    """Refuse heights that can tell nothing, and doubt those that tell little."""
    import numpy as np

    rows, cols = dem.shape
    known = np.isfinite(dem.elevation_m)
    if min(rows, cols) < LEAST_SIDE or known.sum() < LEAST_SIDE**2:
        raise GroundError(
            f"The ground has {rows} rows and {cols} columns of {dem.cell_m:g} m, "
            f"{int(known.sum())} cells of it known. It must have at least {LEAST_SIDE} by "
            f"{LEAST_SIDE} cells that are not void."
        )
    low, high = float(np.nanmin(dem.elevation_m)), float(np.nanmax(dem.elevation_m))
    if high - low <= 0.0:
        raise GroundError(f"The ground is flat: all its heights are {low:g} m. Is it a DEM?")
    if known.mean() < MOSTLY_VOID:
        warnings.warn(
            f"{1 - known.mean():.0%} of the ground is void. If the files should touch, check that none is "
            "missing.",
            GroundWarning,
            stacklevel=2,
        )


def _shapes_on_ground(
    shapes: Mapping[str, tuple[Shape, ...] | None], files: Mapping[str, Path | str | None], dem: Dem
) -> None:
    """Refuse a property line that misses the ground, and doubt other shapes that do."""
    import shapely

    rows, cols = dem.shape
    box = shapely.box(
        dem.west_m, dem.north_m - rows * dem.cell_m, dem.west_m + cols * dem.cell_m, dem.north_m
    )
    for layer, found in shapes.items():
        if not found or any(shapely.intersects(shape.geometry, box) for shape in found):
            continue
        sentence = f"{Path(str(files[layer])).name}: nothing in it lies on the ground. Is it the right file?"
        if layer == "property_areas":
            raise GroundError(sentence)
        warnings.warn(sentence, GroundWarning, stacklevel=2)


def _samples_off_ground(site: Site) -> tuple[str, ...]:
    """Say so when the notebook holds records that do not lie on this ground."""
    from washgrade.files.groundstore import load_facts
    from washgrade.files.notebook import read_samples

    facts = load_facts(site)
    samples = read_samples(site)
    off = sum(not facts.contains(sample.easting_m, sample.northing_m) for sample in samples)
    if not off:
        return ()
    return (
        f"{off} of the {len(samples)} samples in the notebook do not lie on this ground. "
        "Is it the right DEM?",
    )
