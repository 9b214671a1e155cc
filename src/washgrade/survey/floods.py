"""The floods of a notebook: which records are one storm, and what each storm did at every place asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.files.settings import Settings
    from washgrade.files.storm import Storm
    from washgrade.land.channels import Channels
    from washgrade.land.shape import Shape
    from washgrade.storm.flood import Flood, Ground
    from washgrade.storm.rain import Hyetograph

__all__ = ["Event", "Floods", "ground_of", "moment_of", "reckon_floods", "storms_of"]

# Rains of one day whose beginnings lie farther apart are two storms; as in `washgrade.files.gauge`.
APART_DAYS = 0.25
# Where records do not say the hour: a flood came before all else on its day, a dig after all else, because a
# wash is dug when it has dried.
FLOOD_HOUR, LOOK_HOUR, SAMPLE_HOUR, DIG_HOUR = 0.0, 0.998, 0.999, 0.9995


def moment_of(time: str, otherwise_days: float) -> float:
    """Day number of a record's moment, with its part of the day.

    Parameters
    ----------
    time : str
        ISO date, or moment as the clock on the spot showed it.
    otherwise_days : float
        Part of the day where it is a date alone.

    Returns
    -------
    float
        Days; the whole part is the proleptic Gregorian ordinal.

    Examples
    --------
    >>> moment_of("2025-03-04T12:00", 0.0) - date(2025, 3, 4).toordinal()
    0.5
    """
    from washgrade.files.judging import read_moment

    found = read_moment(time)
    if found is None or "T" not in time:
        return date.fromisoformat(time[:10]).toordinal() + otherwise_days
    return found.date().toordinal() + (found.hour + found.minute / 60.0 + found.second / 3600.0) / 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One storm, from all records that speak of it.

    Parameters
    ----------
    day : date
        When it began.
    moment_days : float
        The same as a day number, with its part of the day.
    records : tuple of Storm
        The records, by time and id.
    rain : Hyetograph or None
        Course of the rain, if it is known.
    mark_node : tuple of int
        Nodes with a flood mark.
    mark_depth_m, mark_width_m : tuple of float
        What each mark shows, metres; NaN where not measured.
    ran : bool
        False where nothing ran anywhere.
    dry_node : tuple of int
        Nodes seen not to have run.
    notes : tuple of str
        What had to be decided.
    """

    day: date
    moment_days: float
    records: tuple[Storm, ...]
    rain: Hyetograph | None
    mark_node: tuple[int, ...] = ()
    mark_depth_m: tuple[float, ...] = ()
    mark_width_m: tuple[float, ...] = ()
    ran: bool = True
    dry_node: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def storm_ids(self) -> tuple[str, ...]:
        """Ids of its records."""
        return tuple(record.id for record in self.records)


@dataclass(frozen=True, slots=True, kw_only=True)
class Floods:
    """What the storms did at the nodes asked for, computed floods multiplied by one severity.

    Parameters
    ----------
    events : tuple of Event
        The storms, by moment.
    node : ndarray of int64, shape (asked,)
        Nodes, rising.
    discharge_m3_s, depth_m, stress_pa : ndarray of float64, shape (storms, asked)
        Peak, its depth, and its stress on the bed.
    scour_m : ndarray of float64, shape (storms, asked)
        Mean scour of the wetted bed.
    wetted_share : ndarray of float64, shape (storms, asked)
        Share of the bed under water.
    log_sd : ndarray of float64, shape (storms, asked)
        Standard error of the logarithm of the peak.
    source : tuple of str
        ``rain``, ``mark`` or ``none`` (it did not run), by storm.
    antecedent_mm, curve_number, runoff_mm : ndarray of float64, shape (storms,)
        Rain of the days before, the curve number after it, and the runoff; NaN where no rain is known.
    mark_log_ratio, mark_log_sd : ndarray of float64, shape (marks,)
        Log of each mark's flow over that of the rain there at a severity of 1, and its standard error; only
        where both are known.
    notes : tuple of tuple of str
        What disagrees, by storm.
    """

    events: tuple[Event, ...]
    node: NDArray[np.int64]
    discharge_m3_s: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    stress_pa: NDArray[np.float64]
    scour_m: NDArray[np.float64]
    wetted_share: NDArray[np.float64]
    log_sd: NDArray[np.float64]
    source: tuple[str, ...]
    antecedent_mm: NDArray[np.float64]
    curve_number: NDArray[np.float64]
    runoff_mm: NDArray[np.float64]
    mark_log_ratio: NDArray[np.float64]
    mark_log_sd: NDArray[np.float64]
    notes: tuple[tuple[str, ...], ...]

    def __len__(self) -> int:
        return len(self.events)

    def at(self, node: NDArray[np.integer]) -> NDArray[np.int64]:
        """Columns of some nodes, which must have been asked for."""
        import numpy as np

        return np.asarray(np.searchsorted(self.node, node), np.int64)


