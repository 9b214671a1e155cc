"""What one shovel load holds: mixture density of the sand and the magnetics in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number

__all__ = ["Shovel", "bulk_density_kg_m3", "grain_density_kg_m3", "load_magnetics_kg"]


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
    density_light_kg_m3 : float
        Grain density of the light sand: quartz 2650 (Klein & Dutrow, Manual of Mineral Science).
    density_heavy_kg_m3 : float
        Grain density of the magnetics: magnetite 5180 (the same).

    Raises
    ------
    InputError
        If a value is out of its limits.
    """

    shovel_litres: float = 4.0
    porosity: float = 0.40
    density_light_kg_m3: float = 2650.0
    density_heavy_kg_m3: float = 5180.0

    def __post_init__(self) -> None:
        number("shovel_litres", self.shovel_litres, above=0)
        number("porosity", self.porosity, at_least=0, below=1)
        number("density_light_kg_m3", self.density_light_kg_m3, above=0)
        number("density_heavy_kg_m3", self.density_heavy_kg_m3, above=0)


def grain_density_kg_m3(
    grade: NDArray[np.floating], *, density_light_kg_m3: float, density_heavy_kg_m3: float
) -> NDArray[np.float64]:
    r"""Density of the grains of a sand that is part light, part heavy.

    Parameters
    ----------
    grade : ndarray of float
        Mass share of the heavy grains, 0 to 1; NaN stays NaN.
    density_light_kg_m3, density_heavy_kg_m3 : float
        Grain densities, kg/m³.

    Returns
    -------
    ndarray of float64
        Density of the solid, kg/m³.

    Notes
    -----
    Volumes add: :math:`1/\rho = g/\rho_h + (1-g)/\rho_l`.

    Examples
    --------
    >>> import numpy as np
    >>> grain_density_kg_m3(np.array([0.2]), density_light_kg_m3=2650, density_heavy_kg_m3=5180).round(1)
    array([2936.9])
    """
    grade = np.asarray(grade, dtype=np.float64)
    return 1.0 / (grade / density_heavy_kg_m3 + (1.0 - grade) / density_light_kg_m3)


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
    :math:`\rho_b = (1-n)\,\rho`, with porosity n and grain density ρ of :func:`grain_density_kg_m3`.

    Examples
    --------
    >>> import numpy as np
    >>> bulk_density_kg_m3(np.array([0.0]), Shovel(porosity=0.395)).round(0)
    array([1603.])
    """
    grain = grain_density_kg_m3(
        grade, density_light_kg_m3=shovel.density_light_kg_m3, density_heavy_kg_m3=shovel.density_heavy_kg_m3
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
