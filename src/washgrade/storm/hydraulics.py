"""Hydraulics: depth, width, speed and stress of a flood in a sandy or stony bed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice, number
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers, one_each
from washgrade.storm.basin import LEAST_SLOPE
from washgrade.storm.grains import GRAVITY_M_S2, WATER_KG_M3, Bed
from washgrade.storm.losses import REGIME_WIDTH_S12_M12

__all__ = [
    "MOST_FROUDE",
    "RESISTANCE",
    "SIDE_SLOPE",
    "Flow",
    "critical_depth_m",
    "discharge_of_depth_m3_s",
    "flow_in_bed",
    "mean_velocity_m_s",
    "normal_depth_m",
]

# Laws of flow resistance, by name; x = R/D84, u* = (g R S)^(1/2).
# manning: U = R^(2/3) S^(1/2) / n (Chow 1959, Open-channel hydraulics, equation 5-6).
# variable power: U/u* = a1 a2 x / (a1^2 + a2^2 x^(5/3))^(1/2), a1 = 6.5 and a2 = 2.5 (Ferguson 2007, Water
# Resources Research 43, W05427, equation 20; the two numbers from memory).
# relative depth: U/u* = 4.416 x^1.904 (1 + (x/1.283)^1.618)^-1.083 (Rickenmann and Recking 2011, Water
# Resources Research 47, W07538).
RESISTANCE: dict[str, int] = {"manning": 0, "variable power": 1, "relative depth": 2}

# Grant, G. E. (1997). Critical flow constrains flow hydraulics in mobile-bed streams. Water Resources
# Research 33(2), 349-358: steep flows over a bed that moves swing between Froude numbers of 0.7 and 1.3, 1 on
# average.
MOST_FROUDE = 1.0

# Run by rise of the banks: dry sand stands at 34 degrees (US Bureau of Reclamation, HYD-299), 1.5 to 1.
SIDE_SLOPE = 1.5

_GRAVITY = GRAVITY_M_S2


@kernel
def _velocity(radius_m: float, slope: float, roughness: float, coarse_m: float, law: int) -> float:
    """Mean velocity of uniform flow by the law of that number."""
    if law == 0:
        return float(radius_m ** (2.0 / 3.0) * math.sqrt(slope) / roughness)
    share = radius_m / coarse_m
    shear = math.sqrt(_GRAVITY * radius_m * slope)
    if law == 1:
        return float(shear * 16.25 * share / math.sqrt(42.25 + 6.25 * share ** (5.0 / 3.0)))
    return float(shear * 4.416 * share**1.904 * (1.0 + (share / 1.283) ** 1.618) ** -1.083)


@kernel
def _radius(depth_m: float, bottom_m: float, side: float) -> float:
    """Hydraulic radius of a trapezoid."""
    return (bottom_m + side * depth_m) * depth_m / (bottom_m + 2.0 * depth_m * math.sqrt(1.0 + side * side))


@kernel
def _discharge(depth_m: float, bottom_m: float, side: float, slope: float, roughness: float, coarse_m: float,
               law: int) -> float:  # fmt: skip
    """Discharge of uniform flow in a trapezoid."""
    area = (bottom_m + side * depth_m) * depth_m
    return area * _velocity(_radius(depth_m, bottom_m, side), slope, roughness, coarse_m, law)


@kernel
def _at_froude(depth_m: float, bottom_m: float, side: float, froude: float) -> float:
    """Discharge that flows at a Froude number at a depth in a trapezoid."""
    area = (bottom_m + side * depth_m) * depth_m
    return froude * area * math.sqrt(_GRAVITY * area / (bottom_m + 2.0 * side * depth_m))


@kernel
def _depth(wanted: float, guess_m: float, bottom_m: float, side: float, slope: float, roughness: float,
           coarse_m: float, law: int, froude: float) -> float:  # fmt: skip
    """Depth at which uniform flow (or, with a Froude number above 0, flow at it) carries a discharge."""
    # Log discharge is nearly straight in log depth: Newton's steps settle in three or four, with the slope of
    # Manning's law or of critical flow, or else of the last secant. The bracket keeps them safe.
    goal = math.log(wanted)
    low, high = math.log(1e-7), math.log(1e3)
    log_depth = min(max(math.log(guess_m), low + 1.0), high - 1.0)
    last_depth, last_miss = log_depth, 0.0
    for step in range(80):
        depth_m = math.exp(log_depth)
        if froude > 0.0:
            found = _at_froude(depth_m, bottom_m, side, froude)
        else:
            found = _discharge(depth_m, bottom_m, side, slope, roughness, coarse_m, law)
        miss = math.log(found) - goal
        if abs(miss) < 1e-12:
            break
        if miss > 0.0:
            high = log_depth
        else:
            low = log_depth
        spread = side * depth_m
        rate = 1.0 + spread / (bottom_m + spread)
        if froude > 0.0:
            rate = 1.5 * rate - spread / (bottom_m + 2.0 * spread)
        elif law == 0 or step == 0:
            banks = 2.0 * depth_m * math.sqrt(1.0 + side * side)
            rate = (5.0 * rate - 2.0 * banks / (bottom_m + banks)) / 3.0
        else:
            rate = max((miss - last_miss) / (log_depth - last_depth), 0.5)
        last_depth, last_miss = log_depth, miss
        log_depth -= miss / rate
        if not low < log_depth < high:
            log_depth = 0.5 * (low + high)
        if high - low < 1e-14:
            break
    return math.exp(log_depth)


@kernel
def _wide_depth(flow_by_width: float, slope: float, roughness: float) -> float:
    """Depth of uniform flow by Manning in a very wide channel: where the search for a depth begins."""
    return float((flow_by_width * roughness / math.sqrt(slope)) ** 0.6)


@kernel
def _flows(discharge: NDArray[np.float64], width_m: NDArray[np.float64], slope: NDArray[np.float64],
           side: float, roughness: float, coarse_m: float, grain_roughness: float, law: int,
           most_froude: float, regime: float) -> NDArray[np.float64]:  # fmt: skip
    """Rows: bottom, depth, radius, area, top, velocity, total and grain stress, whether held critical."""
    found = np.zeros((9, len(discharge)))
    for i in range(len(discharge)):
        wanted = discharge[i]
        if wanted <= 0.0:
            continue
        bottom = min(width_m[i], regime * math.sqrt(wanted))
        guess = (wanted / bottom / most_froude) ** (2.0 / 3.0) / _GRAVITY ** (1.0 / 3.0)
        depth = _depth(wanted, guess, bottom, side, slope[i], roughness, coarse_m, law, most_froude)
        # Uniform flow that would carry more at this depth is shallower and faster than the bed allows.
        if _discharge(depth, bottom, side, slope[i], roughness, coarse_m, law) > wanted:
            found[8, i] = 1.0
        else:
            guess = _wide_depth(wanted / bottom, slope[i], roughness)
            depth = _depth(wanted, guess, bottom, side, slope[i], roughness, coarse_m, law, 0.0)
        area = (bottom + side * depth) * depth
        radius = _radius(depth, bottom, side)
        velocity = wanted / area
        total = WATER_KG_M3 * _GRAVITY * radius * slope[i]
        grain = WATER_KG_M3 * _GRAVITY * (grain_roughness * velocity) ** 2 / radius ** (1.0 / 3.0)
        found[0, i] = bottom
        found[1, i] = depth
        found[2, i] = radius
        found[3, i] = area
        found[4, i] = bottom + 2.0 * side * depth
        found[5, i] = velocity
        found[6, i] = total
        found[7, i] = min(grain, total)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A flood's peak at every node.

    Parameters
    ----------
    discharge_m3_s : ndarray of float64, shape (nodes,)
        Cubic metres a second.
    depth_m, width_m : ndarray of float64, shape (nodes,)
        Depth, and width of the water's surface, metres; 0 without flow.
    wetted_share : ndarray of float64, shape (nodes,)
        Share of the bed under water, 0 to 1.
    velocity_m_s : ndarray of float64, shape (nodes,)
        Mean velocity, metres a second.
    stress_pa, grain_stress_pa : ndarray of float64, shape (nodes,)
        Stress on the bed, and the part of it that pulls at the grains and not at the bed's forms, pascals.
    held_critical : ndarray of bool, shape (nodes,)
        Whether the moving bed kept the flow from running faster than critical.
    """

    discharge_m3_s: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    width_m: NDArray[np.float64]
    wetted_share: NDArray[np.float64]
    velocity_m_s: NDArray[np.float64]
    stress_pa: NDArray[np.float64]
    grain_stress_pa: NDArray[np.float64]
    held_critical: NDArray[np.bool_]


