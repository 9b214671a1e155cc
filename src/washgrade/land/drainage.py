"""Drainage: the steps from a DEM to flow, in their order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.land.breach import Breached, Cuts, breach
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem, hillshade
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, VOID, flow_directions, upstream_cells
from washgrade.land.links import stream_drops

__all__ = ["Drainage", "condition_and_route", "default_breach_m"]

LEAST_BREACH_M = 50.0
LEAST_BREACH_CELLS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Drainage:
    """Where the water of a ground goes.

    Parameters
    ----------
    conditioned_m : ndarray of float32, shape (rows, cols)
        Heights without pits, metres; NaN on voids.
    directions : ndarray of uint8, shape (rows, cols)
        Ways of flow, see `washgrade.land.flow.flow_directions`.
    upstream_cells : ndarray of int32, shape (rows, cols)
        Cells that drain through each cell, itself included.
    cuts : Cuts
        The cuts that show, as made by `breach`; those that lie wholly under filled ground are left out.
    cut_volume_m3, raised_volume_m3, filled_volume_m3 : float
        Ground by which the result is lower than the DEM; ground added to single cells; ground added in all.
    deepest_fill_m : float
        Largest height added to a cell, metres.
    max_breach_m : float
        Longest cut allowed, metres.
    pits_found, pits_filled : int
        Pits of the DEM, and those that were left to filling.
    """

    conditioned_m: NDArray[np.float32]
    directions: NDArray[np.uint8]
    upstream_cells: NDArray[np.int32]
    cuts: Cuts
    cut_volume_m3: float
    raised_volume_m3: float
    filled_volume_m3: float
    deepest_fill_m: float
    max_breach_m: float
    pits_found: int
    pits_filled: int

    @property
    def outlets(self) -> NDArray[np.int64]:
        """Flat indices of the cells where water leaves."""
        return np.flatnonzero(self.directions == OUTLET)


def default_breach_m(cell_m: float) -> float:
    """Longest cut unless told: 50 m or five cells, whichever is more.

    Our choice, because road and rail banks and the noise of a DEM along a narrow bed are seldom wider, while
    a natural dam that is wider does hold water.

    Parameters
    ----------
    cell_m : float
        Side of a cell, metres.

    Returns
    -------
    float
        Length in metres.

    Examples
    --------
    >>> default_breach_m(1.0), default_breach_m(30.0)
    (50.0, 150.0)
    """
    return max(LEAST_BREACH_M, LEAST_BREACH_CELLS * cell_m)


def condition_and_route(
    dem: Dem,
    *,
    max_breach_m: float | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Drainage:
    """Breach, fill, find directions of flow and count what drains through each cell.

    Parameters
    ----------
    dem : Dem
        The ground.
    max_breach_m : float, optional
        Longest cut in metres; 0 only raises and fills. Unless told, see `default_breach_m`.
    progress : callable, optional
        Called as ``progress(step, share)`` before each step, with the share done so far, 0 to 1, and at the
        end. The first step gets the compiled loops ready, which takes a while once on each machine.

    Returns
    -------
    Drainage
        Conditioned heights, ways and counts.

    Raises
    ------
    InputError
        If the length is below 0.
    GroundError
        If the ground holds an infinite height or too many cells.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9, 9, 9], [9, 4, 3, 6, 2, 1], [9, 9, 9, 9, 9, 9]], np.float32)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> drained = condition_and_route(dem, max_breach_m=20)
    >>> drained.upstream_cells[1].tolist(), drained.cut_volume_m3
    ([1, 6, 9, 12, 15, 18], 50.0)
    """
    if max_breach_m is None:
        max_breach_m = default_breach_m(dem.cell_m)
    max_breach_m = number("max_breach_m", max_breach_m, at_least=0)
    tell = progress if progress is not None else _say_nothing
    tell("getting the compiled loops ready", 0.0)
    _warm_up()
    tell("breaching pits", 0.1)
    opened = breach(dem.elevation_m, cell_m=dem.cell_m, max_length_m=max_breach_m)
    tell("filling the rest", 0.5)
    conditioned_m = fill(opened.elevation_m)
    tell("finding the ways of flow", 0.75)
    directions = flow_directions(conditioned_m)
    tell("counting what drains where", 0.9)
    count = upstream_cells(directions)
    change_m = conditioned_m - dem.elevation_m
    change_m[directions == VOID] = 0.0
    area_m2 = dem.cell_m**2
    drained = Drainage(
        conditioned_m=conditioned_m,
        directions=directions,
        upstream_cells=count,
        cuts=_showing(opened, change_m),
        cut_volume_m3=float(np.maximum(-change_m, 0.0).sum(dtype=np.float64)) * area_m2,
        raised_volume_m3=opened.raised_volume_m3,
        filled_volume_m3=float(np.maximum(change_m, 0.0).sum(dtype=np.float64)) * area_m2,
        deepest_fill_m=float(change_m.max(initial=0.0)),
        max_breach_m=max_breach_m,
        pits_found=opened.pits_found,
        pits_filled=opened.pits_left,
    )
    tell("drainage is done", 1.0)
    return drained


def _say_nothing(step: str, share: float) -> None:
    """Take a progress report and drop it."""


def _warm_up() -> None:
    """Run every compiled loop once on a few cells, so that compiling happens here and nowhere else."""
    row, col = np.mgrid[0:9, 0:9]
    ground = (np.abs(col - 4) + row * 0.5).astype(np.float32)
    ground[4, 4] = -1.0
    dem = Dem(elevation_m=ground, cell_m=30.0, west_m=0.0, north_m=0.0, crs="")
    opened = breach(ground, cell_m=30.0, max_length_m=90.0)
    fill(opened.elevation_m, in_order=True)
    conditioned_m = fill(opened.elevation_m)
    directions = flow_directions(conditioned_m)
    count = upstream_cells(directions)
    nodes = delineate(dem, conditioned_m, directions, count, channel_area_m2=9000.0).nodes
    stream_drops(nodes.downstream, nodes.order, nodes.elevation_m)
    hillshade(dem)


# Keep the cuts of which something shows in the final heights.
def _showing(opened: Breached, change_m: NDArray[np.float32]) -> Cuts:
    cuts = opened.cuts
    if not len(cuts):
        return cuts
    lower = (change_m.ravel()[cuts.cell] < 0).astype(np.int64)
    keep = np.add.reduceat(lower, cuts.start[:-1]) > 0
    return cuts.only(keep)
