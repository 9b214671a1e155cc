"""From longitude and latitude to the site's grid and back, and the choice of that grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.errors import GroundError

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

__all__ = [
    "GridFacts",
    "crs_name",
    "grid_facts",
    "is_fitting_utm",
    "lonlat",
    "metre_grid",
    "to_grid",
    "utm_crs",
    "utm_zone",
]


def utm_zone(lon: float) -> int:
    """Number of the UTM zone of a longitude.

    Parameters
    ----------
    lon : float
        Longitude in degrees, east positive.

    Returns
    -------
    int
        Zone, 1 to 60.

    Notes
    -----
    The plain six-degree zones; the exceptions drawn around Norway and Svalbard are left out, because a site
    there is served as well by its plain zone.

    References
    ----------
    EPSG registry, coordinate operation method 9824 and codes 16001 to 16060.

    Examples
    --------
    >>> [utm_zone(lon) for lon in (-117.2, -111.0, -105.9, -114.0)]
    [11, 12, 13, 12]
    """
    return math.floor((lon + 180.0) % 360.0 / 6.0) + 1


def utm_crs(lon: float, lat: float) -> str:
    """Name the WGS 84 UTM zone of a place.

    Parameters
    ----------
    lon, lat : float
        Longitude and latitude in degrees.

    Returns
    -------
    str
        ``EPSG:326zz`` in the north, ``EPSG:327zz`` in the south.

    Raises
    ------
    GroundError
        If the place lies beyond the latitudes of UTM, 84 north or 80 south.

    Examples
    --------
    >>> utm_crs(-111.0, 33.0), utm_crs(-69.2, -25.0)
    ('EPSG:32612', 'EPSG:32719')
    """
    if not -80.0 <= lat <= 84.0:
        raise GroundError(
            f"The ground lies at latitude {lat:.2f}. UTM covers -80 to 84; give a projected metre CRS with "
            f"--crs."
        )
    return f"EPSG:{(32600 if lat >= 0 else 32700) + utm_zone(lon)}"


def crs_name(crs: CRS) -> str:
    """Write a CRS down as ``EPSG:code`` where it is one, else as WKT.

    Parameters
    ----------
    crs : pyproj.CRS
        Any CRS.

    Returns
    -------
    str
        Short name or WKT.
    """
    code = crs.to_epsg()
    return f"EPSG:{code}" if code is not None else str(crs.to_wkt())


def metre_grid(crs: str) -> str:
    """Check that a CRS is a projected grid in metres, and name it.

    Parameters
    ----------
    crs : str
        Anything that names a CRS: ``EPSG:25830``, WKT, a PROJ string.

    Returns
    -------
    str
        The CRS as ``EPSG:code`` or WKT.

    Raises
    ------
    GroundError
        If it names no CRS, or none that is projected in metres.

    Examples
    --------
    >>> metre_grid("EPSG:25830")
    'EPSG:25830'
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        found = CRS.from_user_input(crs)
    except CRSError:
        raise GroundError(
            f"Invalid 'crs' of {crs!r}. It must name a coordinate reference system, such as EPSG:25830."
        ) from None
    factors = {axis.unit_conversion_factor for axis in found.axis_info[:2]}
    if not found.is_projected or factors != {1.0}:
        raise GroundError(
            f"Invalid 'crs' of {crs!r}. It must be a projected CRS in metres, such as EPSG:25830; "
            f"it is {found.name!r}."
        )
    return crs_name(found)


def is_fitting_utm(crs: CRS, lon: float, lat: float) -> bool:
    """Say whether a CRS is a UTM zone in metres that fits a place.

    Parameters
    ----------
    crs : pyproj.CRS
        Any CRS, on any datum.
    lon, lat : float
        The place, degrees.

    Returns
    -------
    bool
        True for a six-degree transverse Mercator zone whose middle lies within four degrees of the place: a
        degree beyond the zone's edge scale is off by less than 0.2 %, no reason to resample a DEM.
    """
    if crs.coordinate_operation is None or "Transverse Mercator" not in crs.coordinate_operation.method_name:
        return False
    if any(axis.unit_conversion_factor != 1.0 for axis in crs.axis_info[:2]):
        return False
    values = {parameter.name: float(parameter.value) for parameter in crs.coordinate_operation.params}
    middle = values.get("Longitude of natural origin", math.nan)
    return (
        values.get("Scale factor at natural origin") == 0.9996
        and values.get("False easting") == 500000.0
        and values.get("Latitude of natural origin") == 0.0
        and values.get("False northing") in ({0.0} if lat >= 0 else {0.0, 10000000.0})
        and (middle + 177.0) % 6.0 == 0.0
        and abs((lon - middle + 180.0) % 360.0 - 180.0) <= 4.0
    )


