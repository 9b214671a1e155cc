"""Places where a walk might stop: far enough apart along the channels, the most telling first."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number, whole
from washgrade.errors import InputError
from washgrade.land.kernel import kernel
from washgrade.sand.tree import Tree

__all__ = ["main_tributaries", "nodes_apart"]

# Steps of the search for the spacing; each halves what is unknown of it.
STEPS = 14


@kernel
def _branches(downstream: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return each node's first branch upstream, and the next branch that joins where it does; -1 for none."""
    count = len(downstream)
    first = np.full(count, -1, np.int32)
    following = np.full(count, -1, np.int32)
    for i in range(count):
        j = downstream[i]
        if j >= 0:
            following[i] = first[j]
            first[j] = i
    return first, following


@kernel
def _take(
    downstream: NDArray[np.int32],
    length_m: NDArray[np.float64],
    first: NDArray[np.int32],
    following: NDArray[np.int32],
    order: NDArray[np.int64],
    apart_m: float,
    most: int,
) -> NDArray[np.int64]:
    """Take nodes in order unless one is near that was taken before; one more than ``most`` ends it."""
    count = len(downstream)
    covered = np.zeros(count, np.bool_)
    taken = np.empty(min(most + 1, len(order)), np.int64)
    size = 0
    stack = np.empty(count, np.int64)
    came = np.empty(count, np.int64)
    far_m = np.empty(count)
    for node in order:
        if covered[node]:
            continue
        taken[size] = node
        size += 1
        if size == len(taken):
            break
        stack[0], came[0], far_m[0] = node, -1, 0.0
        top = 1
        while top:
            top -= 1
            at, source, away_m = stack[top], came[top], far_m[top]
            covered[at] = True
            below = downstream[at]
            if below >= 0 and below != source and away_m + length_m[at] < apart_m:
                stack[top], came[top], far_m[top] = below, at, away_m + length_m[at]
                top += 1
            branch = first[at]
            while branch >= 0:
                if branch != source and away_m + length_m[branch] < apart_m:
                    stack[top], came[top], far_m[top] = branch, at, away_m + length_m[branch]
                    top += 1
                branch = following[branch]
    return taken[:size]


def nodes_apart(
    tree: Tree, gain: NDArray[np.float64], eligible: NDArray[np.bool_], most: int
) -> NDArray[np.int64]:
    """Thin nodes to some that lie apart, each the most telling of its neighbourhood.

    Parameters
    ----------
    tree : Tree
        The network.
    gain : ndarray of float64, shape (nodes,)
        What one sample at each node would tell.
    eligible : ndarray of bool, shape (nodes,)
        Nodes to choose from.
    most : int
        How many to keep at most, at least 1.

    Returns
    -------
    ndarray of int64, shape (kept,)
        Nodes by falling gain. No two lie nearer along the channel than a distance that is about the least
        with which they are few enough; all eligible ones if these are few enough already.

    Raises
    ------
    InputError
        If an array does not fit the nodes or ``most`` is no whole number of at least 1.

    Examples
    --------
    >>> line = Tree(downstream=np.array([1, 2, 3, 4, -1], np.int32), length_m=np.full(5, 10.0),
    ...             weight=np.arange(1.0, 6.0))
    >>> nodes_apart(line, np.array([1.0, 2, 3, 2, 1]), np.ones(5, bool), 3).tolist()
    [2, 0, 4]
    """
    whole("most", most, at_least=1)
    if gain.shape != (len(tree),) or eligible.shape != (len(tree),):
        raise InputError(
            f"Invalid gains of shape {gain.shape} and marks of shape {eligible.shape}. There must be one of "
            f"each per node, {len(tree)}."
        )
    at = np.flatnonzero(eligible)
    order = at[np.argsort(-gain[at], kind="stable")]
    if len(order) <= most:
        return order
    first, following = _branches(tree.downstream)
    low_m = 0.0
    high_m = 2.0 * float(tree.length_m[tree.downstream >= 0].sum()) + 1.0
    kept = order[:1]
    for _ in range(STEPS):
        # Halving the logarithm once there is a lower limit: spacings span orders of magnitude.
        middle_m = math.sqrt(low_m * high_m) if low_m > 0 else high_m / 16.0
        found = _take(tree.downstream, tree.length_m, first, following, order, middle_m, most)
        if len(found) > most:
            low_m = middle_m
        else:
            high_m = middle_m
            if len(found) >= len(kept):
                kept = found
    return kept


@kernel
def _label(
    downstream: NDArray[np.int32], weight: NDArray[np.float64], least_share: float, label: NDArray[np.int64]
) -> None:
    """Walk up: the larger branch keeps the label, a smaller one that brings enough gets its own."""
    count = len(downstream)
    main = np.full(count, -1, np.int64)
    for i in range(count):
        j = downstream[i]
        if j >= 0 and (main[j] < 0 or weight[i] > weight[main[j]]):
            main[j] = i
    root = np.empty(count)
    labels = 0
    for i in range(count - 1, -1, -1):
        j = downstream[i]
        root[i] = weight[i] if j < 0 else root[j]
        if j >= 0 and (main[j] == i or weight[i] < least_share * root[i]):
            # A small branch of a tributary is part of it.
            label[i] = label[j]
        else:
            label[i] = labels
            labels += 1


def main_tributaries(tree: Tree, *, least_share: float = 0.1) -> NDArray[np.int64]:
    """Divide a network into stems and their main tributaries.

    Parameters
    ----------
    tree : Tree
        The network.
    least_share : float, default 0.1
        Share of the upstream area at the outlet that a branch must bring to count as a main one, above 0 to
        1. Our choice, because what brings less than a tenth hardly shows at the mouth.

    Returns
    -------
    ndarray of int64, shape (nodes,)
        Label of each node from 0: the stem of each tree, which follows the larger branch, and each main
        tributary with its own stem and small branches.

    Raises
    ------
    InputError
        If the share is outside its limits.

    Examples
    --------
    >>> fork = Tree(downstream=np.array([2, 2, 3, -1], np.int32), length_m=np.full(4, 10.0),
    ...             weight=np.array([1.0, 3.0, 4.0, 5.0]))
    >>> main_tributaries(fork).tolist(), main_tributaries(fork, least_share=0.5).tolist()
    ([1, 0, 0, 0], [0, 0, 0, 0])
    """
    number("least_share", least_share, above=0, at_most=1)
    label = np.zeros(len(tree), np.int64)
    _label(tree.downstream, tree.weight, least_share, label)
    return label
