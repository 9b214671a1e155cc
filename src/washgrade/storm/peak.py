"""Peak flow: time of concentration, unit hydrograph, and the graphical method of TR-55."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice, number
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers
from washgrade.storm.runoff import initial_loss_mm, runoff_mm, storage_mm

__all__ = [
    "CONCENTRATION",
    "GRAPHICAL",
    "graphical_peak_m3_s",
    "hydrograph_m3_s",
    "kirpich_h",
    "lag_h",
    "unit_hydrograph",
    "unit_peak_m_s",
    "unit_peak_m_s_table",
]

_FT = 0.3048
_CFS_PER_MI2_IN = _FT**3 / 1609.344**2 / 25.4  # csm per inch as m3/s per m2 per mm

# US Soil Conservation Service, National Engineering Handbook part 630, chapter 16, table 16-1: time and
# discharge of the dimensionless unit hydrograph as shares of those of its peak.
_TIME = np.array(
    [*np.arange(0, 2.05, 0.1), 2.2, 2.4, 2.6, 2.8, 3.0, 3.2, 3.4, 3.6, 3.8, 4.0, 4.5, 5.0]
).round(1)
_FLOW = np.array([
    0.0, 0.03, 0.1, 0.19, 0.31, 0.47, 0.66, 0.82, 0.93, 0.99,
    1.0, 0.99, 0.93, 0.86, 0.78, 0.68, 0.56, 0.46, 0.39, 0.33,
    0.28, 0.207, 0.147, 0.107, 0.077, 0.055, 0.04, 0.029, 0.021, 0.015, 0.011, 0.005, 0.0,
])  # fmt: skip
# What has run off by each time, as a share of the whole: the area under straight lines between the ordinates.
_AREA = float(np.sum(np.diff(_TIME) * (_FLOW[1:] + _FLOW[:-1]) / 2.0))
_MASS = np.concatenate(([0.0], np.cumsum(np.diff(_TIME) * (_FLOW[1:] + _FLOW[:-1]) / 2.0) / _AREA))

# TR-55 (1986), appendix F, table F-1: Ia/P and C0, C1, C2 by type of rain.
# Type III, .50: C2 is -.09525; a transcription in wide use repeats the -.11508 of the row above.
GRAPHICAL: dict[str, NDArray[np.float64]] = {
    "I": np.array([
        [0.10, 2.30550, -0.51429, -0.11750],
        [0.20, 2.23537, -0.50387, -0.08929],
        [0.25, 2.18219, -0.48488, -0.06589],
        [0.30, 2.10624, -0.45695, -0.02835],
        [0.35, 2.00303, -0.40769, 0.01983],
        [0.40, 1.87733, -0.32274, 0.05754],
        [0.45, 1.76312, -0.15644, 0.00453],
        [0.50, 1.67889, -0.06930, 0.0],
    ]),
    "IA": np.array([
        [0.10, 2.03250, -0.31583, -0.13748],
        [0.20, 1.91978, -0.28215, -0.07020],
        [0.25, 1.83842, -0.25543, -0.02597],
        [0.30, 1.72657, -0.19826, 0.02633],
        [0.50, 1.63417, -0.09100, 0.0],
    ]),
    "II": np.array([
        [0.10, 2.55323, -0.61512, -0.16403],
        [0.30, 2.46532, -0.62257, -0.11657],
        [0.35, 2.41896, -0.61594, -0.08820],
        [0.40, 2.36409, -0.59857, -0.05621],
        [0.45, 2.29238, -0.57005, -0.02281],
        [0.50, 2.20282, -0.51599, -0.01259],
    ]),
    "III": np.array([
        [0.10, 2.47317, -0.51848, -0.17083],
        [0.30, 2.39628, -0.51202, -0.13245],
        [0.35, 2.35477, -0.49735, -0.11985],
        [0.40, 2.30726, -0.46541, -0.11094],
        [0.45, 2.24876, -0.41314, -0.11508],
        [0.50, 2.17772, -0.36803, -0.09525],
    ]),
}  # fmt: skip


def kirpich_h(*, path_m: ArrayLike, path_slope: ArrayLike) -> NDArray[np.float64]:
    """Time of concentration of a small catchment by Kirpich.

    Parameters
    ----------
    path_m : array_like of float
        Longest path of the water, metres.
    path_slope : array_like of float
        Its slope, metres by metre.

    Returns
    -------
    ndarray of float64
        Hours.

    Notes
    -----
    ``0.0195 L^0.77 S^-0.385`` minutes with L in metres (0.0078 with L in feet), from seven farm catchments of
    less than 0.5 km2: on larger ones it is an extrapolation.

    References
    ----------
    Kirpich, Z. P. (1940). Time of concentration of small agricultural watersheds. Civil Engineering 10(6),
    362.

    Examples
    --------
    >>> float((60 * kirpich_h(path_m=1000, path_slope=0.01)).round(2))
    23.44
    """
    found: NDArray[np.float64] = (
        0.0195
        * numbers("path_m", path_m, at_least=0) ** 0.77
        * numbers("path_slope", path_slope, above=0) ** -0.385
        / 60.0
    )
    return found


def lag_h(*, path_m: ArrayLike, land_slope: ArrayLike, curve_number: ArrayLike) -> NDArray[np.float64]:
    """Time of concentration by the lag equation of the US soil service.

    Parameters
    ----------
    path_m : array_like of float
        Longest path of the water, metres.
    land_slope : array_like of float
        Mean slope of the land, metres by metre.
    curve_number : array_like of float
        At average wetness.

    Returns
    -------
    ndarray of float64
        Hours: lag / 0.6, ``L^0.8 (S + 1)^0.7 / (1140 Y^0.5)`` with L in feet, S in inches and Y in percent.

    References
    ----------
    US Natural Resources Conservation Service (2010). National Engineering Handbook, part 630, chapter 15,
    equations 15-4a and 15-4b.

    Examples
    --------
    >>> float(lag_h(path_m=5000 * 0.3048, land_slope=0.08, curve_number=75).round(3))
    0.788
    """
    path_ft = numbers("path_m", path_m, at_least=0) / _FT
    slope_percent = 100.0 * numbers("land_slope", land_slope, above=0)
    found: NDArray[np.float64] = (
        path_ft**0.8 * (storage_mm(curve_number) / 25.4 + 1.0) ** 0.7 / (1140.0 * slope_percent**0.5)
    )
    return found


# Times of concentration by name; each takes path, slope and curve number.
CONCENTRATION: dict[str, Callable[[ArrayLike, ArrayLike, ArrayLike], NDArray[np.float64]]] = {
    "kirpich": lambda path_m, slope, _: kirpich_h(path_m=path_m, path_slope=slope),
    "lag": lambda path_m, slope, curve: lag_h(path_m=path_m, land_slope=slope, curve_number=curve),
}


def graphical_peak_m3_s(
    *,
    rain_mm: ArrayLike,
    curve_number: ArrayLike,
    area_m2: ArrayLike,
    concentration_h: ArrayLike,
    rain_type: str = "II",
    pond_factor: float = 1.0,
) -> NDArray[np.float64]:
    """Peak flow of a day's rain by the graphical method of TR-55.

    Parameters
    ----------
    rain_mm : array_like of float
        Rain in 24 hours, millimetres.
    curve_number : array_like of float
        Curve number.
    area_m2 : array_like of float
        Catchment, square metres.
    concentration_h : array_like of float
        Time of concentration, hours; taken as 0.1 below and 10 above.
    rain_type : {"I", "IA", "II", "III"}, optional
        Type of rain in TR-55.
    pond_factor : float, optional
        Fp, for ponds and swamps; 1 without.

    Returns
    -------
    ndarray of float64
        Cubic metres a second.

    Raises
    ------
    InputError
        If a value is out of its limits.

    Notes
    -----
    ``q = q_u A Q Fp`` (equation 4-1), ``log q_u = C0 + C1 log Tc + C2 (log Tc)^2``; q_u, not the
    coefficients, is interpolated in Ia/P, which is taken as the table's first or last beyond it. For bursts
    shorter than a day use `unit_peak_m_s`.

    Examples
    --------
    >>> peak = graphical_peak_m3_s(rain_mm=152.4, curve_number=75, area_m2=0.39 * 1609.344**2,
    ...                            concentration_h=1.53)
    >>> float((peak / 0.3048**3).round())
    344.0
    """
    rows = GRAPHICAL[choice("rain_type", rain_type, tuple(GRAPHICAL))]
    rain_mm = numbers("rain_mm", rain_mm, at_least=0)
    area_m2 = numbers("area_m2", area_m2, at_least=0)
    log_h = np.log10(np.clip(numbers("concentration_h", concentration_h, at_least=0), 0.1, 10.0))
    pond_factor = number("pond_factor", pond_factor, above=0, at_most=1)
    loss = initial_loss_mm(curve_number)
    share = np.divide(loss, rain_mm, out=np.full(np.broadcast_shapes(loss.shape, rain_mm.shape), np.inf),
                      where=rain_mm > 0)  # fmt: skip
    share, log_h = np.broadcast_arrays(np.clip(share, rows[0, 0], rows[-1, 0]), log_h)
    unit = 10.0 ** (rows[:, 1] + rows[:, 2] * log_h[..., None] + rows[:, 3] * log_h[..., None] ** 2)
    low = np.clip(np.searchsorted(rows[:, 0], share, side="right") - 1, 0, len(rows) - 2)
    part = (share - rows[low, 0]) / (rows[low + 1, 0] - rows[low, 0])
    at_low = np.take_along_axis(unit, low[..., None], -1)[..., 0]
    at_high = np.take_along_axis(unit, low[..., None] + 1, -1)[..., 0]
    unit_csm = at_low + part * (at_high - at_low)
    found: NDArray[np.float64] = (
        unit_csm * _CFS_PER_MI2_IN * area_m2 * runoff_mm(rain_mm, curve_number) * pond_factor
    )
    return found


def unit_hydrograph(
    *, area_m2: float, runoff_mm: float, concentration_h: float, step_h: float
) -> tuple[float, float]:
    """Time and flow of the peak of the unit hydrograph of one step of rain.

    Parameters
    ----------
    area_m2 : float
        Catchment, square metres.
    runoff_mm : float
        What runs off, millimetres.
    concentration_h : float
        Time of concentration, hours.
    step_h : float
        Length of the step, hours.

    Returns
    -------
    peak_h : float
        Step / 2 + 0.6 Tc, hours.
    peak_m3_s : float
        Cubic metres a second: the volume over the area under the dimensionless hydrograph times that time.

    Notes
    -----
    In US units the factor is 484 (National Engineering Handbook part 630, chapter 16); from the ordinates of
    table 16-1 it comes to 483.0.

    Examples
    --------
    >>> time_h, flow = unit_hydrograph(area_m2=4.6 * 1609.344**2, runoff_mm=25.4, concentration_h=2.3,
    ...                                step_h=0.3)
    >>> round(time_h, 2), round(flow / 0.3048**3)
    (1.53, 1452)
    """
    area_m2 = number("area_m2", area_m2, at_least=0)
    depth_m = number("runoff_mm", runoff_mm, at_least=0) / 1000.0
    step_h = number("step_h", step_h, at_least=0)
    peak_h = step_h / 2.0 + 0.6 * number("concentration_h", concentration_h, above=0)
    return peak_h, area_m2 * depth_m / (_AREA * peak_h * 3600.0)


@kernel
def _drained(time_share: float, times: NDArray[np.float64], mass: NDArray[np.float64],
             flow: NDArray[np.float64], area: float) -> float:  # fmt: skip
    """Share of one instant's runoff that has passed, at a time in times to peak."""
    if time_share <= 0.0:
        return 0.0
    if time_share >= times[-1]:
        return 1.0
    low = int(np.searchsorted(times, time_share, side="right")) - 1
    step = times[low + 1] - times[low]
    past = time_share - times[low]
    return float(mass[low] + past * (flow[low] + 0.5 * past * (flow[low + 1] - flow[low]) / step) / area)


