"""Time of concentration: how long the farthest water takes to the place."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.storm.arrays import numbers
from washgrade.storm.runoff import storage_mm

__all__ = ["CONCENTRATION", "kirpich_h", "lag_h"]

_FT = 0.3048


def kirpich_h(*, path_m: ArrayLike, path_slope: ArrayLike) -> NDArray[np.float64]:
    """Time of concentration of a small catchment by Kirpich.

    Parameters
    ----------
    path_m : array_like of float
        Longest path of the water, metres.
    path_slope : array_like of float
        Its slope, metres by metre.

    Returns
    -------
    ndarray of float64
        Hours.

    Notes
    -----
    ``0.0195 L^0.77 S^-0.385`` minutes with L in metres (0.0078 with L in feet), from seven farm catchments of
    less than 0.5 km2: on larger ones it is an extrapolation.

    References
    ----------
    Kirpich, Z. P. (1940). Time of concentration of small agricultural watersheds. Civil Engineering 10(6),
    362.

    Examples
    --------
    >>> float((60 * kirpich_h(path_m=1000, path_slope=0.01)).round(2))
    23.44
    """
    found: NDArray[np.float64] = (
        0.0195
        * numbers("path_m", path_m, at_least=0) ** 0.77
        * numbers("path_slope", path_slope, above=0) ** -0.385
        / 60.0
    )
    return found


def lag_h(*, path_m: ArrayLike, land_slope: ArrayLike, curve_number: ArrayLike) -> NDArray[np.float64]:
    """Time of concentration by the lag equation of the US soil service.

    Parameters
    ----------
    path_m : array_like of float
        Longest path of the water, metres.
    land_slope : array_like of float
        Mean slope of the land, metres by metre.
    curve_number : array_like of float
        At average wetness.

    Returns
    -------
    ndarray of float64
        Hours: lag / 0.6, ``L^0.8 (S + 1)^0.7 / (1140 Y^0.5)`` with L in feet, S in inches and Y in percent.

    References
    ----------
    US Natural Resources Conservation Service (2010). National Engineering Handbook, part 630, chapter 15,
    equations 15-4a and 15-4b.

    Examples
    --------
    >>> float(lag_h(path_m=5000 * 0.3048, land_slope=0.08, curve_number=75).round(3))
    0.788
    """
    path_ft = numbers("path_m", path_m, at_least=0) / _FT
    slope_percent = 100.0 * numbers("land_slope", land_slope, above=0)
    found: NDArray[np.float64] = (
        path_ft**0.8 * (storage_mm(curve_number) / 25.4 + 1.0) ** 0.7 / (1140.0 * slope_percent**0.5)
    )
    return found


# Times of concentration by name; each takes path, slope and curve number.
CONCENTRATION: dict[str, Callable[[ArrayLike, ArrayLike, ArrayLike], NDArray[np.float64]]] = {
    "kirpich": lambda path_m, slope, _: kirpich_h(path_m=path_m, path_slope=slope),
    "lag": lambda path_m, slope, curve: lag_h(path_m=path_m, land_slope=slope, curve_number=curve),
}
