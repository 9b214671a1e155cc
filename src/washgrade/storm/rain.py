"""Rain: what fell and when, how wet the ground was, and how much less fell on the whole than on the gauge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number, whole
from washgrade.errors import InputError
from washgrade.storm.arrays import numbers

__all__ = ["Hyetograph", "antecedent_rain_mm", "areal_reduction", "burst", "gauge_series"]

_MI2 = 1609.344**2


@dataclass(frozen=True, slots=True, kw_only=True)
class Hyetograph:
    """The course of a rain: what had fallen by when.

    Parameters
    ----------
    time_h : ndarray of float64, shape (steps + 1,)
        Hours since the rain began; rising from 0.
    fallen_mm : ndarray of float64, shape (steps + 1,)
        Rain fallen by then, millimetres; from 0, never falling. Between two times it falls evenly.

    Raises
    ------
    InputError
        If the two do not fit together.
    """

    time_h: NDArray[np.float64]
    fallen_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        time_h = numbers("time_h", self.time_h, at_least=0)
        fallen_mm = numbers("fallen_mm", self.fallen_mm, at_least=0)
        if time_h.ndim != 1 or time_h.shape != fallen_mm.shape or len(time_h) < 2:
            raise InputError(
                f"Invalid hyetograph of {time_h.shape} times and {fallen_mm.shape} depths. "
                "It must have two or more times and one depth for each."
            )
        if time_h[0] != 0 or (np.diff(time_h) <= 0).any():
            raise InputError("Invalid 'time_h'. It must begin at 0 and rise from step to step.")
        if fallen_mm[0] != 0 or (np.diff(fallen_mm) < 0).any():
            raise InputError("Invalid 'fallen_mm'. It must begin at 0 and never fall.")

    @property
    def depth_mm(self) -> float:
        """The whole rain, millimetres."""
        return float(self.fallen_mm[-1])

    @property
    def duration_h(self) -> float:
        """How long it lasted, hours."""
        return float(self.time_h[-1])


def burst(*, depth_mm: float, duration_h: float, peak_share: float = 0.375, steps: int = 24) -> Hyetograph:
    """Lay out a rain of which only depth and duration are known as a triangle.

    Parameters
    ----------
    depth_mm : float
        The whole rain, millimetres.
    duration_h : float
        How long it lasted, hours.
    peak_share : float, optional
        When the rain is hardest, as a share of the duration. 0.375: our choice, because bursts tend to be
        hardest before their middle (advancement coefficients of Yen and Chow 1980, from memory).
    steps : int, optional
        Steps of equal length.

    Returns
    -------
    Hyetograph
        Rising to twice the mean intensity and falling again.

    Raises
    ------
    InputError
        If a value is out of its limits.

    References
    ----------
    Yen, B. C., Chow, V. T. (1980). Design hyetographs for small drainage structures. Journal of the
    Hydraulics Division 106(6), 1055-1076.

    Examples
    --------
    >>> burst(depth_mm=20, duration_h=1, peak_share=0.5, steps=4).fallen_mm.tolist()
    [0.0, 2.5, 10.0, 17.5, 20.0]
    """
    depth_mm = number("depth_mm", depth_mm, at_least=0)
    duration_h = number("duration_h", duration_h, above=0)
    peak = number("peak_share", peak_share, above=0, below=1)
    share = np.linspace(0.0, 1.0, whole("steps", steps, at_least=1) + 1)
    fallen = np.where(share <= peak, share**2 / peak, 1.0 - (1.0 - share) ** 2 / (1.0 - peak))
    fallen[-1] = 1.0
    return Hyetograph(time_h=share * duration_h, fallen_mm=np.maximum.accumulate(fallen) * depth_mm)


def gauge_series(*, time_h: ArrayLike, rain_mm: ArrayLike) -> Hyetograph:
    """Read a gauge's series: the time at the end of each interval and what fell in it.

    Parameters
    ----------
    time_h : array_like of float, shape (steps + 1,)
        Hours: the start of the first interval, then the end of each.
    rain_mm : array_like of float, shape (steps,)
        Rain in each interval, millimetres.

    Returns
    -------
    Hyetograph
        From the first interval with rain to the last.

    Raises
    ------
    InputError
        If the shapes disagree, times do not rise, or a depth is negative.

    Examples
    --------
    >>> rain = gauge_series(time_h=[14, 14.5, 15, 15.5], rain_mm=[0, 4, 6])
    >>> rain.time_h.tolist(), rain.fallen_mm.tolist()
    ([0.0, 0.5, 1.0], [0.0, 4.0, 10.0])
    """
    time_h = numbers("time_h", time_h)
    rain_mm = numbers("rain_mm", rain_mm, at_least=0)
    if time_h.ndim != 1 or rain_mm.ndim != 1 or len(time_h) != len(rain_mm) + 1 or len(rain_mm) == 0:
        raise InputError(
            f"Invalid gauge series of {time_h.size} times and {rain_mm.size} depths. "
            "It must have one time more than depths, the first being the start."
        )
    wet = np.flatnonzero(rain_mm > 0)
    first, last = (int(wet[0]), int(wet[-1]) + 1) if len(wet) else (0, len(rain_mm))
    fallen = np.concatenate(([0.0], np.cumsum(rain_mm[first:last])))
    return Hyetograph(time_h=time_h[first : last + 1] - time_h[first], fallen_mm=fallen)


def antecedent_rain_mm(
    *, rain_day: ArrayLike, rain_mm: ArrayLike, storm_day: ArrayLike, keep_per_day_factor: float = 0.85
) -> float:
    """Rain of the days before, as far as the ground still holds it.

    Parameters
    ----------
    rain_day : array_like of float, shape (rains,)
        Days of earlier and other rains, as day numbers.
    rain_mm : array_like of float, shape (rains,)
        Their depths, millimetres.
    storm_day : array_like of float
        One day number, that of the storm; only rains before it count.
    keep_per_day_factor : float, optional
        Share that one day leaves to the next. 0.85: the low end of the 0.85 to 0.98 of Kohler and Linsley
        (1951, from memory), because dryland soils dry fast.

    Returns
    -------
    float
        Antecedent precipitation index, millimetres.

    Raises
    ------
    InputError
        If the shapes disagree or a value is out of its limits.

    References
    ----------
    Kohler, M. A., Linsley, R. K. (1951). Predicting the runoff from storm rainfall. Weather Bureau Research
    Paper 34.

    Examples
    --------
    >>> round(antecedent_rain_mm(rain_day=[1, 3, 9], rain_mm=[10, 10, 50], storm_day=5), 3)
    12.445
    """
    rain_day = numbers("rain_day", rain_day)
    rain_mm = numbers("rain_mm", rain_mm, at_least=0)
    keep = number("keep_per_day_factor", keep_per_day_factor, at_least=0, at_most=1)
    storm_day = float(numbers("storm_day", storm_day))
    if rain_day.shape != rain_mm.shape:
        raise InputError(
            f"Invalid 'rain_mm' of shape {rain_mm.shape}. It must have one depth for each of the "
            f"{rain_day.size} days."
        )
    before = rain_day < storm_day
    return float(np.sum(rain_mm[before] * keep ** (storm_day - rain_day[before])))


def areal_reduction(*, area_m2: float, duration_h: float) -> float:
    """Mean rain over an area as a share of the rain at a gauge in it.

    Parameters
    ----------
    area_m2 : float
        The area, square metres.
    duration_h : float
        How long the rain lasted, hours.

    Returns
    -------
    float
        Share, 0 to 1.

    Raises
    ------
    InputError
        If a value is out of its limits.

    Notes
    -----
    ``1 - exp(-1.1 t^0.25) + exp(-1.1 t^0.25 - 0.01 A)``, t in hours and A in square miles: the fit of Leclerc
    and Schaake (1972), as in Eagleson (1972), to the depth-area curves of the US Weather Bureau (TP 29). From
    memory. The curves are those of frontal and tropical rain too: a single convective cell falls off faster,
    so over more than some 20 km2 one gauge says little. Below 1 km2 the reduction is under half a percent.

    References
    ----------
    Eagleson, P. S. (1972). Dynamics of flood frequency. Water Resources Research 8(4), 878-898.

    Examples
    --------
    >>> round(areal_reduction(area_m2=25e6, duration_h=1), 3)
    0.969
    """
    area_mi2 = number("area_m2", area_m2, at_least=0) / _MI2
    fade = float(np.exp(-1.1 * number("duration_h", duration_h, above=0) ** 0.25))
    return 1.0 - fade * float(-np.expm1(-0.01 * area_mi2))
