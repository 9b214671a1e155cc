"""The whole job, step by step: the only module that knows the order of the steps.

Every answer is a pure function of the ground, the notebook, the settings and a date; nothing is remembered
between calls.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade import __version__
from washgrade.errors import GroundError, InputError, SiteError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.rank import Spread
    from washgrade.dig.stock import Stock
    from washgrade.files.groundstore import GroundFacts
    from washgrade.files.notebook import Added
    from washgrade.files.sample import Sample
    from washgrade.files.settings import Settings
    from washgrade.files.site import Site
    from washgrade.land.channels import Channels
    from washgrade.page.view import PageView
    from washgrade.sand.grade import GradeEstimate

__all__ = [
    "Check",
    "Demo",
    "Entered",
    "Estimate",
    "GroundMade",
    "Ranking",
    "add",
    "build_ground",
    "check",
    "enter_sample",
    "estimate",
    "export",
    "grade_as_json",
    "notebook",
    "page_view",
    "rank",
    "run_demo",
    "samples_as_json",
    "settings",
    "strike",
    "write_page",
]

Progress = Callable[[str, float], None]

# The joint draws come from one fixed stream, so that the same question gets the same answer.
SEED = 1877


def _silent(_step: str, _share: float) -> None:
    """Tell nobody how far it is."""


def _stage(progress: Progress | None, begin: float, end: float) -> Progress:
    """Give one step its part of the whole bar."""
    tell = progress or _silent
    return lambda step, share: tell(step, begin + (end - begin) * share)


def _day(on: str | date | None) -> date:
    """Read a date; today where none is given."""
    if on is None:
        return date.today()
    if isinstance(on, datetime):
        return on.date()
    if isinstance(on, date):
        return on
    try:
        return date.fromisoformat(on.strip())
    except ValueError:
        raise InputError(f"Invalid 'on' of {on!r}. It must be a date such as 2025-03-04.") from None


def settings(site: Path | str) -> Settings:
    """Read the settings of a site.

    Parameters
    ----------
    site : Path or str
        The site folder.

    Returns
    -------
    Settings
        What ``site.toml`` says.

    Raises
    ------
    SiteError
        If there is no such site.
    InputError
        If ``site.toml`` holds something wrong.
    """
    from washgrade.files.site import open_site

    return open_site(site).settings


# ---------------------------------------------------------------------------------------------------- ground


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
    from washgrade.files.groundstore import save_ground
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
        dems, z_unit=z_unit, dem_crs=dem_crs, crs=crs, cell_m=cell_m, progress=_stage(progress, 0.0, 0.3)
    )
    shapes = {
        "property_areas": read_areas(property_file, crs=dem.crs) if property_file else None,
        "no_go": read_areas(no_go_file, crs=dem.crs) if no_go_file else None,
        "access": read_points(access_file, crs=dem.crs) if access_file else None,
    }
    folder = Path(site)
    kept = settings(folder) if (folder / "site.toml").is_file() else Settings(units=units or "metric")
    if max_breach_m is None:
        # 0.0 in the settings means by cell size, which `condition_and_route` knows.
        max_breach_m = kept.max_breach_m or None
    drained = condition_and_route(dem, max_breach_m=max_breach_m, progress=_stage(progress, 0.3, 0.8))
    area_m2 = channel_area_m2 or kept.channel_area_m2
    chosen = f"Channels begin at {area_m2:,.0f} m² of upstream area, as told."
    if not area_m2:
        test = constant_drop(
            drained.conditioned_m, drained.directions, drained.upstream_cells, cell_m=dem.cell_m
        )
        area_m2, chosen = test.channel_area_m2, test.sentence
    channels = delineate(
        dem,
        drained.conditioned_m,
        drained.directions,
        drained.upstream_cells,
        channel_area_m2=area_m2,
        max_reach_m=max_reach_m or kept.max_reach_m,
    )
    _stage(progress, 0.8, 1.0)("writing the site", 0.2)
    made = make_site(folder, kept)
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
        replace(report, sentences=(*report.sentences, *sentences, counted)),
        more={"max_reach_m": max_reach_m or kept.max_reach_m, "invented": invented},
        **shapes,
    )
    _stage(progress, 0.8, 1.0)("done", 1.0)
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
        doubts=report.doubts,
    )


def _drainage_sentences(drained: Any) -> tuple[str, ...]:
    """Say what was mended in the DEM."""
    cuts = len(drained.cuts)
    if not drained.pits_found:
        return ("The DEM has no pits: all water finds its way out.",)
    longest = f", the longest {drained.cuts.length_m.max():.0f} m" if cuts else ""
    return (
        f"{drained.pits_found} pits: {cuts} opened by cuts{longest} "
        f"({drained.cut_volume_m3:,.0f} m³ taken away), {drained.pits_filled} filled "
        f"({drained.filled_volume_m3:,.0f} m³ put in, up to {drained.deepest_fill_m:.1f} m deep).",
    )


# -------------------------------------------------------------------------------------------------- notebook


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """One record that was entered.

    Parameters
    ----------
    sample : Sample
        The record.
    new : bool
        False where the notebook held it already.
    offset_m : float
        How far it lies from the nearest channel, metres.
    reach_id : str
        The reach it was laid on; empty where it lies too far off.
    """

    sample: Sample
    new: bool
    offset_m: float
    reach_id: str

    @property
    def sentence(self) -> str:
        """What happened, in plain words."""
        if not self.new:
            return f"The notebook has this record already, as {self.sample.id}."
        grade = "a trace" if self.sample.grade is None else f"grade {self.sample.grade:.1%}"
        where = (
            f"on reach {self.reach_id}, {self.offset_m:.0f} m from the middle of its channel"
            if self.reach_id
            else f"but {self.offset_m:.0f} m from the nearest channel: too far to count until the ground, "
            "its place or 'snap_max_m' is mended"
        )
        return f"Entered {self.sample.id}: {grade}, {where}."


def _ground(site: Path | str) -> tuple[Site, GroundFacts]:
    """Open a site that has a ground."""
    from washgrade.files.groundstore import load_facts
    from washgrade.files.site import open_site

    opened = open_site(site)
    return opened, load_facts(opened)


def add(
    site: Path | str,
    path: Path | str,
    *,
    kind: str = "samples",
    keep_good: bool = False,
    today: date | None = None,
) -> Added:
    """Take in a file of records: all of it, or nothing if a row is wrong.

    Parameters
    ----------
    site : Path or str
        The site folder.
    path : Path or str
        CSV, GeoJSON, GPX or another vector file.
    kind : {"samples"}, default "samples"
        What the records are.
    keep_good : bool, default False
        Take in the good rows of a file that has faulty ones.
    today : date, optional
        The last day a record may have.

    Returns
    -------
    Added
        What is new, what was there already, what was left out.

    Raises
    ------
    FileFaults
        With every fault of the file, unless ``keep_good``.
    RecordError
        If the file cannot be read at all.
    SiteError
        If the site has no ground or cannot be written.
    """
    from washgrade.checks import choice
    from washgrade.files.columns import KINDS
    from washgrade.files.notebook import import_samples

    choice("kind", kind, tuple(KINDS))
    opened, facts = _ground(site)
    return import_samples(
        opened,
        path,
        crs=facts.crs,
        contains=facts.contains,
        today=today or date.today(),
        keep_good=keep_good,
    )


def enter_sample(site: Path | str, cells: Mapping[str, object], *, today: date | None = None) -> Entered:
    """Enter one sample.

    Parameters
    ----------
    site : Path or str
        The site folder.
    cells : mapping of str to object
        Values by the column names of a file of records.
    today : date, optional
        The last day it may have, and the day it has where none is given.

    Returns
    -------
    Entered
        The record and the reach it lies on.

    Raises
    ------
    FileFaults
        With every fault of the values.
    SiteError
        If the site has no ground or cannot be written.
    """
    import numpy as np

    from washgrade.files.groundstore import load_channels
    from washgrade.files.notebook import add_samples
    from washgrade.files.records import make_sample
    from washgrade.sand.along import snap

    day = today or date.today()
    opened, facts = _ground(site)
    given = {name: value for name, value in cells.items() if value not in (None, "", False)}
    given.setdefault("time", day.isoformat())
    sample = make_sample(given, crs=facts.crs, contains=facts.contains, today=day)
    done = add_samples(opened, [sample])
    channels = load_channels(opened)
    node, offset_m = snap(
        channels.nodes, easting_m=np.array([sample.easting_m]), northing_m=np.array([sample.northing_m])
    )
    on_channel = offset_m[0] <= opened.settings.snap_max_m
    return Entered(
        sample=sample,
        new=bool(done.added),
        offset_m=float(offset_m[0]),
        reach_id=str(channels.reaches.reach_id[channels.nodes.reach[node[0]]]) if on_channel else "",
    )


def notebook(site: Path | str, *, on: str | date | None = None, struck: bool = False) -> list[Sample]:
    """List the samples of the notebook, oldest first.

    Parameters
    ----------
    site : Path or str
        The site folder.
    on : str or date, optional
        Leave out what was taken after this day.
    struck : bool, default False
        Give the struck ones too.

    Returns
    -------
    list of Sample
        The records.

    Raises
    ------
    SiteError
        If the site cannot be read.
    InputError
        If the date is none.
    """
    from washgrade.files.notebook import read_samples
    from washgrade.files.site import open_site

    return read_samples(open_site(site), on=_day(on) if on is not None else None, struck=struck)


def samples_as_json(samples: Sequence[Sample]) -> list[dict[str, Any]]:
    """Lay samples out for other programs.

    Parameters
    ----------
    samples : sequence of Sample
        The records.

    Returns
    -------
    list of dict
        Names of the data dictionary, SI units, None for what was not said.
    """
    from washgrade.files.sample import sample_rows

    return [row | {"trace": row["trace"] == "yes"} for row in sample_rows(samples)]


def strike(site: Path | str, record_id: str, *, why: str) -> Sample:
    """Strike a record: it stays on file, marked, and counts no more.

    Parameters
    ----------
    site : Path or str
        The site folder.
    record_id : str
        Its id, or the beginning of it.
    why : str
        The reason.

    Returns
    -------
    Sample
        The record as it stands now.

    Raises
    ------
    RecordError
        If no record goes by the id, several do, or it is struck already.
    SiteError
        If the site cannot be written.
    """
    from washgrade.files.notebook import strike as strike_record

    opened, _facts = _ground(site)
    return strike_record(opened, record_id, why=why)


# --------------------------------------------------------------------------------------------------- answers


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """The grade along the channels on one day, and what it rests on.

    Parameters
    ----------
    site : Site
        The site.
    day : date
        The day.
    facts : GroundFacts
        The ground in short.
    settings : Settings
        The site's settings.
    channels : Channels
        Nodes and reaches.
    samples : tuple of Sample
        The records that stood on that day.
    grade : GradeEstimate
        Grades with their doubt.
    """

    site: Site
    day: date
    facts: GroundFacts
    settings: Settings
    channels: Channels
    samples: tuple[Sample, ...]
    grade: GradeEstimate

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the estimate rests on, in plain words."""
        seen = self.grade.observations
        used = len(seen)
        found = [f"Rests on {used} reading{'s' if used != 1 else ''} of the bed."]
        if not used:
            found = ["No sample counts yet: what is shown is what is thought of any such wash beforehand."]
        if seen.unplaced:
            names = ", ".join(f"{name[:8]} ({offset_m:.0f} m)" for name, offset_m in seen.unplaced[:5])
            more = f" and {len(seen.unplaced) - 5} more" if len(seen.unplaced) > 5 else ""
            found.append(
                f"Too far from any channel to count: {names}{more}. Check their places, or raise "
                "'snap_max_m' in site.toml."
            )
        found += [f"Not counted: {name[:8]}, because {why}" for name, why in seen.left_out]
        return tuple(found)


