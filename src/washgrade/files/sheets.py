"""Reading one raster of heights as it lies in its file: bands, voids, fillers, CRS, unit of the heights."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.files.bigdem import Room, known_range
from washgrade.files.content import Raster, missing_sources, refuse_unreadable, what_it_is
from washgrade.files.reference import UNIT_NAMES, Z_UNITS, Reference, choose_unit, read_reference
from washgrade.land.grids import bands

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["Sheet", "corners", "on_grid", "read_sheet"]

# Fillers that files use for "nothing here" without saying so, and the largest of the whole numbers.
_SENTINELS = (-32768.0, -32767.0, -9999.0, -99999.0, -999999.0)
_INTEGER_SENTINELS = (32767.0, 65535.0)
_FAR_TOO_MUCH = 1e9
# From the Dead Sea shore (-430 m) with its mines to above Everest (8849 m).
_LOWEST_M, _HIGHEST_M = -1000.0, 9000.0
# Zeros below all other ground by more than this are no ground. Our choice, because a coast comes down lower
# somewhere.
_ZERO_GAP_M = 30.0
# Half of the ground steeper than 45 degrees: no land is. The mean slopes of the steepest ranges are a little
# above 30 degrees (Burbank and others 1996, Nature 379, 505-510; figure from memory).
_STEEPEST = 1.0
_SLOPE_SAMPLE = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One raster as it lies in its file.

    Parameters
    ----------
    name : str
        Name of the file.
    z_m : ndarray of float32, shape (rows, cols)
        Heights in metres, NaN where void.
    transform : affine transformation
        From columns and rows to its grid.
    crs : pyproj.CRS
        Its horizontal CRS.
    z_unit : str
        Unit of the heights in the file, a key of `washgrade.files.reference.Z_UNITS`.
    cell_text : str
        Size of a cell, for people.
    fillers : int
        Cells with a filler that the file does not declare as one.
    doubts : tuple of str
        What may be wrong.
    is_unit_assumed : bool
        Whether nothing said what the unit is.
    vertical : str
        Name of the vertical CRS; empty if unknown.
    zeros : int
        Cells at exactly 0, far below all other ground; they count as voids.
    low_m : float
        Height of the lowest cell where there are such zeros, metres.
    """

    name: str
    z_m: NDArray[np.float32]
    transform: Any
    crs: CRS
    z_unit: str
    cell_text: str
    fillers: int
    doubts: tuple[str, ...]
    is_unit_assumed: bool = False
    vertical: str = ""
    zeros: int = 0
    low_m: float = math.nan


def read_sheet(
    raster: Raster | Path, z_unit: str | None, dem_crs: str | None, *, room: Room | None = None
) -> Sheet:
    """Read one raster of heights.

    Parameters
    ----------
    raster : Raster or Path
        Any raster that GDAL reads, with one band; a file or a member of a zip archive.
    z_unit : str or None
        Unit of the heights; what the file says if None.
    dem_crs : str or None
        CRS to take if the file names none.
    room : Room, optional
        Where its heights are put; in memory unless told.

    Returns
    -------
    Sheet
        The raster.

    Raises
    ------
    GroundError
        If the file is missing, unreadable or no DEM, or has no CRS or no place.
    """
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    if isinstance(raster, Path):
        raster = Raster(raster)
    name = raster.name
    refuse_unreadable(raster.path)
    is_open = False
    try:
        # Without the option GDAL hides the vertical part of older GeoTIFFs' CRS.
        with warnings.catch_warnings(), rasterio.Env(GTIFF_REPORT_COMPD_CS=True):
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(raster.address) as source:
                is_open = True
                _check_bands(name, source)
                _check_place(name, source)
                read = _read_band(name, source, z_unit, dem_crs, room or Room())
    except RasterioError:
        # GDAL's own words speak of drivers, blocks and messages that nobody sees.
        raise GroundError(f"{name}: {_why_unreadable(raster, is_open=is_open)}") from None
    zeros, low_m = _drop_zeros(read.z_m) if read.is_plain else (0, math.nan)
    reference = read.reference
    sheet = Sheet(
        name=name,
        z_m=read.z_m,
        transform=read.transform,
        crs=reference.flat,
        z_unit=read.unit,
        cell_text=_cell_text(read.transform, reference.flat),
        fillers=read.fillers,
        doubts=(),
        is_unit_assumed=read.is_assumed,
        vertical=reference.vertical,
        zeros=zeros,
        low_m=low_m,
    )
    doubts = (*read.doubts, *_implausible(sheet, reference.axis_unit_m, is_told=z_unit is not None))
    return replace(sheet, doubts=doubts)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """The only band of a raster: its heights in metres, and what they count from."""

    z_m: NDArray[np.float32]
    transform: Any
    reference: Reference
    unit: str
    is_assumed: bool
    is_plain: bool
    fillers: int
    doubts: tuple[str, ...]


