"""Catchments of the nodes: longest path and its slope, handed down the tree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.land.channels import Channels
from washgrade.land.kernel import kernel

__all__ = ["LEAST_SLOPE", "Basins", "measure_basins"]

# Slopes below this are the DEM's, not the water's: our choice, a tenth of the flattest wash.
LEAST_SLOPE = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Basins:
    """What drains to each node.

    Parameters
    ----------
    area_m2 : ndarray of float64, shape (nodes,)
        Catchment, square metres.
    path_m : ndarray of float64, shape (nodes,)
        Longest path of the water to the node, metres.
    path_slope : ndarray of float64, shape (nodes,)
        Fall of that path by its length.
    outlet : ndarray of int32, shape (nodes,)
        Node where the node's water leaves the ground.
    """

    area_m2: NDArray[np.float64]
    path_m: NDArray[np.float64]
    path_slope: NDArray[np.float64]
    outlet: NDArray[np.int32]

    @property
    def site_m2(self) -> float:
        """All the ground that drains through an outlet, square metres."""
        return float(self.area_m2[np.unique(self.outlet)].sum())


@kernel
def _paths(
    downstream: NDArray[np.int32],
    length_m: NDArray[np.float64],
    elevation_m: NDArray[np.float64],
    head_m: NDArray[np.float64],
    hillslope: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Walk down: each node hands its longest path and that path's top on to the next."""
    count = len(downstream)
    path_m = np.zeros(count)
    top_m = np.zeros(count)
    for i in range(count):
        if path_m[i] == 0.0:  # a head: nothing was handed down
            path_m[i] = head_m[i]
            top_m[i] = elevation_m[i] + hillslope * head_m[i]
        j = downstream[i]
        if j >= 0 and path_m[i] + length_m[i] > path_m[j]:
            path_m[j] = path_m[i] + length_m[i]
            top_m[j] = top_m[i]
    return path_m, top_m


@kernel
def _outlets(downstream: NDArray[np.int32]) -> NDArray[np.int32]:
    """Walk up: each node takes the outlet of the one below it."""
    found = np.empty(len(downstream), np.int32)
    for i in range(len(downstream) - 1, -1, -1):
        found[i] = i if downstream[i] < 0 else found[downstream[i]]
    return found


def measure_basins(channels: Channels, *, hillslope_slope: float = 0.1) -> Basins:
    """Measure the catchment of every node, in time linear in the nodes.

    Parameters
    ----------
    channels : Channels
        The network.
    hillslope_slope : float, optional
        Slope of the ground above the channel heads. 0.1: our choice, steeper than a wash and far below what
        can be walked; it enters only through the fall of the longest path.

    Returns
    -------
    Basins
        One value for each node.

    Raises
    ------
    InputError
        If the slope is not above 0.

    Notes
    -----
    The path above a channel head is the length of its own catchment by Hack (1957), L = 1.4 A^0.6 in miles
    (from memory), which for a hectare is some 80 m.

    References
    ----------
    Hack, J. T. (1957). Studies of longitudinal stream profiles in Virginia and Maryland. US Geological Survey
    Professional Paper 294-B.

    Examples
    --------
    >>> from washgrade.land.channels import delineate
    >>> from washgrade.land.dem import Dem
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> ground = np.array([[9, 9, 9, 9], [9, 4, 3, 2], [9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> basins = measure_basins(channels)
    >>> basins.path_m.round(1).tolist(), basins.path_slope.round(2).tolist()
    ([6.5, 11.5, 16.5], [0.1, 0.14, 0.16])
    """
    number("hillslope_slope", hillslope_slope, above=0)
    nodes = channels.nodes
    head_m = hack_length_m(nodes.upstream_area_m2)
    path_m, top_m = _paths(nodes.downstream, nodes.length_m, nodes.elevation_m, head_m, hillslope_slope)
    return Basins(
        area_m2=nodes.upstream_area_m2,
        path_m=path_m,
        path_slope=np.maximum((top_m - nodes.elevation_m) / path_m, LEAST_SLOPE),
        outlet=_outlets(nodes.downstream),
    )


def hack_length_m(area_m2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Length of a catchment by Hack's law.

    Parameters
    ----------
    area_m2 : ndarray of float64
        Areas, square metres.

    Returns
    -------
    ndarray of float64
        Metres.

    Examples
    --------
    >>> hack_length_m(np.array([1e4])).round().tolist()
    [80.0]
    """
    found: NDArray[np.float64] = 1609.344 * 1.4 * (area_m2 / 1609.344**2) ** 0.6
    return found