def flow_in_bed(
    *,
    discharge_m3_s: ArrayLike,
    width_m: ArrayLike,
    slope: ArrayLike,
    bed: Bed,
    side_slope: float = SIDE_SLOPE,
    most_froude: ArrayLike = MOST_FROUDE,
) -> Flow:
    """Work out depth, width, speed and stress of a flow at every node.

    Parameters
    ----------
    discharge_m3_s : array_like of float, shape (nodes,)
        Flow, cubic metres a second.
    width_m : array_like of float
        Width of the bed, metres; one for all or one a node.
    slope : array_like of float
        Slope of the bed, at least `washgrade.storm.basin.LEAST_SLOPE` is taken; one for all or one a node.
    bed : Bed
        What it is made of.
    side_slope : float, optional
        Run by rise of the banks; 0 is a rectangle.
    most_froude : array_like of float, optional
        Froude number that a moving bed lets the flow reach, one value.

    Returns
    -------
    Flow
        One value for each node.

    Raises
    ------
    InputError
        If the shapes disagree or a value is out of its limits.

    Notes
    -----
    The water takes the width of a self-formed channel (`REGIME_WIDTH_S12_M12`) until that fills the bed, then
    rises on the banks (a trapezoid). Its depth is that of uniform flow by the bed's law of resistance, or the
    depth at the largest Froude number where uniform flow would be faster. Total stress is
    ``rho g R S``; the grains' part follows from the velocity and the roughness of the grains alone,
    n = D50^(1/6) / 21.1 (Strickler 1923): ``rho g n^2 U^2 / R^(1/3)``, at most the total. Every one of these
    rises with the discharge.

    Examples
    --------
    >>> from washgrade.storm.grains import BEDS
    >>> flow = flow_in_bed(discharge_m3_s=[0.0, 2.0], width_m=4.0, slope=0.02, bed=BEDS["sand"])
    >>> flow.depth_m.round(2).tolist(), flow.velocity_m_s.round(2).tolist(), flow.held_critical.tolist()
    ([0.0, 0.28], [0.0, 1.59], [False, True])
    """
    discharge = np.atleast_1d(numbers("discharge_m3_s", discharge_m3_s, at_least=0))
    count = len(discharge)
    width = one_each("width_m", width_m, count, above=0)
    rows = _flows(
        discharge,
        width,
        np.maximum(one_each("slope", slope, count, at_least=0), LEAST_SLOPE),
        number("side_slope", side_slope, at_least=0),
        bed.roughness_factor,
        bed.coarse_mm / 1000.0,
        (bed.median_mm / 1000.0) ** (1.0 / 6.0) / 21.1,
        RESISTANCE[choice("resistance", bed.resistance, tuple(RESISTANCE))],
        float(numbers("most_froude", most_froude, above=0)),
        REGIME_WIDTH_S12_M12,
    )
    return Flow(
        discharge_m3_s=discharge,
        depth_m=rows[1],
        width_m=rows[4],
        wetted_share=rows[0] / width,
        velocity_m_s=rows[5],
        stress_pa=rows[6],
        grain_stress_pa=rows[7],
        held_critical=rows[8] > 0,
    )


