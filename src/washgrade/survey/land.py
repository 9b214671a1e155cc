"""Building the ground of a site from DEMs."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import GroundError, GroundWarning
from washgrade.survey.drawn import read_drawn
from washgrade.survey.mended import mended_marks, mended_sentences
from washgrade.survey.steps import Progress, settings, stage
from washgrade.survey.ways import find_network, find_ways
from washgrade.units import show_count, show_share

if TYPE_CHECKING:
    from washgrade.files.groundtables import GroundLayers
    from washgrade.files.settings import Settings
    from washgrade.files.site import Site
    from washgrade.land.channels import Channels
    from washgrade.land.dem import Dem
    from washgrade.land.grids import MakeGrid
    from washgrade.land.inherit import Inherited
    from washgrade.land.voids import Mended
    from washgrade.land.water import Water
    from washgrade.survey.ways import Ways

__all__ = ["WRITING", "GroundMade", "build_ground"]

WRITING = "writing the site"
"""Name of the step before which nothing of the site is changed."""

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
    units : {"us", "metric"}
        Units of the sentences.
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
    marks : mapping of str to sequence of mapping
        Cuts through dams, hollows filled and holes mended, each with its name, size and place.
    drop_rows : tuple of mapping
        Table of the constant-drop test, if it was made.
    drop_sentences : tuple of str
        The same in plain words.
    sentences : tuple of str
        The report in plain words.
    doubts : tuple of str
        What a person should look at.
    """

    site: Path
    units: str
    crs: str
    cell_m: float
    channel_area_m2: float
    nodes: int
    reaches: int
    washes: int
    length_m: float
    marks: Mapping[str, Sequence[Mapping[str, Any]]]
    drop_rows: tuple[Mapping[str, Any], ...]
    drop_sentences: tuple[str, ...]
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
            **{layer: [dict(mark) for mark in marks] for layer, marks in self.marks.items()},
            "drop_test": [dict(row) for row in self.drop_rows],
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
    channel_file: Path | str | None = None,
    keep_dam_file: Path | str | None = None,
    sink_file: Path | str | None = None,
    source_file: Path | str | None = None,
    z_unit: str | None = None,
    dem_crs: str | None = None,
    crs: str | None = None,
    cell_m: float | None = None,
    channel_area_m2: float | None = None,
    heads: str | None = None,
    max_reach_m: float | None = None,
    max_breach_m: float | None = None,
    max_breach_depth_m: float | None = None,
    drop_table: bool = False,
    memory_bytes: int | None = None,
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
        Vector files; what the site had stays where one is left out, "none" takes it away.
    channel_file : Path or str, optional
        Washes as drawn or recorded by GPS, which the network shall follow; kept and left out likewise.
    keep_dam_file, sink_file : Path or str, optional
        Dams that no cut may pass, and places where water sinks or stays: a vector file, or the name of a cut
        or hollow in the report of the last build.
    source_file : Path or str, optional
        Known sources: areas with the grade of the sand that their rock gives, see
        `washgrade.files.vectors.read_sources`; kept and left out likewise.
    z_unit, dem_crs, crs : str, optional
        See `washgrade.files.rasters.read_dems`.
    cell_m : float, optional
        Side of a cell, metres; the DEM's own if left out.
    channel_area_m2 : float, optional
        Ground that feeds the head of a channel, square metres; the site's setting if left out, and the
        constant-drop test if that is 0.
    heads : {"area", "slope-area"}, optional
        How channels begin; the site's setting if left out.
    max_reach_m, max_breach_m, max_breach_depth_m : float, optional
        Longest reach, longest and deepest cut, metres; the site's settings if left out.
    drop_table : bool, default False
        Make the constant-drop test even where the area is told.
    memory_bytes : int, optional
        Memory that the program may take. A ground that takes more is worked on by tiles, with the same
        result and its grids in scratch files. Seven tenths of what is free unless told.
    units : {"us", "metric"}, optional
        Units of the report, and of a new site.
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
        If the folder cannot be written, or the disk has no room for scratch files.
    InputError
        If a value is out of its limits.
    """
    import numpy as np

    from washgrade.checks import choice, number
    from washgrade.files.bigdem import Room
    from washgrade.files.groundstore import has_ground, load_facts, save_ground
    from washgrade.files.memory import budget_bytes, plan_memory
    from washgrade.files.rasters import MOST_CELLS, read_dems
    from washgrade.files.settings import Settings
    from washgrade.files.site import check_place, make_site, open_site
    from washgrade.land import kernel
    from washgrade.land.tiles.warm import warm_up_tiles
    from washgrade.land.voids import mend_voids
    from washgrade.land.warm import warm_up
    from washgrade.land.water import find_water, without_sea

    for name, value in (
        ("channel_area_m2", channel_area_m2),
        ("max_reach_m", max_reach_m),
        ("cell_m", cell_m),
    ):
        if value is not None:
            number(name, value, above=0)
    if heads is not None:
        choice("heads", heads, ("area", "slope-area"))
    budget = budget_bytes(memory_bytes)
    folder = Path(site)
    check_place(folder)
    kept = settings(folder) if (folder / "site.toml").is_file() else Settings(units=units or "metric")
    shown = units or kept.units
    with _told_in(shown), Room(budget) as room:
        # Read everything before anything is written, so that a wrong file leaves no half-made site.
        raw, report = read_dems(
            dems,
            z_unit=z_unit,
            dem_crs=dem_crs,
            crs=crs,
            cell_m=cell_m,
            most_cells=MOST_CELLS if memory_bytes is None else kernel.MOST_CELLS,
            room=room,
            units=shown,
            progress=stage(progress, 0.0, 0.3),
        )
        plan = plan_memory(raw.shape, budget=budget, is_told=memory_bytes is not None)
        if not plan.by_tiles:
            raw = replace(raw, elevation_m=room.in_memory(raw.elevation_m))
        _refuse_hopeless(raw)
        stage(progress, 0.3, 0.8)("getting the compiled loops ready", 0.0)
        warm_up()
        if plan.by_tiles:
            warm_up_tiles()
        make = room.zeros if plan.by_tiles else np.zeros
        mended = mend_voids(raw, make=make)
        water = find_water(mended.dem, make=make)
        dem = without_sea(mended.dem, water, make=make)
        room.keep_only(mended.dem.elevation_m, water.kind, dem.elevation_m)
        standing = open_site(folder) if (folder / "site.toml").is_file() else None
        if standing is not None and not has_ground(standing):
            standing = None
        drawn = read_drawn(
            {
                "property": property_file,
                "no_go": no_go_file,
                "access": access_file,
                "drawn_channels": channel_file,
                "kept_dams": keep_dam_file,
                "sinks": sink_file,
                "sources": source_file,
            },
            dem=dem,
            site=standing,
        )
        ways = find_ways(
            dem,
            drawn,
            plan=plan,
            room=room,
            # 0 in the settings means by cell size, which `condition_and_route` knows.
            max_breach_m=max_breach_m if max_breach_m is not None else kept.max_breach_m or None,
            max_breach_depth_m=max_breach_depth_m
            if max_breach_depth_m is not None
            else kept.max_breach_depth_m or None,
            progress=stage(progress, 0.3, 0.8),
        )
        network = find_network(
            ways,
            channel_area_m2=channel_area_m2 or kept.channel_area_m2,
            heads=heads or kept.heads,
            max_reach_m=max_reach_m or kept.max_reach_m,
            drop_table=drop_table,
            units=shown,
        )
        named = _named(network.channels, dem, standing)
        channels = named.channels
        tell = stage(progress, 0.8, 1.0)
        tell("measuring the washes", 0.1)
        room.rest()
        layers, noted, doubts = _layers(dem, ways, named, water, mended, make=make)
        room.rest()
        sources = drawn.sources(dem, directions=ways.directions, cell=channels.nodes.cell, make=make)
        layers = replace(layers, sources=sources)
        if sources is not None:
            noted = (*noted, sources.sentence(channels.nodes))
        tell(WRITING, 0.6)
        made = make_site(folder, kept)
        # An invented place stays invented when its ground is built anew.
        invented = invented or (standing is not None and bool(load_facts(made).more.get("invented")))
        length_m = float(channels.reaches.length_m.sum())
        washes = int((channels.reaches.downstream < 0).sum())
        doubts = (*doubts, *_cells_too_large(dem, channels, kept, report.source_cell_m, shown))
        sentences = (
            *report.sentences,
            plan.sentence,
            *mended.sentences(shown),
            *water.sentences(shown),
            *mended_sentences(ways.drained, layers.marks, units=shown),
            *network.sentences,
            _counted(channels, length_m, washes, shown),
            *([named.sentence] if named.sentence else []),
            *noted,
            # Nearly every DEM has some of these, so they are told and not warned of.
            *doubts,
        )
        room.rest()
        save_ground(
            made,
            replace(dem, elevation_m=ways.conditioned_m),
            channels,
            layers,
            replace(report, sentences=sentences, doubts=(*report.doubts, *doubts)),
            shapes=drawn.given,
            more={"max_reach_m": max_reach_m or kept.max_reach_m, "invented": invented},
        )
        tell("done", 1.0)
        off_ground = _samples_off_ground(made)
        for sentence in off_ground:
            warnings.warn(sentence, GroundWarning, stacklevel=2)
    return GroundMade(
        site=folder,
        units=shown,
        crs=dem.crs,
        cell_m=dem.cell_m,
        channel_area_m2=channels.channel_area_m2,
        nodes=len(channels.nodes),
        reaches=len(channels.reaches),
        washes=washes,
        length_m=length_m,
        marks=layers.marks,
        drop_rows=network.drop_rows,
        drop_sentences=network.drop_sentences,
        sentences=sentences,
        doubts=(*report.doubts, *doubts, *off_ground),
    )


def _named(channels: Channels, dem: Dem, standing: Site | None) -> Inherited:
    """Name the reaches so that each place keeps the id that it had."""
    from washgrade.files.groundstore import load_places
    from washgrade.land.inherit import inherit_ids
    from washgrade.land.places import no_places

    places = no_places() if standing is None else load_places(standing, crs=dem.crs)
    return inherit_ids(channels, places, cell_m=dem.cell_m)


def _layers(
    dem: Dem, ways: Ways, named: Inherited, water: Water, mended: Mended, *, make: MakeGrid
) -> tuple[GroundLayers, tuple[str, ...], tuple[str, ...]]:
    """Measure the channels; with the layers comes what to say of them, and what to doubt."""
    import numpy as np

    from washgrade.files.groundtables import GroundLayers
    from washgrade.land.beside import channels_beside
    from washgrade.land.edges import edge_cut
    from washgrade.land.fans import find_fans
    from washgrade.land.reachsections import reach_sections
    from washgrade.land.reachshape import reach_shape
    from washgrade.land.shape import measure_shape

    whole, channels = mended.dem, named.channels
    nodes = channels.nodes
    # On the ground as it was read: a cut of one cell is no bed.
    shape = measure_shape(whole, channels)
    fans = find_fans(whole, channels)
    beside = channels_beside(channels, cell_m=dem.cell_m)
    edges = edge_cut(
        dem.elevation_m, ways.directions, cell=nodes.cell, downstream=nodes.downstream, make=make
    )
    layers = GroundLayers(
        shape=shape,
        sections=reach_sections(whole, channels, width_m=reach_shape(channels, shape).width_m),
        edge_share=np.where(edges.is_lower_bound, edges.edge_share, 0.0),
        is_on_water=water.is_on_water(nodes.cell),
        is_on_fan=fans.reach_on_fan,
        is_beside=beside.reach_beside,
        places=named.places,
        marks=mended_marks(dem, ways, mended),
    )
    noted = []
    if fans.reach_on_fan.any():
        noted.append(fans.sentence)
    if beside.reach_beside.any():
        noted.append(beside.sentence)
    return layers, tuple(noted), edges.sentences


def _cells_too_large(
    dem: Dem, channels: Channels, kept: Settings, source_cell_m: float, units: str
) -> tuple[str, ...]:
    """Say what suffers where the cells are too large for the beds."""
    import math

    from washgrade.land.fitness import cell_doubt, expected_width_m

    told = cell_doubt(
        dem.cell_m,
        kept.bed_width_m or expected_width_m(channels.nodes.upstream_area_m2),
        source_cell_m=source_cell_m if math.isfinite(source_cell_m) else None,
        units=units,
    )
    return (told,) if told else ()


def _counted(channels: Channels, length_m: float, washes: int, units: str) -> str:
    """Say how much channel there is."""
    from washgrade.units import show_length

    longest_m = float(channels.reaches.length_m.max())
    return (
        f"{show_count(len(channels.reaches), 'reach')} of up to {show_length(longest_m, units)} on "
        f"{show_length(length_m, units)} of channel; water leaves in {show_count(washes, 'place')}."
    )


@contextmanager
def _told_in(units: str) -> Iterator[None]:
    """Tell what is wrong with the ground in the reader's units."""
    try:
        yield
    except GroundError as error:
        raise GroundError(error.sentence(units)) from None