@lru_cache(maxsize=32)
def _transformer(source: str, target: str) -> Transformer:
    from pyproj import Transformer

    return Transformer.from_crs(source, target, always_xy=True)


def lonlat(
    crs: str, easting_m: ArrayLike, northing_m: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turn places on the grid into WGS 84 longitude and latitude.

    Parameters
    ----------
    crs : str
        The grid.
    easting_m, northing_m : array_like of float, shape (places,)
        Metres.

    Returns
    -------
    lon, lat : ndarray of float64, shape (places,)
        Degrees.

    Examples
    --------
    >>> lon, lat = lonlat("EPSG:32612", [500000.0], [3651286.944])
    >>> round(float(lon[0]), 6), round(float(lat[0]), 6)
    (-111.0, 33.0)
    """
    lon, lat = _transformer(crs, "EPSG:4326").transform(
        np.asarray(easting_m, dtype=np.float64), np.asarray(northing_m, dtype=np.float64)
    )
    return np.asarray(lon), np.asarray(lat)


def to_grid(crs: str, lon: ArrayLike, lat: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turn WGS 84 longitude and latitude into places on the grid.

    Parameters
    ----------
    crs : str
        The grid.
    lon, lat : array_like of float, shape (places,)
        Degrees.

    Returns
    -------
    easting_m, northing_m : ndarray of float64, shape (places,)
        Metres; infinite where the grid does not reach.

    Examples
    --------
    >>> easting_m, northing_m = to_grid("EPSG:32612", [-111.0], [33.0])
    >>> round(float(easting_m[0]), 3), round(float(northing_m[0]), 3)
    (500000.0, 3651286.944)
    """
    easting_m, northing_m = _transformer("EPSG:4326", crs).transform(
        np.asarray(lon, dtype=np.float64), np.asarray(lat, dtype=np.float64)
    )
    return np.asarray(easting_m), np.asarray(northing_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class GridFacts:
    """What a map must tell of its grid.

    Parameters
    ----------
    name, datum : str
        Name of the grid with its zone, and of its datum.
    scale : float
        Length on the grid of one metre on the ground.
    north_deg : float
        Direction of grid north, degrees clockwise from true north.
    """

    name: str
    datum: str
    scale: float
    north_deg: float


def grid_facts(crs: str, easting_m: float, northing_m: float) -> GridFacts:
    """Find what a map must tell of its grid at a place.

    Parameters
    ----------
    crs : str
        The grid.
    easting_m, northing_m : float
        The place, metres.

    Returns
    -------
    GridFacts
        Name, datum, scale and direction of north.

    Notes
    -----
    Scale and direction are those of a kilometre of grid line going north through the place, by the geodesic
    (Karney, C. F. F., 2013, Algorithms for geodesics, Journal of Geodesy 87, 43-55) on the grid's own
    ellipsoid; heights above it are left out (0.016 % for each kilometre).

    Examples
    --------
    >>> facts = grid_facts("EPSG:32612", 500000.0, 3651287.0)
    >>> facts.name, facts.datum, round(facts.scale, 5), round(facts.north_deg, 2)
    ('WGS 84 / UTM zone 12N', 'World Geodetic System 1984', 0.9996, 0.0)
    """
    from pyproj import CRS, Geod

    found = CRS.from_user_input(crs)
    base = found.geodetic_crs or found
    half_m = 500.0
    lon, lat = _transformer(crs, base.to_wkt()).transform(
        [easting_m, easting_m], [northing_m - half_m, northing_m + half_m]
    )
    forward_deg, _, length_m = (found.get_geod() or Geod(ellps="WGS84")).inv(lon[0], lat[0], lon[1], lat[1])
    return GridFacts(
        name=found.name,
        # "Ensemble": several realisations within a metre or so, no matter on paper.
        datum=(base.datum or base).name.removesuffix(" ensemble"),
        scale=2 * half_m / length_m,
        north_deg=float(forward_deg),
    )
