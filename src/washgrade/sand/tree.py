"""A channel network as the solver sees it: links, lengths and how much each branch brings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from washgrade.errors import GroundError, InputError
from washgrade.land.channels import Nodes

__all__ = ["Pooled", "Tree", "pool", "rows_of", "skeleton", "tree_of_nodes"]

LEAST_ERROR_VARIANCE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Tree:
    """A forest of channels, upstream before downstream.

    Parameters
    ----------
    downstream : ndarray of int32, shape (nodes,)
        Index of the next node downstream, above the node's own; -1 at an outlet.
    length_m : ndarray of float64, shape (nodes,)
        Distance to the next node downstream, metres; not used at an outlet.
    weight : ndarray of float64, shape (nodes,)
        What the tail-up part mixes by: upstream area, or another additive measure of flow. Above 0; the
        weights that join at a node sum to no more than the weight there.
    usual_weight : float, default 1
        Weight at which the variances of a process hold as they are, where they change with the weight
        (``Process.mixing_share``). Above 0.

    Raises
    ------
    GroundError
        If a node comes before one upstream of it, a length is negative, a weight is not above 0, or the
        branches that join bring more than what flows on.

    Examples
    --------
    >>> import numpy as np
    >>> tree = Tree(downstream=np.array([2, 2, -1], np.int32), length_m=np.array([100.0, 50.0, 0.0]),
    ...             weight=np.array([3.0, 1.0, 4.0]))
    >>> tree.log_weight.round(3).tolist()
    [1.099, 0.0, 1.386]
    """

    downstream: NDArray[np.int32]
    length_m: NDArray[np.float64]
    weight: NDArray[np.float64]
    usual_weight: float = 1.0

    def __post_init__(self) -> None:
        own = np.arange(len(self.downstream))
        linked = self.downstream >= 0
        if not (len(self.length_m) == len(self.weight) == len(own)):
            raise GroundError(
                f"Invalid tree of {len(own)} links, {len(self.length_m)} lengths, {len(self.weight)} weights."
                " There must be one of each per node."
            )
        if np.any(self.downstream[linked] <= own[linked]) or np.any(self.downstream >= len(own)):
            raise GroundError("Invalid order of nodes. Every node must come before the next one downstream.")
        if not np.all(np.isfinite(self.length_m[linked]) & (self.length_m[linked] >= 0)):
            raise GroundError("Invalid length between nodes. It must be a finite number of at least 0.")
        if not np.all(np.isfinite(self.weight) & (self.weight > 0)) or not 0 < self.usual_weight < math.inf:
            raise GroundError("Invalid weight of a node. It must be a finite number above 0.")
        joining = np.bincount(
            self.downstream[linked], weights=self.weight[linked], minlength=len(own)
        ).astype(np.float64)
        if np.any(joining > self.weight * (1 + 1e-9)):
            worst = int(np.argmax(joining / self.weight))
            raise GroundError(
                f"Invalid weights at node {worst}: branches bring {joining[worst]:g}, {self.weight[worst]:g} "
                "flows on. The branches must bring no more than what flows on."
            )

    def __len__(self) -> int:
        return len(self.downstream)

    @property
    def log_weight(self) -> NDArray[np.float64]:
        """Natural logarithm of each node's weight over the usual one, shape (nodes,)."""
        return np.log(self.weight / self.usual_weight)


