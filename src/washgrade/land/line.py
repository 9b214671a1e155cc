"""The line of a channel: its main stem, its smoothed direction and bends, and what lies along it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.land.channels import Channels
from washgrade.land.kernel import kernel

__all__ = ["Line", "below_confluences", "channel_line", "look_along", "main_donors"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Which way the smoothed channel runs at each node.

    Parameters
    ----------
    eastward, northward : ndarray of float64, shape (nodes,)
        Unit vector downstream; NaN at a node that stands alone.
    curvature_per_m : ndarray of float64, shape (nodes,)
        One over the radius of the bend, per metre; positive where the channel turns right, 0 where fewer
        than five nodes are near.
    """

    eastward: NDArray[np.float64]
    northward: NDArray[np.float64]
    curvature_per_m: NDArray[np.float64]


@kernel
def main_donors(downstream: NDArray[np.int32], area_m2: NDArray[np.float64]) -> NDArray[np.int32]:
    """Return the node upstream of each on the larger branch; -1 at a head.

    Parameters
    ----------
    downstream : ndarray of int32, shape (nodes,)
        Next node downstream, larger than the node's own index; -1 at an outlet.
    area_m2 : ndarray of float64, shape (nodes,)
        Upstream areas, square metres; of equal branches the first counts.

    Returns
    -------
    ndarray of int32, shape (nodes,)
        Indices of nodes.

    Examples
    --------
    >>> main_donors(np.array([2, 2, -1], np.int32), np.array([3.0, 5.0, 9.0])).tolist()
    [-1, -1, 1]
    """
    main = np.full(len(downstream), -1, np.int32)
    for node in range(len(downstream)):
        below = downstream[node]
        if below >= 0 and (main[below] < 0 or area_m2[node] > area_m2[main[below]]):
            main[below] = node
    return main


def channel_line(channels: Channels, *, smooth_m: float) -> Line:
    """Direction and curvature of the channels, smoothed over the steps of the grid.

    Parameters
    ----------
    channels : Channels
        The network.
    smooth_m : float
        Distance along the channel to each side over which the line is smoothed, metres. Bends with a radius
        under about twice that come out too sharp (3 % at twice), and the steps of the grid show where it is
        less than five cells.

    Returns
    -------
    Line
        Unit vectors and curvatures.

    Raises
    ------
    InputError
        If the distance is not above 0.

    Notes
    -----
    Eastings and northings of the nodes within ``smooth_m``, up the larger branch and down the channel, are
    fitted by parabolas of the distance along it (least squares: the filter of Savitzky and Golay 1964 for
    uneven steps). With first and second derivatives ``e', n', e'', n''`` at the node, curvature is
    ``(n' e'' - e' n'') / (e'^2 + n'^2)^1.5``, which does not mind that a grid's path is longer than the
    channel. With fewer than five nodes a straight line is fitted.

    References
    ----------
    Savitzky, A., Golay, M. J. E. (1964). Smoothing and differentiation of data by simplified least squares
    procedures. Analytical Chemistry 36(8), 1627-1639.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.dem import Dem
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> channel_line(channels, smooth_m=25).eastward.round(6).tolist()
    [1.0, 1.0, 1.0]
    """
    smooth_m = number("smooth_m", smooth_m, above=0)
    nodes = channels.nodes
    eastward, northward, curvature_per_m = _fit_line(
        nodes.downstream,
        main_donors(nodes.downstream, nodes.upstream_area_m2),
        nodes.length_m,
        nodes.easting_m,
        nodes.northing_m,
        smooth_m,
    )
    return Line(eastward=eastward, northward=northward, curvature_per_m=curvature_per_m)


