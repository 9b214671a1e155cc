"""Drainage of a ground larger than memory: the steps from heights to channels, in their order."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number, whole
from washgrade.errors import GroundError
from washgrade.land.breach import Cuts
from washgrade.land.burn import Burned, lead_along
from washgrade.land.drainage import default_breach_depth_m, default_breach_m
from washgrade.land.kernel import processors
from washgrade.land.tiles.area import count_tiles
from washgrade.land.tiles.breach import BYTES_PER_CELL, GUARD, breach_tiles
from washgrade.land.tiles.drainage import TiledDrainage
from washgrade.land.tiles.fill import fill_tiles
from washgrade.land.tiles.flow import flow_tiles
from washgrade.land.tiles.network import Frame
from washgrade.land.tiles.store import (
    LEAST_SIDE,
    Grid,
    HeightSource,
    Scratch,
    Tile,
    Tiling,
    each_tile,
    give_back,
    tile_side,
    working_bytes,
)

__all__ = ["drain_tiled", "filled_tiled", "memory_in_core_bytes", "tile_bytes"]

# Of the memory to work in, the share that tiles may take: what they tell each other and the lists of cuts and
# channels need the rest. Our choice.
TILE_SHARE = 0.5
# Bytes of scratch for each cell: heights twice, directions, and what straight paths need on the way.
SCRATCH_BYTES_PER_CELL = 30
# What straight paths take for each cell of a tile: heights, ways and four grids of their own, each twice.
STRAIGHT_BYTES_PER_CELL = 56
# What the steps in memory take for each cell at their peak (benchmarks/ground.py).
IN_CORE_BYTES_PER_CELL = 60


def memory_in_core_bytes(shape: tuple[int, int]) -> int:
    """Memory that a ground takes when it is worked on all at once.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.

    Returns
    -------
    int
        Bytes.

    Examples
    --------
    >>> memory_in_core_bytes((10_000, 10_000)) / 1e9
    6.0
    """
    return IN_CORE_BYTES_PER_CELL * shape[0] * shape[1]


def tile_bytes(memory_bytes: int) -> int:
    """Of the memory of the whole program, what tiles may take.

    Parameters
    ----------
    memory_bytes : int
        Memory for the whole program.

    Returns
    -------
    int
        Bytes, for all threads together.

    Examples
    --------
    >>> tile_bytes(1_200_000_000)
    500000000
    """
    return int(working_bytes(memory_bytes) * TILE_SHARE)


def _side(memory_bytes: int, threads: int) -> int:
    """Rows and columns of the widest window that the memory allows."""
    least_bytes = LEAST_SIDE**2 * BYTES_PER_CELL * threads
    if tile_bytes(memory_bytes) < least_bytes:
        raise GroundError(
            f"Too little memory for the work: {memory_bytes / 1e6:.3g} MB. It must be at least "
            f"{math.ceil(least_bytes / TILE_SHARE / 1e6)} MB."
        )
    return tile_side(tile_bytes(memory_bytes), bytes_per_cell=BYTES_PER_CELL, threads=threads)


def filled_tiled(
    source: HeightSource, *, scratch: Scratch, memory_bytes: int, threads: int | None = None
) -> Grid:
    """Fill all hollows of a ground, as `washgrade.land.fill.fill` does in memory.

    Parameters
    ----------
    source : HeightSource
        Heights in metres, NaN on voids.
    scratch : Scratch
        Where the result is put.
    memory_bytes : int
        Memory for the whole program.
    threads : int, optional
        How many tiles are worked on at once; unless told, one for each processor.

    Returns
    -------
    Grid
        Filled heights, float32.

    Raises
    ------
    GroundError
        If the memory is too little.

    Examples
    --------
    >>> from washgrade.land.tiles.store import InMemory
    >>> bowl = np.array([[5, 5, 5, 5], [5, 1, 2, 3], [5, 5, 5, 5]], np.float32)
    >>> with Scratch() as scratch:
    ...     filled_tiled(InMemory(bowl), scratch=scratch, memory_bytes=10**9).read(1, 0, 2, 4).tolist()
    [[5.0, 3.0, 3.0, 3.0]]
    """
    threads = processors() if threads is None else threads
    side = _side(memory_bytes, threads)
    filled = scratch.grid("filled", source.shape, np.float32)
    fill_tiles(source, filled, tiling=Tiling(shape=source.shape, side=side), threads=threads)
    return filled


def drain_tiled(
    source: HeightSource,
    frame: Frame,
    *,
    scratch: Scratch,
    memory_bytes: int,
    max_breach_m: float | None = None,
    max_breach_depth_m: float | None = None,
    keep: HeightSource | None = None,
    sinks: NDArray[np.integer] | None = None,
    carved: tuple[Burned, HeightSource] | None = None,
    method: str = "least deviation",
    threads: int | None = None,
    side: int | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> TiledDrainage:
    """Breach, fill, find directions of flow and count, as `condition_and_route` does in memory.

    Parameters
    ----------
    source : HeightSource
        Heights in metres, NaN on voids; a `Grid` of the scratch folder, or anything that gives windows.
    frame : Frame
        Size and place of the grid.
    scratch : Scratch
        Where the grids are put; they are gone when it is closed.
    memory_bytes : int
        Memory for the whole program. What tiles tell each other grows with their edges, and the lists of cuts
        and channel cells with their number; these are small beside it unless pits are very many.
    max_breach_m, max_breach_depth_m : float, optional
        Longest and deepest cut in metres; unless told, as for `condition_and_route`.
    keep : HeightSource, optional
        Windows of bool: cells that no cut may lower.
    sinks : ndarray of int, shape (sinks,), optional
        Flat indices of cells in which water sinks into the ground.
    carved : tuple of Burned and HeightSource, optional
        Lines that water shall follow, from `washgrade.land.burn.burn`, and windows of its carved heights.
    method : str, optional
        One of `washgrade.land.flow.METHODS`.
    threads : int, optional
        How many tiles are worked on at once; unless told, one for each processor.
    side : int, optional
        Rows and columns of a tile; unless told, what the memory allows.
    progress : callable, optional
        Called as ``progress(step, share)``, with the share done so far, 0 to 1.

    Returns
    -------
    TiledDrainage
        Conditioned heights, ways and counts.

    Raises
    ------
    InputError
        If a limit is below 0 or there is no such method.
    GroundError
        If the memory is too little, or the ground holds an infinite height or a sink that is no cell.
    SiteError
        If the scratch disk has too little room.

    Examples
    --------
    >>> ground = np.array([[9, 9, 9, 9, 9, 9], [9, 4, 3, 6, 2, 1], [9, 9, 9, 9, 9, 9]], np.float32)
    >>> frame = Frame(shape=(3, 6), cell_m=5, west_m=0, north_m=15, crs="EPSG:25830")
    >>> with Scratch() as scratch:
    ...     heights = scratch.grid("heights", (3, 6), np.float32)
    ...     heights.write(0, 0, ground)
    ...     drained = drain_tiled(
    ...         heights, frame, scratch=scratch, memory_bytes=10**9, max_breach_m=20, side=2
    ...     )
    ...     drained.counts.largest, drained.cut_volume_m3
    (18, 50.0)
    """
    tell = progress if progress is not None else (lambda _step, _share: None)
    cell_m = frame.cell_m
    longest_m = number(
        "max_breach_m", default_breach_m(cell_m) if max_breach_m is None else max_breach_m, at_least=0
    )
    deepest_m = number(
        "max_breach_depth_m",
        default_breach_depth_m(cell_m) if max_breach_depth_m is None else max_breach_depth_m,
        at_least=0,
    )
    threads = whole("threads", processors() if threads is None else threads, at_least=1)
    window_bytes = tile_bytes(memory_bytes)
    if side is None:
        # The widest window is that of breaching: the tile, and what lies around it.
        margin = 4 * (longest_m / cell_m + GUARD)
        side = _side(memory_bytes, threads)
        straight_side = math.isqrt(window_bytes // (STRAIGHT_BYTES_PER_CELL * threads))
        side = min(max(int(side - margin), side // 2), straight_side)
    tiling = Tiling(shape=frame.shape, side=side)
    scratch.need(SCRATCH_BYTES_PER_CELL * frame.shape[0] * frame.shape[1])
    outlets = _sinks(sinks, source, frame.shape)

    def step(words: str, first_share: float, last_share: float) -> Callable[[float], None]:
        # What one step freed is not at hand for the next in the pieces that it wants.
        give_back()
        tell(words, first_share)
        return lambda share: tell(words, first_share + (last_share - first_share) * share)

    burned = carved[0] if carved else None
    ground = scratch.grid("opened", frame.shape, np.float32)
    opened = breach_tiles(
        carved[1] if carved else source,
        ground,
        scratch=scratch,
        tiling=tiling,
        threads=threads,
        cell_m=cell_m,
        max_length_m=longest_m,
        max_depth_m=deepest_m,
        keep=keep,
        outlets=outlets,
        most_cells=window_bytes // (BYTES_PER_CELL * threads),
        tell=step("breaching pits", 0.0, 0.5),
    )
    conditioned = scratch.grid("conditioned", frame.shape, np.float32)
    fill_tiles(
        ground,
        conditioned,
        tiling=tiling,
        threads=threads,
        outlets=outlets,
        tell=step("filling the rest", 0.5, 0.7),
    )
    directions = scratch.grid("directions", frame.shape, np.uint8)
    flow_tiles(
        conditioned,
        directions,
        scratch=scratch,
        method=method,
        tiling=tiling,
        threads=threads,
        outlets=outlets,
        tell=step("finding the ways of flow", 0.7, 0.85),
    )
    if burned is not None:
        led, way = lead_along(directions.mapped(writable=True), conditioned.mapped(writable=True), burned)
        for cell, code in zip(led.tolist(), way.tolist(), strict=True):
            row, col = divmod(cell, frame.shape[1])
            directions.write(row, col, np.array([[code]], np.uint8))
    counts = count_tiles(
        directions, tiling=tiling, threads=threads, tell=step("counting what drains where", 0.85, 0.95)
    )
    cut_m, filled_m, deepest_fill_m, shows = _changes(
        source,
        conditioned,
        opened.cuts,
        tiling=tiling,
        threads=threads,
        tell=step("listing what was mended", 0.95, 1.0),
    )
    tell("drainage is done", 1.0)
    return TiledDrainage(
        frame=frame,
        opened_m=ground,
        conditioned_m=conditioned,
        directions=directions,
        counts=counts,
        cuts=opened.cuts.only(shows),
        cut_volume_m3=cut_m * cell_m**2,
        raised_volume_m3=opened.raised_volume_m3,
        filled_volume_m3=filled_m * cell_m**2,
        deepest_fill_m=deepest_fill_m,
        max_breach_m=longest_m,
        max_breach_depth_m=deepest_m,
        burned=burned,
        sinks=outlets,
        pits_found=opened.pits_found,
        pits_filled=opened.pits_left,
        threads=threads,
    )


# Sinks once each, ascending, on cells that have a height.
def _sinks(
    sinks: NDArray[np.integer] | None, source: HeightSource, shape: tuple[int, int]
) -> NDArray[np.int64]:
    cells: NDArray[np.int64] = np.unique(np.asarray([] if sinks is None else sinks).astype(np.int64))
    size = shape[0] * shape[1]
    for cell in cells.tolist():
        if not 0 <= cell < size:
            raise GroundError(
                f"Invalid outlet of cell {cell}. It must be a flat index between 0 and {size - 1}."
            )
        row, col = divmod(cell, shape[1])
        if np.isnan(source.read(row, col, row + 1, col + 1)[0, 0]):
            raise GroundError(f"Invalid outlet of cell {cell}, which is void. It must have a height.")
    return cells


# Height taken away and put in, summed over cells; the most put in; which cuts show.
def _changes(
    source: HeightSource,
    conditioned: Grid,
    cuts: Cuts,
    *,
    tiling: Tiling,
    threads: int,
    tell: Callable[[float], None],
) -> tuple[float, float, float, NDArray[np.bool_]]:
    row, col = np.divmod(cuts.cell, tiling.shape[1])
    owner = row // tiling.side * tiling.across + col // tiling.side
    order = np.argsort(owner, kind="stable")
    first = np.searchsorted(owner[order], np.arange(len(tiling) + 1))
    lower = np.zeros(len(cuts.cell), np.bool_)

    def compare(tile: Tile) -> tuple[float, float, float]:
        change_m = conditioned.read(*tile.box)
        change_m -= np.asarray(source.read(*tile.box), np.float32)
        change_m[np.isnan(change_m)] = 0.0
        own = order[first[tile.number] : first[tile.number + 1]]
        lower[own] = change_m[row[own] - tile.top, col[own] - tile.left] < 0
        return (
            float(np.maximum(-change_m, 0.0).sum(dtype=np.float64)),
            float(np.maximum(change_m, 0.0).sum(dtype=np.float64)),
            float(change_m.max(initial=0.0)),
        )

    done = [part for _, part in each_tile(compare, tiling.tiles(), threads=threads, tell=tell)]
    cut_m, filled_m, deepest_m = zip(*done, strict=True)
    shows = (
        np.add.reduceat(lower.astype(np.int64), cuts.start[:-1]) > 0 if len(cuts) else np.empty(0, np.bool_)
    )
    return sum(cut_m), sum(filled_m), max(deepest_m), shows
