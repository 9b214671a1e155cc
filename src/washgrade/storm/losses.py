"""Losses: what a dry bed drinks of a flood on its way down."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import one_each

__all__ = ["BED_CONDUCTIVITY_MM_H", "REGIME_WIDTH_S12_M12", "bed_conductivity_mm_h", "route_losses"]

# Effective conductivity of channel beds, millimetres an hour. Lane, L. J. (1983). Transmission losses.
# National Engineering Handbook section 4, chapter 19, table 19-1, from memory; geometric middle of each
# class, the lower end of the open one.
BED_CONDUCTIVITY_MM_H: dict[str, float] = {
    "clean gravel and coarse sand": 127.0,
    "clean sand and gravel": 80.0,
    "sand and gravel, little silt": 44.0,
    "sand and gravel, much silt": 13.0,
    "hard, much silt and clay": 0.25,
}

# Lacey, G. (1930). Stable channels in alluvium. Minutes of the Proceedings of the Institution of Civil
# Engineers 229, 259-292: wetted perimeter of a self-formed sand channel P = 2.67 Q^0.5 in feet (from memory),
# 4.84 in metres.
REGIME_WIDTH_S12_M12 = 4.84


def bed_conductivity_mm_h(bed: str) -> float:
    """How fast a bed drinks while water stands on it.

    Parameters
    ----------
    bed : str
        One of `BED_CONDUCTIVITY_MM_H`.

    Returns
    -------
    float
        Millimetres an hour.

    Examples
    --------
    >>> bed_conductivity_mm_h("clean sand and gravel")
    80.0
    """
    return BED_CONDUCTIVITY_MM_H[choice("bed", bed, tuple(BED_CONDUCTIVITY_MM_H))]


@kernel
def _route(
    downstream: NDArray[np.int32],
    length_m: NDArray[np.float64],
    width_m: NDArray[np.float64],
    duration_s: NDArray[np.float64],
    made_m3: NDArray[np.float64],
    conductivity_m_s: NDArray[np.float64],
    regime_width: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Walk down: what passes a node, and what the stretch below it drinks."""
    count = len(downstream)
    passing = np.zeros(count)
    above = np.zeros(count)
    lost = np.zeros(count)
    for i in range(count):
        # The ground between this node and those above it adds its own; rounding may make that -0.
        passing[i] += max(made_m3[i] - above[i], 0.0)
        wetted_m = min(width_m[i], regime_width * math.sqrt(passing[i] / duration_s[i]))
        lost[i] = min(conductivity_m_s[i] * duration_s[i] * wetted_m * length_m[i], passing[i])
        j = downstream[i]
        if j >= 0:
            passing[j] += passing[i] - lost[i]
            above[j] += made_m3[i]
    return passing, lost


def route_losses(
    *,
    downstream: NDArray[np.int32],
    length_m: NDArray[np.float64],
    width_m: ArrayLike,
    duration_h: ArrayLike,
    made_m3: NDArray[np.float64],
    conductivity_mm_h: ArrayLike,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lead a flood's water down the network, less what the beds drink.

    Parameters
    ----------
    downstream : ndarray of int32, shape (nodes,)
        Next node downstream, -1 at an outlet; upstream before downstream.
    length_m : ndarray of float64, shape (nodes,)
        Distance to it, metres.
    width_m : array_like of float
        Width of the bed, metres; one for all or one a node.
    duration_h : array_like of float
        How long the bed is wet, hours; one for all or one a node.
    made_m3 : ndarray of float64, shape (nodes,)
        Runoff of each node's whole catchment, cubic metres, as if nothing were lost.
    conductivity_mm_h : array_like of float
        How fast the bed drinks, millimetres an hour; one for all or one a node.

    Returns
    -------
    passing_m3 : ndarray of float64, shape (nodes,)
        What passes each node, cubic metres.
    lost_m3 : ndarray of float64, shape (nodes,)
        What the stretch from each node to the next drinks, cubic metres.

    Raises
    ------
    InputError
        If the shapes disagree or a value is out of its limits.

    Notes
    -----
    A stretch drinks conductivity x duration x wetted area, and never more than comes in. Wetted area is
    length times the width of the mean flow: that of a self-formed channel (`REGIME_WIDTH_S12_M12`), at most
    the bed's. Regressions of the same losses (Lane 1983) tend to the same bound, but circulate with metric
    constants that make them ten times too large. What passes plus what was lost above equals what was made,
    and never falls as the runoff grows: on one stretch because ``W - c sqrt(W)``, where above 0, rises with
    W.

    Examples
    --------
    >>> passing, lost = route_losses(downstream=np.array([1, -1], np.int32), length_m=np.array([1000.0, 0]),
    ...     width_m=5.0, duration_h=2.0, made_m3=np.array([5000.0, 5000.0]), conductivity_mm_h=25.0)
    >>> passing.round(1).tolist(), lost.round(1).tolist()
    ([5000.0, 4798.3], [201.7, 0.0])
    """
    count = len(downstream)
    made_m3 = one_each("made_m3", made_m3, count, at_least=0)
    if np.shape(length_m) != (count,):
        raise InputError(
            f"Invalid 'length_m' of shape {np.shape(length_m)}. It must have one value for each of the "
            f"{count} nodes."
        )
    return _route(
        downstream,
        one_each("length_m", length_m, count, at_least=0),
        one_each("width_m", width_m, count, above=0),
        3600.0 * one_each("duration_h", duration_h, count, above=0),
        made_m3,
        one_each("conductivity_mm_h", conductivity_mm_h, count, at_least=0) / 3.6e6,
        REGIME_WIDTH_S12_M12,
    )
