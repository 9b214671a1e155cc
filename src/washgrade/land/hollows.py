"""What was mended in the ground: the cuts and the filled hollows that a person should look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.land.breach import Cuts, limits_of
from washgrade.land.dem import Dem
from washgrade.land.grids import MakeGrid
from washgrade.land.kernel import COL_STEP, ROW_STEP, kernel
from washgrade.land.opening import why_left
from washgrade.land.ways import KEPT, TOO_DEEP, TOO_LONG

__all__ = ["CutReport", "HollowReport", "report_cuts", "report_hollows"]

# Our choice, because shorter and shallower cuts are the noise of a DEM, and a bank with a culvert is higher
# or wider.
REPORT_CELLS = 3
REPORT_LENGTH_M = 15.0
REPORT_DEPTH_M = 1.0
# Our choice, because a smaller or shallower hollow changes no channel that anyone would dig.
HOLLOW_DEPTH_M = 1.0
HOLLOW_AREA_M2 = 100.0
HOLLOW_CELLS = 4

WHY = {
    0: "less ground to fill than to cut",
    TOO_LONG: "too long to cut",
    TOO_DEEP: "too deep to cut",
    KEPT: "kept as told",
    KEPT | TOO_DEEP: "kept as told, and too deep to cut",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CutReport:
    """The cuts that a person should confirm or forbid.

    Parameters
    ----------
    name : tuple of str
        One for each cut, by its place, so that the same cut keeps it when the ground is built anew.
    easting_m, northing_m : ndarray of float64, shape (cuts,)
        The middle of the cut, metres.
    from_easting_m, from_northing_m, to_easting_m, to_northing_m : ndarray of float64, shape (cuts,)
        Where it begins and where it comes out, metres.
    length_m, depth_m, volume_m3 : ndarray of float64, shape (cuts,)
        Size of the cut.
    upstream_area_m2 : ndarray of float64, shape (cuts,)
        Ground that drains through it, square metres.
    start : ndarray of int64, shape (cuts + 1,)
        The line of cut ``i`` is ``line_easting_m[start[i]:start[i + 1]]`` and the same of the northings.
    line_easting_m, line_northing_m : ndarray of float64, shape (vertices,)
        The lines, metres, from the pit onwards.
    """

    name: tuple[str, ...]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    from_easting_m: NDArray[np.float64]
    from_northing_m: NDArray[np.float64]
    to_easting_m: NDArray[np.float64]
    to_northing_m: NDArray[np.float64]
    length_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    volume_m3: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    start: NDArray[np.int64]
    line_easting_m: NDArray[np.float64]
    line_northing_m: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class HollowReport:
    """The hollows that were filled although they are deep and wide.

    Parameters
    ----------
    name : tuple of str
        One for each hollow, by its place.
    easting_m, northing_m : ndarray of float64, shape (hollows,)
        The deepest cell, metres.
    depth_m, area_m2, volume_m3 : ndarray of float64, shape (hollows,)
        Deepest filling, ground covered and filling.
    upstream_area_m2 : ndarray of float64, shape (hollows,)
        Ground that drains through it, square metres.
    why : tuple of str
        Why it was not cut open.
    """

    name: tuple[str, ...]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    area_m2: NDArray[np.float64]
    volume_m3: NDArray[np.float64]
    upstream_area_m2: NDArray[np.float64]
    why: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.name)


def report_cuts(
    dem: Dem, cuts: Cuts, upstream_cells: NDArray[np.int32], *, report_length_m: float | None = None
) -> CutReport:
    """Pick the cuts to tell of: longer than a length, or deeper than 1 m.

    Parameters
    ----------
    dem : Dem
        The ground.
    cuts : Cuts
        From `washgrade.land.breach.breach`.
    upstream_cells : ndarray of int32, shape (rows, cols)
        From `washgrade.land.flow.upstream_cells`.
    report_length_m : float, optional
        Cuts longer than this are told, metres. 15 m or three cells unless told, whichever is more.

    Returns
    -------
    CutReport
        Those cuts.
    """
    if report_length_m is None:
        report_length_m = max(REPORT_LENGTH_M, REPORT_CELLS * dem.cell_m)
    told = cuts.only((cuts.length_m > report_length_m) | (cuts.depth_m > REPORT_DEPTH_M))
    cols = dem.shape[1]
    easting_m, northing_m = dem.easting_m(told.way % cols), dem.northing_m(told.way // cols)
    first, last = told.way_start[:-1], told.way_start[1:] - 1
    middle = (first + last) // 2
    passing = np.maximum.reduceat(upstream_cells.ravel()[told.way], first) if len(told) else np.empty(0)
    return CutReport(
        name=_names("cut", easting_m[middle], northing_m[middle]),
        easting_m=easting_m[middle],
        northing_m=northing_m[middle],
        from_easting_m=easting_m[first],
        from_northing_m=northing_m[first],
        to_easting_m=easting_m[last],
        to_northing_m=northing_m[last],
        length_m=told.length_m,
        depth_m=told.depth_m,
        volume_m3=told.volume_m3,
        upstream_area_m2=passing * dem.cell_m**2,
        start=told.way_start,
        line_easting_m=easting_m,
        line_northing_m=northing_m,
    )


def report_hollows(
    dem: Dem,
    opened_m: NDArray[np.float32],
    conditioned_m: NDArray[np.float32],
    upstream_cells: NDArray[np.int32],
    *,
    max_length_m: float,
    max_depth_m: float,
    keep: NDArray[np.bool_] | None = None,
    outlets: NDArray[np.integer] | None = None,
    make: MakeGrid = np.zeros,
) -> HollowReport:
    """Pick the filled hollows to tell of, 1 m deep and 100 m² wide, and say why they were left.

    Parameters
    ----------
    dem : Dem
        The ground.
    opened_m, conditioned_m : ndarray of float32, shape (rows, cols)
        Heights after breaching and after filling, metres.
    upstream_cells : ndarray of int32, shape (rows, cols)
        From `washgrade.land.flow.upstream_cells`.
    max_length_m, max_depth_m : float
        Limits of breaching, metres.
    keep : ndarray of bool, shape (rows, cols), optional
        Cells that no cut might lower.
    outlets : ndarray of int, shape (outlets,), optional
        Cells in which water sinks into the ground.
    make : MakeGrid, optional
        Makes grids where they shall lie; in memory unless told.

    Returns
    -------
    HollowReport
        Those hollows.
    """
    wide_m2 = max(HOLLOW_AREA_M2, HOLLOW_CELLS * dem.cell_m**2)
    before_m, after_m = (np.ascontiguousarray(one, np.float32) for one in (dem.elevation_m, conditioned_m))
    every, sizes = _deep_hollows(
        before_m, after_m, make(dem.shape, np.bool_), HOLLOW_DEPTH_M, wide_m2, dem.cell_m**2
    )
    before, after, opened = before_m.ravel(), after_m.ravel(), opened_m.ravel()
    first = np.cumsum(sizes) - sizes
    deepest, floor = np.empty(len(sizes), np.int64), np.empty(len(sizes), np.int64)
    depth_m, filling_m = np.empty(len(sizes)), np.empty(len(sizes))
    # One by one and nothing kept, because rough ground has very many.
    for place, (start, size) in enumerate(zip(first.tolist(), sizes.tolist(), strict=True)):
        cells = np.sort(every[start : start + size])
        deeper_m = after[cells] - before[cells]
        most = int(np.argmax(deeper_m))
        deepest[place], depth_m[place] = cells[most], deeper_m[most]
        floor[place] = cells[np.argmin(opened[cells])]
        filling_m[place] = deeper_m.sum(dtype=np.float64)
    why = np.zeros(len(sizes), np.uint8)
    if len(sizes):
        is_outlet, is_kept = limits_of(dem.elevation_m, keep, outlets, make=make)
        why = why_left(
            opened_m, dem.elevation_m, is_outlet, is_kept, make(dem.shape, np.bool_),
            make(dem.shape, np.int32), floor, max_length_m / dem.cell_m, max_depth_m,
        )  # fmt: skip
    cols = dem.shape[1]
    easting_m, northing_m = dem.easting_m(deepest % cols), dem.northing_m(deepest // cols)
    passing = np.maximum.reduceat(upstream_cells.ravel()[every], first) if len(sizes) else np.empty(0)
    return HollowReport(
        name=_names("hollow", easting_m, northing_m),
        easting_m=easting_m,
        northing_m=northing_m,
        depth_m=depth_m,
        area_m2=sizes.astype(np.float64) * dem.cell_m**2,
        volume_m3=filling_m * dem.cell_m**2,
        upstream_area_m2=passing * dem.cell_m**2,
        why=tuple(WHY[int(one)] for one in why),
    )


# The filled patches, hanging together over sides or corners, that are deep and wide: their cells, patch by
# patch, and how many cells each has. Patches come in the order of their first cells.
@kernel
def _deep_hollows(
    before_m: NDArray[np.float32],
    after_m: NDArray[np.float32],
    is_seen: NDArray[np.bool_],
    least_depth_m: float,
    least_area_m2: float,
    cell_m2: float,
) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    rows, cols = before_m.shape
    before = before_m.ravel()
    after = after_m.ravel()
    seen = is_seen.ravel()
    # Room for every cell; what is never written takes no memory.
    patch = np.empty(len(before), np.int32)
    sizes = np.empty(len(before), np.int64)
    kept = 0
    found = 0
    for start in range(len(before)):
        if not after[start] > before[start] or seen[start]:
            continue
        seen[start] = True
        patch[kept] = start
        end = kept + 1
        place = kept
        depth_m = np.float32(0.0)
        while place < end:
            cell = patch[place]
            place += 1
            depth_m = max(depth_m, after[cell] - before[cell])
            row = cell // cols
            col = cell - row * cols
            for k in range(8):
                near_row = row + ROW_STEP[k]
                near_col = col + COL_STEP[k]
                if 0 <= near_row < rows and 0 <= near_col < cols:
                    near = near_row * cols + near_col
                    if after[near] > before[near] and not seen[near]:
                        seen[near] = True
                        patch[end] = near
                        end += 1
        # A patch that does not count is written over.
        if depth_m >= least_depth_m and (end - kept) * cell_m2 >= least_area_m2:
            sizes[found] = end - kept
            found += 1
            kept = end
    return patch[:kept].copy(), sizes[:found].copy()


# Names by place, to the metre.
def _names(kind: str, easting_m: NDArray[np.float64], northing_m: NDArray[np.float64]) -> tuple[str, ...]:
    return tuple(f"{kind}-{east:.0f}-{north:.0f}" for east, north in zip(easting_m, northing_m, strict=True))
