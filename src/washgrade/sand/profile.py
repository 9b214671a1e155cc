"""Down a hole: its layers, the buried streak of an earlier flood, and what stripping to it is worth.

A flood lays a thin dark layer and a later one may bury it under poor sand. Where someone sampled layer by
layer, that can be seen: a layer richer than what lies above it by more than the errors and the scatter from
scoop to scoop allow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from washgrade.checks import number
from washgrade.sand.gy import layer_error_variance, least_grades
from washgrade.sand.layers import Samples, SamplingSettings, grain_density_kg_m3
from washgrade.sand.sample import holes_of
from washgrade.units import show_depth, show_mass, show_share

__all__ = ["BuriedStreak", "Profile", "Window", "profiles"]

NORMAL_90 = 1.2815515655446004
# Our choice, because one sound hole in twenty would then be asked about for nothing.
SURE = 0.95
# Our choice, because a shovel scrapes no thinner slice.
LEAST_SLICE_M = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class BuriedStreak:
    """Layers richer than all that lies above them.

    Parameters
    ----------
    top_m, bottom_m : float
        Depths below the bed, metres.
    grade : float
        Their grade together, 0 to 1.
    above_grade : float
        That of all above, 0 to 1.
    chance : float
        Chance that they are richer, 0 to 1, errors and the scatter of scoops considered.
    """

    top_m: float
    bottom_m: float
    grade: float
    above_grade: float
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A slice of the bed to dig, and what it holds.

    Parameters
    ----------
    top_m, bottom_m : float
        Depths below the bed, metres; what lies above the top is thrown aside.
    waste_loads_per_m2, kept_loads_per_m2 : float
        Shovel loads per square metre of bed, thrown aside and kept.
    load_kg, load_low_kg, load_high_kg : float
        Magnetics in a kept load: expected, and what one in ten and nine in ten stay below, kilograms.
    worth_kg : float
        Magnetics per load where a load thrown aside counts as ``waste_factor`` of a kept one, kilograms.
    """

    top_m: float
    bottom_m: float
    waste_loads_per_m2: float
    kept_loads_per_m2: float
    load_kg: float
    load_low_kg: float
    load_high_kg: float
    worth_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """The layers of one hole, from the top down, ready for a chart.

    Parameters
    ----------
    place : str
        Name of the place, '' for none.
    day : str
        ISO day.
    easting_m, northing_m : float
        Of the surest fix, metres.
    sample_ids : tuple of str
        The record of each layer.
    top_m, bottom_m : ndarray of float64, shape (layers,)
        Depths below the bed, metres; gaps are layers nobody took.
    grade, low_grade, high_grade : ndarray of float64, shape (layers,)
        As sampled (a trace: the median of what it may be), and what one in ten and nine in ten scoops of the
        layer would stay below, 0 to 1.
    trace : ndarray of bool, shape (layers,)
        Too little to weigh.
    buried : tuple of BuriedStreak
        From the top down; none if nothing is richer below than above.
    bite : Window or None
        The bite of the site, as far as the layers cover it; None where they do not touch it.
    best : Window
        The slice with the most magnetics for the effort.
    """

    place: str
    day: str
    easting_m: float
    northing_m: float
    sample_ids: tuple[str, ...]
    top_m: NDArray[np.float64]
    bottom_m: NDArray[np.float64]
    grade: NDArray[np.float64]
    low_grade: NDArray[np.float64]
    high_grade: NDArray[np.float64]
    trace: NDArray[np.bool_]
    buried: tuple[BuriedStreak, ...]
    bite: Window | None
    best: Window

    @property
    def sentences(self) -> tuple[str, ...]:
        """What a person may want to know of the hole, in metric units."""
        return self.told("metric")

    def told(self, units: str) -> tuple[str, ...]:
        """What a person may want to know of the hole.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        tuple of str
            A sentence for each buried streak, and one where another slice than the bite is worth more.
        """
        name = f"Place {self.place}" if self.place else f"Sample {self.sample_ids[0][:8]}"
        told = []
        for streak in self.buried:
            told.append(
                f"{name}: a buried streak of {show_share(streak.grade, 1)} lies "
                f"{show_depth(streak.top_m, units)} to {show_depth(streak.bottom_m, units)} down, "
                f"under sand of {show_share(streak.above_grade, 1)} "
                f"(a chance of {math.floor(100 * min(streak.chance, 0.999))} %)."
            )
        best, bite = self.best, self.bite
        load = (
            f"{show_mass(best.load_kg, units)} a load, {show_mass(best.load_low_kg, units)} to "
            f"{show_mass(best.load_high_kg, units)}"
        ) + (f", instead of {show_mass(bite.load_kg, units)} from the top." if bite else ".")
        if best.top_m > 0.0 and (bite is None or best.worth_kg > bite.worth_kg):
            told.append(
                f"{name}: throw {show_depth(best.top_m, units)} aside and dig to "
                f"{show_depth(best.bottom_m, units)}: {load}"
            )
        elif bite is not None and best.top_m == 0.0 and best.bottom_m < bite.bottom_m - 1e-9:
            told.append(f"{name}: scrape only the top {show_depth(best.bottom_m, units)}: {load}")
        return tuple(told)