def _read_band(name: str, source: Any, z_unit: str | None, dem_crs: str | None, room: Room) -> _Band:
    from rasterio.windows import Window

    scale, offset = source.scales[0], source.offsets[0]
    if not (math.isfinite(scale) and math.isfinite(offset)) or scale == 0.0:
        raise GroundError(
            f"{name}: The band's scale is {scale:g} and its offset {offset:g}. The scale must be a finite "
            "number other than 0, the offset finite."
        )
    rows, cols = source.shape
    edges = _placed(source.transform, np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], float))
    reference = read_reference(name, source.crs.to_wkt() if source.crs else None, dem_crs, edges)
    unit, is_assumed, unit_doubts = choose_unit(
        name, z_unit, source.units[0], reference.vertical_unit_m, reference.axis_unit_m
    )
    is_plain = (scale, offset) == (1.0, 0.0)
    dtype = np.dtype(source.dtypes[0])
    fillers = _SENTINELS if not is_plain or dtype.kind == "f" else _SENTINELS + _INTEGER_SENTINELS
    z_m = room.empty(source.shape)
    undeclared, least, most = 0, math.inf, -math.inf
    for band in bands(source.shape):
        window = Window(0, band.start, cols, band.stop - band.start)
        raw = source.read(1, window=window)
        known = source.read_masks(1, window=window) != 0
        heights = raw.astype(np.float32) if is_plain else raw.astype(np.float64)
        known &= np.isfinite(heights)
        said = int(np.count_nonzero(known))
        for filler in fillers:
            known &= raw != filler
        known &= np.abs(heights) < _FAR_TOO_MUCH
        undeclared += said - int(np.count_nonzero(known))
        if not is_plain:
            heights = heights * scale + offset
        z_m[band] = np.where(known, heights * Z_UNITS[unit] if unit != "m" else heights, np.nan)
        if dtype == np.uint8:
            least, most = min(least, int(raw.min())), max(most, int(raw.max()))
    doubts = [*reference.doubts]
    if dtype == np.uint8 and is_plain:
        doubts.append(
            f"{name}: The band holds one byte a cell, values from {least} to {most}, as pictures "
            "and shaded reliefs do. Check that they are heights."
        )
    return _Band(
        z_m=z_m,
        transform=source.transform,
        reference=reference,
        unit=unit,
        is_assumed=is_assumed,
        is_plain=is_plain,
        fillers=undeclared,
        doubts=(*doubts, *unit_doubts),
    )


def _cell_text(transform: Any, flat: CRS) -> str:
    size = (math.hypot(transform.a, transform.d), math.hypot(transform.b, transform.e))
    unit_word = flat.axis_info[0].unit_name
    unit_word = {"metre": "m", "degree": "degrees"}.get(unit_word, unit_word)
    second = "" if math.isclose(*size, rel_tol=1e-6) else f" by {size[1]:.4g}"
    return f"{size[0]:.4g}{second} {unit_word}"


def _why_unreadable(raster: Raster, *, is_open: bool) -> str:
    missing = missing_sources(raster.path) if raster.path.suffix.lower() == ".vrt" else []
    if missing:
        return f"It refers to {missing[0]}, which is not there."
    if is_open:
        return "The file is damaged or cut short: not all of its heights can be read. Fetch it again."
    what = "" if raster.member else what_it_is(raster.path)
    return f"The file is no raster that can be read ({what or 'its content is unknown'})."


def _check_bands(name: str, source: Any) -> None:
    from rasterio.enums import ColorInterp

    bands = [interp for interp in source.colorinterp if interp != ColorInterp.alpha]
    colours = {ColorInterp.red, ColorInterp.green, ColorInterp.blue}
    if len(bands) != 1:
        what = "a colour picture of" if colours <= set(bands) else "a file of"
        raise GroundError(f"{name}: This is {what} {len(bands)} bands. A DEM must have one band, the height.")
    if source.colorinterp[0] == ColorInterp.palette or source.dtypes[0].startswith("complex"):
        raise GroundError(f"{name}: The file is a picture, not a DEM. Its band must hold heights.")


