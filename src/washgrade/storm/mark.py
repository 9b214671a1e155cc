"""Flood marks: what a line of litter on the bank tells of the flow, there and elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.storm.arrays import numbers, one_each
from washgrade.storm.grains import Bed
from washgrade.storm.hydraulics import SIDE_SLOPE, discharge_of_depth_m3_s, flow_in_bed

__all__ = ["Marks", "mark_discharge", "mark_sentence", "spread_marks"]

# Indirect measurements of floods by slope and section are good to 10 to 25 % where the bed holds still
# (Benson and Dalrymple 1967, US Geological Survey Techniques, book 3, chapter A1, from memory); here the bed
# moves and the slope is the DEM's: our choice. The width alone says less: the scatter of regime widths.
_SECTION_LOG_SD = 0.3
_WIDTH_ONLY_LOG_SD = 0.6
# Scatter of one flood's peaks about a power of the area: our choice.
_PLACE_LOG_SD = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """Flood marks of one storm.

    Parameters
    ----------
    node : ndarray of int, shape (marks,)
        Where they stand.
    depth_m : ndarray of float64, shape (marks,)
        Height of the mark above the bed, metres; NaN where not measured.
    width_m : ndarray of float64, shape (marks,)
        Width of the water's surface, metres; NaN where not measured.
    depth_sd_m : float
        Standard error of the depths, metres. 0.1: our choice, because the bed has scoured and filled since.

    Raises
    ------
    InputError
        If the shapes disagree, a mark has neither depth nor width, or one is not above 0.
    """

    node: NDArray[np.int64]
    depth_m: NDArray[np.float64]
    width_m: NDArray[np.float64]
    depth_sd_m: float = 0.1

    def __post_init__(self) -> None:
        number("depth_sd_m", self.depth_sd_m, at_least=0)
        depth, width = np.asarray(self.depth_m, np.float64), np.asarray(self.width_m, np.float64)
        if not np.shape(self.node) == depth.shape == width.shape or depth.ndim != 1 or depth.size == 0:
            raise InputError(
                f"Invalid marks of {np.size(self.node)} nodes, {depth.size} depths and {width.size} widths. "
                "There must be one or more, and as many of each; NaN where not measured."
            )
        if (np.isnan(depth) & np.isnan(width)).any():
            raise InputError("Invalid mark without depth and width. It must have one or both.")
        numbers("depth_m", depth[~np.isnan(depth)], above=0)
        numbers("width_m", width[~np.isnan(width)], above=0)


def mark_discharge(
    marks: Marks, *, width_m: NDArray[np.float64], slope: NDArray[np.float64], bed: Bed
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Peak flow that a mark tells of.

    Parameters
    ----------
    marks : Marks
        The marks.
    width_m, slope : ndarray of float64, shape (nodes,)
        Width of the bed in metres and its slope at every node.
    bed : Bed
        What it is made of.

    Returns
    -------
    discharge_m3_s : ndarray of float64, shape (marks,)
        Cubic metres a second.
    log_sd : ndarray of float64, shape (marks,)
        Standard error of its natural logarithm.

    Raises
    ------
    InputError
        If there is no such node.

    Notes
    -----
    The inverse of `washgrade.storm.hydraulics.flow_in_bed`: the flow that stands as deep or as wide. With
    both depth and width the section is that measured, not the DEM's.

    Examples
    --------
    >>> from washgrade.storm.grains import BEDS
    >>> marks = Marks(node=np.array([0]), depth_m=np.array([0.5]), width_m=np.array([np.nan]))
    >>> flow, sd = mark_discharge(marks, width_m=np.array([4.0]), slope=np.array([0.02]), bed=BEDS["sand"])
    >>> flow.round(2).tolist(), sd.round(2).tolist()
    ([4.89], [0.44])
    """
    count = len(width_m)
    place = np.asarray(marks.node, np.int64)
    if (place < 0).any() or (place >= count).any():
        raise InputError(f"Invalid 'node' of a mark. It must be between 0 and {count - 1}.")
    width, fall = one_each("width_m", width_m, count, above=0)[place], np.asarray(slope, np.float64)[place]
    depth = np.asarray(marks.depth_m, np.float64)
    seen_width = np.asarray(marks.width_m, np.float64)
    log_flow = np.log(_flow_of(depth, seen_width, width, fall, bed))
    low = np.maximum(depth - marks.depth_sd_m, 0.25 * depth)
    higher = np.log(_flow_of(depth + marks.depth_sd_m, seen_width, width, fall, bed))
    lower = np.log(_flow_of(low, seen_width, width, fall, bed))
    of_reading = np.where(np.isnan(depth), 0.0, 0.5 * (higher - lower))
    of_section = np.where(np.isnan(depth), _WIDTH_ONLY_LOG_SD, _SECTION_LOG_SD)
    return np.exp(log_flow), np.hypot(of_reading, of_section)


