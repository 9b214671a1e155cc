"""Reading one raster of heights as it lies in its file: bands, voids, fillers, CRS, unit of the heights."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.units import FOOT_M, SURVEY_FOOT_M

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["UNIT_NAMES", "Z_UNITS", "Sheet", "corners", "on_grid", "read_sheet"]

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
UNIT_NAMES = {"m": "metres", "ft": "feet", "us-ft": "US survey feet"}
# Fillers that files use for "nothing here" without saying so.
_SENTINELS = (-32768.0, -32767.0, -9999.0, -99999.0, -999999.0)
_FAR_TOO_MUCH = 1e9
# From the Dead Sea shore (-430 m) with its mines to above Everest (8849 m).
_LOWEST_M, _HIGHEST_M = -1000.0, 9000.0


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
    z_unit : {"m", "ft", "us-ft"}
        Unit of the heights in the file.
    cell_text : str
        Size of a cell, for people.
    fillers : int
        Cells with a filler that the file does not declare as one.
    doubts : tuple of str
        What may be wrong.
    """

    name: str
    z_m: NDArray[np.float32]
    transform: Any
    crs: CRS
    z_unit: str
    cell_text: str
    fillers: int
    doubts: tuple[str, ...]


def read_sheet(path: Path, z_unit: str | None, dem_crs: str | None) -> Sheet:
    """Read one raster of heights.

    Parameters
    ----------
    path : Path
        Any raster that GDAL reads, with one band.
    z_unit : {"m", "ft", "us-ft"} or None
        Unit of the heights; what the file says if None.
    dem_crs : str or None
        CRS to take if the file names none.

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
        # GDAL's own words speak of drivers and of messages that nobody sees: the last part says the most.
        why = str(error.__cause__ or error).rsplit(": ", maxsplit=1)[-1].rstrip(".")
        raise GroundError(f"{name}: The file is no raster that can be read ({why}).") from None
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
    unit_word = {"metre": "m", "degree": "degrees"}.get(unit_word, unit_word)
    cell_text = (
        f"{size[0]:.4g}"
        + ("" if math.isclose(*size, rel_tol=1e-6) else f" by {size[1]:.4g}")
        + f" {unit_word}"
    )
    return Sheet(
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
            f"{UNIT_NAMES[by_crs or 'm'].capitalize()} are assumed; give it with --z-unit."
        )
    if told is not None:
        if by_tag is not None and by_tag != told:
            doubts.append(
                f"{name}: The file says that its heights are in {UNIT_NAMES[by_tag]}; they are read in "
                f"{UNIT_NAMES[told]} as told."
            )
        return told, doubts
    if by_tag is not None:
        if by_crs is not None and by_crs != by_tag:
            doubts.append(
                f"{name}: The unit tag says {UNIT_NAMES[by_tag]} and the CRS says {UNIT_NAMES[by_crs]}. "
                f"The tag is "
                "followed; give the unit with --z-unit."
            )
        return by_tag, doubts
    if by_crs is not None:
        return by_crs, doubts
    by_axis = _unit_of(axis_m)
    if by_axis is not None and by_axis != "m":
        doubts.append(
            f"{name}: The grid is in {UNIT_NAMES[by_axis]} and nothing says what the heights are in. "
            f"{UNIT_NAMES[by_axis]} are assumed for them too; give the unit with --z-unit."
        )
        return by_axis, doubts
    return "m", doubts


def _unit_of(factor: float) -> str | None:
    return next((unit for unit, size in Z_UNITS.items() if math.isclose(size, factor, rel_tol=1e-8)), None)


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
    # Spelled out, because the affine package changed its operator between versions.
    t = sheet.transform
    col, row = cols_rows.T
    return np.stack([t.a * col + t.b * row + t.c, t.d * col + t.e * row + t.f], axis=1)