def storms_of(records: Sequence[Storm], channels: Channels, settings: Settings) -> tuple[Event, ...]:
    """Bring the records of storms together, storm by storm.

    Parameters
    ----------
    records : sequence of Storm
        Standing records, in any order.
    channels : Channels
        The network, for marks and dry places.
    settings : Settings
        How far a place may lie from a channel, and how long it rains where nobody says.

    Returns
    -------
    tuple of Event
        By moment; the same for any order of the records.

    Notes
    -----
    Rains of one day are one storm unless they are known to begin more than six hours apart. A record without
    rain belongs to the storm of its day, or else to that of the day before, whose marks are read next
    morning; or it is a storm by itself. Of one storm a gauge's course outranks depth and duration; several
    depths count by their mean. Marks outrank word that nothing ran. Where a place did not run, nothing is
    taken to have run above it either, but above a mark.
    """
    told = sorted(records, key=lambda storm: (moment_of(storm.time, FLOOD_HOUR), storm.id))
    groups: list[list[Storm]] = []
    for storm in (one for one in told if _has_rain(one)):
        for group in groups:
            if _one_storm(group[0], storm):
                group.append(storm)
                break
        else:
            groups.append([storm])
    for storm in (one for one in told if not _has_rain(one)):
        for back in (0, 1):
            near = [group for group in groups if (storm.day - group[0].day).days == back]
            if near:
                # Of several storms of one day, that which rained most.
                max(near, key=lambda group: max(one.rain_mm or 0.0 for one in group)).append(storm)
                break
        else:
            groups.append([storm])
    found = [_event(group, channels, settings) for group in groups]
    return tuple(sorted(found, key=lambda event: (event.moment_days, event.storm_ids)))


def _has_rain(storm: Storm) -> bool:
    return bool(storm.rain_mm)


def _one_storm(one: Storm, other: Storm) -> bool:
    if one.day != other.day:
        return False
    if "T" not in one.time or "T" not in other.time:
        return True
    return abs(moment_of(one.time, 0.0) - moment_of(other.time, 0.0)) <= APART_DAYS


def _event(group: Sequence[Storm], channels: Channels, settings: Settings) -> Event:
    """One storm from its records."""
    import numpy as np

    from washgrade.sand.along import snap
    from washgrade.units import show_length

    records = tuple(sorted(group, key=lambda storm: (moment_of(storm.time, FLOOD_HOUR), storm.id)))
    rain, notes = _rain(records, settings)
    marks: list[tuple[int, float, float]] = []
    dry: list[int] = []
    ran = True
    for storm in records:
        marked = storm.mark_depth_m is not None or storm.mark_width_m is not None
        if not (marked or storm.no_flow):
            continue
        if storm.easting_m is None or storm.northing_m is None:
            ran = ran and not storm.no_flow
            continue
        node, away_m = snap(
            channels.nodes,
            easting_m=np.array([storm.easting_m]),
            northing_m=np.array([storm.northing_m]),
        )
        if not away_m[0] <= settings.snap_max_m:
            notes.append(
                f"Record {storm.id[:8]} lies {show_length(float(away_m[0]), settings.units)} from the "
                "nearest channel and does not count."
            )
        elif storm.no_flow:
            dry.append(int(node[0]))
        else:
            depth, width = storm.mark_depth_m, storm.mark_width_m
            marks.append((int(node[0]), depth or float("nan"), width or float("nan")))
    if marks and not ran:
        notes.append("One record says that nothing ran, another has a flood mark; the mark counts.")
        ran = True
    return Event(
        day=records[0].day,
        moment_days=moment_of(records[0].time, FLOOD_HOUR),
        records=records,
        rain=rain,
        mark_node=tuple(mark[0] for mark in marks),
        mark_depth_m=tuple(mark[1] for mark in marks),
        mark_width_m=tuple(mark[2] for mark in marks),
        ran=ran,
        dry_node=tuple(dry),
        notes=tuple(notes),
    )