def _refuse_hopeless(dem: Dem) -> None:
    """Refuse heights that can tell nothing, and doubt those that tell little."""
    from washgrade.files.bigdem import known_range
    from washgrade.units import show_height, show_length

    rows, cols = dem.shape
    known, low, high = known_range(dem.elevation_m)
    if min(rows, cols) < LEAST_SIDE or known < LEAST_SIDE**2:
        raise GroundError(
            lambda units: (
                f"The ground has {rows} rows and {cols} columns of {show_length(dem.cell_m, units)}, "
                f"{known} cells of it known. It must have at least {LEAST_SIDE} by {LEAST_SIDE} cells that "
                "are not void."
            )
        )
    if high - low <= 0.0:
        raise GroundError(
            lambda units: f"The ground is flat: all its heights are {show_height(low, units)}. Is it a DEM?"
        )
    if known < MOSTLY_VOID * rows * cols:
        warnings.warn(
            f"{show_share(1 - known / (rows * cols))} of the ground is void. If the files should touch, "
            "check that none is missing.",
            GroundWarning,
            stacklevel=2,
        )


def _samples_off_ground(site: Site) -> tuple[str, ...]:
    """Say so when the notebook holds records that do not lie on this ground."""
    from washgrade.files.groundstore import load_facts
    from washgrade.files.notebook import read_records

    facts = load_facts(site)
    samples = read_records(site, "samples")
    off = sum(not facts.contains(sample.easting_m, sample.northing_m) for sample in samples)
    if not off:
        return ()
    return (
        f"{off} of the {len(samples)} samples in the notebook do not lie on this ground. "
        "Is it the right DEM?",
    )