def estimate(site: Path | str, *, on: str | date | None = None, progress: Progress | None = None) -> Estimate:
    """Estimate the grade along every channel of a site on a day.

    Parameters
    ----------
    site : Path or str
        The site folder.
    on : str or date, optional
        The day; later records are left out. Today if left out.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Estimate
        Grades with their doubt, and what they rest on.

    Raises
    ------
    SiteError
        If the site has no ground or cannot be read.
    InputError
        If the date or a setting is wrong.
    """
    import numpy as np

    from washgrade.files.groundstore import load_channels
    from washgrade.files.notebook import read_samples
    from washgrade.files.sample import as_arrays
    from washgrade.sand.grade import estimate_grade
    from washgrade.sand.layers import Samples

    day = _day(on)
    tell = progress or _silent
    opened, facts = _ground(site)
    chosen = opened.settings
    tell("reading the site", 0.0)
    channels = load_channels(opened)
    samples = read_samples(opened, on=day)
    arrays = as_arrays(samples)
    found = estimate_grade(
        channels,
        Samples(**arrays),
        rng=np.random.default_rng(SEED),
        settings=chosen.sampling,
        cutoff_grade=chosen.cutoff_grade,
        progress=lambda share: tell("weighing what the samples say", 0.1 + 0.9 * share),
    )
    return Estimate(
        site=opened,
        day=day,
        facts=facts,
        settings=chosen,
        channels=channels,
        samples=tuple(samples),
        grade=found,
    )


