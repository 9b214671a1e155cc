"""Samples as people record them, and how they are taken and weighed."""

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
    by_volume : ndarray of bool, shape (layers,), optional
        Whether the dry mass was not weighed but worked out from litres
        (:func:`washgrade.sand.gy.grade_by_volume`). All weighed if left out.

    below : ndarray of float64, shape (layers,), optional
        Of a trace, the grade that it surely lies below, such as what the eye would have seen; NaN where what
        the balance can tell is the limit. All NaN if left out.

    Raises
    ------
    RecordError
        If the arrays differ in length, a grade lies outside 0 to 1 or is missing, a depth interval is half
        given, upside down or above the bed, a mass is not above 0, or a moisture or a limit lies outside 0
        to 1.
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
    by_volume: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=np.bool_))
    below: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        for name in ("moisture", "below"):
            if not len(getattr(self, name)):
                object.__setattr__(self, name, np.full(len(self.sample_id), np.nan))
        if not len(self.by_volume):
            object.__setattr__(self, "by_volume", np.zeros(len(self.sample_id), dtype=np.bool_))
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
        self._demand(
            np.isnan(self.below) | ((self.below > 0) & (self.below < 1)),
            "limit of a trace. It must lie between 0 and 1, or be unknown",
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
    volume_sd : float, default 0.10
        Relative standard deviation of a dry mass worked out from litres. Our choice, because a porosity of
        0.40 give or take 0.04 makes 7 % and filling a measure level another 7 %.
    layer_sd : float, default 0.8
        How much two parts of one hole, above and below each other, differ: standard deviation of the
        difference of their logits. Our choice, because a streak is a few times richer than the sand about
        it. It decides how much a hole says of a bite that its layers cover in part.
    weighing_sd_kg : float, default 0.0003
        Standard deviation of one weighing, kilograms. Our choice, because a kitchen scale reads whole grams,
        and rounding to 1 g has a standard deviation of 1/sqrt(12) g. For another balance: its step over the
        square root of 12, or its own repeatability if that is larger.
    detection_grade : float, default 0.002
        Grade below which magnetics cannot be weighed in a sample of ``typical_mass_kg``; in one of twice the
        mass half of it can. A trace lies below it. Our choice, because it is 1 g in a sample of half a
        kilogram. Weighed grades above 1 less this are taken as 1 less this, since the
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
    volume_sd: float = 0.10
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
        number("volume_sd", self.volume_sd, at_least=0, at_most=1)
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
