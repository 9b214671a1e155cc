"""Reading DEMs: any raster that GDAL reads, on any grid, in metres or feet, into one north-up metre grid.

Where the rasters lie on a fitting metre grid already, their heights are taken over bit for bit. Else they are
warped: bilinear, so that no height is made that lies outside its neighbours', and only where the cell under
the new cell's middle holds a height, so that voids neither shrink nor smear.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from washgrade.checks import choice, number, whole
from washgrade.errors import GroundError, GroundWarning
from washgrade.files.bigdem import Room, known_range, middle
from washgrade.files.content import RASTER_ENDINGS, Raster, packed_rasters
from washgrade.files.mosaic import lay_out, sheet_bounds, sheet_cell_m
from washgrade.files.places import crs_name, is_fitting_utm, metre_grid, utm_crs
from washgrade.files.reference import UNIT_NAMES, Z_UNITS
from washgrade.files.sheets import Sheet, corners, read_sheet
from washgrade.land.dem import Dem
from washgrade.land.fitness import known_cell_m
from washgrade.land.tiles.network import LargeDem
from washgrade.units import FOOT_M, show_height, show_length

__all__ = ["GroundReport", "Progress", "read_dems"]

Progress = Callable[[str, float], None]
"""Told what is being done, and the share of it that is done, 0 to 1."""

# Our choice, because the heights of so many take 1.6 GB and all the land's loops 24 GB.
MOST_CELLS = 400_000_000
# Our choice: finer cells than the coarsest file's by more than this are said to know no more.
_MIXED_CELLS = 1.5
# A sliver that rounding on the way between two grids may leave, in cells, makes no row of its own.
_SLACK_CELLS = 1e-3


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
        Unit of the heights of each file: ``m``, ``ft``, ``us-ft``, ``dm`` or ``cm``.
    source_cell_m : float
        Side of the cells that were measured, metres: of the files that gave most of the ground, before they
        were stretched onto smaller cells where that shows. NaN if unknown.
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
    source_cell_m: float = math.nan


def read_dems(
    paths: Sequence[Path | str],
    *,
    z_unit: str | None = None,
    dem_crs: str | None = None,
    crs: str | None = None,
    cell_m: float | None = None,
    most_cells: int = MOST_CELLS,
    room: Room | None = None,
    units: str = "metric",
    progress: Progress | None = None,
) -> tuple[Dem, GroundReport]:
    """Read one or several rasters of heights into one DEM.

    Parameters
    ----------
    paths : sequence of Path or str
        Rasters that GDAL reads (GeoTIFF, ASCII grid, ...), one band each; a folder or a zip archive stands
        for the rasters in it, a pattern such as ``tiles/n*.tif`` for the files that fit. Where they overlap,
        the first counts, tiles of one grid together.
    z_unit : {"m", "ft", "us-ft", "dm", "cm"}, optional
        Unit of the heights; what the files say if left out.
    dem_crs : str, optional
        CRS of those files that name none.
    crs : str, optional
        Grid of the result, projected, in metres. If left out, that of the files where they share a UTM zone
        that fits, else the WGS 84 UTM zone of their middle.
    cell_m : float, optional
        Side of the cells, metres; that of the finest file if left out.
    most_cells : int, optional
        Most cells of the result; more is an error that says how to have fewer.
    room : Room, optional
        Where grids are put: in memory unless told. Only the heights of the result are left in it.
    units : {"us", "metric"}
        Units of the report.
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
    InputError
        If the unit, the cell size or the number of cells is out of its limits.

    Warns
    -----
    GroundWarning
        If the unit of the heights had to be assumed on a grid in feet, half of the ground is steeper than any
        land, a CRS that was told is not used, the values look like a picture's, or the files disagree.

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
    whole("most_cells", most_cells, at_least=1)
    tell = progress or (lambda _words, _share: None)
    rasters = _tiles(paths)
    sheets = []
    for position, raster in enumerate(rasters):
        tell(f"Reading {raster.name}", position / (2 * len(rasters)))
        sheets.append(read_sheet(raster, z_unit, dem_crs, room=room))
    target = metre_grid(crs) if crs is not None else _choose_crs(sheets)
    cell = cell_m or _cell_m(sheets, target)
    plain = _plain_grid(sheets, target, cell)
    west, south, east, north = plain or _bounds(sheets, target, cell)
    rows, cols = round((north - south) / cell), round((east - west) / cell)
    if rows * cols > most_cells:
        tiles = "fewer files, or --memory to work by tiles" if most_cells == MOST_CELLS else "or fewer files"
        raise GroundError(
            f"The DEM would have {rows} rows and {cols} columns of {_side(cell, units)}. At most "
            f"{most_cells:,} cells fit; give coarser ones with --cell, {tiles}."
            f"{_far_apart(sheets, target, units)}"
        )
    laid = lay_out(
        sheets,
        target,
        cell,
        (west, north),
        (rows, cols),
        plain=plain is not None,
        most_cells=most_cells,
        tell=tell,
        room=room,
    )
    z_m = laid.z_m
    doubts = [doubt for sheet in sheets for doubt in sheet.doubts]
    doubts += [*_levels(sheets), *laid.doubts]
    if not known_range(z_m)[0]:
        raise GroundError(
            f"{sheets[0].name}: The DEM holds no height at all, only voids. Is it the right file?"
        )
    for doubt in doubts:
        warnings.warn(doubt, GroundWarning, stacklevel=2)
    # No height is infinite here and one is known, so a large grid need not be looked through again.
    dem = LargeDem(elevation_m=z_m, cell_m=cell, west_m=west, north_m=north, crs=target)
    report = _report(dem, sheets, laid.added, resampled=plain is None, doubts=doubts, units=units)
    if room is not None:
        sheets.clear()
        room.keep_only(z_m)
    tell("Read the DEM", 1.0)
    return dem, report


