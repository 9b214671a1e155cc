"""The few checks of values that everything else shares."""

from __future__ import annotations

import math

from washgrade.errors import InputError

__all__ = ["choice", "number", "whole"]


def number(
    name: str,
    value: object,
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
    where: str = "",
) -> float:
    """Return a value as a finite float within limits, or say what is wrong with it.

    Parameters
    ----------
    name : str
        What the value is called, with its unit suffix.
    value : object
        The value found.
    above, at_least, below, at_most : float, optional
        Exclusive and inclusive limits, in the unit of the name.
    where : str, optional
        Where the value stands, such as ``samples.csv, row 12``.

    Returns
    -------
    float
        The value, in the unit of the name.

    Raises
    ------
    InputError
        If the value is no finite number or outside the limits.

    Examples
    --------
    >>> number("shovel_litres", 4, above=0)
    4.0
    >>> number("shovel_litres", 0.0, above=0)
    Traceback (most recent call last):
    ...
    washgrade.errors.InputError: Invalid 'shovel_litres' of 0.0. It must be a finite number above 0.
    """
    parts = []
    if above is not None:
        parts.append(f"above {above:g}")
    if at_least is not None:
        parts.append(f"of at least {at_least:g}")
    if below is not None:
        parts.append(f"below {below:g}")
    if at_most is not None:
        parts.append(f"of at most {at_most:g}")
    rule = "a finite number" + (" " + " and ".join(parts) if parts else "")
    place = f"{where}: " if where else ""
    message = f"{place}Invalid '{name}' of {value!r}. It must be {rule}."
    if isinstance(value, bool):
        raise InputError(message)
    try:
        found = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise InputError(message) from None
    good = (
        math.isfinite(found)
        and (above is None or found > above)
        and (at_least is None or found >= at_least)
        and (below is None or found < below)
        and (at_most is None or found <= at_most)
    )
    if not good:
        raise InputError(message)
    return found


def whole(name: str, value: object, *, at_least: int | None = None, where: str = "") -> int:
    """Return a value as a whole number, or say what is wrong with it.

    Parameters
    ----------
    name : str
        What the value is called.
    value : object
        The value found.
    at_least : int, optional
        Inclusive lower limit.
    where : str, optional
        Where the value stands.

    Returns
    -------
    int
        The value.

    Raises
    ------
    InputError
        If the value is no whole number or below the limit.

    Examples
    --------
    >>> whole("top", 3, at_least=1)
    3
    """
    rule = "a whole number" + (f" of at least {at_least}" if at_least is not None else "")
    place = f"{where}: " if where else ""
    try:
        found = float(value)  # type: ignore[arg-type]
        good = not isinstance(value, bool) and found.is_integer() and (at_least is None or found >= at_least)
    except (TypeError, ValueError, OverflowError):
        good = False
    if not good:
        raise InputError(f"{place}Invalid '{name}' of {value!r}. It must be {rule}.")
    return int(found)


def choice(name: str, value: object, allowed: tuple[str, ...], *, where: str = "") -> str:
    """Return a value that is one of a few words, or say which words there are.

    Parameters
    ----------
    name : str
        What the value is called.
    value : object
        The value found.
    allowed : tuple of str
        The words.
    where : str, optional
        Where the value stands.

    Returns
    -------
    str
        The value.

    Raises
    ------
    InputError
        If the value is none of the words.

    Examples
    --------
    >>> choice("units", "metric", ("us", "metric"))
    'metric'
    """
    if value not in allowed:
        place = f"{where}: " if where else ""
        words = ", ".join(repr(word) for word in allowed)
        raise InputError(f"{place}Invalid '{name}' of {value!r}. It must be one of {words}.")
    return str(value)
