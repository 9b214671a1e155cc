"""A flood from end to end: from the rain or a mark to the share of every bed that was turned over."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice, number
from washgrade.errors import InputError
from washgrade.land.channels import Channels
from washgrade.storm.arrays import one_each
from washgrade.storm.basin import LEAST_SLOPE, Basins
from washgrade.storm.concentration import CONCENTRATION
from washgrade.storm.grains import BEDS, Bed
from washgrade.storm.graphical import graphical_peak_m3_s
from washgrade.storm.hydraulics import Flow, flow_in_bed
from washgrade.storm.losses import route_losses
from washgrade.storm.mark import Marks, mark_discharge, mark_sentence, spread_marks
from washgrade.storm.peak import unit_peak_m_s_table
from washgrade.storm.rain import Hyetograph, areal_reduction, burst
from washgrade.storm.rework import SCOUR_M, mean_scour_m, refill_share
from washgrade.storm.runoff import excess_mm

__all__ = [
    "Flood",
    "Ground",
    "flood_of_flow",
    "flood_of_marks",
    "flood_of_rain",
    "least_rain_mm",
    "node_slopes",
]

# What one storm's computed peaks are worth: factor of two either way, our choice.
_RAIN_LOG_SD = 0.7
_LEAST_CONCENTRATION_H = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What the storm's reckoning wants to know of the ground.

    Parameters
    ----------
    channels : Channels
        The network.
    basins : Basins
        From `washgrade.storm.basin.measure_basins`.
    width_m : ndarray of float64, shape (nodes,)
        Width of the beds, metres.
    slope : ndarray of float64, shape (nodes,)
        Slope of the beds, from `node_slopes`.
    bed : Bed
        What they are made of.
    curve_number : ndarray of float64 or float
        Curve number at average wetness, one value.
    conductivity_mm_h : float
        How fast the beds drink, millimetres an hour. 44: sand and gravel with little silt
        (`washgrade.storm.losses.BED_CONDUCTIVITY_MM_H`).
    concentration : str
        Way to reckon the time of concentration, a key of `washgrade.storm.concentration.CONCENTRATION`.
    peak : {"unit hydrograph", "graphical"}
        Way to reckon the peak; the graphical method takes the whole rain as a day's rain of type II.

    Raises
    ------
    InputError
        If the shapes disagree or a value is out of its limits.
    """

    channels: Channels
    basins: Basins
    width_m: NDArray[np.float64]
    slope: NDArray[np.float64]
    curve_number: ArrayLike
    bed: Bed = field(default_factory=lambda: BEDS["sand"])
    conductivity_mm_h: float = 44.0
    concentration: str = "kirpich"
    peak: str = "unit hydrograph"

    def __post_init__(self) -> None:
        count = len(self.channels.nodes)
        one_each("width_m", self.width_m, count, above=0)
        one_each("slope", self.slope, count, at_least=0)
        number("curve_number", self.curve_number, above=0, at_most=100)
        number("conductivity_mm_h", self.conductivity_mm_h, at_least=0)
        choice("concentration", self.concentration, tuple(CONCENTRATION))
        choice("peak", self.peak, ("unit hydrograph", "graphical"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """What a storm did at every node, or at those asked for.

    Parameters
    ----------
    flow : Flow
        The peak.
    scour_m : ndarray of float64, shape (nodes,)
        Mean scour of the wetted bed, metres.
    log_sd : ndarray of float64, shape (nodes,)
        Standard error of the natural logarithm of the peak.
    runoff_mm : float
        Runoff of the rain, millimetres; NaN where only marks were known.
    lost_m3 : ndarray of float64, shape (nodes,)
        What the stretch below each node drank, cubic metres; NaN where only marks were known.
    source : str
        ``rain``, ``mark`` or ``given``.
    mark_ratio : ndarray of float64, shape (marks,)
        Flow of each mark over that of the rain there; NaN without rain, infinite where the rain gives none.
    notes : tuple of str
        Sentences on what disagrees.
    """

    flow: Flow
    scour_m: NDArray[np.float64]
    log_sd: NDArray[np.float64]
    runoff_mm: float
    lost_m3: NDArray[np.float64]
    source: str
    mark_ratio: NDArray[np.float64]
    notes: tuple[str, ...] = ()


def node_slopes(channels: Channels) -> NDArray[np.float64]:
    """Slope of the bed at every node: that of its reach.

    Parameters
    ----------
    channels : Channels
        The network.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        At least `washgrade.storm.basin.LEAST_SLOPE`; a reach without length has the slope of the one above
        it with the largest area.
    """
    reaches = channels.reaches
    slope = reaches.slope.copy()
    order = np.argsort(reaches.upstream_area_m2, kind="stable")
    donor = np.full(len(slope), -1)
    inner = order[reaches.downstream[order] >= 0]
    donor[reaches.downstream[inner]] = inner
    lone = (reaches.length_m == 0) & (donor >= 0)
    slope[lone] = slope[donor[lone]]
    return np.maximum(slope, LEAST_SLOPE)[channels.nodes.reach]


def flood_of_flow(
    ground: Ground,
    discharge_m3_s: ArrayLike,
    *,
    scour_m: float = SCOUR_M,
    only: NDArray[np.integer] | None = None,
) -> Flood:
    """What a known flow did, such as none at all.

    Parameters
    ----------
    ground : Ground
        The ground.
    discharge_m3_s : array_like of float
        Peak, cubic metres a second; one for all or one a node.
    scour_m : float, optional
        As in `washgrade.storm.rework.mean_scour_m`.
    only : ndarray of int, optional
        Nodes for which the bed's response is wanted, such as `washgrade.land.channels.middle_nodes`; the
        flood's arrays are then for these. All unless told.

    Returns
    -------
    Flood
        Of source ``given``.
    """
    count = len(ground.channels.nodes)
    discharge = one_each("discharge_m3_s", discharge_m3_s, count, at_least=0)
    return _flood(ground, discharge, scour_m, np.zeros(count), only, source="given")


def flood_of_rain(
    ground: Ground,
    rain: Hyetograph,
    *,
    curve_number: ArrayLike | None = None,
    severity_factor: float = 1.0,
    scour_m: float = SCOUR_M,
    only: NDArray[np.integer] | None = None,
) -> Flood:
    """What a rain did.

    Parameters
    ----------
    ground : Ground
        The ground.
    rain : Hyetograph
        The rain at the gauge.
    curve_number : array_like of float, optional
        Curve number after the rain of the days before, from `washgrade.storm.runoff.curve_number_now`; the
        ground's unless told.
    severity_factor : float, optional
        What the site has learnt about its floods (`washgrade.storm.learn`): the peaks are multiplied by it.
    scour_m : float, optional
        As in `washgrade.storm.rework.mean_scour_m`.
    only : ndarray of int, optional
        Nodes for which the bed's response is wanted, such as `washgrade.land.channels.middle_nodes`; the
        flood's arrays are then for these. All unless told.

    Returns
    -------
    Flood
        Of source ``rain``.

    Notes
    -----
    Runoff by curve number from the gauge's rain less the areal reduction for the whole site; peaks by the
    unit hydrograph with each node's time of concentration; both shrunk in proportion to what the beds above
    have drunk in the time of rain and concentration. More rain never gives less flow anywhere: runoff of
    every step, the unit hydrograph's sums and the share that survives the beds all rise with it.
    """
    nodes, basins = ground.channels.nodes, ground.basins
    curve = ground.curve_number if curve_number is None else curve_number
    areal = areal_reduction(area_m2=basins.site_m2, duration_h=rain.duration_h)
    excess = excess_mm(rain, curve, areal_share=areal)
    runoff = float(excess.sum())
    concentration_h = np.maximum(
        CONCENTRATION[ground.concentration](basins.path_m, basins.path_slope, curve), _LEAST_CONCENTRATION_H
    )
    if ground.peak == "graphical":
        unit_peak = graphical_peak_m3_s(
            rain_mm=areal * rain.depth_mm, curve_number=curve, area_m2=1.0, concentration_h=concentration_h
        )
    else:
        unit_peak = unit_peak_m_s_table(concentration_h=concentration_h, time_h=rain.time_h, excess_mm=excess)
    made_m3 = basins.area_m2 * runoff / 1000.0
    passing_m3, lost_m3 = route_losses(
        downstream=nodes.downstream,
        length_m=nodes.length_m,
        width_m=ground.width_m,
        duration_h=rain.duration_h + concentration_h,
        made_m3=made_m3,
        conductivity_mm_h=ground.conductivity_mm_h,
    )
    survives = np.divide(passing_m3, made_m3, out=np.zeros_like(made_m3), where=made_m3 > 0)
    discharge = unit_peak * basins.area_m2 * survives * number("severity_factor", severity_factor, above=0)
    return _flood(
        ground,
        discharge,
        scour_m,
        np.full(len(nodes), _RAIN_LOG_SD),
        only,
        source="rain",
        runoff_mm=runoff,
        lost_m3=lost_m3,
    )


def flood_of_marks(
    ground: Ground,
    marks: Marks,
    *,
    of_rain: Flood | None = None,
    scour_m: float = SCOUR_M,
    only: NDArray[np.integer] | None = None,
) -> Flood:
    """What the flood did that left marks; they outrank the rain.

    Parameters
    ----------
    ground : Ground
        The ground.
    marks : Marks
        The marks.
    of_rain : Flood, optional
        What the rain of the same storm gives at every node, to be compared.
    scour_m : float, optional
        As in `washgrade.storm.rework.mean_scour_m`.
    only : ndarray of int, optional
        Nodes for which the bed's response is wanted, such as `washgrade.land.channels.middle_nodes`; the
        flood's arrays are then for these. All unless told.

    Returns
    -------
    Flood
        Of source ``mark``, with a ratio and a sentence for each mark if the rain is known.

    Raises
    ------
    InputError
        If there is no such node, or the rain was not reckoned at every node.
    """
    at_mark, mark_sd = mark_discharge(marks, width_m=ground.width_m, slope=ground.slope, bed=ground.bed)
    discharge, log_sd = spread_marks(
        node=marks.node, discharge_m3_s=at_mark, log_sd=mark_sd, area_m2=ground.basins.area_m2
    )
    ratio = np.full(len(at_mark), np.nan)
    notes: tuple[str, ...] = ()
    if of_rain is not None:
        if len(of_rain.scour_m) != len(ground.channels.nodes):
            raise InputError("Invalid 'of_rain'. It must be reckoned at every node.")
        of_rain_m3_s = of_rain.flow.discharge_m3_s[np.asarray(marks.node, np.int64)]
        ratio = np.divide(at_mark, of_rain_m3_s, out=np.full(len(at_mark), np.inf), where=of_rain_m3_s > 0)
        notes = tuple(
            mark_sentence(mark_m3_s=mark, rain_m3_s=rain)
            for mark, rain in zip(at_mark.tolist(), of_rain_m3_s.tolist(), strict=True)
        )
    return _flood(ground, discharge, scour_m, log_sd, only, source="mark", mark_ratio=ratio, notes=notes)


def least_rain_mm(
    ground: Ground,
    *,
    wanted_share: ArrayLike,
    duration_h: float,
    bite_m: float,
    curve_number: ArrayLike | None = None,
    severity_factor: float = 1.0,
    refill_scale: float = 1.0,
    scour_m: float = SCOUR_M,
    only: NDArray[np.integer] | None = None,
) -> NDArray[np.float64]:
    """Smallest rain of a duration that renews a share of the bed at each node.

    Parameters
    ----------
    ground : Ground
        The ground.
    wanted_share : array_like of float
        Share to be renewed (`washgrade.storm.refill.refill_wanted`), 0 to 1; one for all or one a node.
    duration_h : float
        How long it rains, hours.
    bite_m : float
        Depth that a digger takes, metres.
    curve_number : array_like of float, optional
        Curve number of the day; the ground's unless told.
    severity_factor, refill_scale, scour_m : float, optional
        As in `flood_of_rain` and `washgrade.storm.rework.refill_share`.
    only : ndarray of int, optional
        Nodes for which it is wanted, and to which ``wanted_share`` belongs; all unless told.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Millimetres; 0 where nothing is wanted, infinite where 300 mm do not do it.

    Notes
    -----
    The storm is reckoned for 33 depths from 2 to 300 mm, and the depth interpolated between them: the share
    renewed never falls as the rain grows.
    """
    count = len(ground.channels.nodes) if only is None else len(only)
    wanted = one_each("wanted_share", wanted_share, count, at_least=0, at_most=1)
    found = np.full(count, np.inf)
    last_share, last_mm = np.zeros(count), 0.0
    for depth_mm in np.geomspace(2.0, 300.0, 33).tolist():
        flood = flood_of_rain(
            ground,
            burst(depth_mm=depth_mm, duration_h=duration_h),
            curve_number=curve_number,
            severity_factor=severity_factor,
            scour_m=scour_m,
            only=only,
        )
        share = refill_share(
            scour_m=flood.scour_m,
            bite_m=bite_m,
            wetted_share=flood.flow.wetted_share,
            refill_scale=refill_scale,
        )
        now = np.isinf(found) & (share >= wanted)
        rise = np.maximum(share[now] - last_share[now], 1e-300)
        part = np.clip((wanted[now] - last_share[now]) / rise, 0.0, 1.0)
        found[now] = last_mm + part * (depth_mm - last_mm)
        last_share, last_mm = share, depth_mm
    return np.where(wanted > 0, found, 0.0)


def _flood(
    ground: Ground,
    discharge_m3_s: NDArray[np.float64],
    scour_m: float,
    log_sd: NDArray[np.float64],
    only: NDArray[np.integer] | None,
    *,
    source: str,
    runoff_mm: float = np.nan,
    lost_m3: NDArray[np.float64] | None = None,
    mark_ratio: NDArray[np.float64] | None = None,
    notes: tuple[str, ...] = (),
) -> Flood:
    """Put hydraulics and scour to a flow."""
    place = slice(None) if only is None else np.asarray(only, np.int64)
    width, slope = np.asarray(ground.width_m, np.float64)[place], np.asarray(ground.slope, np.float64)[place]
    flow = flow_in_bed(discharge_m3_s=discharge_m3_s[place], width_m=width, slope=slope, bed=ground.bed)
    lost = np.full(len(discharge_m3_s), np.nan) if lost_m3 is None else lost_m3
    return Flood(
        flow=flow,
        scour_m=mean_scour_m(flow, ground.bed, scour_m=scour_m),
        log_sd=log_sd[place],
        runoff_mm=runoff_mm,
        lost_m3=lost[place],
        source=source,
        mark_ratio=np.empty(0) if mark_ratio is None else mark_ratio,
        notes=notes,
    )
