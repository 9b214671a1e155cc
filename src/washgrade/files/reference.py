"""What the heights of a raster are measured in and from, and the grid it lies on."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.units import FOOT_M, SURVEY_FOOT_M

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["UNIT_NAMES", "Z_UNITS", "Reference", "choose_unit", "read_reference"]

Z_UNITS = {"m": 1.0, "ft": FOOT_M, "us-ft": SURVEY_FOOT_M, "dm": 0.1, "cm": 0.01}
UNIT_NAMES = {
    "m": "metres",
    "ft": "feet",
    "us-ft": "US survey feet",
    "dm": "decimetres",
    "cm": "centimetres",
}
# Words that band tags hold, lower case, without brackets and underscores.
_UNIT_WORDS = {
    "m": {"m", "metre", "metres", "meter", "meters", "mtr", "mts"},
    "ft": {
        *("ft", "foot", "feet", "ift", "ftint", "ft intl", "intl ft", "intl foot", "foot intl"),
        *("international foot", "international feet", "foot international", "feet international"),
    },
    "us-ft": {
        *(
            "us-ft",
            "us ft",
            "us foot",
            "us feet",
            "ft us",
            "ft-us",
            "ftus",
            "usft",
            "sft",
            "ussft",
            "foot us",
        ),
        *("us survey foot", "us survey feet", "u.s. survey foot", "u.s. survey feet", "us-survey-foot"),
        *("us-survey-feet", "survey foot", "survey feet", "foot us survey", "feet us survey"),
        *("ft us survey", "ussurveyfoot", "ussurveyfeet"),
    },
    "dm": {"dm", "decimetre", "decimetres", "decimeter", "decimeters"},
    "cm": {"cm", "centimetre", "centimetres", "centimeter", "centimeters"},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """The grid of a raster and what its heights count from.

    Parameters
    ----------
    flat : pyproj.CRS
        Its horizontal CRS.
    vertical : str
        Name of its vertical CRS; empty if none is named.
    vertical_unit_m : float or None
        Metres in a unit of the vertical CRS.
    axis_unit_m : float
        Metres in a unit of the grid; 1 for degrees.
    doubts : tuple of str
        What may be wrong.
    """

    flat: CRS
    vertical: str
    vertical_unit_m: float | None
    axis_unit_m: float
    doubts: tuple[str, ...]


def read_reference(name: str, wkt: str | None, dem_crs: str | None, edges: NDArray[np.float64]) -> Reference:
    """Take a CRS apart, or take the one told where the file names none.

    Parameters
    ----------
    name : str
        The file's, for sentences.
    wkt : str or None
        CRS that the file names.
    dem_crs : str or None
        CRS told for files that name none.
    edges : ndarray of float64, shape (4, 2)
        Corners of the raster on its grid, whatever that is.

    Returns
    -------
    Reference
        Horizontal and vertical part.

    Raises
    ------
    GroundError
        If neither names a grid, or the heights count downwards.
    """
    told = None if dem_crs is None else _told(dem_crs)
    found = None if not wkt else _parsed(wkt)
    is_local = found is not None and not _is_usable(_parts(found)[0])
    if found is None or is_local:
        if told is None:
            raise GroundError(f"{name}: {_without(found, edges)}")
        found = told
        told = None
    flat, upright = _parts(found)
    doubts = []
    if told is not None and not _parts(told)[0].equals(flat, ignore_axis_order=True):
        doubts.append(
            f"{name}: The file itself names {flat.name}, so --dem-crs {dem_crs} is not used for it. If the "
            "file is wrong, mend its CRS in a GIS."
        )
    vertical, factor = "", None
    if upright is not None:
        axis = upright.axis_info[-1]
        vertical, factor = upright.name, float(axis.unit_conversion_factor)
        if axis.direction.lower() == "down":
            raise GroundError(
                f"{name}: Its vertical reference, {vertical!r}, counts downwards. A DEM must hold heights, "
                "not depths: turn the sign of its values and name the reference for heights."
            )
    # Of three axes only the third is vertical; the flat part has two.
    if len(flat.axis_info) == 3:
        flat = flat.to_2d()
    axis_unit_m = float(flat.axis_info[0].unit_conversion_factor) if flat.is_projected else 1.0
    return Reference(
        flat=flat, vertical=vertical, vertical_unit_m=factor, axis_unit_m=axis_unit_m, doubts=tuple(doubts)
    )


def _told(dem_crs: str) -> CRS:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        told = CRS.from_user_input(dem_crs)
    except CRSError:
        raise GroundError(
            f"Invalid 'dem_crs' of {dem_crs!r}. It must name a coordinate reference system, such as "
            "EPSG:25830 or EPSG:4326."
        ) from None
    if not _is_usable(_parts(told)[0]):
        raise GroundError(
            f"Invalid 'dem_crs' of {dem_crs!r}. It must be a grid or longitude and latitude, such as "
            f"EPSG:25830 or EPSG:4326; it is {told.name!r}."
        )
    return told


def _parsed(wkt: str) -> CRS | None:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_wkt(wkt)
    except CRSError:
        return None


def _parts(crs: CRS) -> tuple[CRS, CRS | None]:
    # The horizontal part, and the vertical one if there is one.
    if crs.is_compound:
        upright = next((part for part in crs.sub_crs_list if part.is_vertical), None)
        return crs.sub_crs_list[0], upright
    return crs, crs if _is_usable(crs) and len(crs.axis_info) == 3 else None


def _is_usable(crs: CRS) -> bool:
    return bool(crs.is_projected or crs.is_geographic)


def _without(found: CRS | None, edges: NDArray[np.float64]) -> str:
    # What to say of a file without a grid, with what its numbers look like.
    (west, south), (east, north) = edges.min(axis=0), edges.max(axis=0)
    says = "The file does not name its coordinate reference system."
    if found is not None:
        says = f"The file names the local grid {found.name!r}, which has no place on earth."
    box = f"{west:.10g} to {east:.10g} and {south:.10g} to {north:.10g}"
    if west >= -180.0 and east <= 360.0 and south >= -90.0 and north <= 90.0 and east - west < 30.0:
        return (
            f"{says} Its edges, {box}, look like longitudes and latitudes in degrees: if they are, give "
            "--dem-crs EPSG:4326."
        )
    return (
        f"{says} Its edges are {box}; the papers that came with it say on which grid. Give it with "
        "--dem-crs, such as --dem-crs EPSG:25830."
    )


def choose_unit(
    name: str, told: str | None, tag: str | None, vertical_unit_m: float | None, axis_unit_m: float
) -> tuple[str, bool, list[str]]:
    """Find the unit of the heights: as told, as tagged, of the vertical CRS, or assumed.

    Parameters
    ----------
    name : str
        The file's, for sentences.
    told : str or None
        Key of `Z_UNITS`.
    tag : str or None
        The band's unit tag.
    vertical_unit_m, axis_unit_m : float or None
        Metres in a unit of the vertical CRS and of the grid.

    Returns
    -------
    unit : str
        Key of `Z_UNITS`.
    is_assumed : bool
        Whether nothing said so.
    doubts : list of str
        What may be wrong.

    Examples
    --------
    >>> choose_unit("a.tif", None, "US_survey_foot", None, 1.0)
    ('us-ft', False, [])
    """
    words = " ".join(re.sub(r"[][()_]", " ", tag or "").lower().split())
    by_tag = next((unit for unit, known in _UNIT_WORDS.items() if words in known), None)
    by_crs = None if vertical_unit_m is None else _unit_of(vertical_unit_m)
    doubts = []
    if tag and by_tag is None and told is None:
        doubts.append(
            f"{name}: The heights' unit '{tag}' is unknown. "
            f"{_capital(UNIT_NAMES[by_crs or 'm'])} are assumed; give it with --z-unit."
        )
    if told is not None:
        if by_tag is not None and by_tag != told:
            doubts.append(
                f"{name}: The file says that its heights are in {UNIT_NAMES[by_tag]}; they are read in "
                f"{UNIT_NAMES[told]} as told."
            )
        return told, False, doubts
    if by_tag is not None:
        # Nobody who writes plain feet means to tell the two feet apart: the CRS may.
        if by_tag == "ft" and by_crs == "us-ft" and words in {"ft", "foot", "feet"}:
            return by_crs, False, doubts
        if by_crs is not None and by_crs != by_tag:
            doubts.append(
                f"{name}: The unit tag says {UNIT_NAMES[by_tag]} and the CRS says {UNIT_NAMES[by_crs]}. "
                "The tag is followed; give the unit with --z-unit."
            )
        return by_tag, False, doubts
    if by_crs is not None:
        return by_crs, False, doubts
    by_axis = _unit_of(axis_unit_m)
    if by_axis is not None and by_axis != "m" and not tag:
        doubts.append(
            f"{name}: The grid is in {UNIT_NAMES[by_axis]} and nothing says what the heights are in. "
            f"{_capital(UNIT_NAMES[by_axis])} are assumed for them too; give the unit with --z-unit."
        )
        return by_axis, True, doubts
    return "m", True, doubts


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _unit_of(factor: float) -> str | None:
    return next((unit for unit, size in Z_UNITS.items() if math.isclose(size, factor, rel_tol=1e-8)), None)