def _flow_of(
    depth_m: NDArray[np.float64],
    seen_width_m: NDArray[np.float64],
    width_m: NDArray[np.float64],
    slope: NDArray[np.float64],
    bed: Bed,
) -> NDArray[np.float64]:
    """Discharge of each mark: measured section where both are known, else the flow that stands as high."""
    low, high = np.full(len(depth_m), np.log(1e-6)), np.full(len(depth_m), np.log(1e6))
    for _ in range(60):
        middle = 0.5 * (low + high)
        flow = flow_in_bed(discharge_m3_s=np.exp(middle), width_m=width_m, slope=slope, bed=bed)
        enough = np.where(np.isnan(depth_m), flow.width_m >= seen_width_m, flow.depth_m >= depth_m)
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    found: NDArray[np.float64] = np.exp(high)
    both = ~np.isnan(depth_m) & ~np.isnan(seen_width_m)
    if both.any():
        # Steep banks if the measured width is too narrow for the usual ones.
        bottom = np.maximum(seen_width_m - 2.0 * SIDE_SLOPE * depth_m, 0.25 * seen_width_m)[both]
        found[both] = discharge_of_depth_m3_s(
            depth_m=depth_m[both], width_m=bottom, slope=slope[both], bed=bed
        )
    return found


def spread_marks(
    *,
    node: NDArray[np.int64],
    discharge_m3_s: ArrayLike,
    log_sd: ArrayLike,
    area_m2: NDArray[np.float64],
    area_power_scale: float = 0.6,
    area_power_sd: float = 0.15,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Carry the flows of marks to every other node.

    Parameters
    ----------
    node : ndarray of int, shape (marks,)
        Where the marks stand.
    discharge_m3_s, log_sd : array_like of float, shape (marks,)
        What they tell, from `mark_discharge`.
    area_m2 : ndarray of float64, shape (nodes,)
        Catchments, square metres.
    area_power_scale : float, optional
        Power of the area with which peaks grow. 0.6: our choice, amid the 0.4 to 0.8 of published regional
        equations for drylands (from memory).
    area_power_sd : float, optional
        Its standard error; our choice, from the same range.

    Returns
    -------
    discharge_m3_s : ndarray of float64, shape (nodes,)
        Cubic metres a second.
    log_sd : ndarray of float64, shape (nodes,)
        Standard error of its natural logarithm; it grows away from the marks' areas.

    Raises
    ------
    InputError
        If a value is out of its limits.

    Notes
    -----
    ``Q = c A^b``: the ratio of areas to the regional power, the usual way to carry a flood from a place
    with a gauge to one without. c is the mean over the marks, weighted by their precision.

    References
    ----------
    Waltemeyer, S. D. (1996). Analysis of the magnitude and frequency of peak discharge and maximum observed
    peak discharge in New Mexico. US Geological Survey Water-Resources Investigations Report 96-4112.

    Examples
    --------
    >>> flow, sd = spread_marks(node=np.array([0]), discharge_m3_s=[2.0], log_sd=[0.3],
    ...                         area_m2=np.array([1e6, 4e6]))
    >>> flow.round(2).tolist(), sd.round(2).tolist()
    ([2.0, 4.59], [0.46, 0.51])
    """
    flow = np.atleast_1d(numbers("discharge_m3_s", discharge_m3_s, above=0))
    sd = np.atleast_1d(numbers("log_sd", log_sd, at_least=0))
    log_area = np.log(numbers("area_m2", area_m2, above=0))
    power = number("area_power_scale", area_power_scale, at_least=0)
    weight = 1.0 / (sd**2 + _PLACE_LOG_SD**2)
    at = log_area[np.asarray(node, np.int64)]
    level = np.sum(weight * (np.log(flow) - power * at)) / weight.sum()
    far = log_area - np.sum(weight * at) / weight.sum()
    variance = 1.0 / weight.sum() + _PLACE_LOG_SD**2 + (area_power_sd * far) ** 2
    return np.exp(level + power * log_area), np.sqrt(variance)


def mark_sentence(*, mark_m3_s: float, rain_m3_s: float) -> str:
    """Say how mark and rain agree.

    Parameters
    ----------
    mark_m3_s : float
        Flow that the mark tells of, cubic metres a second, above 0.
    rain_m3_s : float
        Flow that the rain gives at the same place, cubic metres a second.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> mark_sentence(mark_m3_s=5.1, rain_m3_s=1.6)
    'The mark tells of 3.2 times the flow that the rain gives there (5.1 against 1.6 m3/s); the mark counts.'
    >>> mark_sentence(mark_m3_s=5.1, rain_m3_s=0)
    'The mark tells of 5.1 m3/s where the rain gives none; the mark counts.'
    """
    mark_m3_s = number("mark_m3_s", mark_m3_s, above=0)
    rain_m3_s = number("rain_m3_s", rain_m3_s, at_least=0)
    if rain_m3_s == 0:
        return f"The mark tells of {mark_m3_s:.3g} m3/s where the rain gives none; the mark counts."
    return (
        f"The mark tells of {mark_m3_s / rain_m3_s:.2g} times the flow that the rain gives there "
        f"({mark_m3_s:.3g} against {rain_m3_s:.3g} m3/s); the mark counts."
    )
