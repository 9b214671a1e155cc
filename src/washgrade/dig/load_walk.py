"""How much a load slows a walker who works no harder for it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import InputError

__all__ = ["LOOSE_SAND", "TERRAIN", "effort_w", "speed_factor_with_load"]

# Soule, R. G., Goldman, R. F. (1972). Terrain coefficients for energy cost prediction. J. Appl. Physiol. 32,
# 706-708.
TERRAIN = {
    "blacktop": 1.0,
    "dirt road": 1.1,
    "light brush": 1.2,
    "heavy brush": 1.5,
    "bog": 1.8,
    "loose sand": 2.1,
}
LOOSE_SAND = TERRAIN["loose sand"]


def effort_w(
    speed_m_s: float,
    *,
    load_kg: float,
    body_kg: float = 75.0,
    slope: float = 0.0,
    terrain_factor: float = LOOSE_SAND,
) -> float:
    r"""Rate at which a person who walks with a load spends energy.

    Parameters
    ----------
    speed_m_s : float
        Speed in metres per second, at least 0.
    load_kg : float
        What is carried, clothes included, kilograms, at least 0.
    body_kg : float, default 75
        Weight of the person, kilograms, above 0. Our choice, because it is near the middle of adults; the
        slowing depends little on it.
    slope : float, default 0
        Rise per distance, at least 0: the relation was not measured downhill.
    terrain_factor : float, default 2.1
        1 on blacktop to 2.1 on loose sand, the bed of a wash (`TERRAIN`); at least 1.

    Returns
    -------
    float
        Watts.

    Raises
    ------
    InputError
        If a value is outside its limits.

    Notes
    -----
    :math:`1.5 W + 2 (W + L)(L/W)^2 + \eta (W + L)(1.5 V^2 + 0.35 V G)`, G in percent.

    References
    ----------
    Pandolf, K. B., Givoni, B., Goldman, R. F. (1977). Predicting energy expenditure with loads while standing
    or walking very slowly. J. Appl. Physiol. 43, 577-581.

    Examples
    --------
    >>> round(effort_w(1.0, load_kg=10.0, terrain_factor=1.0))
    243
    """
    number("speed_m_s", speed_m_s, at_least=0)
    number("load_kg", load_kg, at_least=0)
    number("body_kg", body_kg, above=0)
    number("slope", slope, at_least=0)
    number("terrain_factor", terrain_factor, at_least=1)
    total_kg = body_kg + load_kg
    moving = terrain_factor * total_kg * (1.5 * speed_m_s**2 + 0.35 * speed_m_s * 100.0 * slope)
    return 1.5 * body_kg + 2.0 * total_kg * (load_kg / body_kg) ** 2 + moving


def speed_factor_with_load(
    load_kg: NDArray[np.float64] | float,
    *,
    speed_m_s: float,
    body_kg: float = 75.0,
    slope: float = 0.0,
    terrain_factor: float = LOOSE_SAND,
) -> NDArray[np.float64]:
    """Factor on the speed of a person with a load who spends no more than without one.

    Parameters
    ----------
    load_kg : ndarray of float64 or float
        What is carried, kilograms, at least 0.
    speed_m_s : float
        Speed without a load, metres per second, above 0.
    body_kg, slope, terrain_factor : float, optional
        As for `effort_w`.

    Returns
    -------
    ndarray of float64, shape of ``load_kg``
        Above 0 to 1.

    Raises
    ------
    InputError
        If a value is outside its limits, or a load is so heavy that standing under it is the whole effort.

    Notes
    -----
    The positive root of the relation in the speed. It was measured on slopes of 0 and above; downhill the
    level's factor is used (our choice, because a load slows there too and no relation is at hand).

    References
    ----------
    Pandolf, K. B., Givoni, B., Goldman, R. F. (1977). Predicting energy expenditure with loads while standing
    or walking very slowly. J. Appl. Physiol. 43, 577-581.

    Examples
    --------
    >>> speed_factor_with_load(np.array([0.0, 10.0, 20.0]), speed_m_s=0.84).round(2).tolist()
    [1.0, 0.93, 0.85]
    """
    loads_kg = np.asarray(load_kg, np.float64)
    number("speed_m_s", speed_m_s, above=0)
    target_w = effort_w(speed_m_s, load_kg=0.0, body_kg=body_kg, slope=slope, terrain_factor=terrain_factor)
    factor = np.empty(loads_kg.shape)
    for at, load in np.ndenumerate(loads_kg):
        standing_w = effort_w(0.0, load_kg=float(load), body_kg=body_kg)
        free_w = target_w - standing_w
        if free_w <= 0:
            raise InputError(
                f"Invalid 'load_kg' of {float(load):g}. Standing under it takes {standing_w:.0f} W, walking "
                f"without it {target_w:.0f} W. It must be lighter."
            )
        # 1.5 V² + 35 s V = free / (terrain × mass)
        per_kg = free_w / (terrain_factor * (body_kg + float(load)))
        half = 35.0 * slope / 3.0
        factor[at] = (math.sqrt(half * half + per_kg / 1.5) - half) / speed_m_s
    return np.minimum(factor, 1.0)
