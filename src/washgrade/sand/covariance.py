r"""Covariances along channels, written out in full: what the linear-time solver stands for.

They are the oracle only: no estimate calls them. Dense, so slow beyond some thousand nodes; the tests check
the solver against them. To add one: write a function of :class:`Distances` and add a line to ``COVARIANCES``,
which the tests sweep. It changes no estimate until it has a solver: only the exponential ones are Markov on a
tree, so only they have one that is linear in time.

References
----------
Ver Hoef & Peterson (2010), A moving average approach for spatial statistical models of stream networks,
J. Am. Stat. Assoc. 105:6-18.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.sand.tree import Tree

__all__ = ["COVARIANCES", "Distances", "distances", "local", "tail_down_exponential", "tail_up_exponential"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Distances:
    """Distances along the channels between all pairs of nodes.

    Parameters
    ----------
    along_m : ndarray of float64, shape (nodes, nodes)
        Along the channel, metres; infinite between trees.
    mix : ndarray of float64, shape (nodes, nodes)
        Square root of the weight upstream over the weight downstream where water flows from one of the two
        to the other, else 0; 1 on the diagonal.
    log_weight : ndarray of float64, shape (nodes,)
        Logarithm of each node's weight over the usual one.
    """

    along_m: NDArray[np.float64]
    mix: NDArray[np.float64]
    log_weight: NDArray[np.float64]


def distances(tree: Tree) -> Distances:
    """Distances between all pairs of nodes of a tree; quadratic in the number of nodes.

    Parameters
    ----------
    tree : Tree
        The network.

    Returns
    -------
    Distances
        All pairs.

    Examples
    --------
    >>> import numpy as np
    >>> pair = distances(Tree(downstream=np.array([2, 2, -1], np.int32),
    ...                       length_m=np.array([100.0, 50.0, 0.0]), weight=np.array([3.0, 1.0, 4.0])))
    >>> pair.along_m[0].tolist(), pair.mix[0].round(3).tolist()
    ([0.0, 150.0, 100.0], [1.0, 0.0, 0.866])
    """
    count = len(tree)
    along_m = np.full((count, count), np.inf)
    mix = np.zeros((count, count))
    # From the outlets up: a node reaches whatever its downstream neighbour reaches, one step further.
    for i in range(count - 1, -1, -1):
        j = tree.downstream[i]
        if j >= 0:
            along_m[i, i + 1 :] = along_m[j, i + 1 :] + tree.length_m[i]
            along_m[i + 1 :, i] = along_m[i, i + 1 :]
        along_m[i, i] = 0.0
        mix[i, i] = 1.0
        while j >= 0:
            mix[i, j] = mix[j, i] = np.sqrt(tree.weight[i] / tree.weight[j])
            j = tree.downstream[j]
    return Distances(along_m=along_m, mix=mix, log_weight=tree.log_weight)


def tail_up_exponential(
    between: Distances, *, variance: float, range_m: float, mixing_share: float = 0.0
) -> NDArray[np.float64]:
    r"""What water and sand carry down: likeness only where one place flows to the other.

    Parameters
    ----------
    between : Distances
        Distances of all pairs.
    variance : float
        Variance of the part.
    range_m : float
        Distance at which the correlation has fallen to 1/e, metres.
    mixing_share : float, default 0
        How far branches mix like loads, 0 to 1 (``Process.mixing_share``).

    Returns
    -------
    ndarray of float64, shape (nodes, nodes)
        :math:`\sigma^2\sqrt{A_s/A_t}\,e^{-h/r}(A_s A_t/A_0^2)^{-m/2}`, or 0.
    """
    scale = np.exp(-0.5 * mixing_share * between.log_weight)
    return variance * between.mix * np.exp(-between.along_m / range_m) * scale[:, None] * scale


def tail_down_exponential(between: Distances, *, variance: float, range_m: float) -> NDArray[np.float64]:
    r"""Likeness along the channel, whether or not one place flows to the other.

    Parameters
    ----------
    between : Distances
        Distances of all pairs.
    variance : float
        Variance of the part.
    range_m : float
        Distance at which the correlation has fallen to 1/e, metres.

    Returns
    -------
    ndarray of float64, shape (nodes, nodes)
        :math:`\sigma^2 e^{-h/r}`; 0 between trees.
    """
    return variance * np.exp(-between.along_m / range_m)


def local(between: Distances, *, variance: float, range_m: float = 1.0) -> NDArray[np.float64]:  # noqa: ARG001 - all entries of the dict are called alike
    """Scatter from node to node that shares nothing.

    Parameters
    ----------
    between : Distances
        Distances of all pairs.
    variance : float
        Variance of the part.
    range_m : float, optional
        Not used.

    Returns
    -------
    ndarray of float64, shape (nodes, nodes)
        The variance on the diagonal.
    """
    return variance * np.eye(len(between.mix))


COVARIANCES: dict[str, Callable[..., NDArray[np.float64]]] = {
    "tail-up exponential": tail_up_exponential,
    "tail-down exponential": tail_down_exponential,
    "local": local,
}