def profiles(
    samples: Samples,
    settings: SamplingSettings,
    *,
    porosity: float = 0.40,
    shovel_litres: float = 4.0,
    scoop_sd: float = 0.18,
    waste_factor: float = 0.3,
) -> tuple[Profile, ...]:
    r"""Lay out every hole that was sampled in layers.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    settings : SamplingSettings
        Bite and errors.
    porosity : float, default 0.40
        Share of the bed that is air, at least 0 and below 1; as of :class:`washgrade.dig.load.Shovel`.
    shovel_litres : float, default 4.0
        Volume of a load, litres, above 0; the same.
    scoop_sd : float, default 0.18
        How far two scoops of one layer differ, standard deviation on the logit, at least 0: half the variance
        of the prior's median local scatter of 0.25. Give
        :attr:`washgrade.sand.repeat.Repeatability.scoop_sd` where there are duplicates.
    waste_factor : float, default 0.3
        What throwing a load aside costs of digging, carrying and cleaning one, above 0 to 1. Our choice,
        because it is one throw instead of a throw, a carry and the magnets. With 1 nothing would ever be
        thrown aside: what is moved anyway may as well be kept.

    Returns
    -------
    tuple of Profile
        One for each hole with two layers or more, by place, day and record; independent of the order of the
        samples.

    Raises
    ------
    InputError
        If a number is outside its range.

    Notes
    -----
    Layer j is held against the mean of all layers above it, weighted by mass: with logits z and variances v
    (:math:`scoop\_sd^2` included) the chance is :math:`\Phi((z_j - z_a)/\sqrt{v_j + v_a})`. Layers in a row
    with a chance of at least 0.95 are one streak. A trace is even between nothing and the limit: the log of
    its grade lies 1 below that of the limit, with variance 1.

    Windows begin and end where layers do, are at least 2 cm thick and have no gap. What a slice is worth is
    :math:`\int a\,\rho\,dz \,/\, (n_{kept} + e\,n_{waste})`.

    Examples
    --------
    >>> profiles(Samples.none(), SamplingSettings())
    ()
    """
    number("porosity", porosity, at_least=0, below=1)
    number("shovel_litres", shovel_litres, above=0)
    number("scoop_sd", scoop_sd, at_least=0)
    number("waste_factor", waste_factor, above=0, at_most=1)
    found = []
    for hole in holes_of(samples, settings):
        if len(hole) > 1:
            column = _Column(samples, hole, settings, porosity, shovel_litres, scoop_sd, waste_factor)
            found.append(_profile(samples, column))
    found.sort(key=lambda one: (one.place, one.day, one.sample_ids))
    return tuple(found)


