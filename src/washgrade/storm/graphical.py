"""The graphical peak of TR-55: one number for a day's rain."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice, number
from washgrade.storm.arrays import numbers
from washgrade.storm.runoff import initial_loss_mm, runoff_mm

__all__ = ["GRAPHICAL", "graphical_peak_m3_s"]

# Cubic feet a second by square mile and inch, as cubic metres a second by square metre and millimetre.
_CFS_PER_MI2_IN = 0.3048**3 / 1609.344**2 / 25.4

# TR-55 (1986), appendix F, table F-1: Ia/P and C0, C1, C2 by type of rain.
# Type III, .50: C2 is -.09525; a copy in wide use repeats the -.11508 of the row above.
GRAPHICAL: dict[str, NDArray[np.float64]] = {
    "I": np.array([
        [0.10, 2.30550, -0.51429, -0.11750],
        [0.20, 2.23537, -0.50387, -0.08929],
        [0.25, 2.18219, -0.48488, -0.06589],
        [0.30, 2.10624, -0.45695, -0.02835],
        [0.35, 2.00303, -0.40769, 0.01983],
        [0.40, 1.87733, -0.32274, 0.05754],
        [0.45, 1.76312, -0.15644, 0.00453],
        [0.50, 1.67889, -0.06930, 0.0],
    ]),
    "IA": np.array([
        [0.10, 2.03250, -0.31583, -0.13748],
        [0.20, 1.91978, -0.28215, -0.07020],
        [0.25, 1.83842, -0.25543, -0.02597],
        [0.30, 1.72657, -0.19826, 0.02633],
        [0.50, 1.63417, -0.09100, 0.0],
    ]),
    "II": np.array([
        [0.10, 2.55323, -0.61512, -0.16403],
        [0.30, 2.46532, -0.62257, -0.11657],
        [0.35, 2.41896, -0.61594, -0.08820],
        [0.40, 2.36409, -0.59857, -0.05621],
        [0.45, 2.29238, -0.57005, -0.02281],
        [0.50, 2.20282, -0.51599, -0.01259],
    ]),
    "III": np.array([
        [0.10, 2.47317, -0.51848, -0.17083],
        [0.30, 2.39628, -0.51202, -0.13245],
        [0.35, 2.35477, -0.49735, -0.11985],
        [0.40, 2.30726, -0.46541, -0.11094],
        [0.45, 2.24876, -0.41314, -0.11508],
        [0.50, 2.17772, -0.36803, -0.09525],
    ]),
}  # fmt: skip


def graphical_peak_m3_s(
    *,
    rain_mm: ArrayLike,
    curve_number: ArrayLike,
    area_m2: ArrayLike,
    concentration_h: ArrayLike,
    rain_type: str = "II",
    pond_factor: float = 1.0,
) -> NDArray[np.float64]:
    """Peak flow of a day's rain by the graphical method of TR-55.

    Parameters
    ----------
    rain_mm : array_like of float
        Rain in 24 hours, millimetres.
    curve_number : array_like of float
        Curve number.
    area_m2 : array_like of float
        Catchment, square metres.
    concentration_h : array_like of float
        Time of concentration, hours; taken as 0.1 below and 10 above.
    rain_type : {"I", "IA", "II", "III"}, optional
        Type of rain in TR-55.
    pond_factor : float, optional
        Fp, for ponds and swamps; 1 without.

    Returns
    -------
    ndarray of float64
        Cubic metres a second.

    Raises
    ------
    InputError
        If a value is out of its limits.

    Notes
    -----
    ``q = q_u A Q Fp`` (equation 4-1), ``log q_u = C0 + C1 log Tc + C2 (log Tc)^2``; q_u, not the
    coefficients, is interpolated in Ia/P, which is taken as the table's first or last beyond it. For bursts
    shorter than a day use `unit_peak_m_s`.

    Examples
    --------
    >>> peak = graphical_peak_m3_s(rain_mm=152.4, curve_number=75, area_m2=0.39 * 1609.344**2,
    ...                            concentration_h=1.53)
    >>> float((peak / 0.3048**3).round())
    344.0
    """
    rows = GRAPHICAL[choice("rain_type", rain_type, tuple(GRAPHICAL))]
    rain_mm = numbers("rain_mm", rain_mm, at_least=0)
    area_m2 = numbers("area_m2", area_m2, at_least=0)
    log_h = np.log10(np.clip(numbers("concentration_h", concentration_h, at_least=0), 0.1, 10.0))
    pond_factor = number("pond_factor", pond_factor, above=0, at_most=1)
    loss = initial_loss_mm(curve_number)
    share = np.divide(loss, rain_mm, out=np.full(np.broadcast_shapes(loss.shape, rain_mm.shape), np.inf),
                      where=rain_mm > 0)  # fmt: skip
    share, log_h = np.broadcast_arrays(np.clip(share, rows[0, 0], rows[-1, 0]), log_h)
    unit = 10.0 ** (rows[:, 1] + rows[:, 2] * log_h[..., None] + rows[:, 3] * log_h[..., None] ** 2)
    low = np.clip(np.searchsorted(rows[:, 0], share, side="right") - 1, 0, len(rows) - 2)
    part = (share - rows[low, 0]) / (rows[low + 1, 0] - rows[low, 0])
    at_low = np.take_along_axis(unit, low[..., None], -1)[..., 0]
    at_high = np.take_along_axis(unit, low[..., None] + 1, -1)[..., 0]
    unit_csm = at_low + part * (at_high - at_low)
    found: NDArray[np.float64] = (
        unit_csm * _CFS_PER_MI2_IN * area_m2 * runoff_mm(rain_mm, curve_number) * pond_factor
    )
    return found
