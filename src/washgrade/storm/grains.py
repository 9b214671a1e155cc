"""Grains: how fast they settle, which stress moves them, and the stresses that sort light from heavy."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import choice, number
from washgrade.land.kernel import kernel
from washgrade.storm.arrays import numbers

__all__ = [
    "BEDS",
    "GRAVITY_M_S2",
    "MAGNETITE_KG_M3",
    "QUARTZ_KG_M3",
    "WATER_KG_M3",
    "Bed",
    "bed_of",
    "critical_shields",
    "critical_stress_pa",
    "equivalent_size_m",
    "hiding_exponent",
    "settling_m_s",
    "sorting_window_pa",
]

GRAVITY_M_S2 = 9.81
WATER_KG_M3 = 1000.0
# Mineral handbooks (Deer, Howie and Zussman; Klein): specific gravities 2.65 and 5.18.
QUARTZ_KG_M3 = 2650.0
MAGNETITE_KG_M3 = 5180.0
# Water at 20 degrees C.
_VISCOSITY_M2_S = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """A type of bed as one sees it.

    Parameters
    ----------
    median_mm : float
        Median grain size, millimetres.
    coarse_mm : float
        Size that 84 % of the grains are finer than, millimetres.
    roughness_factor : float
        Manning's n of the whole channel, s/m^(1/3).
    resistance : str
        Law of flow resistance, a key of `washgrade.storm.hydraulics.RESISTANCE`.

    Raises
    ------
    InputError
        If a value is out of its limits.
    """

    median_mm: float
    coarse_mm: float
    roughness_factor: float
    resistance: str

    def __post_init__(self) -> None:
        number("median_mm", self.median_mm, above=0)
        number("coarse_mm", self.coarse_mm, at_least=self.median_mm)
        number("roughness_factor", self.roughness_factor, above=0)


# Sizes: middles of the classes of Wentworth, C. K. (1922), A scale of grade and class terms for clastic
# sediments, Journal of Geology 30, 377-392 (medium to coarse sand 0.5 mm; very coarse sand to granules 2 mm;
# pebbles 4 to 64 mm; cobbles 64 to 256 mm). Where gravel stands in sand the coarse size is our choice; else
# it is 2.2 times the median (Rickenmann and Recking 2011). Roughness: sand of 0.5 mm 0.022, Arcement and
# Schneider (1989), US Geological Survey Water-Supply Paper 2339, table 1; the rest are normal values of Chow
# (1959), table 5-6: 0.030 clean and straight, 0.040 bottom of gravels and cobbles, 0.050 cobbles with large
# boulders. Those of gravel and cobbles serve only where the Manning law is asked for.
BEDS: dict[str, Bed] = {
    "sand": Bed(median_mm=0.5, coarse_mm=1.1, roughness_factor=0.022, resistance="manning"),
    "gravelly sand": Bed(median_mm=2.0, coarse_mm=8.0, roughness_factor=0.030, resistance="manning"),
    "gravel": Bed(median_mm=16.0, coarse_mm=35.0, roughness_factor=0.040, resistance="variable power"),
    "cobble": Bed(median_mm=100.0, coarse_mm=220.0, roughness_factor=0.050, resistance="variable power"),
}


def bed_of(name: str) -> Bed:
    """Look up a type of bed.

    Parameters
    ----------
    name : {"sand", "gravelly sand", "gravel", "cobble"}
        What one sees.

    Returns
    -------
    Bed
        Its sizes and its roughness.

    Examples
    --------
    >>> bed_of("sand").median_mm
    0.5
    """
    return BEDS[choice("bed", name, tuple(BEDS))]


def settling_m_s(
    size_m: ArrayLike, density_kg_m3: ArrayLike = QUARTZ_KG_M3, *, sphere: bool = False
) -> NDArray[np.float64]:
    """Settling velocity of grains in water at 20 degrees.

    Parameters
    ----------
    size_m : array_like of float
        Sieve diameter, metres.
    density_kg_m3 : array_like of float, optional
        Density of the grains; quartz unless told.
    sphere : bool, optional
        Whether they are smooth spheres (C2 = 0.4) and not natural grains (C2 = 1).

    Returns
    -------
    ndarray of float64
        Metres a second.

    Notes
    -----
    ``R g D^2 / (18 nu + sqrt(0.75 C2 R g D^3))`` (equation 4): Stokes for small grains, constant drag for
    large ones.

    References
    ----------
    Ferguson, R. I., Church, M. (2004). A simple universal equation for grain settling velocity. Journal of
    Sedimentary Research 74(6), 933-937.

    Examples
    --------
    >>> settling_m_s([0.00025], 2650).round(4).tolist(), settling_m_s([0.00025], 5180).round(4).tolist()
    ([0.0318], [0.0642])
    """
    size_m = numbers("size_m", size_m, at_least=0)
    weight = (numbers("density_kg_m3", density_kg_m3, above=WATER_KG_M3) / WATER_KG_M3 - 1.0) * GRAVITY_M_S2
    drag = 0.4 if sphere else 1.0
    found: NDArray[np.float64] = (
        weight * size_m**2 / (18.0 * _VISCOSITY_M2_S + np.sqrt(0.75 * drag * weight * size_m**3))
    )
    return found


@kernel
def _size_of_speed(speed: NDArray[np.float64], weight: float, viscosity: float) -> NDArray[np.float64]:
    """Grain size that settles at a speed: bisection on the logarithm, far below the width of a sieve."""
    found = np.zeros(len(speed))
    for i in range(len(speed)):
        low = math.log(1e-9)
        high = math.log(10.0)
        for _ in range(60):
            middle = 0.5 * (low + high)
            size = math.exp(middle)
            settles = weight * size**2 / (18.0 * viscosity + math.sqrt(0.75 * weight * size**3))
            if settles < speed[i]:
                low = middle
            else:
                high = middle
        found[i] = math.exp(0.5 * (low + high))
    return found


def equivalent_size_m(
    size_m: ArrayLike, *, from_kg_m3: float = QUARTZ_KG_M3, to_kg_m3: float = MAGNETITE_KG_M3
) -> NDArray[np.float64]:
    """Size of a grain of another density that settles as fast: what the water lays down together.

    Parameters
    ----------
    size_m : array_like of float
        Sizes, metres.
    from_kg_m3 : float, optional
        Density of those grains; quartz unless told.
    to_kg_m3 : float, optional
        Density of the others; magnetite unless told.

    Returns
    -------
    ndarray of float64
        Sizes of the others, metres.

    Notes
    -----
    By `settling_m_s`. The ratio of quartz to magnetite is no constant: 1.6 for silt, 2 for medium sand, and
    2.5 only for grains so large that viscosity no longer counts.

    Examples
    --------
    >>> (0.5 / (1000 * equivalent_size_m([0.0005]))).round(2).tolist()
    [1.83]
    """
    sizes = numbers("size_m", size_m, above=0, at_most=1)
    speed = settling_m_s(sizes, number("from_kg_m3", from_kg_m3, above=WATER_KG_M3))
    weight = (number("to_kg_m3", to_kg_m3, above=WATER_KG_M3) / WATER_KG_M3 - 1.0) * GRAVITY_M_S2
    return _size_of_speed(np.ravel(speed), weight, _VISCOSITY_M2_S).reshape(speed.shape)


def critical_shields(
    size_m: ArrayLike,
    density_kg_m3: ArrayLike = QUARTZ_KG_M3,
    *,
    viscosity_m2_s: ArrayLike = _VISCOSITY_M2_S,
    water_kg_m3: float = WATER_KG_M3,
) -> NDArray[np.float64]:
    """Critical Shields number of grains of one size.

    Parameters
    ----------
    size_m : array_like of float
        Grain size, metres.
    density_kg_m3 : array_like of float, optional
        Density of the grains; quartz unless told.
    viscosity_m2_s : array_like of float, optional
        Kinematic viscosity of the water, square metres a second.
    water_kg_m3 : float, optional
        Density of the water.

    Returns
    -------
    ndarray of float64
        Stress over submerged weight by area, at which the grains begin to move.

    Notes
    -----
    ``0.30 / (1 + 1.2 D*) + 0.055 (1 - exp(-0.020 D*))``, ``D* = D (g (s - 1) / nu^2)^(1/3)``.

    References
    ----------
    Soulsby, R. (1997). Dynamics of marine sands. Thomas Telford. Equation 77.

    Examples
    --------
    >>> float(critical_shields(0.0005).round(4))
    0.0308
    """
    size_m = numbers("size_m", size_m, above=0)
    ratio = numbers("density_kg_m3", density_kg_m3, above=0) / number("water_kg_m3", water_kg_m3, above=0)
    viscosity = numbers("viscosity_m2_s", viscosity_m2_s, above=0)
    dimensionless = size_m * (GRAVITY_M_S2 * (ratio - 1.0) / viscosity**2) ** (1.0 / 3.0)
    found: NDArray[np.float64] = 0.30 / (1.0 + 1.2 * dimensionless) + 0.055 * -np.expm1(
        -0.020 * dimensionless
    )
    return found


def hiding_exponent(size_ratio: ArrayLike) -> NDArray[np.float64]:
    """How the critical stress of a grain in a mixture rises with its size.

    Parameters
    ----------
    size_ratio : array_like of float
        Its size over the mean size.

    Returns
    -------
    ndarray of float64
        b in ``stress / stress of the mean size = size_ratio^b``: 0 is equal mobility, 1 each for itself.

    Notes
    -----
    ``0.67 / (1 + exp(1.5 - size_ratio))`` (equation 4).

    References
    ----------
    Wilcock, P. R., Crowe, J. C. (2003). Surface-based transport model for mixed-size sediment. Journal of
    Hydraulic Engineering 129(2), 120-128.

    Examples
    --------
    >>> float(hiding_exponent(1.0).round(4))
    0.253
    """
    found: NDArray[np.float64] = 0.67 / (1.0 + np.exp(1.5 - numbers("size_ratio", size_ratio, at_least=0)))
    return found


def critical_stress_pa(
    size_m: ArrayLike, *, median_m: ArrayLike, density_kg_m3: ArrayLike = QUARTZ_KG_M3
) -> NDArray[np.float64]:
    """Bed stress that begins to move a grain lying among quartz grains of another size.

    Parameters
    ----------
    size_m : array_like of float
        The grain, metres.
    median_m : array_like of float
        Median size of the bed, metres.
    density_kg_m3 : array_like of float, optional
        Density of the grain; quartz unless told.

    Returns
    -------
    ndarray of float64
        Pascals.

    Notes
    -----
    The median's critical stress (`critical_shields`) times ``(size / median)^b`` (`hiding_exponent`) times
    the ratio of submerged densities: a heavy grain stands the stress of a light one of its size in proportion
    to its weight.

    Examples
    --------
    >>> critical_stress_pa([0.0005, 0.00027], median_m=0.0005, density_kg_m3=[2650, 5180]).round(2).tolist()
    [0.25, 0.56]
    """
    size_m, median_m = numbers("size_m", size_m, above=0), numbers("median_m", median_m, above=0)
    density = numbers("density_kg_m3", density_kg_m3, above=WATER_KG_M3)
    ratio = size_m / median_m
    found: NDArray[np.float64] = (
        critical_shields(median_m)
        * (density - WATER_KG_M3)
        * GRAVITY_M_S2
        * median_m
        * ratio ** hiding_exponent(ratio)
    )
    return found


def sorting_window_pa(bed: Bed) -> tuple[float, float]:
    """Stresses at which a bed gives up its quartz and keeps its magnetite.

    Parameters
    ----------
    bed : Bed
        The bed.

    Returns
    -------
    light_pa : float
        From here on quartz of the median size, at most 0.5 mm, moves, pascals.
    heavy_pa : float
        From here on magnetite that settles as fast as that quartz moves too, pascals.

    Notes
    -----
    In beds coarser than sand it is the sand in them that sorts: the light grain is then one of 0.5 mm, hidden
    among the larger ones. Our choice, because black sand is hardly ever coarser.

    Examples
    --------
    >>> [round(stress, 2) for stress in sorting_window_pa(BEDS["sand"])]
    [0.25, 0.56]
    """
    median_m = bed.median_mm / 1000.0
    light_m = min(median_m, 0.0005)
    heavy_m = float(equivalent_size_m(light_m))
    light = float(critical_stress_pa(light_m, median_m=median_m))
    heavy = float(critical_stress_pa(heavy_m, median_m=median_m, density_kg_m3=MAGNETITE_KG_M3))
    return light, heavy
