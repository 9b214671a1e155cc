"""The compiled loops of the channel network: nodes in order, Strahler order, reaches, washes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.land.flow import OUTLET, VOID
from washgrade.land.kernel import kernel, neighbour_steps

__all__ = [
    "distance_down",
    "follow_down",
    "split_reaches",
    "strahler_order",
    "stream_drops",
    "trace_washes",
    "walk_down",
]


@kernel
def follow_down(
    is_channel: NDArray[np.bool_], begin: NDArray[np.int64], direction: NDArray[np.uint8]
) -> None:
    """Mark cells and everything downstream of them, in place.

    Parameters
    ----------
    is_channel : ndarray of bool, shape (rows * cols,)
        What is marked already; with every cell its downstream cell must be marked too.
    begin : ndarray of int64, shape (cells,)
        Flat indices of cells that are not void.
    direction : ndarray of uint8, shape (rows, cols)
        Directions of flow.

    Examples
    --------
    >>> marked = np.zeros(4, np.bool_)
    >>> follow_down(marked, np.array([1]), np.array([[0, 0, 8, 255]], np.uint8))
    >>> marked.tolist()
    [False, True, True, False]
    """
    code = direction.ravel()
    steps = neighbour_steps(direction.shape[1])
    for place in range(len(begin)):
        here = begin[place]
        while not is_channel[here]:
            is_channel[here] = True
            if code[here] >= OUTLET:
                break
            here += steps[code[here]]


@kernel
def walk_down(
    cells: NDArray[np.int64], direction: NDArray[np.uint8]
) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int32]]:
    """Put channel cells in order, upstream before downstream, each stretch between confluences in one run.

    Parameters
    ----------
    cells : ndarray of int64, shape (nodes,)
        Flat indices, ascending; with every cell its downstream cell is there too.
    direction : ndarray of uint8, shape (rows, cols)
        Directions of flow.

    Returns
    -------
    cell : ndarray of int64, shape (nodes,)
        The same cells in order.
    downstream, donors : ndarray of int32, shape (nodes,)
        Next node downstream, -1 at an outlet, and the number of channel nodes that pour into each.
    """
    code = direction.ravel()
    steps = neighbour_steps(direction.shape[1])
    size = len(cells)
    below = np.full(size, -1, np.int32)
    donors = np.zeros(size, np.int32)
    for node in range(size):
        way = code[cells[node]]
        if way != OUTLET and way != VOID:
            place = np.searchsorted(cells, cells[node] + steps[way])
            below[node] = place
            donors[place] += 1
    waiting = donors.copy()
    order = np.empty(size, np.int32)
    rank = np.empty(size, np.int32)
    placed = 0
    # Down from each head until a node still waits for another branch; the last branch to arrive walks on.
    for head in range(size):
        if donors[head] != 0:
            continue
        node = head
        while True:
            order[placed] = node
            rank[node] = placed
            placed += 1
            if below[node] < 0:
                break
            node = below[node]
            waiting[node] -= 1
            if waiting[node] > 0:
                break
    cell = np.empty(size, np.int64)
    downstream = np.empty(size, np.int32)
    sorted_donors = np.empty(size, np.int32)
    for place in range(size):
        node = order[place]
        cell[place] = cells[node]
        downstream[place] = rank[below[node]] if below[node] >= 0 else -1
        sorted_donors[place] = donors[node]
    return cell, downstream, sorted_donors


@kernel
def distance_down(downstream: NDArray[np.int32], length_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance along the channel from each node to its outlet.

    Parameters
    ----------
    downstream : ndarray of int32, shape (nodes,)
        Next node downstream, larger than the node's own index; -1 at an outlet.
    length_m : ndarray of float64, shape (nodes,)
        Distance to the next node, metres.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Distances in metres; 0 at outlets.

    Examples
    --------
    >>> distance_down(np.array([2, 2, -1], np.int32), np.array([5.0, 7.0, 0.0])).tolist()
    [5.0, 7.0, 0.0]
    """
    distance_m = np.zeros(len(downstream), np.float64)
    # Upwards: the node downstream is always known first.
    for node in range(len(downstream) - 1, -1, -1):
        if downstream[node] >= 0:
            distance_m[node] = distance_m[downstream[node]] + length_m[node]
    return distance_m


@kernel
def strahler_order(downstream: NDArray[np.int32]) -> NDArray[np.int32]:
    """Strahler order of nodes that are given upstream before downstream.

    Parameters
    ----------
    downstream : ndarray of int32, shape (nodes,)
        Next node downstream, larger than the node's own index; -1 at an outlet.

    Returns
    -------
    ndarray of int32, shape (nodes,)
        1 on a channel without branches; where two or more branches of the highest order meet, one more.

    References
    ----------
    Strahler, A. N. (1957). Quantitative analysis of watershed geomorphology. Transactions, American
    Geophysical Union 38(6), 913-920.

    Examples
    --------
    >>> strahler_order(np.array([2, 2, 3, -1], np.int32)).tolist()
    [1, 1, 2, 2]
    """
    size = len(downstream)
    order = np.zeros(size, np.int32)
    highest = np.zeros(size, np.int32)
    times = np.zeros(size, np.int32)
    # Downwards: a node's branches all come before it.
    for node in range(size):
        own = highest[node] + 1 if times[node] != 1 else highest[node]
        order[node] = own
        to = downstream[node]
        if to >= 0:
            if own > highest[to]:
                highest[to] = own
                times[to] = 1
            elif own == highest[to]:
                times[to] += 1
    return order