def _tiles(paths: Sequence[Path | str]) -> list[Raster]:
    # The files meant: a folder stands for the rasters in it, a pattern for the files that fit it.
    found: list[Path] = []
    for given in paths:
        path = Path(given)
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.is_file())
            # A folder of archives is what a download leaves; beside rasters they are where those came from.
            tiles = [p for p in inside if p.suffix.lower() in RASTER_ENDINGS] or [
                p for p in inside if p.suffix.lower() == ".zip"
            ]
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
    files = {path.resolve(): path for path in reversed(found)}
    rasters: list[Raster] = []
    for path in dict.fromkeys(files[path.resolve()] for path in found):
        rasters += packed_rasters(path) if path.suffix.lower() == ".zip" else [Raster(path)]
    return rasters


def _side(cell_m: float, units: str) -> str:
    # With more digits than a distance has: a slip of the point makes a cell that small.
    return f"{cell_m:g} m" if units == "metric" else f"{cell_m / FOOT_M:.3g} ft"


def _far_apart(sheets: Sequence[Sheet], target: str, units: str) -> str:
    # Which file lies far from the first, if that is what makes the ground so large.
    boxes = np.array([sheet_bounds(sheet, target) for sheet in sheets])
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2.0
    away_m = np.hypot(*(middles - middles[0]).T)
    sides_m = boxes[:, 2:] - boxes[:, :2]
    if away_m.max() < 4.0 * sides_m.max():
        return ""
    place = int(np.argmax(away_m))
    return (
        f" {sheets[place].name} lies {show_length(away_m[place], units)} from {sheets[0].name}: do "
        "they belong together?"
    )


