"""Shape of the reaches: the shapes of their nodes, summed up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.land.channels import Channels
from washgrade.land.shape import Shape, stream_power_per_discharge
from washgrade.land.width import GIVEN, MEASURED, REGIONAL, UNKNOWN

__all__ = ["ReachShape", "reach_shape"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReachShape:
    """Shape of each reach; arrays of shape (reaches,), float64 unless said. Fields as in `Shape`.

    Parameters
    ----------
    width_m, confinement : ndarray
        Medians over the reach's nodes.
    width_from : ndarray of uint8
        Where the width comes from, one of `washgrade.land.width.WIDTH_WORDS`: measured where it was at half
        of its nodes or more.
    curvature_per_m, radius_over_width : ndarray
        At its sharpest node.
    inner_side : ndarray of int8
        At its sharpest node.
    slope_break, expansion : ndarray
        Means over its nodes where known; NaN where none is.
    below_confluence_m, area_ratio : ndarray
        At its first node.
    stream_power_w_m2_per_m3_s : ndarray
        From the reach's own slope and width.
    """

    width_m: NDArray[np.float64]
    confinement: NDArray[np.float64]
    width_from: NDArray[np.uint8]
    curvature_per_m: NDArray[np.float64]
    radius_over_width: NDArray[np.float64]
    inner_side: NDArray[np.int8]
    slope_break: NDArray[np.float64]
    expansion: NDArray[np.float64]
    below_confluence_m: NDArray[np.float64]
    area_ratio: NDArray[np.float64]
    stream_power_w_m2_per_m3_s: NDArray[np.float64]


def reach_shape(channels: Channels, shape: Shape, *, given_width_m: float | None = None) -> ReachShape:
    """Sum the shapes of nodes up to reaches.

    Parameters
    ----------
    channels : Channels
        The network.
    shape : Shape
        From `washgrade.land.shape.measure_shape`.
    given_width_m : float, optional
        Width that the user knows, metres: it stands for the reaches whose width was not measured.

    Returns
    -------
    ReachShape
        One value a reach.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.dem import Dem
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> from washgrade.land.shape import measure_shape
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> reach_shape(channels, measure_shape(dem, channels, given_width_m=2.0)).width_m.tolist()
    [2.0]
    """
    reaches = channels.reaches
    reach = channels.nodes.reach
    width_m = _medians(reach, shape.width_m, len(reaches))
    measured = _means(reach, (shape.width_from == MEASURED).astype(np.float64), len(reaches)) >= 0.5
    known = np.where(np.isnan(width_m), UNKNOWN, REGIONAL)
    if given_width_m is not None:
        width_m = np.where(measured, width_m, given_width_m)
        known[:] = GIVEN
    bend = 1.0 / shape.radius_over_width
    order = np.lexsort((-np.nan_to_num(bend), reach))
    sharpest = order[np.searchsorted(reach[order], np.arange(len(reaches)))]
    return ReachShape(
        width_m=width_m,
        confinement=_medians(reach, shape.confinement, len(reaches)),
        width_from=np.where(measured, MEASURED, known).astype(np.uint8),
        curvature_per_m=shape.curvature_per_m[sharpest],
        radius_over_width=shape.radius_over_width[sharpest],
        inner_side=shape.inner_side[sharpest],
        slope_break=_means(reach, shape.slope_break, len(reaches)),
        expansion=_means(reach, shape.expansion, len(reaches)),
        below_confluence_m=shape.below_confluence_m[reaches.first_node],
        area_ratio=shape.area_ratio[reaches.first_node],
        stream_power_w_m2_per_m3_s=stream_power_per_discharge(reaches.slope, width_m),
    )


# Mean of the values of each reach that are no NaN.
def _means(reach: NDArray[np.int32], value: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    known = ~np.isnan(value)
    count = np.bincount(reach[known], minlength=size)
    total = np.bincount(reach[known], weights=value[known], minlength=size)
    mean: NDArray[np.float64] = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
    return mean


# Median of the values of each reach that are no NaN.
def _medians(reach: NDArray[np.int32], value: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    known = ~np.isnan(value)
    order = np.lexsort((value[known], reach[known]))
    ordered, place = value[known][order], reach[known][order]
    start = np.searchsorted(place, np.arange(size + 1))
    count = np.diff(start)
    median = np.full(size, np.nan, np.float64)
    has = count > 0
    low, high = start[:-1][has] + (count[has] - 1) // 2, start[:-1][has] + count[has] // 2
    median[has] = (ordered[low] + ordered[high]) / 2.0
    return median
