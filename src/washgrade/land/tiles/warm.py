"""Getting the compiled loops of the work by tiles ready; those in memory are `washgrade.land.warm`'s."""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np

from washgrade.errors import GroundWarning
from washgrade.land.dem import Dem
from washgrade.land.tiles.drain import drain_tiled, filled_tiled
from washgrade.land.tiles.network import Frame
from washgrade.land.tiles.store import InMemory, Scratch
from washgrade.land.warm import CELL_M, small_valley

__all__ = ["warm_up_tiles"]

# Tiles of the small valley, so that water crosses their edges both ways.
SIDE = 7
# Enough for tiles of any size that a whole small valley may want.
MEMORY_BYTES = 10**9


# Cached, so that it costs nothing to ask again.
@cache
def warm_up_tiles() -> None:
    """Run every compiled loop of the work by tiles once on a few cells.

    Examples
    --------
    >>> warm_up_tiles()
    """
    heights = small_valley()
    place = {"cell_m": CELL_M, "west_m": 0.0, "north_m": heights.shape[0] * CELL_M, "crs": ""}
    dem = Dem(elevation_m=heights, **place)
    with Scratch() as scratch, warnings.catch_warnings():
        # Nobody wants to know what so small a ground lacks.
        warnings.simplefilter("ignore", GroundWarning)
        source = InMemory(heights)
        filled_tiled(source, scratch=scratch, memory_bytes=MEMORY_BYTES)
        drained = drain_tiled(
            source,
            Frame(shape=heights.shape, **place),
            scratch=scratch,
            memory_bytes=MEMORY_BYTES,
            max_breach_m=3 * CELL_M,
            max_breach_depth_m=6.0,
            side=SIDE,
        )
        drained.hollow_report(dem)
        drained.drop_test()
        begin = drained.heads(4 * CELL_M**2).cell
        drained.channels(channel_area_m2=4 * CELL_M**2, begin=begin, also=np.array([begin[0]]))