def _spread_json(found: Spread, place: int) -> dict[str, float]:
    """One reach's quantity with its doubt."""
    return {name: float(getattr(found, name)[place]) for name in ("mean", "p10", "p50", "p90")}


def grade_as_json(found: Estimate, *, nodes: bool = False) -> dict[str, Any]:
    """Lay an estimate out for other programs, by reach in the order of the ground.

    Parameters
    ----------
    found : Estimate
        The estimate.
    nodes : bool, default False
        Give every node too.

    Returns
    -------
    dict
        Stable names, SI units.
    """
    grade, reaches = found.grade, found.channels.reaches
    rows = [
        {
            "reach": str(reaches.reach_id[k]),
            "grade": {
                "mean": float(grade.reach_mean[k]),
                "p10": float(grade.reach_p10[k]),
                "p50": float(grade.reach_p50[k]),
                "p90": float(grade.reach_p90[k]),
            },
            "chance_above_cutoff": float(grade.reach_chance_above_cutoff[k]),
            "support": str(grade.reach_support[k]),
            "nearest_sample_m": float(grade.nearest_sample_m[k])
            if grade.nearest_sample_m[k] < float("inf")
            else None,
        }
        for k in range(len(reaches))
    ]
    answer: dict[str, Any] = {
        "on": found.day.isoformat(),
        "crs": found.facts.crs,
        "readings": len(grade.observations),
        "too_far": [{"id": name, "offset_m": offset_m} for name, offset_m in grade.observations.unplaced],
        "not_counted": [{"id": name, "why": why} for name, why in grade.observations.left_out],
        "reaches": rows,
    }
    if nodes:
        from washgrade.sand.grade import SUPPORT

        net = found.channels.nodes
        answer["nodes"] = [
            {
                "reach": str(reaches.reach_id[net.reach[k]]),
                "easting_m": float(net.easting_m[k]),
                "northing_m": float(net.northing_m[k]),
                "grade": {
                    "mean": float(grade.node_mean[k]),
                    "p10": float(grade.node_p10[k]),
                    "p50": float(grade.node_p50[k]),
                    "p90": float(grade.node_p90[k]),
                },
                "chance_above_cutoff": float(grade.node_chance_above_cutoff[k]),
                "support": SUPPORT[grade.node_support[k]],
            }
            for k in range(len(net))
        ]
    return answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """The reaches in order of expected yield.

    Parameters
    ----------
    estimate : Estimate
        What it rests on.
    rank : ndarray of int64, shape (reaches,)
        1 for the best.
    kg_per_load : Spread
        Magnetics in one load, kg.
    stock : Stock
        What the reaches hold.
    stock_kg : Spread
        The same in kilograms of magnetics above the cut-off.
    chance_top : ndarray of float64, shape (reaches,)
        Chance to be among the best ``top_reaches`` of those that are open.
    off_property, no_go : ndarray of bool, shape (reaches,)
        Reaches mostly outside the property line, and those that touch a no-go area: closed, ranked last.
    easting_m, northing_m, lon, lat : ndarray of float64, shape (reaches,)
        Middle of each reach, metres and WGS 84 degrees.
    """

    estimate: Estimate
    rank: NDArray[np.int64]
    kg_per_load: Spread
    stock: Stock
    stock_kg: Spread
    chance_top: NDArray[np.float64]
    off_property: NDArray[np.bool_]
    no_go: NDArray[np.bool_]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.rank)

    def notes(self, place: int) -> list[str]:
        """Say why a reach stands where it stands.

        Parameters
        ----------
        place : int
            Index of the reach.

        Returns
        -------
        list of str
            Plain sentences; what the estimate rests on is said by ``support``.
        """
        from washgrade.page.payload import DOUBT_LIMITS
        from washgrade.units import show_length

        grade, support = self.estimate.grade, str(self.estimate.grade.reach_support[place])
        notes = []
        if support in ("near", "inferred"):
            away = show_length(float(grade.nearest_sample_m[place]), self.estimate.settings.units)
            notes.append(f"The nearest sample is {away} away along the wash.")
        if grade.reach_p90[place] > DOUBT_LIMITS[-1] * grade.reach_p10[place]:
            notes.append("One sample here would tell much.")
        if self.no_go[place]:
            notes.insert(0, "In a no-go area: stay out.")
        if self.off_property[place]:
            notes.insert(0, "Outside the property line: only with permission.")
        if self.stock.depleted[place]:
            notes.append("Worked out: little is left of what it held.")
        return notes

    def as_json(self, *, top: int | None = None) -> dict[str, Any]:
        """Lay the ranking out for other programs, best first.

        Parameters
        ----------
        top : int, optional
            Only the best so many; all if left out.

        Returns
        -------
        dict
            The stable form of the design: names, SI units.

        Raises
        ------
        InputError
            If ``top`` is no whole number of at least 1.
        """
        from dataclasses import asdict

        import numpy as np

        from washgrade.checks import whole

        count = len(self.rank) if top is None else whole("top", top, at_least=1)
        found, reaches = self.estimate, self.estimate.channels.reaches
        grade = found.grade
        rows = []
        for k in np.argsort(self.rank)[:count]:
            rows.append(
                {
                    "reach": str(reaches.reach_id[k]),
                    "rank": int(self.rank[k]),
                    "easting_m": float(self.easting_m[k]),
                    "northing_m": float(self.northing_m[k]),
                    "lon": float(self.lon[k]),
                    "lat": float(self.lat[k]),
                    "length_m": float(reaches.length_m[k]),
                    "upstream_area_m2": float(reaches.upstream_area_m2[k]),
                    "slope": float(reaches.slope[k]),
                    "grade": {
                        "mean": float(grade.reach_mean[k]),
                        "p10": float(grade.reach_p10[k]),
                        "p50": float(grade.reach_p50[k]),
                        "p90": float(grade.reach_p90[k]),
                    },
                    "kg_per_load": _spread_json(self.kg_per_load, k),
                    # Ranking by hour needs walking times; null until they are there.
                    "kg_per_hour": None,
                    "chance_top": float(self.chance_top[k]),
                    "chance_above_cutoff": float(grade.reach_chance_above_cutoff[k]),
                    "stock_kg": _spread_json(self.stock_kg, k),
                    "loads_left": float(self.stock.loads_left[k]),
                    "depleted": bool(self.stock.depleted[k]),
                    "support": str(grade.reach_support[k]),
                    "notes": self.notes(int(k)),
                }
            )
        return {
            "on": found.day.isoformat(),
            "crs": found.facts.crs,
            "settings": asdict(found.settings),
            "reaches": rows,
        }


