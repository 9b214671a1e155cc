"""How long there is light to work by."""

from __future__ import annotations

import math

from washgrade.checks import number, whole

__all__ = ["CIVIL_DEG", "daylight_hours"]

# Height of the sun at the end of civil twilight, when work without a lamp ends (its definition).
CIVIL_DEG = -6.0


def daylight_hours(*, latitude_deg: float, day_of_year: int, sun_height_deg: float = CIVIL_DEG) -> float:
    r"""Hours that the sun stands above a height, on level open ground.

    Parameters
    ----------
    latitude_deg : float
        Degrees north, -90 to 90.
    day_of_year : int
        1 for 1 January, to 366.
    sun_height_deg : float, default -6
        Height of the sun's middle above the horizon in degrees: -6 from dawn to dusk of civil twilight, 0
        from rise to set as in the source.

    Returns
    -------
    float
        Hours, 0 to 24.

    Raises
    ------
    InputError
        If a value is outside its limits.

    Notes
    -----
    :math:`24/\pi\,\arccos((\sin h - \sin\varphi\sin\delta)/(\cos\varphi\cos\delta))` with the declination
    :math:`\delta = 0.409 \sin(2\pi J/365 - 1.39)`: equations 24, 25 and 34 of the source, with the height h
    of the sun put in. In a canyon it is dark much earlier.

    References
    ----------
    Allen, R. G., Pereira, L. S., Raes, D., Smith, M. (1998). Crop evapotranspiration. FAO Irrigation and
    Drainage Paper 56, equations 24, 25, 34.

    Examples
    --------
    >>> round(daylight_hours(latitude_deg=-20.0, day_of_year=246, sun_height_deg=0.0), 1)
    11.7
    >>> round(daylight_hours(latitude_deg=37.0, day_of_year=355), 1)
    10.6
    """
    latitude = math.radians(number("latitude_deg", latitude_deg, at_least=-90, at_most=90))
    day = whole("day_of_year", day_of_year, at_least=1)
    height = math.radians(number("sun_height_deg", sun_height_deg, at_least=-90, at_most=90))
    declination = 0.409 * math.sin(2.0 * math.pi * day / 365.0 - 1.39)
    over = math.sin(height) - math.sin(latitude) * math.sin(declination)
    under = math.cos(latitude) * math.cos(declination)
    # At the poles and within the circles the sun may stay up or down all day.
    cosine = math.copysign(1.0, over) if abs(over) >= under else over / under
    return 24.0 / math.pi * math.acos(cosine)
