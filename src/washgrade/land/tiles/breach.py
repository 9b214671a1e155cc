"""Breaching tile by tile: a tile opens the pits around it too, and is taken only if its neighbours agree."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import GroundError
from washgrade.land.breach import MOST_ROUNDS, Cuts
from washgrade.land.kernel import as_heights
from washgrade.land.opening import MOST_RAISED, open_pits, raise_single_pits
from washgrade.land.pits import find_pits
from washgrade.land.tiles.census import PitCensus, count_pits, outlets_in
from washgrade.land.tiles.fill import sinks_in
from washgrade.land.tiles.store import Grid, HeightSource, Scratch, Tile, Tiling, each_tile

__all__ = ["BYTES_PER_CELL", "TiledBreach", "breach_tiles"]

# Cells beyond those that a tile's pits may touch. Our choice: what goes wrong at the window's edge seldom
# reaches farther, and the neighbours tell if it does.
GUARD = 32
# What opening pits takes for each cell of a window: heights twice, what leaves, what is kept, the search.
BYTES_PER_CELL = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class TiledBreach:
    """What breaching by tiles did; the ground is in the grid that was given for it.

    Parameters
    ----------
    cuts : Cuts
        Every cut: by round, from the highest ground on.
    raised_cells : int
        Cells that were raised instead of digging, or to dig less.
    raised_volume_m3 : float
        Ground added to them, cubic metres.
    pits_found, pits_left : int
        Pits before and after.
    reworked : int
        Tiles that had to be done again with a wider view.
    """

    cuts: Cuts
    raised_cells: int
    raised_volume_m3: float
    pits_found: int
    pits_left: int
    reworked: int


def breach_tiles(
    source: HeightSource,
    ground: Grid,
    *,
    scratch: Scratch,
    tiling: Tiling,
    threads: int,
    cell_m: float,
    max_length_m: float,
    max_depth_m: float | None = None,
    keep: HeightSource | None = None,
    outlets: NDArray[np.int64] | None = None,
    most_cells: int | None = None,
    tell: Callable[[float], None] | None = None,
) -> TiledBreach:
    """Open pits by moving the least ground, as `washgrade.land.breach.breach` does in memory.

    Parameters
    ----------
    source : HeightSource
        Heights in metres; NaN is a void.
    ground : Grid
        Takes the result, float32.
    scratch : Scratch
        Where to put what is needed on the way.
    tiling : Tiling
        How the ground is cut.
    threads : int
        How many tiles are worked on at once.
    cell_m, max_length_m : float
        Side of a cell and longest cut, metres.
    max_depth_m : float, optional
        Most by which any cell may come to lie lower, metres. No limit unless told.
    keep : HeightSource, optional
        Windows of bool: cells that no cut may lower.
    outlets : ndarray of int64, shape (outlets,), optional
        Flat indices, ascending, of cells in which water sinks into the ground.
    most_cells : int, optional
        Cells of the largest window that memory has room for.
    tell : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    TiledBreach
        The record of what was done.

    Raises
    ------
    InputError
        If the cell size is not above 0 or a limit is below 0.
    GroundError
        If a height is infinite, or a level pit is too large for the memory.

    Notes
    -----
    A pit touches no cell farther from its level patch than the longest cut, or than it may be raised. A tile
    opens, in the order of the whole ground, its own pits and all others within twice that distance and a
    guard. What happens beyond the window is unknown to it; so what it did near its own cells is compared with
    what its neighbours did there, cut by cut. Where both are the same everywhere, everything is as in memory:
    the first pit, in order, that came out differently would have met other ground than its tile saw, so some
    earlier cut near that tile would differ. Where they are not, the tile is done again with a wider guard.
    """
    cell_m = number("cell_m", cell_m, above=0)
    max_length_m = number("max_length_m", max_length_m, at_least=0)
    deepest_m = math.inf if max_depth_m is None else number("max_depth_m", max_depth_m, at_least=0)
    report = tell or (lambda _share: None)
    sinks = np.empty(0, np.int64) if outlets is None else outlets
    work = _Work(
        source=source,
        scratch=scratch,
        tiling=tiling,
        threads=threads,
        max_length_cells=max_length_m / cell_m,
        max_depth_m=deepest_m,
        keep=keep,
        sinks=sinks,
        reach=max(math.ceil(max_length_m / cell_m), MOST_RAISED) + 2,
        most_cells=most_cells or tiling.shape[0] * tiling.shape[1],
    )
    found = count_pits(source, tiling=tiling, threads=threads, outlets=sinks, tell=lambda s: report(0.1 * s))
    raised, raised_m = work.raise_single(ground)
    spare = scratch.grid("breach-spare", tiling.shape, np.float32)
    rounds: list[dict[str, NDArray[Any]]] = []
    now, other = ground, spare
    left = found.count
    reworked = 0
    for turn in range(MOST_ROUNDS):
        census = count_pits(now, tiling=tiling, threads=threads, outlets=sinks)
        if not census.count or (turn and census.count == left):
            break
        left = census.count
        begin = 0.2 + 0.8 * (1 - 0.25**turn)

        def part(share: float, begin_share: float = begin) -> None:
            report(begin_share + 0.7 * (1 - begin_share) * share)

        done, again = work.open_round(now, other, census, tell=part)
        reworked += again
        rounds.append(done)
        now, other = other, now
    else:
        census = count_pits(now, tiling=tiling, threads=threads, outlets=sinks)
    if now is not ground:
        for tile in tiling.tiles():
            ground.write(tile.top, tile.left, now.read(*tile.box))
    scratch.drop(spare)
    report(1.0)
    area_m2 = cell_m**2
    return TiledBreach(
        cuts=_cuts(rounds, cell_m),
        raised_cells=raised + sum(len(done["raised"]) for done in rounds),
        raised_volume_m3=area_m2 * (raised_m + sum(float(done["raised_m"].sum()) for done in rounds)),
        pits_found=found.count,
        pits_left=census.count,
        reworked=reworked,
    )


# The cuts of all rounds, from those with lists of lowered cells and of ways one behind the other.
def _cuts(rounds: list[dict[str, NDArray[Any]]], cell_m: float) -> Cuts:
    whole = _laid_together(rounds)
    start = np.concatenate([np.zeros(1, np.int64), np.cumsum(whole["cells"])])
    way_start = np.concatenate([np.zeros(1, np.int64), np.cumsum(whole["steps"])])
    some = len(start) > 1
    lowered_m = whole["lowered_m"]
    return Cuts(
        pit=whole["way"][way_start[:-1]],
        end=whole["way"][way_start[1:] - 1],
        length_m=whole["length_cells"] * cell_m,
        depth_m=np.maximum.reduceat(lowered_m, start[:-1]) if some else np.empty(0),
        volume_m3=np.add.reduceat(lowered_m, start[:-1]) * cell_m**2 if some else np.empty(0),
        start=start,
        cell=whole["cell"],
        way_start=way_start,
        way=whole["way"],
    )


# Names of what is known of the cuts, by cut, by lowered cell, by step of the way; and of the raised cells.
_BY_CUT = ("length_cells", "cells", "steps", "height_m")
_PARTS = {
    **dict.fromkeys(("length_cells", "lowered_m", "raised_m"), np.float64),
    **dict.fromkeys(("cells", "steps", "cell", "way", "raised"), np.int64),
    "height_m": np.float32,
}


def _laid_together(parts: list[dict[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    return {
        name: np.concatenate([np.empty(0, dtype), *(part[name] for part in parts)])
        for name, dtype in _PARTS.items()
    }


# Some of the cuts of a record, in any order; the raised cells stay.
def _chosen(done: dict[str, NDArray[Any]], which: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    chosen = dict(done)
    for name in _BY_CUT:
        chosen[name] = done[name][which]
    for sizes, names in (("cells", ("cell", "lowered_m")), ("steps", ("way",))):
        size = done[sizes]
        first = (np.cumsum(size) - size)[which]
        runs = size[which]
        places = np.repeat(first - (np.cumsum(runs) - runs), runs) + np.arange(int(runs.sum()))
        for name in names:
            chosen[name] = done[name][places]
    return chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """What all tiles share."""

    source: HeightSource
    scratch: Scratch
    tiling: Tiling
    threads: int
    max_length_cells: float
    max_depth_m: float
    keep: HeightSource | None
    sinks: NDArray[np.int64]
    reach: int
    most_cells: int
    alone: threading.Lock = field(default_factory=threading.Lock)

    # Raise single cells; this hangs on a cell's neighbours only.
    def raise_single(self, ground: Grid) -> tuple[int, float]:
        def work(tile: Tile) -> tuple[int, float]:
            box = self.tiling.around(tile.box, 1)
            heights = as_heights(self.source.read(*box)).copy()
            cell, by_m = raise_single_pits(heights, outlets_in(heights, box, self.tiling.shape, self.sinks))
            ground.write(tile.top, tile.left, _core(heights, box, tile))
            row, col = np.divmod(cell, heights.shape[1])
            own = _inside(row + box[0], col + box[1], tile.box)
            return int(own.sum()), float(by_m[own].sum())

        done = [part for _, part in each_tile(work, self.tiling.tiles(), threads=self.threads)]
        return sum(count for count, _ in done), sum(by_m for _, by_m in done)

    # Open pits once; return the record of all and how many tiles were done again.
    def open_round(
        self, now: Grid, after: Grid, census: PitCensus, *, tell: Callable[[float], None]
    ) -> tuple[dict[str, NDArray[Any]], int]:
        tiles = self.tiling.tiles()
        boxes = [tile.box for tile in tiles]
        for pit in census.crossing.tolist():
            for tile in self.tiling.touching(self.tiling.around(tuple(pit), self.reach)):
                old = boxes[tile.number]
                boxes[tile.number] = (
                    min(old[0], pit[0]),
                    min(old[1], pit[1]),
                    max(old[2], pit[2]),
                    max(old[3], pit[3]),
                )
        regions = [self.tiling.around(box, self.reach) for box in boxes]
        guard = np.full(len(tiles), GUARD, np.int64)
        share = 0.0
        todo = tiles
        again = 0
        while todo:
            for tile, _ in each_tile(
                lambda tile: self._open_tile(now, after, tile, regions[tile.number], int(guard[tile.number])),
                todo,
                threads=self.threads,
                tell=None if share else tell,
            ):
                del tile
            share = 1.0
            # A tile's record is of interest as far as its pits may reach.
            near = {
                other.number
                for tile in todo
                for other in self.tiling.touching(self.tiling.around(regions[tile.number], 2 * self.reach))
            }
            wrong = [
                tile
                for tile, agree in each_tile(
                    lambda tile: self._agrees(tile, regions[tile.number]),
                    [tiles[number] for number in sorted(near)],
                    threads=self.threads,
                )
                if not agree
            ]
            for tile in wrong:
                if guard[tile.number] > max(self.tiling.shape):
                    raise RuntimeError("Tiles that see the whole ground do not agree on its pits.")
                guard[tile.number] = max(2 * guard[tile.number], self.reach)
            again += len(wrong)
            todo = wrong
        done = []
        for tile in tiles:
            own = self._recall(tile, "own")
            if own is not None:
                done.append(own)
            for kind in ("own", "other"):
                self._path(tile, kind).unlink(missing_ok=True)
        whole = _laid_together(done)
        return _chosen(
            whole, np.lexsort((whole["way"][np.cumsum(whole["steps"]) - whole["steps"]], -whole["height_m"]))
        ), again

    def _path(self, tile: Tile, kind: str) -> Path:
        return self.scratch.folder / f"breach-{tile.number}-{kind}.npz"

    def _recall(self, tile: Tile, kind: str) -> dict[str, NDArray[Any]] | None:
        path = self._path(tile, kind)
        if not path.exists():
            return None
        with np.load(path) as stored:
            return {name: stored[name] for name in _PARTS}

    # Open the pits in and around a tile, write its own ground and the record of what was done.
    def _open_tile(
        self, now: Grid, after: Grid, tile: Tile, region: tuple[int, int, int, int], guard: int
    ) -> None:
        box = self.tiling.around(region, self.reach + guard)
        size = (box[2] - box[0]) * (box[3] - box[1])
        if size > self.threads * self.most_cells:
            raise GroundError(
                f"A level pit is too large for the memory: {region[2] - region[0]} rows and "
                f"{region[3] - region[1]} columns. It takes {size * BYTES_PER_CELL / 1e6:.0f} MB to open."
            )
        # What is larger than one thread's share goes alone.
        with self.alone if size > self.most_cells else nullcontext():
            self._open_window(now, after, tile, region, box)

    def _open_window(
        self,
        now: Grid,
        after: Grid,
        tile: Tile,
        region: tuple[int, int, int, int],
        box: tuple[int, int, int, int],
    ) -> None:
        heights = _with_room(now.read(*box))
        before = as_heights(self.source.read(*box))
        leaves = outlets_in(heights, box, self.tiling.shape, self.sinks)
        kept = (
            np.zeros(heights.shape, np.bool_)
            if self.keep is None
            else np.array(self.keep.read(*box), np.bool_)
        )
        kept.ravel()[sinks_in(self.sinks, box, self.tiling.shape[1])] = True
        # Where the map goes on, no cut may come out at the window's edge.
        for side, at_map in (
            ((0, slice(None)), box[0] == 0),
            ((-1, slice(None)), box[2] == self.tiling.shape[0]),
            ((slice(None), 0), box[1] == 0),
            ((slice(None), -1), box[3] == self.tiling.shape[1]),
        ):
            if not at_map:
                kept[side] = True
        visit = np.zeros(heights.shape, np.int32)
        pits = find_pits(heights, leaves, visit)
        if len(pits):
            pits = pits[np.lexsort((pits, -heights.ravel()[pits]))]
            start = heights.copy()
            visit[:] = 0
            record = open_pits(
                heights, before, leaves, kept, visit, pits, self.max_length_cells, self.max_depth_m
            )
            self._store(tile, region, box, start, record)
        else:
            for kind in ("own", "other"):
                self._path(tile, kind).unlink(missing_ok=True)
        after.write(tile.top, tile.left, _core(heights, box, tile))

    # Keep what begins in the tile itself, and what else touches the ground around it.
    def _store(
        self,
        tile: Tile,
        region: tuple[int, int, int, int],
        box: tuple[int, int, int, int],
        heights: NDArray[np.float32],
        record: tuple[NDArray[Any], ...],
    ) -> None:
        first, cell, lowered_m, way_first, way, length_cells, raised, raised_m = record
        cols = box[3] - box[1]
        done: dict[str, NDArray[Any]] = {
            "length_cells": length_cells,
            "cells": np.diff(first),
            "steps": np.diff(way_first),
            "height_m": heights.ravel()[way[way_first[:-1]]],
            "lowered_m": lowered_m,
            "raised_m": raised_m,
        }
        for name, cells in (("cell", cell), ("way", way), ("raised", raised)):
            row, col = np.divmod(cells, cols)
            done[name] = (row + box[0]) * self.tiling.shape[1] + col + box[1]
        origin = done["way"][way_first[:-1]]
        is_own = self._within(origin, tile.box)
        raise_own = self._within(done["raised"], tile.box)
        near = self._within(done["raised"], region)
        touches = np.zeros(len(origin), np.bool_)
        if len(origin):
            touches = np.logical_or.reduceat(self._within(done["cell"], region), first[:-1])
        for kind, cuts, raises in (
            ("own", is_own, raise_own),
            ("other", touches & ~is_own, near & ~raise_own),
        ):
            part = _chosen(done, np.flatnonzero(cuts))
            part["raised"], part["raised_m"] = done["raised"][raises], raised_m[raises]
            np.savez(self._path(tile, kind), **cast("Any", part))

    def _within(self, cells: NDArray[np.int64], box: tuple[int, int, int, int]) -> NDArray[np.bool_]:
        row, col = np.divmod(cells, self.tiling.shape[1])
        return _inside(row, col, box)

    # Whether what a tile did around itself beyond its own is what its neighbours did there.
    def _agrees(self, tile: Tile, region: tuple[int, int, int, int]) -> bool:
        mine = self._rows(self._recall(tile, "other"), region)
        theirs = [
            self._rows(self._recall(other, "own"), region)
            for other in self.tiling.touching(self.tiling.around(region, 2 * self.reach))
            if other.number != tile.number
        ]
        return np.array_equal(mine, _sorted(np.concatenate([mine[:0], *theirs])))

    # What was done to the cells of a region, a row each: where the cut begins, -1 if raised; the cell; by how
    # much, as bits.
    def _rows(
        self, done: dict[str, NDArray[Any]] | None, region: tuple[int, int, int, int]
    ) -> NDArray[np.int64]:
        if done is None:
            return np.empty((0, 3), np.int64)
        steps = done["steps"]
        origin = np.repeat(done["way"][np.cumsum(steps) - steps], done["cells"])
        cell = np.concatenate([done["cell"], done["raised"]])
        by_m = np.concatenate([done["lowered_m"], done["raised_m"]])
        begin = np.concatenate([origin, np.full(len(done["raised"]), -1)])
        here = self._within(cell, region)
        return _sorted(np.stack([begin[here], cell[here], by_m[here].view(np.int64)], axis=1))


def _sorted(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    return rows[np.lexsort(rows.T)]


def _inside(
    row: NDArray[np.int64], col: NDArray[np.int64], box: tuple[int, int, int, int]
) -> NDArray[np.bool_]:
    return (row >= box[0]) & (row < box[2]) & (col >= box[1]) & (col < box[3])


# A copy of a window with unused room before and behind it: looking for the cell of a pool from which a cut at
# the window's edge begins, `open_pits` may glance at what would be the next row.
def _with_room(window: NDArray[Any]) -> NDArray[np.float32]:
    rows, cols = window.shape
    room = np.full((rows + 4, cols), np.nan, np.float32)
    inner: NDArray[np.float32] = room[2:-2]
    inner[:] = as_heights(window)
    return inner


# A tile's own part of a window.
def _core(window: NDArray[Any], box: tuple[int, int, int, int], tile: Tile) -> NDArray[Any]:
    return window[tile.top - box[0] : tile.bottom - box[0], tile.left - box[1] : tile.right - box[1]]
