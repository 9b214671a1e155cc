"""Getting the compiled loops of the ground ready: on a new machine that takes half a minute, once."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from washgrade.land.above import above_channel
from washgrade.land.beside import channels_beside
from washgrade.land.breach import breach
from washgrade.land.channels import delineate
from washgrade.land.dem import Dem, hillshade
from washgrade.land.edges import edge_cut
from washgrade.land.fans import find_fans
from washgrade.land.fill import fill
from washgrade.land.flow import route, upstream_cells
from washgrade.land.heads import slope_area_heads
from washgrade.land.hollows import report_hollows
from washgrade.land.links import stream_drops
from washgrade.land.marks import sink_cells
from washgrade.land.reachsections import reach_sections
from washgrade.land.reachshape import reach_shape
from washgrade.land.shape import measure_shape
from washgrade.land.sources import sources_beside
from washgrade.land.voids import mend_voids
from washgrade.land.water import find_water

__all__ = ["CELL_M", "small_valley", "warm_up"]

CELL_M = 30.0


def small_valley() -> NDArray[np.float32]:
    """Make a valley with a lake, a hole in its side, and a pit that is too deep to cut.

    Returns
    -------
    ndarray of float32, shape (18, 13)
        Heights, metres.

    Examples
    --------
    >>> small_valley().shape
    (18, 13)
    """
    row, col = np.mgrid[0:18, 0:13]
    ground: NDArray[np.float32] = (3.0 * np.abs(col - 6) + 0.5 * (18 - row)).astype(np.float32)
    ground[8:11, 5:8] = 4.0
    ground[3, 2] = np.nan
    ground[13:15, 9:11] = -40.0
    return ground


# Cached, so that it costs nothing to ask again.
@cache
def warm_up() -> None:
    """Run every compiled loop of the ground once on a few cells, so that compiling happens here alone.

    numba keeps what it compiled beside the package or in ``NUMBA_CACHE_DIR``; where neither can be written,
    each process compiles anew.

    Examples
    --------
    >>> warm_up()
    """
    ground = small_valley()
    raw = Dem(elevation_m=ground, cell_m=CELL_M, west_m=0.0, north_m=18 * CELL_M, crs="")
    dem = mend_voids(raw).dem
    find_water(dem, least_area_m2=CELL_M**2)
    sink_cells(dem, [(9.5 * CELL_M, 4.5 * CELL_M)])
    opened = breach(dem.elevation_m, cell_m=CELL_M, max_length_m=3 * CELL_M, max_depth_m=6.0)
    # All the ways to fill and to lead water, for the size of a ground decides between them.
    fill(opened.elevation_m, in_order=True)
    conditioned_m = fill(opened.elevation_m)
    directions, count = route(conditioned_m, method="steepest")
    directions, count = route(conditioned_m, method="least deviation")
    upstream_cells(directions)
    report_hollows(dem, opened.elevation_m, conditioned_m, count, max_length_m=3 * CELL_M, max_depth_m=6.0)
    heads = slope_area_heads(conditioned_m, directions, count, cell_m=CELL_M, channel_area_m2=4 * CELL_M**2)
    channels = delineate(
        dem, conditioned_m, directions, count, channel_area_m2=4 * CELL_M**2, begin=heads.cell
    )
    nodes = channels.nodes
    stream_drops(nodes.downstream, nodes.order, nodes.elevation_m)
    hillshade(dem)
    shape = measure_shape(dem, channels)
    reach_sections(dem, channels, width_m=reach_shape(channels, shape).width_m)
    above_channel(dem, channels, directions)
    find_fans(dem, channels)
    sources_beside(directions, np.ones_like(directions, np.int32), grade=np.ones(1), cell=nodes.cell)
    channels_beside(channels, cell_m=CELL_M)
    edge_cut(dem.elevation_m, directions, cell=nodes.cell, downstream=nodes.downstream)
