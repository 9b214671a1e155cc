"""Runoff: how much of the rain the ground does not drink, by curve numbers."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice, number
from washgrade.errors import InputError
from washgrade.storm.arrays import numbers
from washgrade.storm.rain import Hyetograph

__all__ = [
    "CURVE_NUMBERS",
    "curve_number",
    "curve_number_dry",
    "curve_number_now",
    "curve_number_wet",
    "excess_mm",
    "initial_loss_mm",
    "runoff_mm",
    "storage_mm",
]

_NONE = math.nan

# US Soil Conservation Service (1986). Urban hydrology for small watersheds, Technical Release 55, 2nd ed.,
# table 2-2d: arid and semiarid rangelands, average wetness, initial loss 0.2 S. Soil groups A, B, C, D. Poor
# is less than 30 % ground cover, fair 30 to 70 %, good more than 70 %. No value is printed for group A but
# for shrub.
CURVE_NUMBERS: dict[str, dict[str, tuple[float, float, float, float]]] = {
    "desert shrub": {"poor": (63, 77, 85, 88), "fair": (55, 72, 81, 86), "good": (49, 68, 79, 84)},
    "herbaceous": {"poor": (_NONE, 80, 87, 93), "fair": (_NONE, 71, 81, 89), "good": (_NONE, 62, 74, 85)},
    "oak-aspen": {"poor": (_NONE, 66, 74, 79), "fair": (_NONE, 48, 57, 63), "good": (_NONE, 30, 41, 48)},
    "pinyon-juniper": {"poor": (_NONE, 75, 85, 89), "fair": (_NONE, 58, 73, 80), "good": (_NONE, 41, 61, 71)},
    "sagebrush": {"poor": (_NONE, 67, 80, 85), "fair": (_NONE, 51, 63, 70), "good": (_NONE, 35, 47, 55)},
}


def curve_number(cover: str, condition: str, soil_group: str) -> float:
    """Look up the curve number of a rangeland at average wetness.

    Parameters
    ----------
    cover : str
        One of `CURVE_NUMBERS`.
    condition : {"poor", "fair", "good"}
        Less than 30 %, 30 to 70 %, more than 70 % of the ground covered.
    soil_group : {"A", "B", "C", "D"}
        Hydrologic soil group, from sand to clay or rock.

    Returns
    -------
    float
        Curve number, 0 to 100.

    Raises
    ------
    InputError
        If a word is not in the table or the table has no value there.

    Examples
    --------
    >>> curve_number("desert shrub", "poor", "B")
    77.0
    """
    rows = CURVE_NUMBERS[choice("cover", cover, tuple(CURVE_NUMBERS))]
    row = rows[choice("condition", condition, tuple(rows))]
    found = float(row["ABCD".index(choice("soil_group", soil_group, ("A", "B", "C", "D")))])
    if math.isnan(found):
        raise InputError(
            f"No curve number for {cover!r} on soil group 'A'. TR-55 has that group for 'desert shrub' alone."
        )
    return found


def storage_mm(curve_number: ArrayLike) -> NDArray[np.float64]:
    """Potential retention S of the ground.

    Parameters
    ----------
    curve_number : array_like of float
        Above 0, at most 100.

    Returns
    -------
    ndarray of float64
        Millimetres: 25.4 (1000 / CN - 10) (TR-55 equation 2-4).

    Examples
    --------
    >>> float(storage_mm(80).round(6))
    63.5
    """
    found: NDArray[np.float64] = 25.4 * (
        1000.0 / numbers("curve_number", curve_number, above=0, at_most=100) - 10.0
    )
    return np.maximum(found, 0.0)


def initial_loss_mm(curve_number: ArrayLike, *, loss_share: float = 0.2) -> NDArray[np.float64]:
    """Rain that falls before any runs off.

    Parameters
    ----------
    curve_number : array_like of float
        Above 0, at most 100.
    loss_share : float, optional
        Share of S. 0.2: TR-55 equation 2-2, for which its curve numbers hold.

    Returns
    -------
    ndarray of float64
        Millimetres.

    Examples
    --------
    >>> float(initial_loss_mm(80).round(6))
    12.7
    """
    return number("loss_share", loss_share, at_least=0, at_most=1) * storage_mm(curve_number)


def runoff_mm(rain_mm: ArrayLike, curve_number: ArrayLike, *, loss_share: float = 0.2) -> NDArray[np.float64]:
    """Depth of rain that runs off.

    Parameters
    ----------
    rain_mm : array_like of float
        Rain, millimetres.
    curve_number : array_like of float
        Above 0, at most 100.
    loss_share : float, optional
        Initial loss as a share of S.

    Returns
    -------
    ndarray of float64
        Millimetres; 0 up to the initial loss, never more than the rain.

    Notes
    -----
    ``(P - Ia)^2 / (P - Ia + S)`` (TR-55 equation 2-1).

    Examples
    --------
    >>> float((runoff_mm(4 * 25.4, 80) / 25.4).round(2))
    2.04
    """
    rain_mm = numbers("rain_mm", rain_mm, at_least=0)
    storage = storage_mm(curve_number)
    over = np.maximum(rain_mm - initial_loss_mm(curve_number, loss_share=loss_share), 0.0)
    whole = over + storage
    found: NDArray[np.float64] = np.divide(over**2, whole, out=np.zeros(np.shape(whole)), where=whole > 0)
    return found


def excess_mm(
    rain: Hyetograph, curve_number: ArrayLike, *, areal_share: float = 1.0, loss_share: float = 0.2
) -> NDArray[np.float64]:
    """Rain that runs off, step by step.

    Parameters
    ----------
    rain : Hyetograph
        The rain.
    curve_number : array_like of float
        One curve number.
    areal_share : float, optional
        Mean rain over the ground as a share of the gauge's.
    loss_share : float, optional
        Initial loss as a share of S.

    Returns
    -------
    ndarray of float64, shape (steps,)
        Millimetres; their sum is the runoff of the whole rain.

    Examples
    --------
    >>> rain = Hyetograph(time_h=np.array([0.0, 1, 2]), fallen_mm=np.array([0.0, 50.8, 101.6]))
    >>> excess_mm(rain, 80).round(1).tolist()
    [14.3, 37.6]
    """
    areal_share = number("areal_share", areal_share, at_least=0, at_most=1)
    found: NDArray[np.float64] = np.diff(
        runoff_mm(rain.fallen_mm * areal_share, curve_number, loss_share=loss_share)
    )
    return np.maximum(found, 0.0)


def curve_number_dry(curve_number: ArrayLike) -> NDArray[np.float64]:
    """Curve number of dry ground (condition I) from that of average ground (condition II).

    Parameters
    ----------
    curve_number : array_like of float
        At average wetness.

    Returns
    -------
    ndarray of float64
        ``CN / (2.281 - 0.01281 CN)``.

    References
    ----------
    Hawkins, R. H., Hjelmfelt, A. T., Zevenbergen, A. W. (1985). Runoff probability, storm depth, and curve
    numbers. Journal of Irrigation and Drainage Engineering 111(4), 330-340.

    Examples
    --------
    >>> float(curve_number_dry(75).round(2))
    56.81
    """
    average = numbers("curve_number", curve_number, above=0, at_most=100)
    found: NDArray[np.float64] = average / (2.281 - 0.01281 * average)
    return found


def curve_number_wet(curve_number: ArrayLike) -> NDArray[np.float64]:
    """Curve number of wet ground (condition III) from that of average ground (condition II).

    Parameters
    ----------
    curve_number : array_like of float
        At average wetness.

    Returns
    -------
    ndarray of float64
        ``CN / (0.427 + 0.00573 CN)`` (Hawkins et al. 1985, see `curve_number_dry`).

    Examples
    --------
    >>> float(curve_number_wet(75).round(2))
    87.54
    """
    average = numbers("curve_number", curve_number, above=0, at_most=100)
    found: NDArray[np.float64] = average / (0.427 + 0.00573 * average)
    return found


def curve_number_now(
    curve_number: ArrayLike, *, antecedent_mm: float, dry_counts: bool = False
) -> NDArray[np.float64]:
    """Curve number after the rain of the days before.

    Parameters
    ----------
    curve_number : array_like of float
        At average wetness.
    antecedent_mm : float
        Rain of the days before, from `washgrade.storm.rain.antecedent_rain_mm`, millimetres.
    dry_counts : bool, optional
        Whether dry ground drinks more than average ground. No: our choice, because a notebook misses rains,
        bare crusts shed hard rain even when dry, and the soil service no longer ties the conditions to rain
        totals but reads them as the spread about condition II.

    Returns
    -------
    ndarray of float64
        Curve number; it never falls as the antecedent rain grows.

    Notes
    -----
    Condition I up to 12.7 mm and III from 27.9 mm (0.5 and 1.1 inches in five days, dormant season; US Soil
    Conservation Service, National Engineering Handbook section 4, table 4.2, from memory), II midway, linear
    between, so that a millimetre never makes a jump. With ``dry_counts`` off, I is replaced by II.

    Examples
    --------
    >>> [float(curve_number_now(75, antecedent_mm=mm).round(2)) for mm in (0, 20.3, 24.1, 40)]
    [75.0, 75.0, 81.27, 87.54]
    """
    wetness = float(np.interp(number("antecedent_mm", antecedent_mm, at_least=0), _WETNESS_MM, (-1, 0, 1)))
    average = numbers("curve_number", curve_number, above=0, at_most=100)
    if wetness >= 0:
        return average + wetness * (curve_number_wet(average) - average)
    return average + wetness * (average - curve_number_dry(average)) * dry_counts


_WETNESS_MM = (12.7, 20.3, 27.9)
