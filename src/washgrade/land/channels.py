"""Channels: nodes along the beds of the washes, and the reaches they make up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Channels", "Nodes", "Reaches"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Nodes:
    """Points on the channels, one DEM cell long, upstream before downstream.

    For every node ``i`` with ``downstream[i] >= 0`` holds ``i < downstream[i]``.

    Parameters
    ----------
    cell : ndarray of int64, shape (nodes,)
        Flat index of the node's cell in the DEM (row * cols + col).
    downstream : ndarray of int32, shape (nodes,)
        Index of the next node downstream; -1 at an outlet.
    length_m : ndarray of float64, shape (nodes,)
        Distance to the next node downstream, metres; 0 at an outlet.
    easting_m, northing_m, elevation_m : ndarray of float64, shape (nodes,)
        Where the node lies, metres; the height is that of the conditioned bed and never rises downstream.
    upstream_area_m2 : ndarray of float64, shape (nodes,)
        Ground that drains through the node, its own cell included, square metres.
    distance_to_outlet_m : ndarray of float64, shape (nodes,)
        Distance along the channel to the outlet, metres.
    order : ndarray of int32, shape (nodes,)
        Strahler order.
    reach : ndarray of int32, shape (nodes,)
        Index of the reach that the node belongs to.
    """

    cell: NDArray[np.int64]
    downstream: NDArray[np.int32]
    length_m: NDArray[np.float64]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    elevation_m: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    distance_to_outlet_m: NDArray[np.float64]
    order: NDArray[np.int32]
    reach: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.downstream)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaches:
    """Stretches of channel between confluences, no longer than a set length, upstream before downstream.

    A reach's line runs from its first node to the first node of the reach downstream of it, so that lines
    join without gaps; its length counts that last step.

    Parameters
    ----------
    reach_id : ndarray of str, shape (reaches,)
        Names as people say them: letters for the wash (its main stem follows the larger upstream area, A is
        the wash with the largest area at its mouth), a number counted from the mouth upstream: A1, A2, B1.
    first_node, last_node : ndarray of int32, shape (reaches,)
        Its most upstream and most downstream node.
    downstream : ndarray of int32, shape (reaches,)
        Index of the next reach downstream; -1 at an outlet.
    length_m, drop_m : ndarray of float64, shape (reaches,)
        Length along the channel and fall of the bed over it, metres.
    slope : ndarray of float64, shape (reaches,)
        Drop over length; 0 where the length is 0.
    upstream_area_m2 : ndarray of float64, shape (reaches,)
        Ground that drains through its last node, square metres.
    order : ndarray of int32, shape (reaches,)
        Strahler order.
    """

    reach_id: NDArray[np.str_]
    first_node: NDArray[np.int32]
    last_node: NDArray[np.int32]
    downstream: NDArray[np.int32]
    length_m: NDArray[np.float64]
    drop_m: NDArray[np.float64]
    slope: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    order: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.downstream)


@dataclass(frozen=True, slots=True, kw_only=True)
class Channels:
    """The channel network of a ground: its nodes and its reaches."""

    nodes: Nodes
    reaches: Reaches
    channel_area_m2: float
