"""What one shovel load holds: mixture density of the sand and the magnetics in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.sand.sample import grain_density_kg_m3

__all__ = ["Shovel", "bulk_density_kg_m3", "expected_load_kg", "grade_of_load", "load_magnetics_kg"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shovel:
    """What a load is made of.

    Parameters
    ----------
    shovel_litres : float
        Loose volume of one load, litres. 4 L: a level square-mouth shovel (common practice, no source); at
        the dry and wet bulk densities of sand it weighs 6.4 to 7.7 kg.
    porosity : float
        Share of the load that is air. 0.40: our choice, between the 0.29 of dense and the 0.44 of loose sand
        (void ratios 0.4 and 0.8, soil mechanics handbooks).
    light_density_kg_m3 : float
        Grain density of the light sand: quartz 2650 (Klein & Dutrow, Manual of Mineral Science).
    heavy_density_kg_m3 : float
        Grain density of the magnetics: magnetite 5180 (the same).

    Raises
    ------
    InputError
        If a value is out of its limits.
    """

    shovel_litres: float = 4.0
    porosity: float = 0.40
    light_density_kg_m3: float = 2650.0
    heavy_density_kg_m3: float = 5180.0

    def __post_init__(self) -> None:
        number("shovel_litres", self.shovel_litres, above=0)
        number("porosity", self.porosity, at_least=0, below=1)
        number("light_density_kg_m3", self.light_density_kg_m3, above=0)
        number("heavy_density_kg_m3", self.heavy_density_kg_m3, above=0)


def bulk_density_kg_m3(grade: NDArray[np.floating], shovel: Shovel) -> NDArray[np.float64]:
    r"""Dry mass of a cubic metre of loose sand of some grade.

    Parameters
    ----------
    grade : ndarray of float
        Mass share of the magnetics, 0 to 1; NaN stays NaN.
    shovel : Shovel
        Grain densities and porosity.

    Returns
    -------
    ndarray of float64
        Bulk density, kg/m³.

    Notes
    -----
    :math:`\rho_b = (1-n)\,\rho`, with porosity n and grain density ρ of
    :func:`washgrade.sand.sample.grain_density_kg_m3`.

    Examples
    --------
    >>> import numpy as np
    >>> bulk_density_kg_m3(np.array([0.0]), Shovel(porosity=0.395)).round(0)
    array([1603.])
    """
    grain = grain_density_kg_m3(
        np.asarray(grade, dtype=np.float64),
        light_density_kg_m3=shovel.light_density_kg_m3,
        heavy_density_kg_m3=shovel.heavy_density_kg_m3,
    )
    return (1.0 - shovel.porosity) * grain


def load_magnetics_kg(grade: NDArray[np.floating], shovel: Shovel) -> NDArray[np.float64]:
    """Kilograms of magnetics in one shovel load of sand of some grade.

    A load of rich sand counts twice: more of it is heavy, and it weighs more.

    Parameters
    ----------
    grade : ndarray of float
        Mass share of the magnetics, 0 to 1; NaN stays NaN.
    shovel : Shovel
        Volume of a load, densities and porosity.

    Returns
    -------
    ndarray of float64
        Mass of magnetics per load, kg. Grows with grade, so a quantile of the grade gives that of the yield.

    Examples
    --------
    >>> import numpy as np
    >>> load_magnetics_kg(np.array([0.0, 0.1, 0.3]), Shovel()).round(3)
    array([0.   , 0.669, 2.236])
    """
    grade = np.asarray(grade, dtype=np.float64)
    return grade * bulk_density_kg_m3(grade, shovel) * (shovel.shovel_litres * 1e-3)


def grade_of_load(magnetics_kg: float, shovel: Shovel) -> float:
    """Grade of the sand of which one shovel load holds so much magnetics: `load_magnetics_kg` turned round.

    Parameters
    ----------
    magnetics_kg : float
        Magnetics in one load, kg, at least 0.
    shovel : Shovel
        Volume of a load, densities and porosity.

    Returns
    -------
    float
        Mass share of the magnetics; 1 where a load of nothing else holds no more.

    Examples
    --------
    >>> import numpy as np
    >>> round(grade_of_load(float(load_magnetics_kg(np.array(0.3), Shovel())), Shovel()), 6)
    0.3
    """
    number("magnetics_kg", magnetics_kg, at_least=0)
    # The volumes of both kinds of grain add up to that of the load without its air.
    light_m3 = shovel.shovel_litres * 1e-3 * (1.0 - shovel.porosity)
    light_m3 -= magnetics_kg / shovel.heavy_density_kg_m3
    if light_m3 <= 0.0:
        return 1.0
    return magnetics_kg / (magnetics_kg + light_m3 * shovel.light_density_kg_m3)


def expected_load_kg(
    grade_draws: NDArray[np.floating], grade_mean: NDArray[np.float64], shovel: Shovel
) -> NDArray[np.float64]:
    r"""Expected magnetics per load of each reach, from draws of its grade and the exact mean of it.

    Parameters
    ----------
    grade_draws : ndarray of float, shape (draws, reaches)
        Draws of the mean grade of each reach, 0 to 1.
    grade_mean : ndarray of float64, shape (reaches,)
        Its exact expectation, 0 to 1.
    shovel : Shovel
        Volume of a load, densities and porosity.

    Returns
    -------
    ndarray of float64, shape (reaches,)
        Kilograms per load. A load is taken to have the mean grade of its reach.

    Notes
    -----
    The mean over the draws, with the grade as control variate: :math:`\bar k + b\,(\mu - \bar g)` with the
    regression slope b of the load on the grade. The load is nearly straight in the grade, so hardly any of
    the noise of the draws is left, and the order of the reaches does not hang on them.

    References
    ----------
    Glasserman (2004), Monte Carlo Methods in Financial Engineering, section 4.1 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> draws = np.array([[0.1], [0.2]])
    >>> expected_load_kg(draws, np.array([0.15]), Shovel()).round(3)
    array([1.039])
    """
    grade = np.asarray(grade_draws, dtype=np.float64)
    load_kg = load_magnetics_kg(grade, shovel)
    off = grade - grade.mean(axis=0)
    spread = (off**2).sum(axis=0)
    slope_kg = np.where(spread > 0, (off * load_kg).sum(axis=0) / np.where(spread > 0, spread, 1.0), 0.0)
    expected: NDArray[np.float64] = load_kg.mean(axis=0) + slope_kg * (grade_mean - grade.mean(axis=0))
    return expected
