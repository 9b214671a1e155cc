"""Customary units and SI: exact factors, and short strings for people to read.

Inside the package everything is SI; these factors are used at the edges only.

References
----------
International foot, inch, mile, pound: the 1959 agreement, Federal Register 24 FR 5348 (exact by definition).
US survey foot: 1200/3937 m, in official use until 31 December 2022, 85 FR 62698 (NIST and NGS, 2020).
US gallon: 231 cubic inches, NIST Handbook 44 appendix C.
"""

from __future__ import annotations

import math
from types import MappingProxyType

from washgrade.checks import choice

__all__ = [
    "ACRE_M2",
    "FOOT_M",
    "GALLON_M3",
    "INCH_M",
    "LENGTH_M",
    "LENGTH_MM",
    "MASS_KG",
    "MILE_M",
    "OUNCE_KG",
    "POUND_KG",
    "SURVEY_FOOT_M",
    "TIME_H",
    "UNITS",
    "VOLUME_LITRES",
    "show_area",
    "show_count",
    "show_depth",
    "show_flow",
    "show_grade",
    "show_length",
    "show_mass",
    "show_rain",
    "show_share",
    "show_volume",
]

UNITS = ("us", "metric")

FOOT_M = 0.3048
SURVEY_FOOT_M = 1200.0 / 3937.0
INCH_M = 0.0254
MILE_M = 5280.0 * FOOT_M
ACRE_M2 = 43560.0 * FOOT_M**2
POUND_KG = 0.45359237
OUNCE_KG = POUND_KG / 16.0
GALLON_M3 = 231.0 * INCH_M**3

LENGTH_M = MappingProxyType({"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": FOOT_M, "in": INCH_M})
"""Metres in one unit of length, by the suffix that a column name carries."""

MASS_KG = MappingProxyType({"kg": 1.0, "g": 0.001, "lb": POUND_KG, "oz": OUNCE_KG})
"""Kilograms in one unit of mass, by the suffix that a column name carries."""

LENGTH_MM = MappingProxyType({"mm": 1.0, "cm": 10.0, "in": 25.4})
"""Millimetres in one unit of the depth of rain, by the suffix that a column name carries."""

VOLUME_LITRES = MappingProxyType(
    {"litres": 1.0, "m3": 1000.0, "gal": GALLON_M3 * 1000.0, "ft3": FOOT_M**3 * 1000.0}
)
"""Litres in one unit of volume, by the suffix that a column name carries."""

TIME_H = MappingProxyType({"h": 1.0, "min": 1.0 / 60.0, "days": 24.0})
"""Hours in one unit of time, by the suffix that a column name carries."""


def show_length(value_m: float, units: str) -> str:
    """Show a distance in feet and miles, or metres and kilometres.

    Parameters
    ----------
    value_m : float
        Distance in metres; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_length(106.7, "us"), show_length(106.7, "metric"), show_length(4000, "us")
    ('350 ft', '107 m', '2.5 mi')
    """
    if choice("units", units, UNITS) == "us":
        return _short(value_m, ((MILE_M, "mi"), (FOOT_M, "ft")), decimals=1)
    return _short(value_m, ((1000.0, "km"), (1.0, "m")), decimals=1)


def show_height(value_m: float, units: str) -> str:
    """Show a height above the sea, or how deep ground was filled or carved, in feet or metres.

    Parameters
    ----------
    value_m : float
        Height in metres; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number with one decimal, and unit: never in miles or kilometres.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_height(1234.56, "us"), show_height(1234.56, "metric"), show_height(-0.04, "metric")
    ('4,050.4 ft', '1,234.6 m', '0.0 m')
    """
    size, name = (FOOT_M, "ft") if choice("units", units, UNITS) == "us" else (1.0, "m")
    if not math.isfinite(value_m):
        return "–"
    # Zero is added because rounding makes -0 of a small negative number.
    return f"{round(value_m / size, 1) + 0.0:,.1f} {name}"


def show_depth(value_m: float, units: str) -> str:
    """Show a depth or thickness in inches or centimetres.

    Parameters
    ----------
    value_m : float
        Depth in metres; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_depth(0.10, "us"), show_depth(0.10, "metric")
    ('3.9 in', '10 cm')
    """
    name, size = ("in", INCH_M) if choice("units", units, UNITS) == "us" else ("cm", 0.01)
    return _short(value_m, ((size, name),), decimals=1)


def show_rain(value_mm: float, units: str) -> str:
    """Show a depth of rain in inches or millimetres.

    Parameters
    ----------
    value_mm : float
        Depth in millimetres; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_rain(30.48, "us"), show_rain(30.48, "metric")
    ('1.2 in', '30 mm')
    """
    if choice("units", units, UNITS) == "us":
        return _short(value_mm, ((1e3 * INCH_M, "in"),), decimals=1)
    return _short(value_mm, ((1.0, "mm"),), decimals=0)


def show_flow(value_m3_s: float, units: str) -> str:
    """Show a discharge in cubic feet or cubic metres a second.

    Parameters
    ----------
    value_m3_s : float
        Discharge in cubic metres a second; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_flow(2.0, "us"), show_flow(2.0, "metric")
    ('70.6 cfs', '2 m3/s')
    """
    if choice("units", units, UNITS) == "us":
        return _short(value_m3_s, ((FOOT_M**3, "cfs"),), decimals=1)
    return _short(value_m3_s, ((1.0, "m3/s"),), decimals=2)