def tree_of_nodes(nodes: Nodes) -> Tree:
    """Tree of the nodes of a ground, mixing by upstream area.

    Parameters
    ----------
    nodes : Nodes
        Nodes of the channels.

    Returns
    -------
    Tree
        With the same nodes in the same order; the usual weight is the geometric mean of the areas.
    """
    area_m2 = np.ascontiguousarray(nodes.upstream_area_m2, dtype=np.float64)
    return Tree(
        downstream=np.ascontiguousarray(nodes.downstream, dtype=np.int32),
        length_m=np.ascontiguousarray(nodes.length_m, dtype=np.float64),
        weight=area_m2,
        usual_weight=float(np.exp(np.log(area_m2).mean())) if len(area_m2) else 1.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Readings, pooled without loss to one for each node and loading.

    Parameters
    ----------
    node : ndarray of int32, shape (places,)
        Nodes with a reading, rising; at one node the largest loading first.
    loading : ndarray of float64, shape (places,)
        Share of the moving part T that the reading still tells of, 0 to 1.
    columns : ndarray of float64, shape (places, columns)
        Weighted means of the columns.
    error_variance : ndarray of float64, shape (places,)
        Variance of that mean about the latent value.
    within_covariance_log_determinant : float
        What the scatter within places adds to the log determinant.
    within_gram : ndarray of float64, shape (columns, columns)
        What it adds to the Gram matrix.
    """

    node: NDArray[np.int32]
    loading: NDArray[np.float64]
    columns: NDArray[np.float64]
    error_variance: NDArray[np.float64]
    within_covariance_log_determinant: float
    within_gram: NDArray[np.float64]


def pool(
    node: NDArray[np.integer[Any]],
    columns: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    *,
    shared_variance: float = 0.0,
    loading: NDArray[np.float64] | None = None,
) -> Pooled:
    r"""Pool several readings at a node into one that says the same.

    Parameters
    ----------
    node : ndarray of int, shape (readings,)
        Node of each reading.
    columns : ndarray of float64, shape (readings, columns)
        The reading and its regressors.
    error_variance : ndarray of float64, shape (readings,)
        Own error variance of each reading; raised to 1e-6 where smaller.
    shared_variance : float, default 0
        Variance of an effect that all readings at one node share; of one loading, if there are several.
    loading : ndarray of float64, shape (readings,), optional
        Share of T that each reading still tells of, 0 to 1; all of it unless told. What has taken the place
        of the rest is in the error variance.

    Returns
    -------
    Pooled
        One row for each node and loading with a reading.

    Raises
    ------
    InputError
        If a variance is negative or no number.

    Notes
    -----
    With :math:`W = \sum 1/\nu_k`: mean weighted by :math:`1/\nu_k`, variance
    :math:`\omega^2 + 1/W`, log determinant :math:`\sum\ln\nu_k + \ln W`, and the scatter about the mean goes
    to the Gram matrix. It follows from the determinant lemma and the Sherman-Morrison formula.

    Examples
    --------
    >>> import numpy as np
    >>> both = pool(np.array([5, 5]), np.array([[-3.0], [-2.0]]), np.array([0.1, 0.1]), shared_variance=0.2)
    >>> both.node.tolist(), both.columns.tolist(), both.error_variance.round(3).tolist()
    ([5], [[-2.5]], [0.25])
    """
    if not (np.all(error_variance >= 0) and shared_variance >= 0):
        raise InputError("Invalid variance of a reading. It must be a number of at least 0.")
    own = np.maximum(np.asarray(error_variance, dtype=np.float64), LEAST_ERROR_VARIANCE)
    kept = np.ones(len(own)) if loading is None else np.asarray(loading, dtype=np.float64)
    if kept.shape != own.shape or not np.all((kept >= 0) & (kept <= 1)):
        raise InputError("Invalid loading of a reading. It must be a number from 0 to 1 for each.")
    place, member = np.unique(np.column_stack([np.asarray(node), -kept]), axis=0, return_inverse=True)
    member = member.ravel()
    precision = np.bincount(member, weights=1 / own, minlength=len(place))
    mean = np.empty((len(place), columns.shape[1]))
    for col in range(columns.shape[1]):
        mean[:, col] = np.bincount(member, weights=columns[:, col] / own, minlength=len(place)) / precision
    apart = columns - mean[member]
    return Pooled(
        node=place[:, 0].astype(np.int32),
        loading=np.ascontiguousarray(-place[:, 1]),
        columns=mean,
        error_variance=shared_variance + 1 / precision,
        within_covariance_log_determinant=float(np.log(own).sum() + np.log(precision).sum()),
        within_gram=(apart / own[:, None]).T @ apart,
    )


def rows_of(node: NDArray[np.integer[Any]], count: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Say where the rows of each node begin, and which row follows which.

    Parameters
    ----------
    node : ndarray of int, shape (rows,)
        Node of each row; rows of one node stand together.
    count : int
        Number of nodes.

    Returns
    -------
    place : ndarray of int32, shape (nodes,)
        First row of each node, or -1.
    older : ndarray of int32, shape (rows,)
        Next row of the same node, or -1.

    Examples
    --------
    >>> import numpy as np
    >>> [found.tolist() for found in rows_of(np.array([1, 1, 3]), 4)]
    [[-1, 0, -1, 2], [1, -1, -1]]
    """
    rows = np.arange(len(node), dtype=np.int32)
    place = np.full(count, -1, dtype=np.int32)
    # Assigned backwards: of several rows the first one stays.
    place[np.asarray(node)[::-1]] = rows[::-1]
    older = np.full(len(node), -1, dtype=np.int32)
    same = np.flatnonzero(np.asarray(node)[:-1] == np.asarray(node)[1:])
    older[same] = rows[same + 1]
    return place, older


@njit(cache=True, nogil=True)
def _branches_with_samples(downstream, sampled):  # type: ignore[no-untyped-def]
    # Walks downstream, counting at each node the branches that hold a sample.
    count = len(downstream)
    joined = np.zeros(count, np.int32)
    below = np.zeros(count, np.bool_)
    for i in range(count):
        below[i] = sampled[i] or joined[i] > 0
        if below[i] and downstream[i] >= 0:
            joined[downstream[i]] += 1
    return joined


@njit(cache=True, nogil=True)
def _links_between_kept(downstream, length_m, kept):  # type: ignore[no-untyped-def]
    # Walks upstream: each node learns the first kept node downstream of it and how far that is.
    count = len(downstream)
    target = np.full(count, -1, np.int32)
    distance_m = np.zeros(count)
    for i in range(count - 1, -1, -1):
        below = downstream[i]
        if below < 0:
            continue
        if kept[below]:
            target[i] = below
            distance_m[i] = length_m[i]
        elif target[below] >= 0:
            target[i] = target[below]
            distance_m[i] = length_m[i] + distance_m[below]
    return target, distance_m


def skeleton(tree: Tree, node: NDArray[np.integer[Any]]) -> tuple[Tree, NDArray[np.int64]]:
    """Smallest tree that carries the whole likelihood of samples at some nodes.

    Sampled nodes, and the confluences where two branches with samples meet: fewer than twice the number of
    samples, whatever the size of the network. Exact, because exponentials of lengths and powers of weights
    telescope along a channel, and a branch without a sample only adds its share of the variance.

    Parameters
    ----------
    tree : Tree
        The network.
    node : ndarray of int, shape (samples,)
        Nodes with a sample.

    Returns
    -------
    small : Tree
        The skeleton.
    kept : ndarray of int64, shape (skeleton nodes,)
        Index in the network of each node of the skeleton.

    Examples
    --------
    >>> import numpy as np
    >>> line = Tree(downstream=np.array([1, 2, 3, -1], np.int32), length_m=np.array([10.0, 20.0, 30.0, 0.0]),
    ...             weight=np.array([1.0, 2.0, 3.0, 4.0]))
    >>> small, kept = skeleton(line, np.array([0, 3]))
    >>> kept.tolist(), small.length_m.tolist()
    ([0, 3], [60.0, 0.0])
    """
    sampled = np.zeros(len(tree), dtype=np.bool_)
    sampled[np.asarray(node)] = True
    keep = sampled | (_branches_with_samples(tree.downstream, sampled) > 1)
    target, distance_m = _links_between_kept(tree.downstream, tree.length_m, keep)
    kept = np.flatnonzero(keep)
    number = np.full(len(tree) + 1, -1, dtype=np.int32)
    number[kept] = np.arange(len(kept), dtype=np.int32)
    small = Tree(
        downstream=number[target[kept]],
        length_m=distance_m[kept],
        weight=np.ascontiguousarray(tree.weight[kept]),
        usual_weight=tree.usual_weight,
    )
    return small, kept
