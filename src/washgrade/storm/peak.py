"""Peak flow by the unit hydrograph."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers

__all__ = ["hydrograph_m3_s", "unit_hydrograph", "unit_peak_m_s", "unit_peak_m_s_table"]

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