@kernel
def _flow_at(time_h: float, peak_h: float, step_time_h: NDArray[np.float64], excess_mm: NDArray[np.float64],
             times: NDArray[np.float64], mass: NDArray[np.float64], flow: NDArray[np.float64],
             area: float) -> float:  # fmt: skip
    """Flow from one square metre at a time, in mm an hour; each step's excess falls evenly over the step."""
    total = 0.0
    for k in range(len(excess_mm)):
        if step_time_h[k] >= time_h:
            break
        if excess_mm[k] > 0.0 and time_h - step_time_h[k + 1] < times[-1] * peak_h:
            passed = _drained((time_h - step_time_h[k]) / peak_h, times, mass, flow, area)
            passed -= _drained((time_h - step_time_h[k + 1]) / peak_h, times, mass, flow, area)
            total += passed * excess_mm[k] / (step_time_h[k + 1] - step_time_h[k])
    return total


@kernel
def _unit_peaks(concentration_h: NDArray[np.float64], step_time_h: NDArray[np.float64],
                excess_mm: NDArray[np.float64], times: NDArray[np.float64], mass: NDArray[np.float64],
                flow: NDArray[np.float64], area: float) -> NDArray[np.float64]:  # fmt: skip
    """Peak for each time of concentration: a tenth of the time to peak is a fine enough step to find it."""
    found = np.zeros(len(concentration_h))
    end_h = step_time_h[-1]
    for i in range(len(concentration_h)):
        peak_h = 0.6 * concentration_h[i]
        step_h = min(peak_h / 10.0, end_h / 20.0)
        step_h = max(step_h, (end_h + 2.0 * peak_h) / 2000.0)
        most = 0.0
        # After the rain and two times to peak every step's flow is falling.
        for k in range(1, int((end_h + 2.0 * peak_h) / step_h) + 2):
            most = max(most, _flow_at(k * step_h, peak_h, step_time_h, excess_mm, times, mass, flow, area))
        found[i] = most
    return found