def _levels(sheets: Sequence[Sheet]) -> list[str]:
    # Say so if the files name different reference levels; the unit in brackets makes no other level.
    names: dict[str, str] = {}
    for sheet in sheets:
        if sheet.vertical:
            names.setdefault(re.sub(r"\s*\([^()]*\)$", "", sheet.vertical), sheet.name)
    if len(names) < 2:
        return []
    told = ", ".join(f"{name} from {level!r}" for level, name in names.items())
    return [
        f"The heights count from different levels: {told}. These may lie metres apart; bring the files to "
        f"one "
        "reference first."
    ]


def _source_cell_m(dem: Dem, sheets: Sequence[Sheet], added: Sequence[int]) -> float:
    # Of the files that gave most of the ground; looked at where nothing was resampled yet.
    by_cell: dict[float, list[int]] = {}
    for place, sheet in enumerate(sheets):
        by_cell.setdefault(sheet_cell_m(sheet, dem.crs), []).append(place)
    cell, places = max(
        by_cell.items(), key=lambda entry: sum(added[place] * entry[0] ** 2 for place in entry[1])
    )
    largest = max(places, key=lambda place: added[place])
    z_m = sheets[largest].z_m
    return known_cell_m(middle(z_m), cell) if added[largest] else cell


def _report(
    dem: Dem,
    sheets: Sequence[Sheet],
    added: Sequence[int],
    *,
    resampled: bool,
    doubts: Sequence[str],
    units: str,
) -> GroundReport:
    rows, cols = dem.shape
    known, low, high = known_range(dem.elevation_m)
    voids = rows * cols - known
    sentences = [
        f"{sheet.name}: {sheet.z_m.shape[0]} rows and {sheet.z_m.shape[1]} columns of {sheet.cell_text}, "
        f"{sheet.crs.name}, heights in {UNIT_NAMES[sheet.z_unit]}"
        f"{', as nothing says otherwise' if sheet.is_unit_assumed else ''}."
        for sheet in sheets
    ]
    sentences += [
        f"{sheet.name}: {sheet.fillers} cells hold a filler such as -9999 that the file does not declare; "
        "they count as voids."
        for sheet in sheets
        if sheet.fillers
    ]
    sentences += [
        f"{sheet.name}: {sheet.zeros} cells hold exactly 0, while all other ground lies above "
        f"{show_height(sheet.low_m, units)}; they count as voids."
        for sheet in sheets
        if sheet.zeros
    ]
    sentences += [
        f"{sheet.name}: adds nothing, what it covers is known from the files before it."
        for sheet, count in zip(sheets, added, strict=True)
        if not count and known_range(sheet.z_m)[0]
    ]
    sizes = [sheet_cell_m(sheet, dem.crs) for sheet in sheets]
    if max(sizes) > _MIXED_CELLS * min(sizes):
        coarse = sheets[int(np.argmax(sizes))]
        sentences.append(
            f"The files have cells of {show_length(min(sizes), units)} to {show_length(max(sizes), units)}. "
            f"Where only {coarse.name} lies, the ground is laid out finer than it was measured."
        )
    name = dem.crs if dem.crs.startswith("EPSG:") else "a grid of its own"
    sentences.append(
        f"The ground: {rows} rows and {cols} columns of {show_length(dem.cell_m, units)} on {name}, "
        f"{show_length(cols * dem.cell_m, units)} by {show_length(rows * dem.cell_m, units)}, heights from "
        f"{show_height(low, units)} to {show_height(high, units)}."
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
        source_cell_m=_source_cell_m(dem, sheets, added),
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
    finest = min(sheet_cell_m(sheet, target) for sheet in sheets)
    if not math.isfinite(finest) or finest <= 0.0:
        raise GroundError(f"{sheets[0].name}: The cell size cannot be worked out. Give it with --cell.")
    return finest


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
    boxes = np.array([sheet_bounds(sheet, target) for sheet in sheets])
    west, south = np.floor(boxes[:, :2].min(axis=0) / cell + _SLACK_CELLS) * cell
    east, north = np.ceil(boxes[:, 2:].max(axis=0) / cell - _SLACK_CELLS) * cell
    return float(west), float(south), float(east), float(north)
