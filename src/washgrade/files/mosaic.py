"""Laying several rasters out on one grid: tiles of one grid joined first, then warped together if need be."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.files.bigdem import Room
from washgrade.files.sheets import Sheet, corners, on_grid
from washgrade.land.grids import bands
from washgrade.units import FOOT_M

__all__ = ["Laid", "lay_out", "sheet_bounds", "sheet_cell_m"]

# Our choices: beyond what sensors of one ground differ by, and a step that two reference levels make.
DISAGREE_M = 3.0
LEVEL_STEP_M = 0.3
# Within this share of the feet in a metre: heights of which one is in feet.
FEET_SHARE = 0.01
# Cells where two sheets overlap that are compared at most, evenly thinned. Our choice, because percentiles of
# more differ by nothing that matters.
MOST_COMPARED = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """Sheets laid out on one grid.

    Parameters
    ----------
    z_m : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN where void.
    added : tuple of int
        Cells that each sheet gave, in the order of the sheets.
    doubts : tuple of str
        How the sheets disagree.
    """

    z_m: NDArray[np.float32]
    added: tuple[int, ...]
    doubts: tuple[str, ...]


def lay_out(
    sheets: Sequence[Sheet],
    target: str,
    cell_m: float,
    corner: tuple[float, float],
    shape: tuple[int, int],
    *,
    plain: bool,
    most_cells: int,
    tell: Callable[[str, float], None],
    room: Room | None = None,
) -> Laid:
    """Lay sheets out on a grid; where they overlap, the first valid height counts.

    Parameters
    ----------
    sheets : sequence of Sheet
        The rasters.
    target : str
        CRS of the grid.
    cell_m : float
        Side of its cells, metres.
    corner : tuple of float
        Its western and northern edge, metres.
    shape : tuple of int
        Rows and columns.
    plain : bool
        Whether all sheets lie on that grid already, so that nothing is warped.
    most_cells : int
        Tiles of one grid are joined before they are warped, so that no seam shows, up to so many cells.
    tell : callable
        Told what is being done and the share done.
    room : Room, optional
        Where the grid and what is needed on the way are put; in memory unless told.

    Returns
    -------
    Laid
        Heights, what each sheet gave, and doubts.
    """
    room = room or Room()
    z_m = _voids(room, shape)
    added = [0] * len(sheets)
    doubts: list[str] = []
    groups = [[place] for place in range(len(sheets))] if plain else _groups(sheets)
    done = 0
    for group in groups:
        members = [sheets[place] for place in group]
        joined = _joined(members, most_cells, tell, done, len(sheets), room) if len(group) > 1 else None
        if joined is None:
            parts = [(place, sheets[place]) for place in group]
        else:
            sheet, given, said = joined
            for place, count in zip(group, given, strict=True):
                added[place] = count
            doubts += said
            parts = [(group[0], sheet)]
        for place, sheet in parts:
            tell(f"Laying out {sheet.name}", 0.5 + done / (2 * len(sheets)))
            done += 1 if joined is None else len(group)
            overlap = _Overlap()
            count = 0
            for window, layer in _layers(sheet, target, cell_m, corner, shape, plain=plain, room=room):
                count += _put(z_m[window], layer, overlap)
            doubts += _disagreement(overlap, sheet.name)
            if joined is None:
                added[place] = count
    return Laid(z_m=z_m, added=tuple(added), doubts=tuple(dict.fromkeys(doubts)))


def sheet_cell_m(sheet: Sheet, target: str) -> float:
    """Side of a square of the area that a sheet's middle cell covers.

    Parameters
    ----------
    sheet : Sheet
        The raster.
    target : str
        CRS, metres.

    Returns
    -------
    float
        Metres, to three digits if the cell is no square on that grid itself.
    """
    from pyproj import CRS, Transformer

    t = sheet.transform
    sides = (math.hypot(t.a, t.d), math.hypot(t.b, t.e))
    if sheet.crs == CRS.from_user_input(target) and math.isclose(*sides, rel_tol=1e-6):
        return sides[0]
    rows, cols = sheet.z_m.shape
    middle = on_grid(sheet, np.array([(0, 0), (1, 0), (0, 1)]) + np.array([cols, rows]) / 2.0)
    transformer = Transformer.from_crs(sheet.crs, target, always_xy=True)
    east, north = (np.asarray(part) for part in transformer.transform(middle[:, 0], middle[:, 1]))
    area = abs((east[1] - east[0]) * (north[2] - north[0]) - (east[2] - east[0]) * (north[1] - north[0]))
    return float(f"{math.sqrt(area):.3g}")


def sheet_bounds(sheet: Sheet, target: str) -> tuple[float, float, float, float]:
    """Bounds of a sheet on a grid.

    Parameters
    ----------
    sheet : Sheet
        The raster.
    target : str
        CRS of the grid.

    Returns
    -------
    tuple of float
        West, south, east, north, metres.

    Raises
    ------
    GroundError
        If the sheet reaches beyond the grid.
    """
    from pyproj import Transformer

    # The edges bend on the way, so each is followed by many points.
    share = np.linspace(0.0, 1.0, 41)[:, None]
    angles = corners(sheet)
    edges = np.concatenate(
        [a + share * (b - a) for a, b in zip(angles, np.roll(angles, -1, axis=0), strict=True)]
    )
    east, north = Transformer.from_crs(sheet.crs, target, always_xy=True).transform(edges[:, 0], edges[:, 1])
    box = (np.min(east), np.min(north), np.max(east), np.max(north))
    if not np.isfinite(box).all():
        raise GroundError(
            f"{sheet.name}: The file reaches beyond the grid {target}. Give another with --crs."
        )
    return (float(box[0]), float(box[1]), float(box[2]), float(box[3]))


def _steps(sheet: Sheet, first: Sheet) -> tuple[float, float] | None:
    # Columns and rows from the first sheet's corner to this one's, if both have the same cells.
    t, f = sheet.transform, first.transform
    size = max(abs(f.a), abs(f.b), abs(f.d), abs(f.e))
    same = all(
        abs(one - other) <= 1e-7 * size
        for one, other in zip((t.a, t.b, t.d, t.e), (f.a, f.b, f.d, f.e), strict=True)
    )
    if not same or sheet.crs != first.crs:
        return None
    area = f.a * f.e - f.b * f.d
    east, north = t.c - f.c, t.f - f.f
    return (f.e * east - f.b * north) / area, (f.a * north - f.d * east) / area


def _groups(sheets: Sequence[Sheet]) -> list[list[int]]:
    # Sheets whose cells are those of one common grid.
    groups: list[list[int]] = []
    for place, sheet in enumerate(sheets):
        for group in groups:
            steps = _steps(sheet, sheets[group[0]])
            if steps is not None and all(abs(step - round(step)) <= 0.001 for step in steps):
                group.append(place)
                break
        else:
            groups.append([place])
    return groups


def _joined(
    members: Sequence[Sheet],
    most_cells: int,
    tell: Callable[[str, float], None],
    done: int,
    total: int,
    room: Room,
) -> tuple[Sheet, list[int], list[str]] | None:
    # One sheet of many on one grid; None if it would be too large, because they lie far apart.
    from rasterio import Affine

    first = members[0]
    places = []
    for sheet in members:
        col, row = _steps(sheet, first) or (0.0, 0.0)
        places.append((round(row), round(col)))
    top, left = min(row for row, _ in places), min(col for _, col in places)
    bottom = max(row + sheet.z_m.shape[0] for (row, _), sheet in zip(places, members, strict=True))
    right = max(col + sheet.z_m.shape[1] for (_, col), sheet in zip(places, members, strict=True))
    if (bottom - top) * (right - left) > most_cells:
        return None
    z_m = _voids(room, (bottom - top, right - left))
    given: list[int] = []
    doubts: list[str] = []
    for step, ((row, col), sheet) in enumerate(zip(places, members, strict=True)):
        tell(f"Joining {sheet.name}", 0.5 + (done + step / 2) / (2 * total))
        rows, cols = sheet.z_m.shape
        below = z_m[row - top : row - top + rows, col - left : col - left + cols]
        overlap = _Overlap()
        given.append(sum(_put(below[band], sheet.z_m[band], overlap) for band in bands(below.shape)))
        doubts += _disagreement(overlap, sheet.name)
    t = first.transform
    east, north = on_grid(first, np.array([(left, top)], np.float64))[0]
    moved = Affine(t.a, t.b, float(east), t.d, t.e, float(north))
    return replace(first, z_m=z_m, transform=moved), given, doubts


def _voids(room: Room, shape: tuple[int, int]) -> NDArray[np.float32]:
    z_m = room.empty(shape)
    for band in bands(shape):
        z_m[band] = np.nan
    return z_m


class _Overlap:
    """Heights of two layers where both have one; of very many only every so manieth is kept."""

    def __init__(self) -> None:
        self.stride = 1
        self.pairs = np.empty((2, 0), np.float32)

    def add(self, before: NDArray[np.float32], here: NDArray[np.float32]) -> None:
        """Add the heights of some cells, metres."""
        self.pairs = np.hstack([self.pairs, np.stack([before[:: self.stride], here[:: self.stride]])])
        while self.pairs.shape[1] > MOST_COMPARED:
            self.stride *= 2
            self.pairs = self.pairs[:, ::2].copy()


def _put(below: NDArray[np.float32], layer: NDArray[np.float32], overlap: _Overlap) -> int:
    # Fill the voids of a window with a layer, in place; how many cells that gave.
    is_void, is_known = np.isnan(below), np.isfinite(layer)
    both = ~is_void & is_known
    overlap.add(below[both], layer[both])
    new = is_void & is_known
    below[new] = layer[new]
    return int(np.count_nonzero(new))


def _disagreement(overlap: _Overlap, name: str) -> list[str]:
    if not overlap.pairs.shape[1]:
        return []
    before, here = overlap.pairs.astype(np.float64)
    off = here - before
    low, middle, high = np.percentile(off, [5, 50, 95])
    worst = float(np.percentile(np.abs(off), 95))
    if worst > DISAGREE_M:
        far = np.abs(before) > 1.0
        ratio = float(np.median(here[far] / before[far])) if far.any() else 1.0
        if any(abs(ratio / factor - 1.0) < FEET_SHARE for factor in (FOOT_M, 1.0 / FOOT_M)):
            return [
                f"Where the DEMs overlap, heights of {name} are {ratio:.2f} times those of the others, as "
                "between feet and metres. Write the unit into the files that lack it: --z-unit would count "
                "for all."
            ]
        return [
            f"Where the DEMs overlap, their heights differ by up to {worst:.1f} m. Check that all have the "
            "same unit and reference height."
        ]
    if abs(middle) > LEVEL_STEP_M and high - low < abs(middle):
        return [
            f"Where the DEMs overlap, {name} lies {abs(middle):.2f} m {'above' if middle > 0 else 'below'} "
            "the others throughout, as with another reference height. Water may turn at the step along its "
            "edge; bring the files to one reference first."
        ]
    return []


def _layers(
    sheet: Sheet,
    target: str,
    cell_m: float,
    corner: tuple[float, float],
    shape: tuple[int, int],
    *,
    plain: bool,
    room: Room,
) -> Iterator[tuple[tuple[slice, slice], NDArray[np.float32]]]:
    # The window that a sheet covers, band by band, and its heights on the grid there.
    west, north = corner
    if plain:
        edges = corners(sheet)
        (box_west, box_south), (box_east, box_north) = edges.min(axis=0), edges.max(axis=0)
        top, left = round((north - box_north) / cell_m), round((box_west - west) / cell_m)
        cols = sheet.z_m.shape[1]
        layer = sheet.z_m if sheet.transform.e < 0.0 else sheet.z_m[::-1]
        for band in bands(layer.shape):
            yield (slice(top + band.start, top + band.stop), slice(left, left + cols)), layer[band]
        return
    box_west, box_south, box_east, box_north = sheet_bounds(sheet, target)
    top = max(math.floor((north - box_north) / cell_m), 0)
    left = max(math.floor((box_west - west) / cell_m), 0)
    bottom = min(math.ceil((north - box_south) / cell_m), shape[0])
    right = min(math.ceil((box_east - west) / cell_m), shape[1])
    is_known = room.empty(sheet.z_m.shape, np.uint8)
    for band in bands(is_known.shape):
        is_known[band] = np.isfinite(sheet.z_m[band])
    # Whole rows, so that a row comes out the same however many are warped at once.
    for band in bands((bottom - top, right - left)):
        at = (west + left * cell_m, north - (top + band.start) * cell_m)
        size = (band.stop - band.start, right - left)
        layer = _warped(sheet, is_known, target, cell_m, at, size)
        yield (slice(top + band.start, top + band.stop), slice(left, right)), layer


def _warped(
    sheet: Sheet,
    is_known: NDArray[np.uint8],
    target: str,
    cell: float,
    corner: tuple[float, float],
    shape: tuple[int, int],
) -> NDArray[np.float32]:
    from rasterio import Affine
    from rasterio.crs import CRS
    from rasterio.warp import Resampling, reproject

    common: dict[str, Any] = {
        "src_transform": sheet.transform,
        "src_crs": CRS.from_wkt(sheet.crs.to_wkt()),
        "dst_transform": Affine(cell, 0.0, corner[0], 0.0, -cell, corner[1]),
        "dst_crs": CRS.from_user_input(target),
        # GDAL takes up to an eighth of a cell of error unless told; that would show as steps in the slopes.
        "tolerance": 0.001,
    }
    # Into cells much larger the mean of what they cover. Else plain bilinear: left alone, GDAL stretches its
    # kernel by the ratio of the cells, which ripples a plane of 3 % by 0.02 m. These keep its size.
    coarser = cell > 1.5 * sheet_cell_m(sheet, target)
    kernel = {} if coarser else {"XSCALE": 1, "YSCALE": 1}
    way = Resampling.average if coarser else Resampling.bilinear
    layer = np.full(shape, np.nan, dtype=np.float32)
    reproject(sheet.z_m, layer, src_nodata=np.nan, dst_nodata=np.nan, resampling=way, **common, **kernel)
    known = np.zeros(shape, dtype=np.uint8)
    reproject(is_known, known, resampling=Resampling.nearest, **common)
    return np.where(known == 1, layer, np.float32(np.nan))