def rank(found: Estimate) -> Ranking:
    """Put the reaches in order of magnetics expected in one load.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    Ranking
        Ranks, yields, stock and chances.
    """
    import numpy as np

    from washgrade.dig.load import load_magnetics_kg
    from washgrade.dig.rank import chance_top, rank_reaches, spread
    from washgrade.dig.stock import reach_stock
    from washgrade.files.places import lonlat
    from washgrade.land.channels import middle_nodes

    chosen, reaches = found.settings, found.channels.reaches
    draws = found.grade.reach_draws
    per_load = load_magnetics_kg(draws, chosen.shovel)
    kg_per_load = spread(per_load)
    stock = reach_stock(
        length_m=reaches.length_m,
        grade_draws=draws,
        shovel=chosen.shovel,
        streak=chosen.streak,
        cutoff_grade=chosen.cutoff_grade,
    )
    off_property, no_go = _closed(found)
    closed = off_property | no_go
    open_draws = np.where(closed, -1.0, per_load)
    middle = middle_nodes(found.channels)
    easting_m = found.channels.nodes.easting_m[middle]
    northing_m = found.channels.nodes.northing_m[middle]
    lon, lat = lonlat(found.facts.crs, easting_m, northing_m)
    return Ranking(
        estimate=found,
        rank=rank_reaches(kg_per_load.mean, last=stock.depleted | closed),
        kg_per_load=kg_per_load,
        stock=stock,
        stock_kg=spread(stock.stock_kg_draws),
        chance_top=np.where(closed, 0.0, chance_top(open_draws, chosen.top_reaches)),
        off_property=off_property,
        no_go=no_go,
        easting_m=easting_m,
        northing_m=northing_m,
        lon=lon,
        lat=lat,
    )