class _Column:
    """The numbers of one hole, top down."""

    def __init__(
        self,
        samples: Samples,
        hole: list[int],
        settings: SamplingSettings,
        porosity: float,
        shovel_litres: float,
        scoop_sd: float,
        waste_factor: float,
    ) -> None:
        self.layers = layers = np.array(hole)
        self.settings = settings
        self.waste_factor = waste_factor
        self.load_m = shovel_litres * 1e-3
        self.top_m = np.nan_to_num(samples.depth_top_m[layers], nan=0.0)
        self.bottom_m = np.where(
            np.isnan(samples.depth_bottom_m[layers]), settings.bite_m, samples.depth_bottom_m[layers]
        )
        least = least_grades(samples, layers, settings)
        self.trace = samples.trace[layers] | (samples.grade[layers] < least)
        grade = np.where(self.trace, least / math.e, np.clip(samples.grade[layers], least, 1 - least))
        error = layer_error_variance(samples, layers, grade, settings)
        self.variance = np.where(self.trace, 1.0, error) + scoop_sd**2
        self.grade = grade
        self.logit = np.log(grade / (1 - grade))
        self.density_kg_m3 = (1.0 - porosity) * grain_density_kg_m3(
            grade,
            light_density_kg_m3=settings.light_density_kg_m3,
            heavy_density_kg_m3=settings.heavy_density_kg_m3,
        )

    def together(self, first: int, last: int, above_m: float = math.inf) -> tuple[float, float]:
        """Grade of layers first to last - 1 down to a depth, and the variance of its logit."""
        some = slice(first, last)
        thick_m = np.maximum(np.minimum(self.bottom_m[some], above_m) - self.top_m[some], 0.0)
        mass = thick_m * self.density_kg_m3[some]
        share = mass / mass.sum()
        grade = self.grade[some]
        whole = float(share @ grade)
        slope = grade * (1 - grade)
        return whole, float((share * slope) ** 2 @ self.variance[some]) / (whole * (1 - whole)) ** 2

    def window(self, first: int, last: int, above_m: float = math.inf) -> Window:
        """What digging layers first to last - 1 gives, those above thrown aside."""
        some = slice(first, last)
        thick_m = np.maximum(np.minimum(self.bottom_m[some], above_m) - self.top_m[some], 0.0)
        whole, variance = self.together(first, last, above_m)
        top_m, bottom_m = float(self.top_m[first]), float(min(self.bottom_m[last - 1], above_m))
        kept, waste = float(thick_m.sum()) / self.load_m, top_m / self.load_m
        kg = float(np.sum(thick_m * self.density_kg_m3[some] * self.grade[some]))
        centre, sd = math.log(whole / (1 - whole)), math.sqrt(variance)
        # A richer load weighs more too: to first order the kilograms go with the grade.
        low, high = (float(expit(centre + z * sd)) / whole for z in (-NORMAL_90, NORMAL_90))
        return Window(
            top_m=top_m,
            bottom_m=bottom_m,
            waste_loads_per_m2=waste,
            kept_loads_per_m2=kept,
            load_kg=kg / kept,
            load_low_kg=low * kg / kept,
            load_high_kg=high * kg / kept,
            worth_kg=kg / (kept + self.waste_factor * waste),
        )


def _profile(samples: Samples, column: _Column) -> Profile:
    layers = column.layers
    accuracy_m = np.nan_to_num(samples.accuracy_m[layers], nan=column.settings.typical_accuracy_m)
    middle = layers[np.argmin(accuracy_m)]
    low, high = (expit(column.logit + z * np.sqrt(column.variance)) for z in (-NORMAL_90, NORMAL_90))
    in_bite = int(np.sum(column.top_m < column.settings.bite_m))
    return Profile(
        place=str(samples.place[layers[0]]).strip(),
        day=str(samples.day[layers[0]]),
        easting_m=float(samples.easting_m[middle]),
        northing_m=float(samples.northing_m[middle]),
        sample_ids=tuple(str(samples.sample_id[m]) for m in layers),
        top_m=column.top_m,
        bottom_m=column.bottom_m,
        grade=column.grade,
        low_grade=low,
        high_grade=high,
        trace=column.trace,
        buried=tuple(_buried(column)),
        bite=column.window(0, in_bite, column.settings.bite_m) if in_bite else None,
        best=_best(column),
    )


def _buried(column: _Column) -> list[BuriedStreak]:
    chances = np.zeros(len(column.layers))
    for j in range(1, len(chances)):
        above, variance = column.together(0, j)
        off = column.logit[j] - math.log(above / (1 - above))
        chances[j] = float(ndtr(off / math.sqrt(column.variance[j] + variance)))
    streaks = []
    j = 1
    while j < len(chances):
        last = j
        while last < len(chances) and chances[last] >= SURE:
            last += 1
        if last > j:
            streaks.append(
                BuriedStreak(
                    top_m=float(column.top_m[j]),
                    bottom_m=float(column.bottom_m[last - 1]),
                    grade=column.together(j, last)[0],
                    above_grade=column.together(0, j)[0],
                    chance=float(chances[j:last].max()),
                )
            )
        j = last + 1
    return streaks


def _best(column: _Column) -> Window:
    whole: list[Window] = []
    for first in range(len(column.layers)):
        for last in range(first + 1, len(column.layers) + 1):
            if last > first + 1 and column.top_m[last - 1] > column.bottom_m[last - 2] + 1e-9:
                break
            if column.bottom_m[last - 1] - column.top_m[first] >= LEAST_SLICE_M - 1e-9:
                whole.append(column.window(first, last))
    if not whole:
        return column.window(0, len(column.layers))
    return max(whole, key=lambda one: (one.worth_kg, -one.top_m, one.bottom_m))