def show_mass(value_kg: float, units: str) -> str:
    """Show a mass in pounds and ounces, or kilograms and grams.

    Parameters
    ----------
    value_kg : float
        Mass in kilograms; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_mass(5.625, "us"), show_mass(5.625, "metric"), show_mass(0.05, "metric")
    ('12.4 lb', '5.6 kg', '50 g')
    """
    if choice("units", units, UNITS) == "us":
        return _short(value_kg, ((POUND_KG, "lb"), (OUNCE_KG, "oz")), decimals=1)
    return _short(value_kg, ((1.0, "kg"), (0.001, "g")), decimals=1)


def show_area(value_m2: float, units: str) -> str:
    """Show an area in square miles, acres and square feet, or square kilometres, hectares and square metres.

    Parameters
    ----------
    value_m2 : float
        Area in square metres; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_area(40468.6, "us"), show_area(40468.6, "metric"), show_area(2.59e6, "us")
    ('10 acres', '4 ha', '1 sq mi')
    """
    if choice("units", units, UNITS) == "us":
        return _short(value_m2, ((MILE_M**2, "sq mi"), (ACRE_M2, "acres"), (FOOT_M**2, "sq ft")), decimals=1)
    return _short(value_m2, ((1e6, "km²"), (1e4, "ha"), (1.0, "m²")), decimals=1)


def show_head_area(value_m2: float, units: str) -> str:
    """Show the ground that feeds the head of a channel, in square metres as the settings have it, or acres.

    Parameters
    ----------
    value_m2 : float
        Area in square metres; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_head_area(10_000, "us"), show_head_area(10_000, "metric"), show_head_area(94.5, "metric")
    ('2.5 acres', '10,000 m²', '94.5 m²')
    """
    if choice("units", units, UNITS) == "us":
        return show_area(value_m2, units)
    return _short(value_m2, ((1.0, "m²"),), decimals=1)


def show_volume(value_m3: float, units: str) -> str:
    """Show a volume in gallons or litres, large ones in cubic yards or cubic metres.

    Parameters
    ----------
    value_m3 : float
        Volume in cubic metres; NaN shows as a dash.
    units : {"us", "metric"}
        What the reader is used to.

    Returns
    -------
    str
        Number and unit.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_volume(0.004, "us"), show_volume(0.004, "metric"), show_volume(7.6455, "us")
    ('1.1 gal', '4 L', '10 cu yd')
    """
    if choice("units", units, UNITS) == "us":
        return _short(value_m3, ((27.0 * FOOT_M**3, "cu yd"), (GALLON_M3, "gal")), decimals=1)
    return _short(value_m3, ((1.0, "m³"), (0.001, "L")), decimals=1)


def show_count(count: int, one: str) -> str:
    """Write how many there are of something.

    Parameters
    ----------
    count : int
        How many.
    one : str
        What one of them is called, a regular English word.

    Returns
    -------
    str
        Number and word.

    Examples
    --------
    >>> show_count(1, "reach"), show_count(3, "reach"), show_count(2, "carry"), show_count(0, "day")
    ('1 reach', '3 reaches', '2 carries', '0 days')
    """
    if count == 1:
        return f"1 {one}"
    if one.endswith("y") and one[-2] not in "aeiou":
        return f"{count} {one[:-1]}ies"
    return f"{count} {one}{'es' if one.endswith(('ch', 's', 'x')) else 's'}"


def show_share(share: float, decimals: int = 0) -> str:
    """Write a share or a chance in percent.

    Parameters
    ----------
    share : float
        Mostly 0 to 1.
    decimals : int, default 0
        Digits after the point.

    Returns
    -------
    str
        With the blank that stands before the sign everywhere else.

    Examples
    --------
    >>> show_share(0.14), show_share(0.045, 1)
    ('14 %', '4.5 %')
    """
    return f"{100 * share:.{decimals}f} %"


def show_grade(grade: float, units: str = "metric") -> str:
    """Show a grade as a percentage, the same in both systems.

    Parameters
    ----------
    grade : float
        Mass of magnetics per dry mass of bed material, 0 to 1; NaN shows as a dash.
    units : {"us", "metric"}, default "metric"
        Taken so that every helper is called alike.

    Returns
    -------
    str
        Percentage.

    Raises
    ------
    InputError
        If ``units`` is neither word.

    Examples
    --------
    >>> show_grade(0.123), show_grade(0.004), show_grade(0.00002)
    ('12.3 %', '0.4 %', '<0.01 %')
    """
    choice("units", units, UNITS)
    if 0.0 < grade < 0.0001:
        return "<0.01 %"
    return _short(grade, ((0.01, "%"),), decimals=1 if not grade or grade >= 0.001 else 2)


def _short(value: float, sizes: tuple[tuple[float, str], ...], *, decimals: int) -> str:
    # Number in the first unit of which it holds at least one, from 100 upward without decimals.
    if not math.isfinite(value):
        return "–"
    # Half a last digit of slack: 0.99999 of a pound is shown as 1 lb, not as 16 oz.
    enough = 1.0 - 0.5 * 10.0**-decimals
    size, name = next((entry for entry in sizes if abs(value) / entry[0] >= enough), sizes[-1])
    shown = value / size
    text = f"{shown:,.{0 if abs(shown) >= 99.95 else decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{'0' if text == '-0' else text} {name}"
