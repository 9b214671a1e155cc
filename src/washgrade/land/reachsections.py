"""Cross-sections to look at: one for each reach, wide enough to show its bed and what hems it in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.land.channels import Channels, middle_nodes
from washgrade.land.dem import Dem
from washgrade.land.line import channel_line
from washgrade.land.sections import cross_sections

__all__ = ["POINTS", "ReachSections", "reach_sections"]

# Points of a section: with 16 to each side a picture as wide as a phone shows no corners (our choice).
POINTS = 33
# A section goes this many bed widths to each side: both banks and some of the valley show (our choice).
WIDTHS_ASIDE = 4.0
# And at least this many cells, because fewer heights show no form.
CELLS_ASIDE = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReachSections:
    """Ground across the middle of each reach, seen looking downstream.

    Parameters
    ----------
    node : ndarray of int64, shape (reaches,)
        Where it crosses.
    half_m : ndarray of float64, shape (reaches,)
        How far it goes to each side, metres; its points lie evenly from ``-half_m``, the left, to ``half_m``.
    elevation_m : ndarray of float32, shape (reaches, 33)
        Heights, metres; NaN off the map, beside voids and where the channel has no direction.
    """

    node: NDArray[np.int64]
    half_m: NDArray[np.float64]
    elevation_m: NDArray[np.float32]


def reach_sections(dem: Dem, channels: Channels, *, width_m: NDArray[np.float64]) -> ReachSections:
    """Cut a section across the middle of each reach.

    Parameters
    ----------
    dem : Dem
        The ground as it was read, before pits were opened or filled.
    channels : Channels
        The network of the same ground.
    width_m : ndarray of float64, shape (reaches,)
        Widths of the beds, metres; NaN where unknown.

    Returns
    -------
    ReachSections
        One section a reach.

    Notes
    -----
    Half lengths are four bed widths or four cells, whichever is more, taken up to the next power of two times
    a cell, so that few passes do for all reaches and sections can be compared by eye.

    Examples
    --------
    >>> from washgrade.land.flow import flow_directions, upstream_cells
    >>> from washgrade.land.channels import delineate
    >>> ground = np.pad(np.array([[5, 4, 3, 2]], np.float32), ((5, 5), (1, 0)), constant_values=9)
    >>> dem = Dem(elevation_m=ground, cell_m=5, west_m=0, north_m=55, crs="EPSG:25830")
    >>> ways = flow_directions(ground)
    >>> channels = delineate(dem, ground, ways, upstream_cells(ways), channel_area_m2=150)
    >>> found = reach_sections(dem, channels, width_m=np.array([2.0]))
    >>> found.half_m.tolist(), found.elevation_m[0, [0, 16, 32]].tolist()
    ([20.0], [9.0, 4.0, 9.0])
    """
    from washgrade.land.shape import ShapeRules

    smooth_m, _, _ = ShapeRules().lengths_m(cell_m=dem.cell_m)
    line = channel_line(channels, smooth_m=smooth_m)
    middle = middle_nodes(channels)
    wanted = np.maximum(np.nan_to_num(width_m) * WIDTHS_ASIDE / dem.cell_m, CELLS_ASIDE)
    half_m = dem.cell_m * 2.0 ** np.ceil(np.log2(wanted) - 1e-9)
    elevation_m = np.empty((len(middle), POINTS), np.float32)
    for half in np.unique(half_m):
        chosen = half_m == half
        across = cross_sections(dem, channels, line, middle[chosen], half_m=half, step_m=half / (POINTS // 2))
        elevation_m[chosen] = across.elevation_m
    return ReachSections(node=middle, half_m=half_m, elevation_m=elevation_m)