def _rain(records: Sequence[Storm], settings: Settings) -> tuple[Hyetograph | None, list[str]]:
    """Course of the rain of one storm, and what had to be decided."""
    from washgrade.files.storm import read_course
    from washgrade.storm.rain import Hyetograph, burst
    from washgrade.units import show_rain

    wet = [storm for storm in records if _has_rain(storm)]
    if not wet:
        return None, []
    notes = []
    if len(wet) > 1:
        depths = ", ".join(show_rain(storm.rain_mm or 0.0, settings.units) for storm in wet)
        notes.append(f"{len(wet)} records tell of its rain ({depths}).")
    gauges = [storm for storm in wet if storm.gauge]
    if gauges:
        if len(wet) > 1:
            notes.append(f"The course of gauge record {gauges[0].id[:8]} counts.")
        time_h, fallen_mm = read_course(gauges[0].gauge)
        return Hyetograph(time_h=time_h, fallen_mm=fallen_mm), notes
    hours = [storm.duration_h for storm in wet if storm.duration_h]
    if not hours:
        notes.append(f"No record says how long it rained; {settings.typical_rain_h:g} h are taken.")
    return burst(
        depth_mm=sum(storm.rain_mm or 0.0 for storm in wet) / len(wet),
        duration_h=sum(hours) / len(hours) if hours else settings.typical_rain_h,
    ), notes


def ground_of(channels: Channels, shape: Shape, settings: Settings) -> Ground:
    """What the storm's reckoning wants to know of a site.

    Parameters
    ----------
    channels : Channels
        The network.
    shape : Shape
        Shape of the channels, for their widths.
    settings : Settings
        Curve number, bed and the rest.

    Returns
    -------
    Ground
        Of this site.
    """
    import numpy as np

    from washgrade.land.reachshape import reach_shape
    from washgrade.storm.basin import measure_basins
    from washgrade.storm.flood import Ground, node_slopes
    from washgrade.storm.grains import bed_of

    width_m = reach_shape(channels, shape, given_width_m=settings.bed_width_m or None).width_m
    return Ground(
        channels=channels,
        basins=measure_basins(channels),
        width_m=np.ascontiguousarray(width_m[channels.nodes.reach]),
        slope=node_slopes(channels),
        curve_number=settings.curve_number,
        bed=bed_of(settings.bed),
        conductivity_mm_h=settings.bed_conductivity_mm_h,
    )