def unit_peak_m_s(
    *, concentration_h: ArrayLike, time_h: NDArray[np.float64], excess_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Peak flow from each square metre of catchment, by the unit hydrograph.

    Parameters
    ----------
    concentration_h : array_like of float, shape (catchments,)
        Times of concentration, hours.
    time_h : ndarray of float64, shape (steps + 1,)
        Times of the rain, hours.
    excess_mm : ndarray of float64, shape (steps,)
        Rain that runs off, from `washgrade.storm.runoff.excess_mm`, millimetres.

    Returns
    -------
    ndarray of float64, shape (catchments,)
        Metres a second; times the area in square metres it is the peak in cubic metres a second.

    Raises
    ------
    InputError
        If the shapes disagree or a value is out of its limits.

    Notes
    -----
    The dimensionless hydrograph (National Engineering Handbook part 630, table 16-1) is taken as the response
    to an instant's runoff, with its peak at 0.6 Tc; runoff that falls evenly over a step is the difference of
    two of its mass curves, which is exact for steps of any length. It is what the handbook's peak at
    step / 2 + 0.6 Tc tends to as the steps become short.

    Examples
    --------
    >>> step = unit_peak_m_s(concentration_h=[2.3], time_h=np.array([0, 0.3]), excess_mm=np.array([25.4]))
    >>> float((step[0] * 4.6 * 1609.344**2 / 0.3048**3).round(-1))
    1600.0
    """
    hours = np.atleast_1d(numbers("concentration_h", concentration_h, above=0))
    time_h = numbers("time_h", time_h, at_least=0)
    excess_mm = numbers("excess_mm", excess_mm, at_least=0)
    if time_h.ndim != 1 or excess_mm.shape != (len(time_h) - 1,) or (np.diff(time_h) <= 0).any():
        raise InputError(
            "Invalid 'time_h'. It must rise, and have one time more than 'excess_mm' has depths."
        )
    if not excess_mm.any():
        return np.zeros(len(hours))
    return _unit_peaks(hours, time_h, excess_mm, _TIME, _MASS, _FLOW, _AREA) / 3.6e6


def unit_peak_m_s_table(
    *, concentration_h: NDArray[np.float64], time_h: NDArray[np.float64], excess_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give the same as `unit_peak_m_s` for many catchments, by a table of 96 times of concentration.

    Parameters
    ----------
    concentration_h : ndarray of float64, shape (catchments,)
        Times of concentration, hours.
    time_h : ndarray of float64, shape (steps + 1,)
        Times of the rain, hours.
    excess_mm : ndarray of float64, shape (steps,)
        Rain that runs off, millimetres.

    Returns
    -------
    ndarray of float64, shape (catchments,)
        Metres a second, within half a percent of `unit_peak_m_s`.

    Examples
    --------
    >>> found = unit_peak_m_s_table(concentration_h=np.array([0.2, 0.5]), time_h=np.array([0, 0.5]),
    ...                             excess_mm=np.array([10.0]))
    >>> (3.6e6 * found).round(1).tolist()
    [19.9, 17.0]
    """
    hours = numbers("concentration_h", concentration_h, above=0)
    if hours.size <= 96:
        return unit_peak_m_s(concentration_h=hours, time_h=time_h, excess_mm=excess_mm)
    # The table hangs on the ground alone: then a larger rain lifts every entry, and the interpolated too.
    log_table = np.linspace(np.log(hours.min()), np.log(hours.max()) + 1e-9, 96)
    table = unit_peak_m_s(concentration_h=np.exp(log_table), time_h=time_h, excess_mm=excess_mm)
    return np.interp(np.log(hours), log_table, table)


def hydrograph_m3_s(
    *,
    area_m2: float,
    concentration_h: float,
    time_h: NDArray[np.float64],
    excess_mm: NDArray[np.float64],
    at_h: ArrayLike,
) -> NDArray[np.float64]:
    """Flow in the course of time at one place, by the unit hydrograph.

    Parameters
    ----------
    area_m2 : float
        Catchment, square metres.
    concentration_h : float
        Time of concentration, hours.
    time_h : ndarray of float64, shape (steps + 1,)
        Times of the rain, hours.
    excess_mm : ndarray of float64, shape (steps,)
        Rain that runs off, millimetres.
    at_h : array_like of float, shape (times,)
        When the flow is wanted, hours since the rain began.

    Returns
    -------
    ndarray of float64, shape (times,)
        Cubic metres a second.

    Examples
    --------
    >>> flow = hydrograph_m3_s(area_m2=1e6, concentration_h=0.5, time_h=np.array([0, 0.5]),
    ...                        excess_mm=np.array([10.0]), at_h=[0, 0.5, 3])
    >>> flow.round(2).tolist()
    [0.0, 4.31, 0.0]
    """
    area_m2 = number("area_m2", area_m2, at_least=0)
    peak_h = 0.6 * number("concentration_h", concentration_h, above=0)
    flow_mm_h = [
        _flow_at(at, peak_h, np.asarray(time_h, np.float64), np.asarray(excess_mm, np.float64), _TIME, _MASS,
                 _FLOW, _AREA)
        for at in np.atleast_1d(numbers("at_h", at_h)).tolist()
    ]  # fmt: skip
    return np.array(flow_mm_h) * area_m2 / 3.6e6