def _closed(found: Estimate) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Find the reaches mostly outside the property line, and those that touch a no-go area."""
    import numpy as np

    from washgrade.files.groundstore import load_shapes

    nodes, count = found.channels.nodes, len(found.channels.reaches)

    def share_inside(layer: str) -> NDArray[np.float64] | None:
        areas = load_shapes(found.site, layer)
        if not areas:
            return None
        import shapely

        whole = shapely.union_all([area.geometry for area in areas])
        shapely.prepare(whole)
        inside = shapely.contains_xy(whole, nodes.easting_m, nodes.northing_m)
        number = np.maximum(np.bincount(nodes.reach, minlength=count), 1)
        share: NDArray[np.float64] = np.bincount(nodes.reach, weights=inside, minlength=count) / number
        return share

    owned, forbidden = share_inside("property"), share_inside("no_go")
    return (
        np.zeros(count, dtype=np.bool_) if owned is None else owned < 0.5,
        np.zeros(count, dtype=np.bool_) if forbidden is None else forbidden > 0.0,
    )


def page_view(ranking: Ranking, *, title: str | None = None, units: str | None = None) -> PageView:
    """Lay out what the page shows.

    Parameters
    ----------
    ranking : Ranking
        The ranking to show.
    title : str, optional
        Heading; the name of the site's folder if left out.
    units : {"us", "metric"}, optional
        Units shown first; the site's setting if left out.

    Returns
    -------
    PageView
        The page's whole content.
    """
    import numpy as np

    from washgrade.files.groundstore import load_dem, load_shapes
    from washgrade.files.places import lonlat
    from washgrade.files.terrain import relief_png
    from washgrade.land.channels import reach_lines
    from washgrade.land.dem import hillshade
    from washgrade.page.view import PageView, SampleMark

    found = ranking.estimate
    site, chosen, crs = found.site, found.settings, found.facts.crs
    reaches, grade = found.channels.reaches, found.grade
    dem = load_dem(site)
    shade = hillshade(dem, exaggeration=1.5)
    grey = np.where(np.isnan(shade), 255, 120 + 135 * np.nan_to_num(shade)).astype(np.uint8)
    relief, bounds = relief_png(dem, grey)
    easting_m, northing_m, start = reach_lines(found.channels)
    line_lon, line_lat = lonlat(crs, easting_m, northing_m)

    def rings(layer: str) -> tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...]:
        corners = [np.asarray(shape.geometry.exterior.coords) for shape in load_shapes(site, layer)]
        return tuple(lonlat(crs, ring[:, 0], ring[:, 1]) for ring in corners)

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
            grade=float("nan") if sample.grade is None else sample.grade,
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
        chance_top=ranking.chance_top,
        chance_above_cutoff=grade.reach_chance_above_cutoff,
        stock_kg=kg.mean,
        loads_left=ranking.stock.loads_left,
        depleted=ranking.stock.depleted,
        length_m=reaches.length_m,
        slope=reaches.slope,
        upstream_area_m2=reaches.upstream_area_m2,
        width_m=np.full(len(reaches), chosen.bed_width_m),
        support=tuple(str(word) for word in grade.reach_support),
        notes=tuple(tuple(ranking.notes(k)) for k in range(len(reaches))),
        easting_m=ranking.easting_m,
        northing_m=ranking.northing_m,
        lon=ranking.lon,
        lat=ranking.lat,
        samples=marks,
        property_rings=rings("property"),
        no_go_rings=rings("no_go"),
        access=tuple(gates),
        relief_png=relief,
        relief_bounds=bounds,
        cutoff_grade=chosen.cutoff_grade,
        top=chosen.top_reaches,
        settings=_settings_told(chosen),
        cautions=(),
    )


def _datum(crs: str) -> str:
    """Name the datum of a projection in words."""
    from pyproj import CRS

    found = CRS.from_user_input(crs)
    return f"{found.name} ({found.geodetic_crs.name})" if found.geodetic_crs else found.name


def _settings_told(chosen: Settings) -> tuple[tuple[str, str], ...]:
    """Name the assumptions that the page shows."""
    return (
        ("Shovel load", f"{chosen.shovel_litres:g} L"),
        ("Depth of a bite", f"{100 * chosen.bite_m:g} cm"),
        ("Cut-off grade", f"{chosen.cutoff_grade:.1%}"),
        ("Width of the bed", f"{chosen.bed_width_m:g} m"),
        ("Share of the bed with streaks", f"{chosen.streak_share:.0%}"),
        ("Air in loose sand", f"{chosen.porosity:.0%}"),
    )


def write_page(
    site: Path | str,
    *,
    out: Path | str | None = None,
    title: str | None = None,
    on: str | date | None = None,
    units: str | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write the map of a site as one HTML file.

    Parameters
    ----------
    site : Path or str
        The site folder.
    out : Path or str, optional
        Where; ``out/page.html`` in the site if left out.
    title : str, optional
        Heading; the name of the site's folder if left out.
    on : str or date, optional
        The day; today if left out.
    units : {"us", "metric"}, optional
        Units shown first; the site's setting if left out.
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
        If the date or a setting is wrong.
    """
    from washgrade.files.site import replacing
    from washgrade.page.build import render_page

    found = estimate(site, on=on, progress=_stage(progress, 0.0, 0.6))
    _stage(progress, 0.6, 1.0)("drawing", 0.0)
    content = render_page(page_view(rank(found), title=title, units=units))
    path = Path(out) if out is not None else found.site.out / "page.html"
    if out is None:
        found.site.out.mkdir(exist_ok=True)
    with replacing(path) as draft:
        draft.write_bytes(content)
    return path


