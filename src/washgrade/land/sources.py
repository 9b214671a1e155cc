"""Known sources on the ground: how much of what drains to each node from its sides lies in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.channels import Nodes
from washgrade.land.edges import first_nodes
from washgrade.land.grids import MakeGrid
from washgrade.land.kernel import kernel
from washgrade.units import show_grade

__all__ = ["Sources", "sources_beside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """The known sources at the sides of each node.

    Parameters
    ----------
    share : ndarray of float64, shape (nodes,)
        Share of the ground draining to the node from its sides (at a head: of all the ground above) that lies
        in a source, 0 to 1.
    grade : ndarray of float64, shape (nodes,)
        Mean grade of the sources there, 0 to 1; 0 where there is none.
    """

    share: NDArray[np.float64]
    grade: NDArray[np.float64]

    def beside(self, background_grade: float) -> NDArray[np.float64]:
        """Grade of what the sides of each node give.

        Parameters
        ----------
        background_grade : float
            Grade of all ground outside the sources, 0 to 1.

        Returns
        -------
        ndarray of float64, shape (nodes,)
            Mean over the ground at the sides, 0 to 1.

        Raises
        ------
        InputError
            If the background is not from 0 to 1.

        Examples
        --------
        >>> Sources(share=np.array([0.25]), grade=np.array([0.2])).beside(0.04).round(3).tolist()
        [0.08]
        """
        number("background_grade", background_grade, at_least=0, at_most=1)
        return self.share * self.grade + (1.0 - self.share) * background_grade

    def sentence(self, nodes: Nodes) -> str:
        """Say how much of the ground the sources cover.

        Parameters
        ----------
        nodes : Nodes
            The nodes that they were found for.

        Returns
        -------
        str
            A plain sentence.
        """
        own_m2 = nodes.upstream_area_m2.copy()
        joins = nodes.downstream >= 0
        np.subtract.at(own_m2, nodes.downstream[joins], nodes.upstream_area_m2[joins])
        inside_m2 = own_m2 * self.share
        grade = float(self.grade @ inside_m2 / inside_m2.sum())
        share = float(inside_m2.sum() / own_m2.sum())
        return (
            f"Known sources of {show_grade(grade)} on average cover {show_grade(share)} of the ground that "
            "drains to the channels."
        )


def sources_beside(
    directions: NDArray[np.uint8],
    source: NDArray[np.int32],
    *,
    grade: NDArray[np.float64],
    cell: NDArray[np.int64],
    make: MakeGrid = np.zeros,
) -> Sources:
    """Find how much of the ground at the sides of each node lies in known sources.

    Parameters
    ----------
    directions : ndarray of uint8, shape (rows, cols)
        From `washgrade.land.flow.flow_directions`.
    source : ndarray of int32, shape (rows, cols)
        Number of the source in which a cell lies, from 1; 0 outside all.
    grade : ndarray of float64, shape (sources,)
        Grade of each source, 0 to 1.
    cell : ndarray of int64, shape (nodes,)
        Flat index of each node's cell.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    Sources
        By node. A cell counts for the first node that its water passes.

    Raises
    ------
    GroundError
        If the grids do not fit each other.

    Examples
    --------
    Water that runs east to two nodes; the cells of the first two columns are a source:

    >>> from washgrade.land.flow import flow_directions
    >>> plane = np.tile(np.arange(6, 0, -1, dtype=np.float32), (3, 1))
    >>> rich = np.zeros((3, 6), np.int32)
    >>> rich[:, :2] = 1
    >>> found = sources_beside(flow_directions(plane), rich, grade=np.array([0.3]), cell=np.array([9, 10]))
    >>> found.share.tolist(), found.grade.tolist()
    ([0.5, 0.0], [0.3, 0.0])
    """
    if source.shape != directions.shape:
        raise GroundError(
            f"Invalid 'source' of shape {source.shape}. It must be that of 'directions', {directions.shape}."
        )
    ways = np.ascontiguousarray(directions, np.uint8)
    label = first_nodes(ways, np.ascontiguousarray(cell, np.int64), make=make)
    cells, inside = np.zeros(len(cell), np.int64), np.zeros(len(cell), np.int64)
    total = np.zeros(len(cell))
    _tally(label.ravel(), source.ravel(), np.ascontiguousarray(grade, np.float64), cells, inside, total)
    return Sources(
        share=inside / np.maximum(cells, 1),
        grade=np.where(inside > 0, total / np.maximum(inside, 1), 0.0),
    )


# Count the cells of each node, those in sources, and add up the grades of these.
@kernel
def _tally(
    label: NDArray[np.int32],
    source: NDArray[np.int32],
    grade: NDArray[np.float64],
    cells: NDArray[np.int64],
    inside: NDArray[np.int64],
    total: NDArray[np.float64],
) -> None:
    for at in range(len(label)):
        node = label[at]
        if node < 0:
            continue
        cells[node] += 1
        if source[at] > 0:
            inside[node] += 1
            total[node] += grade[source[at] - 1]
