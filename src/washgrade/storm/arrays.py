"""Checks of arrays that the storm's modules share."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.errors import InputError

__all__ = ["numbers", "one_each"]


def numbers(
    name: str,
    values: ArrayLike,
    *,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
) -> NDArray[np.float64]:
    """Return values as float64, or say which is wrong.

    Parameters
    ----------
    name : str
        What the values are called, with their unit suffix.
    values : array_like of float
        One value or many; NaN is refused.
    above, at_least, at_most : float, optional
        Limits, in the unit of the name.

    Returns
    -------
    ndarray of float64
        The values.

    Raises
    ------
    InputError
        If one is not finite or outside the limits.

    Examples
    --------
    >>> numbers("rain_mm", [1, 2], at_least=0)
    array([1., 2.])
    >>> numbers("rain_mm", -1.0, at_least=0)
    Traceback (most recent call last):
    ...
    washgrade.errors.InputError: Invalid 'rain_mm' of -1.0. It must be a finite number of at least 0.
    """
    found = np.asarray(values, dtype=np.float64)
    good = np.isfinite(found)
    rule = "a finite number"
    limits = []
    if above is not None:
        good &= found > above
        limits.append(f"above {above:g}")
    if at_least is not None:
        good &= found >= at_least
        limits.append(f"of at least {at_least:g}")
    if at_most is not None:
        good &= found <= at_most
        limits.append(f"of at most {at_most:g}")
    if not good.all():
        bad = float(found[~good].ravel()[0])
        rule += (" " + " and ".join(limits)) if limits else ""
        raise InputError(f"Invalid '{name}' of {bad!r}. It must be {rule}.")
    return found


def one_each(
    name: str,
    values: ArrayLike,
    count: int,
    what: str = "node",
    *,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
) -> NDArray[np.float64]:
    """Return one value for each node or reach; a single value serves all.

    Parameters
    ----------
    name : str
        What the values are called, with their unit suffix.
    values : array_like of float
        One value, or as many as there are nodes or reaches.
    count : int
        How many there are.
    what : str, optional
        Of what.
    above, at_least, at_most : float, optional
        Limits, in the unit of the name.

    Returns
    -------
    ndarray of float64, shape (count,)
        The values, contiguous.

    Raises
    ------
    InputError
        If the shape does not fit or a value is outside the limits.

    Examples
    --------
    >>> one_each("width_m", 2.0, 3).tolist()
    [2.0, 2.0, 2.0]
    """
    found = numbers(name, values, above=above, at_least=at_least, at_most=at_most)
    if found.shape not in ((), (count,)):
        raise InputError(
            f"Invalid '{name}' of shape {found.shape}. It must be one value, or one for each of the {count} "
            f"{what}{'es' if what.endswith('ch') else 's'}."
        )
    return np.ascontiguousarray(np.broadcast_to(found, (count,)))