def mean_velocity_m_s(
    *, radius_m: ArrayLike, slope: ArrayLike, bed: Bed, resistance: str = ""
) -> NDArray[np.float64]:
    """Mean velocity of uniform flow by a law of resistance.

    Parameters
    ----------
    radius_m : array_like of float
        Hydraulic radius, metres.
    slope : array_like of float
        Slope of the energy line.
    bed : Bed
        Gives Manning's n or the coarse grain size.
    resistance : str, optional
        A key of `RESISTANCE`; the bed's own unless told.

    Returns
    -------
    ndarray of float64
        Metres a second.

    Examples
    --------
    >>> from washgrade.storm.grains import BEDS
    >>> [float(mean_velocity_m_s(radius_m=0.5, slope=0.02, bed=BEDS["gravel"], resistance=law)[0].round(2))
    ...  for law in RESISTANCE]
    [2.23, 3.05, 3.14]
    """
    law = RESISTANCE[choice("resistance", resistance or bed.resistance, tuple(RESISTANCE))]
    radius, fall = np.broadcast_arrays(
        np.atleast_1d(numbers("radius_m", radius_m, above=0)), numbers("slope", slope, above=0)
    )
    return np.array([
        _velocity(one, other, bed.roughness_factor, bed.coarse_mm / 1000.0, law)
        for one, other in zip(radius.tolist(), fall.tolist(), strict=True)
    ])  # fmt: skip


