"""Rework: how deep a flood turned the bed over, and how much of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.storm.arrays import numbers, one_each
from washgrade.storm.grains import Bed, critical_stress_pa, sorting_window_pa
from washgrade.storm.hydraulics import Flow, flow_in_bed

__all__ = [
    "SCOUR_M",
    "least_discharge_m3_s",
    "mean_scour_m",
    "refill_share",
    "share_reworked",
    "sorting_discharge_m3_s",
]

# Mean scour at a unit discharge of 1 m2/s far above the threshold of motion, metres. Our choice: scour chains
# in sandy dryland washes show means of a few centimetres to a decimetre or two (Leopold, Emmett and Myrick
# 1966; Powell et al. 2005; the numbers from memory), and the site's own record corrects it
# (`washgrade.storm.learn`).
SCOUR_M = 0.10


def mean_scour_m(flow: Flow, bed: Bed, *, scour_m: float = SCOUR_M) -> NDArray[np.float64]:
    """Mean depth to which a flood scoured the wetted bed before it filled again.

    Parameters
    ----------
    flow : Flow
        The flood's peak.
    bed : Bed
        What the bed is made of.
    scour_m : float, optional
        Mean scour at 1 m2/s, metres.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Metres; 0 where the bed's median grain does not move.

    Notes
    -----
    ``scour_m * sqrt(q) * (1 - critical stress / grain stress)``, q in square metres a second: the square root
    of the unit discharge is the form found in a sandy arroyo (Leopold, Emmett and Myrick 1966, from memory),
    the last factor lets it begin at the threshold of motion.

    References
    ----------
    Leopold, L. B., Emmett, W. W., Myrick, R. M. (1966). Channel and hillslope processes in a semiarid area,
    New Mexico. US Geological Survey Professional Paper 352-G.

    Examples
    --------
    >>> from washgrade.storm.grains import BEDS
    >>> flow = flow_in_bed(discharge_m3_s=[0.0, 0.2, 4.0], width_m=4.0, slope=0.02, bed=BEDS["sand"])
    >>> mean_scour_m(flow, BEDS["sand"]).round(3).tolist()
    [0.0, 0.027, 0.09]
    """
    number("scour_m", scour_m, above=0)
    moves_pa = float(critical_stress_pa(bed.median_mm / 1000.0, median_m=bed.median_mm / 1000.0))
    grain = flow.grain_stress_pa
    over = np.divide(moves_pa, grain, out=np.ones_like(grain), where=grain > moves_pa)
    speed_depth = flow.velocity_m_s * flow.depth_m
    found: NDArray[np.float64] = scour_m * np.sqrt(speed_depth) * (1.0 - over)
    return found


def share_reworked(
    *, scour_m: ArrayLike, depth_m: ArrayLike, wetted_share: ArrayLike = 1.0
) -> NDArray[np.float64]:
    """Share of the bed that a flood scoured deeper than a depth.

    Parameters
    ----------
    scour_m : array_like of float
        Mean scour of the wetted bed, metres.
    depth_m : array_like of float
        The depth, such as that of a streak, metres.
    wetted_share : array_like of float, optional
        Share of the bed under water.

    Returns
    -------
    ndarray of float64
        0 to 1.

    Notes
    -----
    ``wetted share * exp(-depth / mean scour)``: depths of scour in sandy dryland washes are distributed
    exponentially about a mean that grows with the strength of the flow.

    References
    ----------
    Powell, D. M., Brazier, R., Wainwright, J., Parsons, A., Kaduk, J. (2005). Streambed scour and fill in
    low-order dryland channels. Water Resources Research 41, W05019.

    Examples
    --------
    >>> share_reworked(scour_m=[0.0, 0.05, 0.1], depth_m=0.05).round(2).tolist()
    [0.0, 0.37, 0.61]
    """
    scour = numbers("scour_m", scour_m, at_least=0)
    depth = numbers("depth_m", depth_m, at_least=0)
    wetted = numbers("wetted_share", wetted_share, at_least=0, at_most=1)
    scour, depth = np.broadcast_arrays(scour, depth)
    with np.errstate(over="ignore"):
        ratio = np.divide(depth, scour, out=np.full(scour.shape, np.inf), where=scour > 0)
    found: NDArray[np.float64] = wetted * np.exp(-ratio)
    return found


def refill_share(
    *, scour_m: ArrayLike, bite_m: float, wetted_share: ArrayLike = 1.0, refill_scale: float = 1.0
) -> NDArray[np.float64]:
    """Share of a dug reach that a flood renews.

    Parameters
    ----------
    scour_m : array_like of float
        Mean scour of the wetted bed, metres.
    bite_m : float
        Depth that a digger takes, metres.
    wetted_share : array_like of float, optional
        Share of the bed under water.
    refill_scale : float, optional
        S0, the mean scour in bites that renews 63 %. 1: our choice, for which the share is nearly that of a
        bite's bed turned over by exponential scour; the site's record corrects it.

    Returns
    -------
    ndarray of float64
        ``wetted share * (1 - exp(-S / S0))``, S = mean scour / bite; 0 to 1.

    Examples
    --------
    >>> refill_share(scour_m=[0.0, 0.05, 0.1, 0.3], bite_m=0.1).round(2).tolist()
    [0.0, 0.39, 0.63, 0.95]
    """
    strength = numbers("scour_m", scour_m, at_least=0) / number("bite_m", bite_m, above=0)
    wetted = numbers("wetted_share", wetted_share, at_least=0, at_most=1)
    found: NDArray[np.float64] = wetted * -np.expm1(-strength / number("refill_scale", refill_scale, above=0))
    return found


def _bisect(
    count: int, reaches: Callable[[NDArray[np.float64]], NDArray[np.bool_]], most_m3_s: float
) -> NDArray[np.float64]:
    """Least discharge for which a monotone test holds at every node; infinite where none does."""
    low, high = np.full(count, np.log(1e-4)), np.full(count, np.log(most_m3_s))
    never = ~reaches(np.exp(high))
    for _ in range(40):
        middle = 0.5 * (low + high)
        enough = reaches(np.exp(middle))
        high = np.where(enough, middle, high)
        low = np.where(enough, low, middle)
    return np.where(never, np.inf, np.exp(high))


def least_discharge_m3_s(
    *,
    wanted_share: ArrayLike,
    width_m: ArrayLike,
    slope: ArrayLike,
    bed: Bed,
    bite_m: float,
    refill_scale: float = 1.0,
    scour_m: float = SCOUR_M,
    most_m3_s: float = 1e4,
) -> NDArray[np.float64]:
    """Smallest flood peak that renews a share of each reach.

    Parameters
    ----------
    wanted_share : array_like of float, shape (reaches,)
        Share to be renewed, 0 to 1; for a depletion d to fall to d' it is 1 - d'/d.
    width_m, slope : array_like of float
        Width of the bed in metres and its slope; one for all or one a reach.
    bed : Bed
        What it is made of.
    bite_m : float
        Depth that a digger takes, metres.
    refill_scale, scour_m : float, optional
        As in `refill_share` and `mean_scour_m`.
    most_m3_s : float, optional
        Largest flood looked at, cubic metres a second.

    Returns
    -------
    ndarray of float64, shape (reaches,)
        Cubic metres a second; 0 where nothing is wanted, infinite where no flood up to the largest does it.

    Examples
    --------
    >>> from washgrade.storm.grains import BEDS
    >>> least_discharge_m3_s(wanted_share=[0.0, 0.3, 0.6], width_m=4.0, slope=0.02, bed=BEDS["sand"],
    ...                      bite_m=0.1).round(1).tolist()
    [0.0, 0.6, 4.1]
    """
    wanted = np.atleast_1d(numbers("wanted_share", wanted_share, at_least=0, at_most=1))
    count = len(wanted)
    width = one_each("width_m", width_m, count, "reach", above=0)
    fall = one_each("slope", slope, count, "reach", at_least=0)

    def renews(discharge: NDArray[np.float64]) -> NDArray[np.bool_]:
        flow = flow_in_bed(discharge_m3_s=discharge, width_m=width, slope=fall, bed=bed)
        renewed = refill_share(
            scour_m=mean_scour_m(flow, bed, scour_m=scour_m),
            bite_m=bite_m,
            wetted_share=flow.wetted_share,
            refill_scale=refill_scale,
        )
        return renewed >= wanted

    return np.where(wanted > 0, _bisect(count, renews, number("most_m3_s", most_m3_s, above=0)), 0.0)


def sorting_discharge_m3_s(
    *, width_m: ArrayLike, slope: ArrayLike, bed: Bed
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Flows between which each bed gives up its quartz and keeps its magnetite.

    Parameters
    ----------
    width_m, slope : array_like of float, shape (reaches,)
        Width of the bed in metres and its slope.
    bed : Bed
        What it is made of.

    Returns
    -------
    from_m3_s, to_m3_s : ndarray of float64, shape (reaches,)
        Cubic metres a second; infinite where no flow up to 10,000 is strong enough. A flood that rises past
        the window passes through it again as it falls: that is when the streaks are laid.

    Examples
    --------
    >>> from washgrade.storm.grains import BEDS
    >>> low, high = sorting_discharge_m3_s(width_m=[40.0], slope=[0.005], bed=BEDS["gravel"])
    >>> low.round(2).tolist(), high.round(1).tolist()
    ([3.35], [40.8])
    """
    width = np.atleast_1d(numbers("width_m", width_m, above=0))
    fall = one_each("slope", slope, len(width), "reach", at_least=0)
    found = []
    for limit_pa in sorting_window_pa(bed):

        def moves(discharge: NDArray[np.float64], limit_pa: float = limit_pa) -> NDArray[np.bool_]:
            flow = flow_in_bed(discharge_m3_s=discharge, width_m=width, slope=fall, bed=bed)
            return flow.grain_stress_pa >= limit_pa

        found.append(_bisect(len(width), moves, 1e4))
    return found[0], found[1]
