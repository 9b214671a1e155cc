"""Reading DEMs: any raster that GDAL reads, on any grid, in metres or feet, into one north-up metre grid.

Where the rasters lie on a fitting metre grid already, their heights are taken over bit for bit. Else they are
warped: bilinear, so that no height is made that lies outside its neighbours', and only where the cell under
the new cell's middle holds a height, so that voids neither shrink nor smear.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import choice, number
from washgrade.errors import GroundError, GroundWarning
from washgrade.files.places import crs_name, is_fitting_utm, metre_grid, utm_crs
from washgrade.files.sheets import UNIT_NAMES, Z_UNITS, Sheet, corners, on_grid, read_sheet
from washgrade.land.dem import Dem

if TYPE_CHECKING:
    pass

__all__ = ["GroundReport", "Progress", "read_dems"]

Progress = Callable[[str, float], None]
"""Told what is being done, and the share of it that is done, 0 to 1."""

_MOST_CELLS = 400_000_000
_DISAGREE_M = 3.0

# What a folder of tiles may hold: the endings under which agencies give heights away.
RASTER_ENDINGS = (".tif", ".tiff", ".asc", ".img", ".vrt", ".flt", ".bil", ".hgt", ".dem")


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundReport:
    """What was found in the DEMs and what was done with them.

    Parameters
    ----------
    sentences : tuple of str
        The same in plain words.
    doubts : tuple of str
        What may be wrong; each was warned of as well.
    files : tuple of str
        Names of the rasters.
    crs : str
        Grid of the result.
    cell_m : float
        Side of its cells, metres.
    rows, cols : int
        Its size.
    void_cells : int
        Cells without a height.
    resampled : bool
        Whether heights were worked out anew; if not, they are those of the files.
    z_units : tuple of str
        Unit of the heights of each file: ``m``, ``ft`` or ``us-ft``.
    """

    sentences: tuple[str, ...]
    doubts: tuple[str, ...]
    files: tuple[str, ...]
    crs: str
    cell_m: float
    rows: int
    cols: int
    void_cells: int
    resampled: bool
    z_units: tuple[str, ...]


def read_dems(
    paths: Sequence[Path | str],
    *,
    z_unit: str | None = None,
    dem_crs: str | None = None,
    crs: str | None = None,
    cell_m: float | None = None,
    progress: Progress | None = None,
) -> tuple[Dem, GroundReport]:
    """Read one or several rasters of heights into one DEM.

    Parameters
    ----------
    paths : sequence of Path or str
        Rasters that GDAL reads (GeoTIFF, ASCII grid, ...), one band each; a folder stands for the rasters in
        it, a pattern such as ``tiles/n*.tif`` for the files that fit. Where they overlap, the first counts.
    z_unit : {"m", "ft", "us-ft"}, optional
        Unit of the heights; what the files say if left out.
    dem_crs : str, optional
        CRS of those files that name none.
    crs : str, optional
        Grid of the result, projected, in metres. If left out, that of the files where they share a UTM zone
        that fits, else the WGS 84 UTM zone of their middle.
    cell_m : float, optional
        Side of the cells, metres; that of the finest file if left out.
    progress : callable, optional
        Told how far it is.

    Returns
    -------
    dem : Dem
        The heights in metres.
    report : GroundReport
        What was found and done.

    Raises
    ------
    GroundError
        If a file is missing, unreadable or no DEM, has no CRS or no place, or holds no height.

    Warns
    -----
    GroundWarning
        If the unit of the heights had to be assumed, or the files disagree where they overlap.

    Notes
    -----
    The unit is what the band's unit tag says, else the vertical part of the CRS, else metres; without
    either, on a grid in feet, the same feet are assumed and said to be.
    """
    if not paths:
        raise GroundError("There is no DEM to read. Name at least one file.")
    if z_unit is not None:
        choice("z_unit", z_unit, tuple(Z_UNITS))
    if cell_m is not None:
        number("cell_m", cell_m, above=0)
    tell = progress or (lambda _words, _share: None)
    paths = _tiles(paths)
    sheets = []
    for position, path in enumerate(paths):
        tell(f"Reading {Path(path).name}", position / (2 * len(paths)))
        sheets.append(read_sheet(Path(path), z_unit, dem_crs))
    target = metre_grid(crs) if crs is not None else _choose_crs(sheets)
    cell = cell_m or _cell_m(sheets, target)
    plain = _plain_grid(sheets, target, cell)
    west, south, east, north = plain or _bounds(sheets, target, cell)
    rows, cols = round((north - south) / cell), round((east - west) / cell)
    if rows * cols > _MOST_CELLS:
        raise GroundError(
            f"The DEM would have {rows} rows and {cols} columns of {cell:g} m. At most {_MOST_CELLS:,} cells "
            f"fit; give "
            "coarser ones with --cell, or fewer files."
        )
    z_m, worst_m = _mosaic(
        sheets, target, cell, (west, north), (rows, cols), plain=plain is not None, tell=tell
    )
    doubts = [doubt for sheet in sheets for doubt in sheet.doubts]
    if worst_m > _DISAGREE_M:
        doubts.append(
            f"Where the DEMs overlap, their heights differ by up to {worst_m:.1f} m. Check that all have the "
            f"same unit "
            "and reference height."
        )
    if not np.isfinite(z_m).any():
        raise GroundError(
            f"{sheets[0].name}: The DEM holds no height at all, only voids. Is it the right file?"
        )
    for doubt in doubts:
        warnings.warn(doubt, GroundWarning, stacklevel=2)
    dem = Dem(elevation_m=z_m, cell_m=cell, west_m=west, north_m=north, crs=target)
    tell("Read the DEM", 1.0)
    return dem, _report(dem, sheets, resampled=plain is None, doubts=doubts)


def _tiles(paths: Sequence[Path | str]) -> list[Path]:
    # The files meant: a folder stands for the rasters in it, a pattern for the files that fit it.
    found: list[Path] = []
    for given in paths:
        path = Path(given)
        if path.is_dir():
            tiles = sorted(p for p in path.iterdir() if p.suffix.lower() in RASTER_ENDINGS and p.is_file())
            wanted = f"It must hold files that end in {', '.join(RASTER_ENDINGS)}"
        elif not path.exists() and any(sign in path.name for sign in "*?["):
            tiles = sorted(p for p in path.parent.glob(path.name) if p.is_file())
            wanted = "It must fit at least one file"
        else:
            found.append(path)
            continue
        if not tiles:
            raise GroundError(f"{path.name}: There is no raster there. {wanted}.")
        found += tiles
    # A file named twice, once by its folder, is one file.
    return list(dict.fromkeys(found))


def _report(dem: Dem, sheets: Sequence[Sheet], *, resampled: bool, doubts: Sequence[str]) -> GroundReport:
    rows, cols = dem.shape
    voids = int(np.count_nonzero(~np.isfinite(dem.elevation_m)))
    low, high = float(np.nanmin(dem.elevation_m)), float(np.nanmax(dem.elevation_m))
    sentences = [
        f"{sheet.name}: {sheet.z_m.shape[0]} rows and {sheet.z_m.shape[1]} columns of {sheet.cell_text}, "
        f"{sheet.crs.name}, heights in {UNIT_NAMES[sheet.z_unit]}."
        for sheet in sheets
    ]
    sentences += [
        f"{sheet.name}: {sheet.fillers} cells hold a filler such as -9999 that the file does not declare; "
        f"they count as "
        "voids."
        for sheet in sheets
        if sheet.fillers
    ]
    name = dem.crs if dem.crs.startswith("EPSG:") else "a grid of its own"
    sentences.append(
        f"The ground: {rows} rows and {cols} columns of {dem.cell_m:g} m on {name}, "
        f"{cols * dem.cell_m / 1000:.2f} by "
        f"{rows * dem.cell_m / 1000:.2f} km, heights from {low:.1f} to {high:.1f} m."
    )
    sentences.append(
        "Heights were worked out anew on this grid (bilinear; the mean where its cells are much larger)."
        if resampled
        else "Heights were taken over as they are, without resampling."
    )
    share = 100.0 * voids / (rows * cols)
    sentences.append(f"Voids: {voids} cells ({share:.1f} %)." if voids else "There are no voids.")
    return GroundReport(
        sentences=tuple(sentences),
        doubts=tuple(doubts),
        files=tuple(sheet.name for sheet in sheets),
        crs=dem.crs,
        cell_m=dem.cell_m,
        rows=rows,
        cols=cols,
        void_cells=voids,
        resampled=resampled,
        z_units=tuple(sheet.z_unit for sheet in sheets),
    )


def _choose_crs(sheets: Sequence[Sheet]) -> str:
    from pyproj import Transformer

    boxes = []
    for sheet in sheets:
        edges = corners(sheet)
        (west, south), (east, north) = edges.min(axis=0), edges.max(axis=0)
        transformer = Transformer.from_crs(sheet.crs, "EPSG:4326", always_xy=True)
        box = transformer.transform_bounds(west, south, east, north)
        if not all(math.isfinite(edge) for edge in box):
            raise GroundError(
                f"{sheet.name}: The file lies outside its own coordinate reference system, "
                f"{sheet.crs.name!r}. Check "
                "the CRS; if the file names none, give the right one with --dem-crs."
            )
        boxes.append(box)
    found = np.array(boxes)
    lon = float(found[:, 0].min() + found[:, 2].max()) / 2.0
    lat = float(found[:, 1].min() + found[:, 3].max()) / 2.0
    first = sheets[0].crs
    if all(sheet.crs == first for sheet in sheets) and is_fitting_utm(first, lon, lat):
        return crs_name(first)
    return utm_crs(lon, lat)


def _cell_m(sheets: Sequence[Sheet], target: str) -> float:
    finest = min(_sheet_cell_m(sheet, target) for sheet in sheets)
    if not math.isfinite(finest) or finest <= 0.0:
        raise GroundError(f"{sheets[0].name}: The cell size cannot be worked out. Give it with --cell.")
    return finest


def _sheet_cell_m(sheet: Sheet, target: str) -> float:
    # Side of a square of the area that the middle cell covers, rounded to three digits if it is none itself.
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


def _plain_grid(
    sheets: Sequence[Sheet], target: str, cell: float
) -> tuple[float, float, float, float] | None:
    # Bounds if all sheets already are square cells of one common grid on the target CRS, so nothing is
    # resampled.
    from pyproj import CRS

    wanted = CRS.from_user_input(target)
    first = sheets[0].transform
    for sheet in sheets:
        t = sheet.transform
        same = sheet.crs == wanted and t.b == 0.0 and t.d == 0.0 and t.a > 0.0
        if not (
            same and math.isclose(t.a, cell, rel_tol=1e-6) and math.isclose(abs(t.e), cell, rel_tol=1e-6)
        ):
            return None
        steps = ((t.c - first.c) / cell, (t.f - first.f) / cell)
        if any(abs(step - round(step)) > 0.001 for step in steps):
            return None
    edges = np.concatenate([corners(sheet) for sheet in sheets])
    (west, south), (east, north) = edges.min(axis=0), edges.max(axis=0)
    return float(west), float(south), float(east), float(north)


def _bounds(sheets: Sequence[Sheet], target: str, cell: float) -> tuple[float, float, float, float]:
    # Bounds on the target grid, laid on multiples of the cell so that the same ground gives the same grid.
    boxes = np.array([_sheet_bounds(sheet, target) for sheet in sheets])
    west, south = np.floor(boxes[:, :2].min(axis=0) / cell + 1e-6) * cell
    east, north = np.ceil(boxes[:, 2:].max(axis=0) / cell - 1e-6) * cell
    return float(west), float(south), float(east), float(north)


def _sheet_bounds(sheet: Sheet, target: str) -> tuple[float, float, float, float]:
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


def _mosaic(
    sheets: Sequence[Sheet],
    target: str,
    cell: float,
    corner: tuple[float, float],
    shape: tuple[int, int],
    *,
    plain: bool,
    tell: Progress,
) -> tuple[NDArray[np.float32], float]:
    # First valid height wins; beside the mosaic, how far the sheets differ where they overlap (95 % of it).
    west, north = corner
    z_m = np.full(shape, np.nan, dtype=np.float32)
    worst_m = 0.0
    for position, sheet in enumerate(sheets):
        tell(f"Laying out {sheet.name}", 0.5 + position / (2 * len(sheets)))
        box = _plain_box(sheet) if plain else _sheet_bounds(sheet, target)
        snap = round if plain else None
        top = (snap or math.floor)((north - box[3]) / cell)
        left = (snap or math.floor)((box[0] - west) / cell)
        bottom = (snap or math.ceil)((north - box[1]) / cell)
        right = (snap or math.ceil)((box[2] - west) / cell)
        top, left = max(top, 0), max(left, 0)
        window = (slice(top, min(bottom, shape[0])), slice(left, min(right, shape[1])))
        below = z_m[window]
        if plain:
            layer = sheet.z_m if sheet.transform.e < 0.0 else sheet.z_m[::-1]
        else:
            layer = _warped(sheet, target, cell, (west + left * cell, north - top * cell), below.shape)
        both = np.isfinite(below) & np.isfinite(layer)
        if both.any():
            worst_m = max(worst_m, float(np.percentile(np.abs(below[both] - layer[both]), 95)))
        z_m[window] = np.where(np.isfinite(below), below, layer)
    return z_m, worst_m


def _plain_box(sheet: Sheet) -> tuple[float, float, float, float]:
    edges = corners(sheet)
    (west, south), (east, north) = edges.min(axis=0), edges.max(axis=0)
    return float(west), float(south), float(east), float(north)


def _warped(
    sheet: Sheet, target: str, cell: float, corner: tuple[float, float], shape: tuple[int, ...]
) -> NDArray[np.float32]:
    from rasterio import Affine
    from rasterio.crs import CRS
    from rasterio.warp import Resampling, reproject

    common = {
        "src_transform": sheet.transform,
        "src_crs": CRS.from_wkt(sheet.crs.to_wkt()),
        "dst_transform": Affine(cell, 0.0, corner[0], 0.0, -cell, corner[1]),
        "dst_crs": CRS.from_user_input(target),
        # GDAL takes up to an eighth of a cell of error unless told; that would show as steps in the slopes.
        "tolerance": 0.01,
    }
    # Into cells much larger the mean of what they cover. Else plain bilinear: left alone, GDAL stretches its
    # kernel by the ratio of the cells, which ripples a plane of 3 % by 0.02 m. These keep its size.
    coarser = cell > 1.5 * _sheet_cell_m(sheet, target)
    kernel = {} if coarser else {"XSCALE": 1, "YSCALE": 1}
    way = Resampling.average if coarser else Resampling.bilinear
    layer = np.full(shape, np.nan, dtype=np.float32)
    reproject(sheet.z_m, layer, src_nodata=np.nan, dst_nodata=np.nan, resampling=way, **common, **kernel)
    void = ~np.isfinite(sheet.z_m)
    known = np.zeros(shape, dtype=np.uint8)
    reproject((~void).astype(np.uint8), known, resampling=Resampling.nearest, **common)
    return np.where(known == 1, layer, np.float32(np.nan))