def reckon_floods(
    ground: Ground, events: Sequence[Event], node: NDArray[np.integer], *, severity_factor: float = 1.0
) -> Floods:
    """Reckon what every storm did.

    Parameters
    ----------
    ground : Ground
        The ground.
    events : sequence of Event
        The storms, by moment.
    node : ndarray of int, shape (asked,)
        Nodes asked for, rising.
    severity_factor : float, default 1
        By which floods known by rain are multiplied.

    Returns
    -------
    Floods
        At those nodes.
    """
    import numpy as np

    from washgrade.storm.mark import Marks, mark_discharge
    from washgrade.storm.rain import antecedent_rain_mm
    from washgrade.storm.runoff import curve_number_now

    at = np.asarray(node, np.int64)
    rain_day = [event.moment_days for event in events if event.rain is not None]
    rain_mm = [event.rain.depth_mm for event in events if event.rain is not None]
    shape = (len(events), len(at))
    names = ("discharge_m3_s", "depth_m", "stress_pa", "scour_m", "wetted_share", "log_sd")
    found = {name: np.zeros(shape) for name in names}
    told = {name: np.full(len(events), np.nan) for name in ("antecedent_mm", "curve_number", "runoff_mm")}
    source, notes, ratios, ratio_sd = [], [], [], []
    for k, event in enumerate(events):
        said = list(event.notes)
        if event.rain is not None:
            before = antecedent_rain_mm(rain_day=rain_day, rain_mm=rain_mm, storm_day=event.moment_days)
            told["antecedent_mm"][k] = before
            told["curve_number"][k] = float(curve_number_now(ground.curve_number, antecedent_mm=before))
        flood, kind = _flood(ground, event, at, float(told["curve_number"][k]), severity_factor)
        if kind == "mark" and event.rain is not None:
            marks = Marks(
                node=np.array(event.mark_node),
                depth_m=np.array(event.mark_depth_m),
                width_m=np.array(event.mark_width_m),
            )
            _, sd = mark_discharge(marks, width_m=ground.width_m, slope=ground.slope, bed=ground.bed)
            known = np.isfinite(flood.mark_ratio) & (flood.mark_ratio > 0)
            ratios += np.log(flood.mark_ratio[known] * severity_factor).tolist()
            ratio_sd += sd[known].tolist()
        source.append(kind)
        told["runoff_mm"][k] = flood.runoff_mm if kind == "rain" else np.nan
        notes.append((*said, *flood.notes))
        for name in names:
            values = getattr(flood if name in ("scour_m", "log_sd") else flood.flow, name)
            found[name][k] = values
    return Floods(
        events=tuple(events),
        node=at,
        **found,
        **told,
        source=tuple(source),
        mark_log_ratio=np.array(ratios, np.float64),
        mark_log_sd=np.array(ratio_sd, np.float64),
        notes=tuple(notes),
    )


def _flood(
    ground: Ground, event: Event, node: NDArray[np.int64], curve_number: float, severity_factor: float
) -> tuple[Flood, str]:
    """One storm's flood at the nodes asked for, and what tells of it."""
    import numpy as np

    from washgrade.storm.flood import flood_of_flow, flood_of_marks, flood_of_rain
    from washgrade.storm.mark import Marks

    if not event.ran:
        return flood_of_flow(ground, 0.0, only=node), "none"
    # Marks are held against the rain's flow where they stand, and dry places change it: all nodes then.
    whole = bool(event.mark_node or event.dry_node)
    of_rain = None
    if event.rain is not None:
        of_rain = flood_of_rain(
            ground,
            event.rain,
            curve_number=curve_number,
            severity_factor=severity_factor,
            only=None if whole else node,
        )
    if event.mark_node:
        kind = "mark"
        marks = Marks(
            node=np.array(event.mark_node),
            depth_m=np.array(event.mark_depth_m),
            width_m=np.array(event.mark_width_m),
        )
        flood = flood_of_marks(ground, marks, of_rain=of_rain)
    elif of_rain is not None:
        kind, flood = "rain", of_rain
    else:
        return flood_of_flow(ground, 0.0, only=node), "none"
    if not whole:
        return flood, kind
    discharge = flood.flow.discharge_m3_s.copy()
    downstream = ground.channels.nodes.downstream
    marked = np.zeros(len(downstream), np.bool_)
    for mark in event.mark_node:
        marked |= _above(downstream, mark)
    for dry in event.dry_node:
        # Water may have been drunk on its way from a mark down to a dry place.
        discharge[_above(downstream, dry) & ~marked] = 0.0
    ran = flood_of_flow(ground, discharge, only=node)
    return replace(
        ran,
        log_sd=flood.log_sd[node],
        runoff_mm=flood.runoff_mm,
        mark_ratio=flood.mark_ratio,
        notes=flood.notes,
    ), kind


def _above(downstream: NDArray[np.integer], node: int) -> NDArray[np.bool_]:
    """Mark a node and all above it."""
    import numpy as np

    above = np.zeros(len(downstream), np.bool_)
    above[node] = True
    for i in range(node - 1, -1, -1):
        j = downstream[i]
        above[i] = j >= 0 and above[j]
    return above
