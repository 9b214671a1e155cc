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
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import choice, number
from washgrade.errors import GroundError, GroundWarning
from washgrade.files.places import crs_name, is_fitting_utm, metre_grid, utm_crs
from washgrade.land.dem import Dem
from washgrade.units import FOOT_M, SURVEY_FOOT_M

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["GroundReport", "Progress", "read_dems"]

Progress = Callable[[str, float], None]
"""Told what is being done, and the share of it that is done, 0 to 1."""

Z_UNITS = {"m": 1.0, "ft": FOOT_M, "us-ft": SURVEY_FOOT_M}
_UNIT_WORDS = {
    "m": {"m", "metre", "metres", "meter", "meters"},
    "ft": {"ft", "foot", "feet", "international foot", "international feet", "intl ft", "ft (intl)"},
    "us-ft": {
        "us-ft",
        "us survey foot",
        "us survey feet",
        "ftus",
        "us_survey_foot",
        "us_survey_feet",
        "sft",
        "survey foot",
        "foot_us",
        "ft (us survey)",
        "ussurveyfoot",
    },
}
_UNIT_NAMES = {"m": "metres", "ft": "feet", "us-ft": "US survey feet"}
# Fillers that files use for "nothing here" without saying so.
_SENTINELS = (-32768.0, -32767.0, -9999.0, -99999.0, -999999.0)
_FAR_TOO_MUCH = 1e9
# From the Dead Sea shore (-430 m) with its mines to above Everest (8849 m).
_LOWEST_M, _HIGHEST_M = -1000.0, 9000.0
_MOST_CELLS = 400_000_000
_DISAGREE_M = 3.0


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    # One raster, as it lies in its file: heights in metres, NaN where void, and how rows and columns map to
    # its grid.
    name: str
    z_m: NDArray[np.float32]
    transform: Any
    crs: CRS
    z_unit: str
    cell_text: str
    fillers: int
    doubts: tuple[str, ...]


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
        Rasters that GDAL reads (GeoTIFF, ASCII grid, ...), one band each. Where they overlap, the first
        counts.
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
    sheets = []
    for position, path in enumerate(paths):
        tell(f"Reading {Path(path).name}", position / (2 * len(paths)))
        sheets.append(_read_sheet(Path(path), z_unit, dem_crs))
    target = metre_grid(crs) if crs is not None else _choose_crs(sheets)
    cell = cell_m or _cell_m(sheets, target)
    plain = _plain_grid(sheets, target, cell)
    west, south, east, north = plain or _bounds(sheets, target, cell)
    rows, cols = round((north - south) / cell), round((east - west) / cell)
    if rows * cols > _MOST_CELLS:
        raise GroundError(
            f"The DEM would have {rows} rows and {cols} columns of {cell:g} m. At most {_MOST_CELLS:,} cells "
            f"fit; give "
            "coarser ones with --cell-m, or fewer files."
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


def _report(dem: Dem, sheets: Sequence[_Sheet], *, resampled: bool, doubts: Sequence[str]) -> GroundReport:
    rows, cols = dem.shape
    voids = int(np.count_nonzero(~np.isfinite(dem.elevation_m)))
    low, high = float(np.nanmin(dem.elevation_m)), float(np.nanmax(dem.elevation_m))
    sentences = [
        f"{sheet.name}: {sheet.z_m.shape[0]} rows and {sheet.z_m.shape[1]} columns of {sheet.cell_text}, "
        f"{sheet.crs.name}, heights in {_UNIT_NAMES[sheet.z_unit]}."
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
        "Heights were worked out anew on this grid (bilinear)."
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


def _read_sheet(path: Path, z_unit: str | None, dem_crs: str | None) -> _Sheet:
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioIOError

    name = path.name
    if not path.exists():
        raise GroundError(f"{name}: There is no such file in {path.parent}.")
    try:
        # Without the option GDAL hides the vertical part of older GeoTIFFs' CRS.
        with warnings.catch_warnings(), rasterio.Env(GTIFF_REPORT_COMPD_CS=True):
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as source:
                _check_bands(name, source)
                if source.transform.is_identity:
                    raise GroundError(
                        f"{name}: The file does not say where it lies. It must be georeferenced."
                    )
                raw = source.read(1)
                known = source.read_masks(1) != 0
                scale, offset, tag = source.scales[0], source.offsets[0], source.units[0]
                transform = source.transform
                wkt = source.crs.to_wkt() if source.crs else None
    except RasterioIOError as error:
        raise GroundError(f"{name}: The file is no raster that can be read ({error}).") from None
    flat, vertical, axis_m = _flat_crs(name, wkt, dem_crs)
    heights = raw.astype(np.float64) if (scale, offset) != (1.0, 0.0) else raw.astype(np.float32)
    known &= np.isfinite(heights)
    said = int(np.count_nonzero(known))
    for sentinel in _SENTINELS:
        known &= raw != sentinel
    known &= np.abs(heights) < _FAR_TOO_MUCH
    fillers = said - int(np.count_nonzero(known))
    if (scale, offset) != (1.0, 0.0):
        heights = heights * scale + offset
    unit, doubts = _unit(name, z_unit, tag, vertical, axis_m)
    z_m = np.where(known, heights * Z_UNITS[unit] if unit != "m" else heights, np.nan).astype(np.float32)
    if known.any():
        low, high = float(np.nanmin(z_m)), float(np.nanmax(z_m))
        if low < _LOWEST_M or high > _HIGHEST_M:
            doubts.append(
                f"{name}: Heights run from {low:.0f} to {high:.0f} m, beyond any ground on earth. Give their "
                f"unit with "
                "--z-unit, or mark the voids of the file."
            )
    size = (math.hypot(transform.a, transform.d), math.hypot(transform.b, transform.e))
    unit_word = flat.axis_info[0].unit_name
    cell_text = (
        f"{size[0]:.6g}"
        + ("" if math.isclose(*size, rel_tol=1e-6) else f" by {size[1]:.6g}")
        + f" {unit_word}"
    )
    return _Sheet(
        name=name,
        z_m=z_m,
        transform=transform,
        crs=flat,
        z_unit=unit,
        cell_text=cell_text,
        fillers=fillers,
        doubts=tuple(doubts),
    )


def _check_bands(name: str, source: Any) -> None:
    from rasterio.enums import ColorInterp

    bands = [interp for interp in source.colorinterp if interp != ColorInterp.alpha]
    if len(bands) != 1:
        raise GroundError(f"{name}: The file has {len(bands)} bands. A DEM must have one, the height.")
    if source.colorinterp[0] == ColorInterp.palette or source.dtypes[0].startswith("complex"):
        raise GroundError(f"{name}: The file is a picture, not a DEM. Its band must hold heights.")


def _flat_crs(name: str, wkt: str | None, dem_crs: str | None) -> tuple[CRS, float | None, float]:
    # The horizontal CRS, metres in a unit of the vertical one if there is one, metres in a unit of the
    # horizontal.
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    vertical: float | None = None
    try:
        found = CRS.from_wkt(wkt) if wkt else None
        if found is not None and found.is_compound:
            for part in found.sub_crs_list:
                if part.is_vertical:
                    vertical = part.axis_info[0].unit_conversion_factor
            found = found.sub_crs_list[0]
        usable = found is not None and (found.is_projected or found.is_geographic)
        if not usable and dem_crs is not None:
            found = CRS.from_user_input(dem_crs)
            usable = found.is_projected or found.is_geographic
    except CRSError:
        raise GroundError(
            f"{name}: Invalid CRS {dem_crs!r}. It must be one such as EPSG:25830 or EPSG:4326."
        ) from None
    if found is None or not usable:
        raise GroundError(
            f"{name}: The file does not name its coordinate reference system. Give it with --dem-crs, such "
            f"as "
            "--dem-crs EPSG:25830."
        )
    if len(found.axis_info) == 3:
        vertical = found.axis_info[2].unit_conversion_factor
        found = found.to_2d()
    return found, vertical, float(found.axis_info[0].unit_conversion_factor) if found.is_projected else 1.0


def _unit(
    name: str, told: str | None, tag: str | None, vertical: float | None, axis_m: float
) -> tuple[str, list[str]]:
    by_tag = next((unit for unit, words in _UNIT_WORDS.items() if (tag or "").strip().lower() in words), None)
    by_crs = None if vertical is None else _unit_of(vertical)
    doubts = []
    if tag and by_tag is None and told is None:
        doubts.append(
            f"{name}: The heights' unit '{tag}' is unknown. "
            f"{_UNIT_NAMES[by_crs or 'm'].capitalize()} are assumed; give it with --z-unit."
        )
    if told is not None:
        if by_tag is not None and by_tag != told:
            doubts.append(
                f"{name}: The file says that its heights are in {_UNIT_NAMES[by_tag]}; they are read in "
                f"{_UNIT_NAMES[told]} as told."
            )
        return told, doubts
    if by_tag is not None:
        if by_crs is not None and by_crs != by_tag:
            doubts.append(
                f"{name}: The unit tag says {_UNIT_NAMES[by_tag]} and the CRS says {_UNIT_NAMES[by_crs]}. "
                f"The tag is "
                "followed; give the unit with --z-unit."
            )
        return by_tag, doubts
    if by_crs is not None:
        return by_crs, doubts
    by_axis = _unit_of(axis_m)
    if by_axis is not None and by_axis != "m":
        doubts.append(
            f"{name}: The grid is in {_UNIT_NAMES[by_axis]} and nothing says what the heights are in. "
            f"{_UNIT_NAMES[by_axis]} are assumed for them too; give the unit with --z-unit."
        )
        return by_axis, doubts
    return "m", doubts


def _unit_of(factor: float) -> str | None:
    return next((unit for unit, size in Z_UNITS.items() if math.isclose(size, factor, rel_tol=1e-8)), None)


def _corners(sheet: _Sheet) -> NDArray[np.float64]:
    rows, cols = sheet.z_m.shape
    return _on_grid(sheet, np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=np.float64))


def _on_grid(sheet: _Sheet, cols_rows: NDArray[np.float64]) -> NDArray[np.float64]:
    # Spelled out, because the affine package changed its operator between versions.
    t = sheet.transform
    col, row = cols_rows.T
    return np.stack([t.a * col + t.b * row + t.c, t.d * col + t.e * row + t.f], axis=1)


def _choose_crs(sheets: Sequence[_Sheet]) -> str:
    from pyproj import Transformer

    boxes = []
    for sheet in sheets:
        corners = _corners(sheet)
        (west, south), (east, north) = corners.min(axis=0), corners.max(axis=0)
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


def _cell_m(sheets: Sequence[_Sheet], target: str) -> float:
    # Side of a square of the area that the middle cell covers; a resampled one is rounded to three digits.
    from pyproj import CRS, Transformer

    sizes = []
    for sheet in sheets:
        t = sheet.transform
        if sheet.crs == CRS.from_user_input(target) and math.isclose(
            math.hypot(t.a, t.d), math.hypot(t.b, t.e), rel_tol=1e-6
        ):
            sizes.append(math.hypot(t.a, t.d))
            continue
        rows, cols = sheet.z_m.shape
        middle = _on_grid(sheet, np.array([(0, 0), (1, 0), (0, 1)]) + np.array([cols, rows]) / 2.0)
        transformer = Transformer.from_crs(sheet.crs, target, always_xy=True)
        east, north = (np.asarray(part) for part in transformer.transform(middle[:, 0], middle[:, 1]))
        area = abs((east[1] - east[0]) * (north[2] - north[0]) - (east[2] - east[0]) * (north[1] - north[0]))
        sizes.append(float(f"{math.sqrt(area):.3g}"))
    finest = min(sizes)
    if not math.isfinite(finest) or finest <= 0.0:
        raise GroundError(f"{sheets[0].name}: The cell size cannot be worked out. Give it with --cell-m.")
    return finest


def _plain_grid(
    sheets: Sequence[_Sheet], target: str, cell: float
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
    corners = np.concatenate([_corners(sheet) for sheet in sheets])
    (west, south), (east, north) = corners.min(axis=0), corners.max(axis=0)
    return float(west), float(south), float(east), float(north)


def _bounds(sheets: Sequence[_Sheet], target: str, cell: float) -> tuple[float, float, float, float]:
    # Bounds on the target grid, laid on multiples of the cell so that the same ground gives the same grid.
    boxes = np.array([_sheet_bounds(sheet, target) for sheet in sheets])
    west, south = np.floor(boxes[:, :2].min(axis=0) / cell + 1e-6) * cell
    east, north = np.ceil(boxes[:, 2:].max(axis=0) / cell - 1e-6) * cell
    return float(west), float(south), float(east), float(north)


def _sheet_bounds(sheet: _Sheet, target: str) -> tuple[float, float, float, float]:
    from pyproj import Transformer

    # The edges bend on the way, so each is followed by many points.
    share = np.linspace(0.0, 1.0, 41)[:, None]
    corners = _corners(sheet)
    edges = np.concatenate(
        [a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    )
    east, north = Transformer.from_crs(sheet.crs, target, always_xy=True).transform(edges[:, 0], edges[:, 1])
    box = (np.min(east), np.min(north), np.max(east), np.max(north))
    if not np.isfinite(box).all():
        raise GroundError(
            f"{sheet.name}: The file reaches beyond the grid {target}. Give another with --crs."
        )
    return (float(box[0]), float(box[1]), float(box[2]), float(box[3]))


def _mosaic(
    sheets: Sequence[_Sheet],
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


def _plain_box(sheet: _Sheet) -> tuple[float, float, float, float]:
    corners = _corners(sheet)
    (west, south), (east, north) = corners.min(axis=0), corners.max(axis=0)
    return float(west), float(south), float(east), float(north)


def _warped(
    sheet: _Sheet, target: str, cell: float, corner: tuple[float, float], shape: tuple[int, ...]
) -> NDArray[np.float32]:
    from affine import Affine
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
    layer = np.full(shape, np.nan, dtype=np.float32)
    reproject(
        sheet.z_m, layer, src_nodata=np.nan, dst_nodata=np.nan, resampling=Resampling.bilinear, **common
    )
    void = ~np.isfinite(sheet.z_m)
    known = np.zeros(shape, dtype=np.uint8)
    reproject((~void).astype(np.uint8), known, resampling=Resampling.nearest, **common)
    return np.where(known == 1, layer, np.float32(np.nan))
