"""Along the channels: the nearest node to a place, and the way to the nearest sample."""
# mypy: disable-error-code="no-untyped-call,no-untyped-def"

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from washgrade.land.channels import Nodes
from washgrade.sand.tree import Tree

__all__ = ["longest_way_m", "nearest_along_m", "snap"]


@njit(cache=True, nogil=True)
def _nearest(east_m, north_m, order, place_east_m, place_north_m, node, offset_m):
    # Nodes are sorted by easting. From where a place would stand among them the search goes out both ways,
    # until the nodes are farther off in easting alone than the nearest one found.
    count = len(order)
    for k in range(len(place_east_m)):
        first = np.searchsorted(east_m, place_east_m[k])
        best, found = np.inf, -1
        for way in (-1, 1):
            i = first - 1 if way < 0 else first
            while 0 <= i < count:
                east = east_m[i] - place_east_m[k]
                north = north_m[i] - place_north_m[k]
                if east * east > best:
                    break
                square = east * east + north * north
                if square < best or (square == best and order[i] < found):
                    best, found = square, order[i]
                i += way
        node[k], offset_m[k] = found, np.sqrt(best)


def snap(
    nodes: Nodes, *, easting_m: NDArray[np.float64], northing_m: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Nearest node to each place, as the crow flies.

    Parameters
    ----------
    nodes : Nodes
        Nodes of the channels.
    easting_m, northing_m : ndarray of float64, shape (places,)
        Places, metres.

    Returns
    -------
    node : ndarray of int32, shape (places,)
        Index of the nearest node; -1 where there is no node at all.
    offset_m : ndarray of float64, shape (places,)
        How far away it is, metres; infinite where there is no node at all.

    Notes
    -----
    Of nodes equally far the first one counts. Written out here, because the general library that finds
    neighbours takes longer to load than the grades of a small ground take to estimate.
    """
    node, offset_m = np.full(len(easting_m), -1, dtype=np.int32), np.full(len(easting_m), np.inf)
    order = np.argsort(nodes.easting_m, kind="stable")
    east_m = np.ascontiguousarray(nodes.easting_m, dtype=np.float64)[order]
    north_m = np.ascontiguousarray(nodes.northing_m, dtype=np.float64)[order]
    place_east_m, place_north_m = (np.ascontiguousarray(one, np.float64) for one in (easting_m, northing_m))
    _nearest(east_m, north_m, order, place_east_m, place_north_m, node, offset_m)
    return node, offset_m


@njit(cache=True, nogil=True)
def _nearest_along(downstream, length_m, distance_m):
    # Down: what lies upstream of each node. Then up: what lies anywhere else.
    for i in range(len(downstream)):
        j = downstream[i]
        if j >= 0:
            distance_m[j] = min(distance_m[j], distance_m[i] + length_m[i])
    for i in range(len(downstream) - 1, -1, -1):
        j = downstream[i]
        if j >= 0:
            distance_m[i] = min(distance_m[i], distance_m[j] + length_m[i])


def nearest_along_m(tree: Tree, node: NDArray[np.integer[Any]]) -> NDArray[np.float64]:
    """Distance along the channels from every node to the nearest of some nodes.

    Parameters
    ----------
    tree : Tree
        The network.
    node : ndarray of int, shape (places,)
        Nodes to measure to.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Metres, up or down the channel; infinite on a tree that has none of them.

    Examples
    --------
    >>> import numpy as np
    >>> fork = Tree(downstream=np.array([2, 2, -1], np.int32), length_m=np.array([100.0, 50.0, 0.0]),
    ...             weight=np.array([3.0, 1.0, 4.0]))
    >>> nearest_along_m(fork, np.array([0])).tolist()
    [0.0, 150.0, 100.0]
    """
    distance_m = np.full(len(tree), np.inf)
    distance_m[np.asarray(node, dtype=np.int64)] = 0.0
    _nearest_along(tree.downstream, tree.length_m, distance_m)
    return distance_m


@njit(cache=True, nogil=True)
def _longest_way(downstream, length_m):
    # Walks upstream, adding up the way to the outlet.
    way_m = np.zeros(len(downstream))
    for i in range(len(downstream) - 1, -1, -1):
        if downstream[i] >= 0:
            way_m[i] = way_m[downstream[i]] + length_m[i]
    return way_m.max()


def longest_way_m(tree: Tree) -> float:
    """Longest way down the channels from a head to its outlet.

    Parameters
    ----------
    tree : Tree
        The network; not empty.

    Returns
    -------
    float
        Metres.

    Examples
    --------
    >>> import numpy as np
    >>> longest_way_m(Tree(downstream=np.array([2, 2, -1], np.int32), length_m=np.array([100.0, 50.0, 0.0]),
    ...                    weight=np.array([3.0, 1.0, 4.0])))
    100.0
    """
    return float(_longest_way(tree.downstream, tree.length_m))