def _check_place(name: str, source: Any) -> None:
    transform = source.transform
    if transform.is_identity:
        if source.gcps[0] or source.rpcs:
            raise GroundError(
                f"{name}: The file is placed by control points only. It must be laid out on a grid: warp it "
                "in a GIS first."
            )
        raise GroundError(f"{name}: The file does not say where it lies. It must be georeferenced.")
    area = transform.a * transform.e - transform.b * transform.d
    if not all(map(math.isfinite, transform[:6])) or area == 0.0:
        raise GroundError(f"{name}: The file's cells have no size. It must be georeferenced anew.")


def _drop_zeros(z_m: NDArray[np.float32]) -> tuple[int, float]:
    # Make voids of zeros that lie far below all other ground; how many, and the height of the lowest other.
    count, low_m = 0, math.inf
    for band in bands(z_m.shape):
        part = z_m[band]
        is_zero = part == 0.0
        count += int(np.count_nonzero(is_zero))
        low_m = min(low_m, float(part.min(where=~is_zero & np.isfinite(part), initial=np.inf)))
    if not count or low_m < _ZERO_GAP_M or low_m == math.inf:
        return 0, math.nan
    for band in bands(z_m.shape):
        z_m[band][z_m[band] == 0.0] = np.nan
    return count, low_m


def _implausible(sheet: Sheet, axis_unit_m: float, *, is_told: bool) -> list[str]:
    # Heights that no ground has, and slopes that no land has.
    doubts: list[str] = []
    known, low, high = known_range(sheet.z_m)
    if not known:
        return doubts
    if low < _LOWEST_M or high > _HIGHEST_M:
        doubts.append(
            f"{sheet.name}: Heights run from {low:.0f} to {high:.0f} m, beyond any ground on earth. Give "
            "their unit with --z-unit, or mark the voids of the file."
        )
    steep = math.nan if is_told else _median_slope(sheet, axis_unit_m)
    if steep > _STEEPEST:
        says = "as nothing says otherwise" if sheet.is_unit_assumed else "as the file says"
        told = (
            f"{sheet.name}: Read in {UNIT_NAMES[sheet.z_unit]}, {says}, half of the ground is steeper than "
            f"{math.degrees(math.atan(steep)):.0f} degrees"
        )
        if sheet.z_unit == "m":
            in_feet = math.degrees(math.atan(steep * Z_UNITS["ft"]))
            told += f"; read in feet, than {in_feet:.0f} degrees"
        doubts.append(
            f"{told}. Give the right unit with --z-unit, or check that it is bare ground in metres."
        )
    return doubts


def _median_slope(sheet: Sheet, axis_unit_m: float) -> float:
    t = sheet.transform
    along_m, down_m = math.hypot(t.a, t.d) * axis_unit_m, math.hypot(t.b, t.e) * axis_unit_m
    if sheet.crs.is_geographic:
        lat = float(np.mean(corners(sheet)[:, 1]))
        # A degree of latitude in metres, near enough for this.
        degree_m = 111_200.0
        along_m *= degree_m * math.cos(math.radians(lat))
        down_m *= degree_m
    stride = max(1, sheet.z_m.size // _SLOPE_SAMPLE)
    here = sheet.z_m[:-1:stride, :-1]
    with np.errstate(invalid="ignore"):
        east = (sheet.z_m[:-1:stride, 1:] - here) / along_m
        south = (sheet.z_m[1::stride, :-1] - here) / down_m
        slope = np.hypot(east, south)
    slope = slope[np.isfinite(slope)]
    return float(np.median(slope)) if slope.size else math.nan


def corners(sheet: Sheet) -> NDArray[np.float64]:
    """Corners of a raster on its own grid.

    Parameters
    ----------
    sheet : Sheet
        The raster.

    Returns
    -------
    ndarray of float64, shape (4, 2)
        Going round.
    """
    rows, cols = sheet.z_m.shape
    return on_grid(sheet, np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=np.float64))


def on_grid(sheet: Sheet, cols_rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take columns and rows of a raster to places on its own grid.

    Parameters
    ----------
    sheet : Sheet
        The raster.
    cols_rows : ndarray of float64, shape (places, 2)
        Counted from the outer corner of the first cell.

    Returns
    -------
    ndarray of float64, shape (places, 2)
        In the unit of its CRS.
    """
    return _placed(sheet.transform, cols_rows)


def _placed(transform: Any, cols_rows: NDArray[np.float64]) -> NDArray[np.float64]:
    # Spelled out, because the affine package changed its operator between versions.
    t = transform
    col, row = cols_rows.T
    return np.stack([t.a * col + t.b * row + t.c, t.d * col + t.e * row + t.f], axis=1)
