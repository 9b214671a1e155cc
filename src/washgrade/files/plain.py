"""Values as files for others hold them: plain texts and numbers, and places half-way along lines."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

__all__ = ["GeoShape", "cell_text", "half_way", "plain_value", "utc_text", "xml_text"]

GeoShape = NDArray[np.float64] | Sequence[NDArray[np.float64]]
"""Longitudes and latitudes: shape (2,) a point, (n, 2) a line, a sequence of closed (n, 2) rings an area."""


def cell_text(value: Any) -> str:
    """Write a value as a cell of a table or an element of XML.

    Parameters
    ----------
    value : object
        Any value.

    Returns
    -------
    str
        Every digit of a number, yes or no for a truth, nothing for None and NaN.

    Examples
    --------
    >>> [cell_text(value) for value in (0.1, True, float("nan"), np.int64(3))]
    ['0.1', 'yes', '', '3']
    """
    plain = plain_value(value)
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "yes" if plain else "no"
    return repr(plain) if isinstance(plain, float) else str(plain)


def plain_value(value: Any) -> Any:
    """Turn a value into one that JSON has, NumPy's and dates included; NaN becomes nothing.

    Parameters
    ----------
    value : object
        Any value.

    Returns
    -------
    object
        None, a truth, a number, a text, a dict or a list of these.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain_value(part) for key, part in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain_value(part) for part in value]
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def utc_text(text: Any) -> str | None:
    """Write a moment in UTC as XML does.

    Parameters
    ----------
    text : object
        An ISO date or moment.

    Returns
    -------
    str or None
        None for a day alone, and for a moment without a zone, which is not known in UTC.
    """
    moment = datetime.fromisoformat(str(text))
    if moment.tzinfo is None:
        return None
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def xml_text(text: str) -> str:
    """Write a text so that it may stand in XML.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Escaped; control characters, which have no place in XML at all, are left out.

    References
    ----------
    W3C, Extensible Markup Language (XML) 1.0, fifth edition, 2008, section 2.2, production 2 (Char).
    """
    return escape(
        "".join(
            sign
            for sign in text
            if sign in "\t\n"
            or (sign >= " " and sign not in "\ufffe\uffff" and not "\ud800" <= sign <= "\udfff")
        )
    )


def half_way(line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Find the place half-way along a line.

    Parameters
    ----------
    line : ndarray of float64, shape (points, 2)
        Longitudes and latitudes, degrees.

    Returns
    -------
    ndarray of float64, shape (2,)
        Longitude and latitude, degrees.
    """
    # Degrees of longitude shrink with the cosine of the latitude.
    steps = np.diff(line, axis=0) * [math.cos(math.radians(float(line[0, 1]))), 1.0]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])
    half = along[-1] / 2.0
    return np.array([np.interp(half, along, line[:, 0]), np.interp(half, along, line[:, 1])])
