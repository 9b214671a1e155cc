"""Small data: numbers as short integers in text, and text that cannot break out of a script."""

from __future__ import annotations

import base64
import json
import zlib

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "MERCATOR_ZOOM",
    "MISSING",
    "deflated",
    "mercator_pixels",
    "pack_column",
    "pack_integers",
    "safe_json",
]

MERCATOR_ZOOM = 19
"""Lines are stored in whole pixels of this zoom level: 0.3 m at the equator, 0.24 m at 37 degrees."""

MISSING = -(2**40)
"""Stands for NaN in a packed column; far outside of any value that the page shows."""


def mercator_pixels(
    lon: NDArray[np.float64], lat: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Whole pixels of a web map of 256-pixel tiles at zoom `MERCATOR_ZOOM`.

    Parameters
    ----------
    lon, lat : ndarray of float64, shape (points,)
        Degrees, WGS 84; latitude within 85 degrees of the equator.

    Returns
    -------
    east, south : ndarray of int64, shape (points,)
        Pixels from the antimeridian and from the northern edge.

    References
    ----------
    EPSG:3857, method 1024 (Popular Visualisation Pseudo Mercator), IOGP Guidance Note 7-2.

    Examples
    --------
    >>> import numpy as np
    >>> east, south = mercator_pixels(np.array([0.0]), np.array([0.0]))
    >>> int(east[0]) == int(south[0]) == 2**26
    True
    """
    world = 256.0 * 2.0**MERCATOR_ZOOM
    east = (lon / 360.0 + 0.5) * world
    south = (0.5 - np.arcsinh(np.tan(np.radians(lat))) / (2.0 * np.pi)) * world
    return np.rint(east).astype(np.int64), np.rint(south).astype(np.int64)


def pack_integers(values: NDArray[np.int64]) -> str:
    """Differences of whole numbers as base64 text: small steps take one byte, larger ones more.

    Parameters
    ----------
    values : ndarray of int64, shape (n,)
        Whole numbers within 2**48 of zero.

    Returns
    -------
    str
        Base64 of the differences (the first from 0), each doubled with the sign as its last bit, seven bits
        to a byte, lowest first, the top bit saying that more follow.

    Examples
    --------
    >>> import numpy as np
    >>> pack_integers(np.array([1, 0, 64]))
    'AgGAAQ=='
    """
    whole = np.asarray(values, dtype=np.int64)
    steps = whole - np.concatenate([np.zeros(1, dtype=np.int64), whole])[:-1]
    rest = ((steps << 1) ^ (steps >> 63)).astype(np.uint64)
    # One column for each byte that a number may need; then those that are needed, row by row.
    columns = []
    needed = []
    need = np.ones(len(rest), dtype=bool)
    while need.any():
        low = (rest & np.uint64(0x7F)).astype(np.uint8)
        rest >>= np.uint64(7)
        more = rest > 0
        columns.append(np.where(more, low | np.uint8(0x80), low))
        needed.append(need)
        need = more
    if not columns:
        return ""
    data = np.stack(columns, axis=1)[np.stack(needed, axis=1)]
    return base64.b64encode(data.tobytes()).decode("ascii")


def pack_column(values: NDArray[np.floating] | NDArray[np.integer] | NDArray[np.bool_], scale: float) -> str:
    """A column of numbers, rounded to ``1 / scale`` and packed.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Numbers in any unit; NaN becomes `MISSING`.
    scale : float
        How many steps make one unit.

    Returns
    -------
    str
        Text as of `pack_integers`.

    Examples
    --------
    >>> import numpy as np
    >>> pack_column(np.array([0.01, 0.02]), 100.0) == pack_integers(np.array([1, 2]))
    True
    """
    numbers = np.asarray(values, dtype=np.float64) * scale
    whole = np.where(np.isfinite(numbers), np.rint(np.nan_to_num(numbers)), MISSING)
    return pack_integers(whole.astype(np.int64))


def deflated(text: str) -> str:
    """Text made smaller, for a page so large that it pays.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Base64 of its UTF-8 bytes in the zlib format, which browsers call ``deflate``.

    References
    ----------
    RFC 1950 (ZLIB); Compression Streams, WHATWG, "deflate".

    Examples
    --------
    >>> len(deflated("a" * 1000)) < 50
    True
    """
    return base64.b64encode(zlib.compress(text.encode("utf-8"), 9)).decode("ascii")


def safe_json(value: object) -> str:
    r"""JSON that may stand inside a script element whatever text it carries.

    Parameters
    ----------
    value : object
        Dicts, sequences, text, finite numbers, bools and None.

    Returns
    -------
    str
        JSON in which ``<``, ``>``, ``&`` and all characters beyond ASCII are written as escapes.

    Examples
    --------
    >>> print(safe_json("</script>"))
    "\u003c/script\u003e"
    """
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"), default=_plain)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _plain(value: object) -> object:
    # NumPy scalars as plain numbers.
    if isinstance(value, np.generic):
        return value.item()
    # Nothing else can come from a view: a mistake of ours, told in Python's own words.
    return json.JSONEncoder().default(value)
