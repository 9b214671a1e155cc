"""Samples as people record them, and how far a sample's grade may lie from that of the sand it came from."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import RecordError

__all__ = [
    "Samples",
    "SamplingSettings",
    "grain_density_kg_m3",
    "gy_relative_variance",
    "liberation",
    "logit_error_variance",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Recorded layers, one entry for each.

    Parameters
    ----------
    sample_id : ndarray of str, shape (layers,)
        Name of the record.
    easting_m, northing_m : ndarray of float64, shape (layers,)
        Where it was taken, metres.
    accuracy_m : ndarray of float64, shape (layers,)
        Radius that holds the true place two times in three, metres; NaN unknown.
    depth_top_m, depth_bottom_m : ndarray of float64, shape (layers,)
        Depth interval below the bed, metres; NaN and NaN: not written, it stands for the bite.
    dry_mass_kg : ndarray of float64, shape (layers,)
        Dry mass of what went over the magnet, kilograms; NaN unknown. Of a sample that was split down, the
        mass of the part: its few grains are what Gy's error is about.
    grade : ndarray of float64, shape (layers,)
        Mass of magnetics per dry mass, 0 to 1; NaN where ``trace``.
    trace : ndarray of bool, shape (layers,)
        Magnetics too few to weigh, or none.
    day : ndarray of datetime64[D], shape (layers,)
        Day of sampling.
    place : ndarray of str, shape (layers,)
        Name of the place, '' for none. Same name and day: layers of one hole.
    moisture : ndarray of float64, shape (layers,), optional
        Water per wet mass, 0 to 1, where the dry mass was not weighed but worked out with it; NaN where it
        was weighed. All NaN if left out.

    Raises
    ------
    RecordError
        If the arrays differ in length, a grade lies outside 0 to 1 or is missing, a depth interval is half
        given, upside down or above the bed, a mass is not above 0, or a moisture lies outside 0 to 1.
    """

    sample_id: NDArray[np.str_]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    accuracy_m: NDArray[np.float64]
    depth_top_m: NDArray[np.float64]
    depth_bottom_m: NDArray[np.float64]
    dry_mass_kg: NDArray[np.float64]
    grade: NDArray[np.float64]
    trace: NDArray[np.bool_]
    day: NDArray[np.datetime64]
    place: NDArray[np.str_]
    moisture: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        if not len(self.moisture):
            object.__setattr__(self, "moisture", np.full(len(self.sample_id), np.nan))
        for entry in fields(self):
            found = len(getattr(self, entry.name))
            if found != len(self.sample_id):
                raise RecordError(
                    f"Invalid '{entry.name}' of {found} entries. "
                    f"There must be {len(self.sample_id)}, one per layer."
                )
        top, bottom = self.depth_top_m, self.depth_bottom_m
        self._demand(
            np.isfinite(self.easting_m) & np.isfinite(self.northing_m),
            "place. It must be a finite easting and northing in metres",
        )
        self._demand(
            self.trace | ((self.grade >= 0) & (self.grade <= 1)),
            "grade. It must lie from 0 to 1, or be a trace",
        )
        self._demand(
            (np.isnan(top) & np.isnan(bottom)) | ((top >= 0) & (bottom > top)),
            "depth interval. The top must be at least 0 and the bottom deeper than the top, or both unknown",
        )
        self._demand(
            np.isnan(self.dry_mass_kg) | (self.dry_mass_kg > 0), "dry mass. It must be above 0 kg, or unknown"
        )
        self._demand(
            np.isnan(self.accuracy_m) | (self.accuracy_m >= 0),
            "accuracy. It must be at least 0 m, or unknown",
        )
        self._demand(
            np.isnan(self.moisture) | ((self.moisture >= 0) & (self.moisture < 1)),
            "moisture. It must lie from 0 to below 1, or be unknown",
        )

    def _demand(self, good: NDArray[np.bool_], rule: str) -> None:
        if not np.all(good):
            raise RecordError(f"Sample {self.sample_id[np.argmin(good)]}: Invalid {rule}.")

    def __len__(self) -> int:
        return len(self.sample_id)

    @classmethod
    def none(cls) -> Samples:
        """No samples at all.

        Returns
        -------
        Samples
            With no layer.

        Examples
        --------
        >>> len(Samples.none())
        0
        """
        zero = np.empty(0)
        text = np.empty(0, dtype=np.str_)
        return cls(
            sample_id=text,
            easting_m=zero,
            northing_m=zero,
            accuracy_m=zero,
            depth_top_m=zero,
            depth_bottom_m=zero,
            dry_mass_kg=zero,
            grade=zero,
            trace=np.empty(0, dtype=np.bool_),
            day=np.empty(0, dtype="datetime64[D]"),
            place=text,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingSettings:
    """How samples are taken and weighed.

    Parameters
    ----------
    bite_m : float, default 0.10
        Depth a shovel scrape takes, metres. Our choice, because a shallow scrape with a flat shovel is about
        that; common practice, no source.
    top_grain_mm : float, default 2.0
        Sieve size that passes 95 % of the light sand, millimetres. 2.0: the upper limit of sand (Wentworth
        1922); gravel is thrown out before weighing.
    heavy_grain_mm : float, default 0.5
        The same for the magnetics. 0.5: our choice, because magnetite settles with quartz about 1.6 to 2
        times its size and is mostly finer than medium sand.
    light_density_kg_m3, heavy_density_kg_m3 : float, default 2650 and 5180
        Grain densities of quartz and magnetite (Klein & Dutrow, Manual of Mineral Science).
    shape_factor : float, default 0.5
        Volume of a grain over that of a cube of its sieve size (Gy 1979: 0.5 for most minerals).
    granulometric_factor : float, default 0.25
        For a wide range of sizes, d95/d05 above 4 (Gy 1979).
    liberation_factor : float, default 1.0
        1 for loose sand, whose grains are single minerals; less where grains are still locked in bits of
        rock, see :func:`liberation`.
    splitting_sd : float, default 0.0
        Relative standard deviation that splitting a sample down by hand adds to the grade of the part. 0.0:
        the whole scoop goes over the magnet. Coning and quartering 0.068, taking a scoopful 0.051, a chute
        splitter 0.010 (Allen & Khan 1970, for a mixture of coarse and fine sand; from memory).
    moisture_sd : float, default 0.01
        Standard deviation of a moisture, where the dry mass was worked out with it. Our choice, because a
        moisture told by hand or from one drying of a spoonful is good to about a percent of the wet mass.
    layer_sd : float, default 0.8
        How much two parts of one hole, above and below each other, differ: standard deviation of the
        difference of their logits. Our choice, because a streak is a few times richer than the sand about
        it. It decides how much a hole says of a bite that its layers cover in part.
    weighing_sd_kg : float, default 0.0003
        Standard deviation of one weighing, kilograms. Our choice, because a kitchen scale reads whole grams,
        and rounding to 1 g has a standard deviation of 1/sqrt(12) g. For another balance: its step over the
        square root of 12, or its own repeatability if that is larger.
    detection_grade : float, default 0.002
        Grade below which magnetics cannot be weighed; a trace lies below it. Our choice, because it is 1 g in
        a sample of half a kilogram. Weighed grades above 1 less this are taken as 1 less this, since the
        logit of 1 is infinite. Keep it at three standard deviations of the weighing or more: nearer to
        nothing, the logit of a weighed grade is no longer near normal.
    typical_mass_kg : float, default 0.5
        Dry mass where none is written, kilograms. Our choice, because a cupful of sand is about that.
    typical_accuracy_m : float, default 5.0
        Accuracy of a place where none is written, metres. Our choice, because a telephone under open sky is
        good to about that (from memory: gps.gov gives 4.9 m).
    snap_max_m : float, default 30.0
        Farthest a sample may lie from a channel, metres. Our choice, because it leaves room for the errors of
        GPS and of a DEM's channel together.

    Raises
    ------
    InputError
        If a number is outside its range.
    """

    bite_m: float = 0.10
    top_grain_mm: float = 2.0
    heavy_grain_mm: float = 0.5
    light_density_kg_m3: float = 2650.0
    heavy_density_kg_m3: float = 5180.0
    shape_factor: float = 0.5
    granulometric_factor: float = 0.25
    liberation_factor: float = 1.0
    splitting_sd: float = 0.0
    moisture_sd: float = 0.01
    layer_sd: float = 0.8
    weighing_sd_kg: float = 0.0003
    detection_grade: float = 0.002
    typical_mass_kg: float = 0.5
    typical_accuracy_m: float = 5.0
    snap_max_m: float = 30.0

    def __post_init__(self) -> None:
        number("detection_grade", self.detection_grade, above=0, below=0.5)
        number("weighing_sd_kg", self.weighing_sd_kg, at_least=0)
        number("liberation_factor", self.liberation_factor, above=0, at_most=1)
        number("splitting_sd", self.splitting_sd, at_least=0, at_most=1)
        number("moisture_sd", self.moisture_sd, at_least=0, at_most=0.5)
        number("layer_sd", self.layer_sd, at_least=0)
        number("typical_accuracy_m", self.typical_accuracy_m, at_least=0)
        number("snap_max_m", self.snap_max_m, at_least=0)
        for name in (
            "bite_m",
            "top_grain_mm",
            "heavy_grain_mm",
            "light_density_kg_m3",
            "heavy_density_kg_m3",
            "shape_factor",
            "granulometric_factor",
            "typical_mass_kg",
        ):
            number(name, getattr(self, name), above=0)


def grain_density_kg_m3(
    grade: NDArray[np.float64], *, light_density_kg_m3: float, heavy_density_kg_m3: float
) -> NDArray[np.float64]:
    """Mean density of the grains of a sand of some grade.

    Parameters
    ----------
    grade : ndarray of float64
        Mass share of magnetics, 0 to 1.
    light_density_kg_m3, heavy_density_kg_m3 : float
        Grain densities.

    Returns
    -------
    ndarray of float64
        Kilograms per cubic metre of grains: shares of mass add up as volumes.

    Examples
    --------
    >>> import numpy as np
    >>> grain_density_kg_m3(np.array([0.0, 1.0]), light_density_kg_m3=2650, heavy_density_kg_m3=5180).tolist()
    [2650.0, 5180.0]
    """
    return np.asarray(1.0 / (grade / heavy_density_kg_m3 + (1.0 - grade) / light_density_kg_m3))


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
    return np.asarray(relative / (1 - grade) ** 2)