# Fit parabolas around each node.
@kernel
def _fit_line(
    downstream: NDArray[np.int32],
    main: NDArray[np.int32],
    length_m: NDArray[np.float64],
    easting_m: NDArray[np.float64],
    northing_m: NDArray[np.float64],
    smooth_m: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    size = len(downstream)
    eastward = np.full(size, np.nan)
    northward = np.full(size, np.nan)
    curvature_per_m = np.zeros(size)
    reach_m = smooth_m * (1.0 + 1e-9)
    for node in range(size):
        # Sums of t^k, t^k e and t^k n, with t the distance along the line in units of the smoothing.
        power = np.zeros(5)
        east = np.zeros(3)
        north = np.zeros(3)
        points = 1
        power[0] = 1.0
        for side in range(2):
            along_m = 0.0
            here = node
            while True:
                if side == 0:
                    along_m += length_m[here]
                    here = downstream[here]
                else:
                    here = main[here]
                    if here >= 0:
                        along_m += length_m[here]
                if here < 0 or along_m > reach_m:
                    break
                t = along_m / smooth_m if side == 0 else -along_m / smooth_m
                e = easting_m[here] - easting_m[node]
                n = northing_m[here] - northing_m[node]
                part = 1.0
                for k in range(5):
                    power[k] += part
                    if k < 3:
                        east[k] += part * e
                        north[k] += part * n
                    part *= t
                points += 1
        if points < 2:
            # The nearest node alone, however far, still gives a direction.
            above, below = main[node], downstream[node]
            if above < 0 and below < 0:
                continue
            first = above if above >= 0 else node
            last = below if below >= 0 else node
            e = easting_m[last] - easting_m[first]
            n = northing_m[last] - northing_m[first]
            size_m = np.hypot(e, n)
            eastward[node] = e / size_m
            northward[node] = n / size_m
            continue
        s0, s1, s2, s3, s4 = power[0], power[1], power[2], power[3], power[4]
        e2, n2 = 0.0, 0.0
        if points < 5:
            det = s0 * s2 - s1 * s1
            e1 = (s0 * east[1] - s1 * east[0]) / det
            n1 = (s0 * north[1] - s1 * north[0]) / det
        else:
            # The inverse of the normal equations' matrix by cofactors; its first row is not needed.
            det = s0 * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s2 * s3) + s2 * (s1 * s3 - s2 * s2)
            c10, c11, c12 = s2 * s3 - s1 * s4, s0 * s4 - s2 * s2, s1 * s2 - s0 * s3
            c20, c21, c22 = s1 * s3 - s2 * s2, s1 * s2 - s0 * s3, s0 * s2 - s1 * s1
            e1 = (c10 * east[0] + c11 * east[1] + c12 * east[2]) / det
            n1 = (c10 * north[0] + c11 * north[1] + c12 * north[2]) / det
            e2 = 2.0 * (c20 * east[0] + c21 * east[1] + c22 * east[2]) / det
            n2 = 2.0 * (c20 * north[0] + c21 * north[1] + c22 * north[2]) / det
        speed = np.hypot(e1, n1)
        if speed > 0.0:
            eastward[node] = e1 / speed
            northward[node] = n1 / speed
            # The derivatives are per smoothing length; what rounding leaves of a straight line is no bend.
            bend = (n1 * e2 - e1 * n2) / speed**3
            if abs(bend) * smooth_m > 1e-9:
                curvature_per_m[node] = bend
    return eastward, northward, curvature_per_m


@kernel
def look_along(
    downstream: NDArray[np.int32],
    main: NDArray[np.int32],
    length_m: NDArray[np.float64],
    value: NDArray[np.float64],
    window_m: float,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Look up the main stem and down the channel from every node, itself left out.

    Parameters
    ----------
    downstream, main : ndarray of int32, shape (nodes,)
        Next node downstream and on the main stem upstream; -1 where there is none.
    length_m : ndarray of float64, shape (nodes,)
        Distance to the next node downstream, metres.
    value : ndarray of float64, shape (nodes,)
        What to sum; NaN is left out.
    window_m : float
        How far to look, metres; the next node counts however far it is.

    Returns
    -------
    total : ndarray of float64, shape (2, nodes)
        Sum of the values; row 0 upstream, row 1 downstream.
    known, seen, far : ndarray of int64, shape (2, nodes)
        Number of values, number of nodes, and the farthest node (itself where there is none).
    """
    size = len(downstream)
    total = np.zeros((2, size))
    known = np.zeros((2, size), np.int64)
    seen = np.zeros((2, size), np.int64)
    far = np.empty((2, size), np.int64)
    reach_m = window_m * (1.0 + 1e-9)
    for node in range(size):
        for side in range(2):
            here = node
            along_m = 0.0
            while True:
                near = main[here] if side == 0 else downstream[here]
                if near < 0:
                    break
                along_m += length_m[near] if side == 0 else length_m[here]
                if along_m > reach_m and here != node:
                    break
                here = near
                seen[side, node] += 1
                if not np.isnan(value[here]):
                    known[side, node] += 1
                    total[side, node] += value[here]
            far[side, node] = here
    return total, known, seen, far


@kernel
def below_confluences(
    downstream: NDArray[np.int32],
    main: NDArray[np.int32],
    length_m: NDArray[np.float64],
    area_m2: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance below the nearest confluence on the main stem, and the ratio of the areas joining there.

    Parameters
    ----------
    downstream, main : ndarray of int32, shape (nodes,)
        Next node downstream and on the main stem upstream; -1 where there is none.
    length_m, area_m2 : ndarray of float64, shape (nodes,)
        Distance to the next node downstream, metres; upstream area, square metres.

    Returns
    -------
    distance_m, ratio : ndarray of float64, shape (nodes,)
        Distance in metres, infinite where no confluence lies upstream; second largest over largest area, 0
        there.
    """
    size = len(downstream)
    second_m2 = np.zeros(size)
    for node in range(size):
        below = downstream[node]
        if below >= 0 and main[below] != node:
            second_m2[below] = max(second_m2[below], area_m2[node])
    distance_m = np.full(size, np.inf)
    ratio = np.zeros(size)
    # Downwards: the node upstream is always known first.
    for node in range(size):
        above = main[node]
        if second_m2[node] > 0.0:
            distance_m[node] = 0.0
            ratio[node] = second_m2[node] / area_m2[above]
        elif above >= 0:
            distance_m[node] = distance_m[above] + length_m[above]
            ratio[node] = ratio[above]
    return distance_m, ratio
