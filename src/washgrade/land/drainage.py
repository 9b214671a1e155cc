"""Drainage: the steps from a DEM to flow, in their order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.land.breach import Breached, Cuts, breach
from washgrade.land.burn import SMOOTH_M, Burned, burn, lead_along
from washgrade.land.dem import Dem
from washgrade.land.fill import fill
from washgrade.land.flow import OUTLET, VOID, route, upstream_cells
from washgrade.land.hollows import CutReport, HollowReport, report_cuts, report_hollows
from washgrade.land.kernel import as_outlets
from washgrade.land.warm import warm_up

__all__ = ["Drainage", "condition_and_route", "default_breach_depth_m", "default_breach_m"]

LEAST_BREACH_M = 50.0
LEAST_BREACH_CELLS = 5
BREACH_DEPTH_M = 6.0
BREACH_DEPTH_PER_CELL = 0.2


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
    max_breach_m, max_breach_depth_m : float
        Longest and deepest cut allowed, metres.
    cut_report : CutReport
        The cuts that a person should confirm or forbid.
    hollow_report : HollowReport
        The deep and wide hollows that were filled, and why.
    burned : Burned or None
        The lines that were carved in, if any were given.
    sinks : ndarray of int64, shape (sinks,)
        Cells in which water sinks into the ground, ascending.
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
    max_breach_depth_m: float
    cut_report: CutReport
    hollow_report: HollowReport
    burned: Burned | None
    sinks: NDArray[np.int64]
    pits_found: int
    pits_filled: int

    @property
    def outlets(self) -> NDArray[np.int64]:
        """Flat indices of the cells where water leaves, sinks included."""
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


def default_breach_depth_m(cell_m: float) -> float:
    """Deepest cut unless told: 6 m or a fifth of a cell, whichever is more.

    Our choice, because road and rail banks over a small wash are seldom higher (common practice, no source),
    while quarries, gravel pits and playa basins are deeper or far wider. With large cells a narrow gorge is
    lost between two of them, and the dams that this makes are the higher, the larger the cells.

    Parameters
    ----------
    cell_m : float
        Side of a cell, metres.

    Returns
    -------
    float
        Depth in metres.

    Examples
    --------
    >>> default_breach_depth_m(1.0), default_breach_depth_m(90.0)
    (6.0, 18.0)
    """
    return max(BREACH_DEPTH_M, BREACH_DEPTH_PER_CELL * cell_m)


def condition_and_route(
    dem: Dem,
    *,
    max_breach_m: float | None = None,
    max_breach_depth_m: float | None = None,
    keep: NDArray[np.bool_] | None = None,
    sinks: NDArray[np.integer] | None = None,
    lines_m: Sequence[ArrayLike] = (),
    smooth_m: float = SMOOTH_M,
    snap_m: float = 0.0,
    report_length_m: float | None = None,
    method: str = "least deviation",
    progress: Callable[[str, float], None] | None = None,
) -> Drainage:
    """Breach, fill, find directions of flow and count what drains through each cell.

    Parameters
    ----------
    dem : Dem
        The ground.
    max_breach_m : float, optional
        Longest cut in metres; 0 only raises and fills. Unless told, see `default_breach_m`.
    max_breach_depth_m : float, optional
        Deepest cut in metres. Unless told, see `default_breach_depth_m`.
    keep : ndarray of bool, shape (rows, cols), optional
        Cells that no cut may lower, see `washgrade.land.marks.keep_cells`.
    sinks : ndarray of int, shape (sinks,), optional
        Flat indices of cells in which water sinks into the ground, see `washgrade.land.marks.sink_cells`.
    lines_m : sequence of array_like, shape (vertices, 2)
        Drawn channels or tracks that water shall follow, eastings and northings, metres.
    smooth_m, snap_m : float
        How they are smoothed and snapped, metres, see `washgrade.land.burn.burn`.
    report_length_m : float, optional
        Cuts longer than this are told, see `washgrade.land.hollows.report_cuts`.
    method : str, optional
        One of `washgrade.land.flow.METHODS`. Unless told paths follow the fall line of even slopes whatever
        its bearing (Orlandini and others 2003), where the steepest of eight ways would draw parallel lines
        along the grid.
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
        If a length or depth is below 0.
    GroundError
        If the ground holds an infinite height or too many cells, the kept cells are not of its shape, a sink
        is no cell with a height, or a line cannot be carved in.

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
    if max_breach_depth_m is None:
        max_breach_depth_m = default_breach_depth_m(dem.cell_m)
    max_breach_depth_m = number("max_breach_depth_m", max_breach_depth_m, at_least=0)
    outlets = as_outlets(sinks, dem.elevation_m)
    tell = progress if progress is not None else _say_nothing
    tell("getting the compiled loops ready", 0.0)
    warm_up()
    burned = None
    ground_m = dem.elevation_m
    if len(lines_m):
        tell("carving the drawn channels", 0.05)
        burned = burn(dem, lines_m, smooth_m=smooth_m, snap_m=snap_m, max_climb_m=max_breach_depth_m)
        ground_m = burned.elevation_m
    tell("breaching pits", 0.1)
    opened = breach(
        ground_m,
        cell_m=dem.cell_m,
        max_length_m=max_breach_m,
        max_depth_m=max_breach_depth_m,
        keep=keep,
        outlets=outlets,
    )
    tell("filling the rest", 0.5)
    conditioned_m = fill(opened.elevation_m, outlets=outlets)
    tell("finding the ways of flow and what drains where", 0.7)
    directions, count = route(conditioned_m, outlets=outlets, method=method)
    if burned is not None:
        led, way = lead_along(directions, conditioned_m, burned)
        directions.ravel()[led] = way
        count = upstream_cells(directions)
    tell("listing what was mended", 0.95)
    change_m = conditioned_m - dem.elevation_m
    change_m[directions == VOID] = 0.0
    area_m2 = dem.cell_m**2
    showing = _showing(opened, change_m)
    drained = Drainage(
        conditioned_m=conditioned_m,
        directions=directions,
        upstream_cells=count,
        cuts=showing,
        cut_volume_m3=abs(float(np.minimum(change_m, 0.0).sum(dtype=np.float64))) * area_m2,
        raised_volume_m3=opened.raised_volume_m3,
        filled_volume_m3=float(np.maximum(change_m, 0.0).sum(dtype=np.float64)) * area_m2,
        deepest_fill_m=float(change_m.max(initial=0.0)),
        max_breach_m=max_breach_m,
        max_breach_depth_m=max_breach_depth_m,
        cut_report=report_cuts(dem, showing, count, report_length_m=report_length_m),
        hollow_report=report_hollows(
            dem,
            opened.elevation_m,
            conditioned_m,
            count,
            max_length_m=max_breach_m,
            max_depth_m=max_breach_depth_m,
            keep=keep,
            outlets=outlets,
        ),
        burned=burned,
        sinks=outlets,
        pits_found=opened.pits_found,
        pits_filled=opened.pits_left,
    )
    tell("drainage is done", 1.0)
    return drained


def _say_nothing(step: str, share: float) -> None:
    """Take a progress report and drop it."""


# Keep the cuts of which something shows in the final heights.
def _showing(opened: Breached, change_m: NDArray[np.float32]) -> Cuts:
    cuts = opened.cuts
    if not len(cuts):
        return cuts
    lower = (change_m.ravel()[cuts.cell] < 0).astype(np.int64)
    keep = np.add.reduceat(lower, cuts.start[:-1]) > 0
    return cuts.only(keep)