def normal_depth_m(
    *,
    discharge_m3_s: float,
    width_m: float,
    slope: float,
    roughness_factor: float,
    side_slope: float = 0.0,
) -> float:
    """Depth of uniform flow in a rectangular or trapezoidal channel by Manning.

    Parameters
    ----------
    discharge_m3_s : float
        Discharge, cubic metres a second.
    width_m : float
        Width of the bottom, metres.
    slope : float
        Slope of the bed.
    roughness_factor : float
        Manning's n, s/m^(1/3).
    side_slope : float, optional
        Run by rise of the banks.

    Returns
    -------
    float
        Metres.

    Examples
    --------
    >>> round(normal_depth_m(discharge_m3_s=32.921, width_m=6, slope=0.0025, roughness_factor=0.015), 3)
    1.6
    """
    flow = number("discharge_m3_s", discharge_m3_s, above=0)
    width = number("width_m", width_m, above=0)
    side = number("side_slope", side_slope, at_least=0)
    fall = number("slope", slope, above=0)
    roughness = number("roughness_factor", roughness_factor, above=0)
    guess_m = _wide_depth(flow / width, fall, roughness)
    return _depth(flow, guess_m, width, side, fall, roughness, 1.0, 0, 0.0)


def critical_depth_m(*, discharge_m3_s: float, width_m: float, side_slope: float = 0.0) -> float:
    """Depth at which the flow runs at a Froude number of 1.

    Parameters
    ----------
    discharge_m3_s : float
        Discharge, cubic metres a second.
    width_m : float
        Width of the bottom, metres.
    side_slope : float, optional
        Run by rise of the banks.

    Returns
    -------
    float
        Metres; ``(q^2 / g)^(1/3)`` in a rectangle.

    Examples
    --------
    >>> round(critical_depth_m(discharge_m3_s=9.81**0.5, width_m=1), 6)
    1.0
    """
    flow = number("discharge_m3_s", discharge_m3_s, above=0)
    width = number("width_m", width_m, above=0)
    side = number("side_slope", side_slope, at_least=0)
    guess_m = (flow / width) ** (2.0 / 3.0) / _GRAVITY ** (1.0 / 3.0)
    return _depth(flow, guess_m, width, side, 1.0, 1.0, 1.0, 0, 1.0)


def discharge_of_depth_m3_s(
    *,
    depth_m: ArrayLike,
    width_m: ArrayLike,
    slope: ArrayLike,
    bed: Bed,
    side_slope: float = SIDE_SLOPE,
    most_froude: ArrayLike = MOST_FROUDE,
) -> NDArray[np.float64]:
    """Discharge of a flow of known depth: the inverse of `flow_in_bed` where the bed is full.

    Parameters
    ----------
    depth_m : array_like of float, shape (places,)
        Depth, metres.
    width_m : array_like of float
        Width of the bed under water, metres.
    slope : array_like of float
        Slope of the bed.
    bed : Bed
        What it is made of.
    side_slope : float, optional
        Run by rise of the banks.
    most_froude : array_like of float, optional
        Froude number that a moving bed lets the flow reach, one value.

    Returns
    -------
    ndarray of float64, shape (places,)
        Cubic metres a second.

    Examples
    --------
    >>> from washgrade.storm.grains import BEDS
    >>> discharge_of_depth_m3_s(depth_m=[0.5], width_m=4.0, slope=0.02, bed=BEDS["sand"]).round(2).tolist()
    [4.89]
    """
    depth = np.atleast_1d(numbers("depth_m", depth_m, above=0))
    width = one_each("width_m", width_m, len(depth), "place", above=0)
    fall = np.maximum(one_each("slope", slope, len(depth), "place", at_least=0), LEAST_SLOPE)
    side = number("side_slope", side_slope, at_least=0)
    froude = float(numbers("most_froude", most_froude, above=0))
    law = RESISTANCE[bed.resistance]
    found = [
        min(
            _discharge(deep, wide, side, steep, bed.roughness_factor, bed.coarse_mm / 1000.0, law),
            _at_froude(deep, wide, side, froude),
        )
        for deep, wide, steep in zip(depth.tolist(), width.tolist(), fall.tolist(), strict=True)
    ]
    return np.array(found)