def export(
    site: Path | str,
    *,
    form: str,
    what: str = "reaches",
    top: int | None = None,
    out: Path | str | None = None,
    on: str | date | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write reaches or samples for other programs.

    Parameters
    ----------
    site : Path or str
        The site folder.
    form : {"csv", "geojson", "gpx"}
        The format.
    what : {"reaches", "samples"}, default "reaches"
        What to write.
    top : int, optional
        Only the best reaches; all if left out.
    out : Path or str, optional
        Where; in the site's ``out`` if left out.
    on : str or date, optional
        The day; today if left out.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the format, the kind or the date is wrong.
    SiteError
        If the site has no ground, or the file cannot be written.
    """
    import numpy as np

    from washgrade.checks import choice
    from washgrade.files.exchange import FORMATS
    from washgrade.files.places import lonlat
    from washgrade.files.sample import sample_rows
    from washgrade.files.site import open_site
    from washgrade.land.channels import reach_lines

    choice("to", form, tuple(FORMATS))
    choice("what", what, ("reaches", "samples"))
    opened = open_site(site)
    path = Path(out) if out is not None else opened.out / f"{what}.{form}"
    if out is None:
        opened.out.mkdir(exist_ok=True)
    rows: list[dict[str, Any]]
    shapes: list[NDArray[np.float64]]
    if what == "samples":
        samples = notebook(site, on=on)
        rows = [
            {"name": sample.place or sample.id[:8]} | row
            for sample, row in zip(samples, sample_rows(samples), strict=True)
        ]
        shapes = [np.array([sample.lon, sample.lat]) for sample in samples]
    else:
        ranking = rank(estimate(site, on=on, progress=progress))
        found = ranking.estimate
        easting_m, northing_m, start = reach_lines(found.channels)
        line = np.column_stack(lonlat(found.facts.crs, easting_m, northing_m))
        index = {str(name): k for k, name in enumerate(found.channels.reaches.reach_id)}
        rows, shapes = [], []
        for entry in ranking.as_json(top=top)["reaches"]:
            k = index[entry["reach"]]
            rows.append(_flat(entry))
            shapes.append(line[start[k] : start[k + 1]])
    FORMATS[form](path, rows, shapes)
    return path


def _flat(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Lay a nested row flat: ``grade_p10`` for ``grade`` > ``p10``; sentences joined."""
    flat: dict[str, Any] = {"name": entry["reach"]}
    for name, value in entry.items():
        if isinstance(value, Mapping):
            flat |= {f"{name}_{part}": number for part, number in value.items()}
        elif isinstance(value, list):
            flat[name] = " ".join(value)
        elif value is not None:
            flat[name] = value
    return flat


# ---------------------------------------------------------------------------------------------------- checks


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What looking over a site found.

    Parameters
    ----------
    fine : tuple of str
        What is whole.
    doubts : tuple of str
        What a person should look at.
    """

    fine: tuple[str, ...]
    doubts: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Lay it out for other programs.

        Returns
        -------
        dict
            Two lists of sentences.
        """
        return {"fine": list(self.fine), "doubts": list(self.doubts)}


def check(site: Path | str) -> Check:
    """Look over a site: whether it is whole, and which records look wrong.

    Parameters
    ----------
    site : Path or str
        The site folder.

    Returns
    -------
    Check
        What is fine, and what to look at.

    Raises
    ------
    SiteError
        If the folder is no site.
    """
    from washgrade.files.geopackage import intact
    from washgrade.files.groundstore import load_dem
    from washgrade.files.sample import as_arrays
    from washgrade.sand.doubts import doubtful_readings
    from washgrade.sand.layers import Samples

    fine, doubts = [], []
    opened, facts = _ground(site)
    faults = intact(opened.geopackage)
    if faults:
        doubts += [f"site.gpkg: {fault}" for fault in faults]
    else:
        fine.append("site.gpkg is whole.")
    try:
        load_dem(opened)
        fine.append("terrain.tif and the channels belong together.")
    except (SiteError, GroundError) as error:
        return Check(fine=tuple(fine), doubts=(*doubts, str(error)))
    doubts += facts.doubts
    found = estimate(site)
    seen = found.grade.observations
    struck = len(notebook(site, struck=True)) - len(notebook(site))
    fine.append(
        f"{len(found.samples)} samples stand, {struck} struck; {len(seen)} readings count, "
        f"on {len(found.channels.reaches)} reaches."
    )
    doubts += [
        f"Sample {name}: it lies {offset_m:.0f} m from the nearest channel, farther than the "
        f"{found.settings.snap_max_m:g} m that count. Is its place right?"
        for name, offset_m in seen.unplaced
    ]
    doubts += [f"Sample {name}: not counted, because {why}" for name, why in seen.left_out]
    readings = doubtful_readings(
        found.channels, Samples(**as_arrays(found.samples)), settings=found.settings.sampling
    )
    doubts += [doubt.sentence for doubt in readings]
    return Check(fine=tuple(fine), doubts=tuple(doubts))


# ------------------------------------------------------------------------------------------------------ demo


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """The demo, laid out and run.

    Parameters
    ----------
    site : Path
        The site folder.
    page : Path
        Its map.
    sentences : tuple of str
        What was done.
    """

    site: Path
    page: Path
    sentences: tuple[str, ...]


def run_demo(folder: Path | str, *, units: str | None = None, progress: Progress | None = None) -> Demo:
    """Lay out the demo site and run the whole job on it.

    Parameters
    ----------
    folder : Path or str
        Where; made if it is missing. Laying it out again over an earlier demo is fine.
    units : {"us", "metric"}, optional
        Units that the page shows first.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Demo
        Where the page is, and what was done.

    Raises
    ------
    SiteError
        If the folder holds something else, or cannot be written.
    """
    from washgrade.demo import SLIP_NOTE, lay_out

    site = Path(folder)
    files = lay_out(site)
    made = build_ground(
        site,
        [files / "dem.tif"],
        property_file=files / "property.geojson",
        no_go_file=files / "no_go.geojson",
        access_file=files / "access.geojson",
        units=units,
        invented=True,
        progress=_stage(progress, 0.0, 0.6),
    )
    done = add(site, files / "samples.csv")
    struck = ""
    for sample in notebook(site):
        if sample.note.startswith(SLIP_NOTE):
            strike(site, sample.id, why="the decimal point slipped")
            struck = " One of them has a slipped decimal point and was struck."
    page = write_page(site, title="An invented valley", units=units, progress=_stage(progress, 0.6, 1.0))
    return Demo(
        site=site,
        page=page,
        sentences=(
            *made.sentences,
            f"{len(done.added) + len(done.already)} samples from two rainy seasons.{struck}",
        ),
    )