@kernel
def split_reaches(
    downstream: NDArray[np.int32],
    donors: NDArray[np.int32],
    length_m: NDArray[np.float64],
    max_reach_m: float,
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Cut each stretch between confluences into equal parts no longer than a length.

    Parameters
    ----------
    downstream, donors : ndarray of int32, shape (nodes,)
        As `walk_down` returns them.
    length_m : ndarray of float64, shape (nodes,)
        Distance to the next node, metres.
    max_reach_m : float
        Longest part, metres; cuts fall on nodes, so only a single step may be longer.

    Returns
    -------
    reach : ndarray of int32, shape (nodes,)
        Number of each node's reach, upstream before downstream.
    first : ndarray of int32, shape (reaches + 1,)
        Reach ``i`` has the nodes ``first[i]`` to ``first[i + 1] - 1``.
    """
    size = len(downstream)
    reach = np.empty(size, np.int32)
    first = np.empty(size + 1, np.int32)
    count = 0
    node = 0
    while node < size:
        last = node
        whole_m = length_m[node]
        while downstream[last] >= 0 and donors[downstream[last]] == 1:
            last += 1
            whole_m += length_m[last]
        parts = max(1, int(np.ceil(whole_m / max_reach_m - 1e-9)))
        # Cuts fall on nodes, so an equal part may come out a step too long: then one part more.
        while parts < last - node + 1 and _longest_part_m(length_m, node, last, whole_m / parts, parts) > (
            max_reach_m + 1e-6
        ):
            parts += 1
        part_m = whole_m / parts
        gone_m = 0.0
        current = -1
        for place in range(node, last + 1):
            part = min(int(gone_m / part_m + 1e-9), parts - 1) if part_m > 0 else 0
            if part != current:
                first[count] = place
                count += 1
                current = part
            reach[place] = count - 1
            gone_m += length_m[place]
        node = last + 1
    first[count] = size
    return reach, first[: count + 1].copy()


@kernel
def _longest_part_m(length_m: NDArray[np.float64], node: int, last: int, part_m: float, parts: int) -> float:
    # Length of the longest part that a stretch falls into.
    longest_m, own_m, gone_m, current = 0.0, 0.0, 0.0, 0
    for place in range(node, last + 1):
        part = min(int(gone_m / part_m + 1e-9), parts - 1) if part_m > 0 else 0
        if part != current:
            current, own_m = part, 0.0
        own_m += length_m[place]
        longest_m = max(longest_m, own_m)
        gone_m += length_m[place]
    return longest_m


@kernel
def trace_washes(
    downstream: NDArray[np.int32], upstream_area: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """Follow every wash from its mouth upstream, at confluences into the branch with the larger area.

    Parameters
    ----------
    downstream : ndarray of int32, shape (reaches,)
        Next reach downstream, larger than the reach's own index; -1 at an outlet.
    upstream_area : ndarray of float64, shape (reaches,)
        Area that drains through the end of each reach, any one unit.

    Returns
    -------
    wash, number : ndarray of int32, shape (reaches,)
        Which wash a reach belongs to and its number in it, 1 at the mouth.
    mouth : ndarray of int32, shape (washes,)
        The lowest reach of each wash.
    """
    size = len(downstream)
    main = np.full(size, -1, np.int32)
    for reach in range(size):
        to = downstream[reach]
        if to >= 0 and (main[to] < 0 or upstream_area[reach] > upstream_area[main[to]]):
            main[to] = reach
    wash = np.empty(size, np.int32)
    number = np.empty(size, np.int32)
    mouth = np.empty(size, np.int32)
    washes = 0
    # Upwards: the reach downstream is always named first.
    for reach in range(size - 1, -1, -1):
        to = downstream[reach]
        if to >= 0 and main[to] == reach:
            wash[reach] = wash[to]
            number[reach] = number[to] + 1
        else:
            wash[reach] = washes
            number[reach] = 1
            mouth[washes] = reach
            washes += 1
    return wash, number, mouth[:washes].copy()


@kernel
def stream_drops(
    downstream: NDArray[np.int32], order: NDArray[np.int32], height_m: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Order and drop of every Strahler stream.

    Parameters
    ----------
    downstream : ndarray of int32, shape (nodes,)
        Next node downstream, larger than the node's own index; -1 at an outlet.
    order : ndarray of int32, shape (nodes,)
        Strahler order.
    height_m : ndarray of float64, shape (nodes,)
        Height of the bed, metres.

    Returns
    -------
    stream_order : ndarray of int32, shape (streams,)
        Order of each stream.
    drop_m : ndarray of float64, shape (streams,)
        Its fall, from its head to where it joins a higher order or leaves, metres.

    Examples
    --------
    >>> below, order = np.array([2, 2, -1], np.int32), np.array([1, 1, 2], np.int32)
    >>> stream_drops(below, order, np.array([9.0, 8.0, 5.0]))[1]
    array([4., 3., 0.])
    """
    size = len(downstream)
    top_m = np.full(size, np.nan)
    stream_order = np.empty(size, np.int32)
    drop_m = np.empty(size, np.float64)
    count = 0
    # Downwards, each node hands the height of its stream's head on to a neighbour of its own order.
    for node in range(size):
        if np.isnan(top_m[node]):
            top_m[node] = height_m[node]
        to = downstream[node]
        if to >= 0 and order[to] == order[node]:
            top_m[to] = top_m[node]
        else:
            stream_order[count] = order[node]
            drop_m[count] = top_m[node] - height_m[to if to >= 0 else node]
            count += 1
    return stream_order[:count].copy(), drop_m[:count].copy()
