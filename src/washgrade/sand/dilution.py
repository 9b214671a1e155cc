"""Dilution: what the bed would hold if it were the even mixture of all that the ground above it gives."""
# mypy: disable-error-code="no-untyped-call,no-untyped-def"

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from washgrade.errors import InputError
from washgrade.sand.tree import Tree

__all__ = ["diluted_grade"]


@njit(cache=True, nogil=True)
def _carried(downstream, area, source_grade, carried):
    # Walks downstream; what a node drains itself is its area less the areas that join there.
    own = area.copy()
    for i in range(len(downstream)):
        if downstream[i] >= 0:
            own[downstream[i]] -= area[i]
    carried[:] = 0.0
    for i in range(len(downstream)):
        carried[i] += max(own[i], 0.0) * source_grade[i]
        if downstream[i] >= 0:
            carried[downstream[i]] += carried[i]


def diluted_grade(tree: Tree, source_grade: NDArray[np.float64]) -> NDArray[np.float64]:
    r"""Grade of the mixture that sources give, in proportion to the ground they cover.

    Parameters
    ----------
    tree : Tree
        The network, its weights upstream areas.
    source_grade : ndarray of float64, shape (nodes,)
        Grade of what the ground draining to each node from its sides gives (at a head: all the ground above),
        0 to 1.

    Returns
    -------
    ndarray of float64, shape (nodes,)
        Grade, 0 to 1.

    Raises
    ------
    InputError
        If the sources are not one per node or lie outside 0 to 1.

    Notes
    -----
    :math:`Y_j A_j = \sum Y_i A_i + g_j (A_j - \sum A_i)` over the branches i that join at j (Hawkes 1976,
    Journal of Geochemical Exploration 6:345-358): the whole ground is taken to give alike much sand for its
    area.

    Examples
    --------
    A source of 0.20 on 0.05 km² in a background of 0.02, where 1 km² drains:

    >>> import numpy as np
    >>> fork = Tree(downstream=np.array([2, 2, -1], np.int32), length_m=np.array([100.0, 100.0, 0.0]),
    ...             weight=np.array([0.05, 0.9, 1.0]))
    >>> diluted_grade(fork, np.array([0.20, 0.02, 0.02])).round(4).tolist()
    [0.2, 0.02, 0.029]
    """
    given = np.asarray(source_grade, dtype=np.float64)
    if given.shape != (len(tree),):
        raise InputError(f"Invalid sources of shape {given.shape}. There must be one per node, {len(tree)}.")
    if not np.all((given >= 0) & (given <= 1)):
        raise InputError("Invalid grade of a source. It must be a number between 0 and 1.")
    carried = np.empty(len(tree))
    _carried(tree.downstream, tree.weight, given, carried)
    return carried / tree.weight
