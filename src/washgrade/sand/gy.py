"""How far a sample's grade may lie from that of the sand: few grains, weighing, splitting, water, litres."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.sand.layers import Samples, SamplingSettings

# A limit must leave room on both sides of the logit. Our choice: no sand is so poor, no trace so rich.
LEAST_GRADE, MOST_LEAST_GRADE = 1e-5, 0.45

__all__ = [
    "grade_by_volume",
    "gy_relative_variance",
    "layer_error_variance",
    "least_grades",
    "liberation",
    "logit_error_variance",
    "masses_kg",
]


def gy_relative_variance(
    grade: NDArray[np.float64],
    mass_kg: NDArray[np.float64],
    *,
    top_grain_mm: float,
    heavy_grain_mm: float,
    light_density_kg_m3: float = 2650.0,
    heavy_density_kg_m3: float = 5180.0,
    shape_factor: float = 0.5,
    granulometric_factor: float = 0.25,
    liberation_factor: float = 1.0,
) -> NDArray[np.float64]:
    r"""Relative variance of a sample's grade because grains are few: Gy's fundamental error.

    Parameters
    ----------
    grade : ndarray of float64
        Mass share of the wanted mineral, above 0 to 1.
    mass_kg : ndarray of float64
        Mass of the sample, kilograms.
    top_grain_mm, heavy_grain_mm : float
        Sieve size that passes 95 % of the light and of the heavy grains, millimetres.
    light_density_kg_m3, heavy_density_kg_m3 : float
        Grain densities, defaults quartz and magnetite (Klein & Dutrow, Manual of Mineral Science).
    shape_factor, granulometric_factor : float
        0.5 and 0.25 (Gy 1979).
    liberation_factor : float, default 1.0
        1 for loose sand, whose grains are single minerals.

    Returns
    -------
    ndarray of float64
        Variance of grade over grade, dimensionless.

    Notes
    -----
    :math:`\frac{1}{M}\frac{1-a}{a}\left[(1-a)m_h + a\,m_g\right]` with grain masses
    :math:`m_x = f g \rho_x d_x^3`; for the whole lot much larger than the sample. With one size for both
    minerals it is Gy's :math:`C d^3/M`.

    References
    ----------
    Gy (1979), Sampling of Particulate Materials; Wills, Mineral Processing Technology, chapter 3.

    Examples
    --------
    A kilogram of 5 % sand with all grains up to 2 mm is good to 1 %:

    >>> import numpy as np
    >>> one = gy_relative_variance(np.array([0.05]), np.array([1.0]), top_grain_mm=2, heavy_grain_mm=2)
    >>> float(np.sqrt(one[0]).round(4))
    0.0098
    """
    grain_kg = liberation_factor * shape_factor * granulometric_factor
    heavy_kg = grain_kg * heavy_density_kg_m3 * (heavy_grain_mm / 1000.0) ** 3
    light_kg = grain_kg * light_density_kg_m3 * (top_grain_mm / 1000.0) ** 3
    return np.asarray((1 - grade) / grade * ((1 - grade) * heavy_kg + grade * light_kg) / mass_kg)


def liberation(*, free_mm: float, top_grain_mm: float) -> float:
    r"""Gy's liberation factor of bits of rock that hold grains of the wanted mineral.

    Parameters
    ----------
    free_mm : float
        Size below which grains are single minerals, millimetres, above 0: look through a lens.
    top_grain_mm : float
        Sieve size that passes 95 % of the sand, millimetres, above 0.

    Returns
    -------
    float
        :math:`\sqrt{L/d}`, at most 1.

    Raises
    ------
    InputError
        If a size is not above 0.

    References
    ----------
    Gy (1979), Sampling of Particulate Materials; Wills, Mineral Processing Technology, chapter 3.

    Examples
    --------
    >>> liberation(free_mm=0.15, top_grain_mm=15.0), liberation(free_mm=3.0, top_grain_mm=2.0)
    (0.1, 1.0)
    """
    number("free_mm", free_mm, above=0)
    number("top_grain_mm", top_grain_mm, above=0)
    return min(1.0, float((free_mm / top_grain_mm) ** 0.5))


def logit_error_variance(
    grade: NDArray[np.float64],
    mass_kg: NDArray[np.float64],
    settings: SamplingSettings,
    *,
    moisture: NDArray[np.float64] | None = None,
    by_volume: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    r"""Variance of the logit of a sample's grade: Gy's error, two weighings, splitting and moisture.

    Parameters
    ----------
    grade : ndarray of float64
        Between 0 and 1, both excluded.
    mass_kg : ndarray of float64
        Dry mass of what went over the magnet, kilograms.
    settings : SamplingSettings
        Grain sizes, densities and the errors.
    moisture : ndarray of float64, optional
        Water per wet mass where the dry mass was worked out with it, NaN where it was weighed; all weighed if
        left out.
    by_volume : ndarray of bool, optional
        Whether the dry mass was worked out from litres.

    Returns
    -------
    ndarray of float64
        Dimensionless.

    Notes
    -----
    The grade is a quotient of two masses, each weighed with variance :math:`w^2`: variance
    :math:`(1+a^2)w^2/M^2`. A moisture :math:`m` with standard deviation :math:`s` makes the dry mass, and so
    the grade, unsure by :math:`s/(1-m)` of itself; it is taken as every sample's own error, although a bad
    guess made for all of them would be shared. The logit's slope is :math:`1/(a(1-a))`, to first order.

    Splitting a sample down before the magnet loses grains twice, but without crushing the two variances add
    up to Gy's for the mass of the part (:math:`1/M_p - 1/M + 1/M`); what ``splitting_sd`` adds is the
    unmixing of light and heavy grains in the heap.

    Examples
    --------
    >>> import numpy as np
    >>> logit_error_variance(np.array([0.05]), np.array([0.5]), SamplingSettings()).round(4).tolist()
    [0.0002]
    """
    relative = gy_relative_variance(
        grade,
        mass_kg,
        top_grain_mm=settings.top_grain_mm,
        heavy_grain_mm=settings.heavy_grain_mm,
        light_density_kg_m3=settings.light_density_kg_m3,
        heavy_density_kg_m3=settings.heavy_density_kg_m3,
        shape_factor=settings.shape_factor,
        granulometric_factor=settings.granulometric_factor,
        liberation_factor=settings.liberation_factor,
    )
    weighed = (1 + grade**2) * (settings.weighing_sd_kg / (grade * mass_kg)) ** 2
    relative = relative + weighed + settings.splitting_sd**2
    if moisture is not None:
        relative = relative + np.nan_to_num(settings.moisture_sd / (1.0 - moisture), nan=0.0) ** 2
    if by_volume is not None:
        relative = relative + np.where(by_volume, settings.volume_sd**2, 0.0)
    return np.asarray(relative / (1 - grade) ** 2)


def layer_error_variance(
    samples: Samples, layers: NDArray[np.integer], grade: NDArray[np.float64], settings: SamplingSettings
) -> NDArray[np.float64]:
    """Variance of the logit of the grade of some recorded layers.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    layers : ndarray of int, shape (some,)
        Which.
    grade : ndarray of float64, shape (some,)
        Their grades, between 0 and 1, both excluded.
    settings : SamplingSettings
        Typical mass and the errors.

    Returns
    -------
    ndarray of float64, shape (some,)
        As :func:`logit_error_variance`.

    Examples
    --------
    >>> import numpy as np
    >>> nothing = np.empty(0)
    >>> layer_error_variance(Samples.none(), np.empty(0, int), nothing, SamplingSettings()).tolist()
    []
    """
    return logit_error_variance(
        grade,
        masses_kg(samples, layers, settings),
        settings,
        moisture=samples.moisture[layers],
        by_volume=samples.by_volume[layers],
    )


def masses_kg(
    samples: Samples, layers: NDArray[np.integer], settings: SamplingSettings
) -> NDArray[np.float64]:
    """Dry masses of some recorded layers, the typical one where none is written.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    layers : ndarray of int, shape (some,)
        Which.
    settings : SamplingSettings
        Typical mass.

    Returns
    -------
    ndarray of float64, shape (some,)
        Kilograms.
    """
    written = samples.dry_mass_kg[layers]
    return np.where(np.isnan(written), settings.typical_mass_kg, written)


def least_grades(
    samples: Samples, layers: NDArray[np.integer], settings: SamplingSettings
) -> NDArray[np.float64]:
    r"""Grades that traces of some recorded layers lie below.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    layers : ndarray of int, shape (some,)
        Which.
    settings : SamplingSettings
        Detection grade, and the typical mass it is meant for.

    Returns
    -------
    ndarray of float64, shape (some,)
        What the record says, else what the balance can tell: between 0.00001 and 0.45.

    Notes
    -----
    A balance shows the same least mass whatever the sample: :math:`d\,M_{typical}/M`. Where no mass is
    written it is the typical one.
    """
    told = settings.detection_grade * settings.typical_mass_kg / masses_kg(samples, layers, settings)
    below = samples.below[layers]
    return np.clip(np.where(np.isnan(below), told, below), LEAST_GRADE, MOST_LEAST_GRADE)


def grade_by_volume(
    *,
    magnetic_mass_kg: float,
    volume_litres: float,
    porosity: float,
    light_density_kg_m3: float = 2650.0,
    heavy_density_kg_m3: float = 5180.0,
) -> tuple[float, float]:
    r"""Grade and dry mass of a sample that was measured in litres, its magnetics alone weighed.

    Parameters
    ----------
    magnetic_mass_kg : float
        What the magnet took out, kilograms, at least 0.
    volume_litres : float
        Loose dry sand, magnetics included, litres, above 0.
    porosity : float
        Share of it that is air, at least 0 and below 1.
    light_density_kg_m3, heavy_density_kg_m3 : float
        Grain densities, defaults quartz and magnetite (Klein & Dutrow, Manual of Mineral Science).

    Returns
    -------
    grade : float
        Mass of magnetics per dry mass, 0 to 1.
    dry_mass_kg : float
        Of the whole, kilograms.

    Raises
    ------
    InputError
        If a number is outside its range, or the magnetics alone would need more room than there is.

    Notes
    -----
    The grains fill :math:`(1-n)V` and their volumes add up:
    :math:`m/\rho_h + (M-m)/\rho_l = (1-n)V`, so :math:`M = m + \rho_l((1-n)V - m/\rho_h)`.

    Examples
    --------
    >>> grade, mass_kg = grade_by_volume(magnetic_mass_kg=0.2, volume_litres=1.0, porosity=0.4)
    >>> round(grade, 3), round(mass_kg, 3)
    (0.119, 1.688)
    """
    magnetic = number("magnetic_mass_kg", magnetic_mass_kg, at_least=0)
    number("volume_litres", volume_litres, above=0)
    number("porosity", porosity, at_least=0, below=1)
    grains_m3 = (1.0 - porosity) * volume_litres * 1e-3
    rest_m3 = grains_m3 - magnetic / heavy_density_kg_m3
    if rest_m3 < 0.0:
        raise InputError(
            f"Invalid 'magnetic_mass_kg' of {magnetic_mass_kg!r}. It must be at most "
            f"{grains_m3 * heavy_density_kg_m3:.3g}, what {volume_litres:g} litres of pure magnetics weigh."
        )
    mass = magnetic + light_density_kg_m3 * rest_m3
    return magnetic / mass, mass
