"""How well samples repeat: what duplicates tell of the scatter from scoop to scoop.

Two scoops of one spot and one depth differ by what the scoop is: few grains, a ripple more or less, a hand's
breadth aside. The model learns that scatter by itself from readings at one place (``local sd`` and
``scoop_share`` of the priors); here it is measured without any model, so that a person can see it, and see
whether the two agree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc, chdtri

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.sand.gy import layer_error_variance, least_grades
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.sample import spots_of
from washgrade.units import show_share

__all__ = [
    "MEDIAN_TO_SD",
    "Control",
    "Repeatability",
    "control",
    "duplicate_sets",
    "pair_relative_sd",
    "pair_sd",
    "repeatability",
    "sd_line",
]

NORMAL_75 = 0.6744897501960817
MEDIAN_TO_SD = 1.0 / (math.sqrt(2.0) * NORMAL_75)
"""Standard deviation of one reading over the median difference of two, 1.0484, for a normal scatter (Thompson
& Howarth 1976; Stanley & Lawie 2008)."""
# Thompson & Howarth (1978): groups of eleven, and at least fifty pairs for a line.
GROUP = 11
LINE_PAIRS = 50
NORMAL_95, NORMAL_995 = 1.6448536269514722, 2.5758293035489004
# Depths alike to a centimetre are one depth: nobody measures a hole better.
ALIKE_M = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """Pairs beside the bounds of a stated repeatability.

    Parameters
    ----------
    pairs : int
        How many.
    above_90, above_99 : int
        How many differ by more than nine, or ninety-nine, in a hundred pairs should.
    chance : float
        Chance of so many above either bound if the statement were right, 0 to 1; small speaks against it.
    """

    pairs: int
    above_90: int
    above_99: int
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """How far scoops of one spot and depth differ.

    Parameters
    ----------
    sample_ids : tuple of tuple of str
        The records of each set of duplicates.
    pairs : int
        Pairs that can be made of them: one less than there are records, summed over sets.
    relative_sd : float
        Standard deviation of one scoop over the grade, root mean square; NaN without pairs.
    robust_sd : float
        The same from the median difference: one wild pair hardly moves it; NaN without pairs.
    logit_sd, logit_sd_low, logit_sd_high : float
        Standard deviation of one scoop on the logit, and the bounds that hold it 9 times in 10 for a normal
        scatter.
    scoop_sd : float
        That without what few grains, weighing, splitting and moisture explain, at least 0.
    constant_grade, slope : float
        Standard deviation as ``constant_grade + slope * grade``; NaN with fewer than 50 pairs.
    traces : int
        Sets in which a trace stands beside a weighed sample or another trace; they are not counted.
    """

    sample_ids: tuple[tuple[str, ...], ...]
    pairs: int
    relative_sd: float
    robust_sd: float
    logit_sd: float
    logit_sd_low: float
    logit_sd_high: float
    scoop_sd: float
    constant_grade: float
    slope: float
    traces: int

    @property
    def sentence(self) -> str:
        """What a person may want to know of it."""
        if not self.pairs:
            return (
                "No duplicates: how far one scoop differs from the next is not known here. Take a second "
                "scoop beside the first at a few places."
            )
        pairs = f"{self.pairs} pair{'s' if self.pairs != 1 else ''}"
        low, high = (
            self.relative_sd * bound / self.logit_sd if self.logit_sd else 0.0
            for bound in (self.logit_sd_low, self.logit_sd_high)
        )
        told = (
            f"Your duplicates differ by {show_share(self.relative_sd)} of the grade ({pairs}; standard "
            f"deviation of one scoop). The true figure may well be {show_share(low)} to {show_share(high)}."
        )
        if self.pairs < 6:
            told += " Take more of them: few pairs tell it poorly."
        if self.robust_sd < 0.5 * self.relative_sd and self.pairs >= 4:
            told += (
                f" Most differ by only {show_share(self.robust_sd)}: look at the few pairs that differ most."
            )
        return told


def duplicate_sets(samples: Samples, settings: SamplingSettings) -> list[list[int]]:
    """Find the samples that were taken beside each other, at the same depth, on the same day.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    settings : SamplingSettings
        How near is beside: as in :func:`washgrade.sand.sample.observations`, but with no channel needed.

    Returns
    -------
    list of list of int
        Indices of the layers of each set of two or more, by their names; independent of the order.
    """
    sets = []
    for spot in spots_of(samples, settings):
        alike: list[list[int]] = []
        for layer in sorted(spot, key=lambda m: str(samples.sample_id[m])):
            for group in alike:
                if _same_depth(samples, layer, group[0]):
                    group.append(layer)
                    break
            else:
                alike.append([layer])
        sets += [group for group in alike if len(group) > 1]
    return sorted(sets, key=lambda group: str(samples.sample_id[group[0]]))


def _same_depth(samples: Samples, one: int, other: int) -> bool:
    if np.isnan(samples.depth_bottom_m[one]) or np.isnan(samples.depth_bottom_m[other]):
        return bool(np.isnan(samples.depth_bottom_m[one]) and np.isnan(samples.depth_bottom_m[other]))
    return bool(
        abs(samples.depth_top_m[one] - samples.depth_top_m[other]) <= ALIKE_M
        and abs(samples.depth_bottom_m[one] - samples.depth_bottom_m[other]) <= ALIKE_M
    )


def repeatability(samples: Samples, settings: SamplingSettings) -> Repeatability:
    r"""Measure how far scoops of one spot and depth differ.

    Parameters
    ----------
    samples : Samples
        Recorded layers.
    settings : SamplingSettings
        What is beside, and the errors that are known.

    Returns
    -------
    Repeatability
        With NaN where there is nothing to tell it.

    Notes
    -----
    Within sets of n readings, sums of squares have n - 1 degrees of freedom. For pairs, ``relative_sd`` is
    :math:`\sqrt{\overline{d^2/(2m^2)}}` with difference d and mean m; ``robust_sd`` is 1.0484 times the
    median of :math:`|d|/m`, over all neighbours by name within sets. From 50 pairs on, a line of standard
    deviation against grade (:func:`sd_line`). Readings too faint to weigh are not counted.

    References
    ----------
    Thompson & Howarth (1978), J. Geochem. Explor. 9:23-30; Stanley & Lawie (2007), Explor. Min. Geol.
    16:265-274; Hyslop & White (2009), J. Air Waste Manage. Assoc. 59:1032-1039.

    Examples
    --------
    >>> repeatability(Samples.none(), SamplingSettings()).pairs
    0
    """
    sets, traces = [], 0
    for group in duplicate_sets(samples, settings):
        least = least_grades(samples, np.array(group), settings)
        seen = [
            m
            for m, least_grade in zip(group, least, strict=True)
            if not samples.trace[m] and samples.grade[m] >= least_grade
        ]
        traces += len(seen) < len(group)
        if len(seen) > 1:
            sets.append(seen)
    names = tuple(tuple(str(samples.sample_id[m]) for m in group) for group in sets)
    freedom = sum(len(group) - 1 for group in sets)
    if not freedom:
        nothing = math.nan
        return Repeatability(
            sample_ids=names, pairs=0, relative_sd=nothing, robust_sd=nothing, logit_sd=nothing,
            logit_sd_low=nothing, logit_sd_high=nothing, scoop_sd=nothing, constant_grade=nothing,
            slope=nothing, traces=traces,
        )  # fmt: skip
    relative = on_logit = known = 0.0
    firsts, seconds = [], []
    for group in sets:
        grade = np.minimum(samples.grade[group], 1 - settings.detection_grade)
        logit = np.log(grade / (1 - grade))
        relative += float(np.sum((grade - grade.mean()) ** 2) / grade.mean() ** 2)
        on_logit += float(np.sum((logit - logit.mean()) ** 2))
        error = layer_error_variance(samples, np.array(group), grade, settings)
        known += float(error.mean()) * (len(group) - 1)
        firsts += grade[:-1].tolist()
        seconds += grade[1:].tolist()
    first, second = np.array(firsts), np.array(seconds)
    constant_grade, slope = sd_line(first, second) if len(first) >= LINE_PAIRS else (math.nan, math.nan)
    return Repeatability(
        sample_ids=names,
        pairs=freedom,
        relative_sd=math.sqrt(relative / freedom),
        robust_sd=float(MEDIAN_TO_SD * np.median(np.abs(first - second) / ((first + second) / 2))),
        logit_sd=math.sqrt(on_logit / freedom),
        logit_sd_low=math.sqrt(on_logit / float(chdtri(freedom, 0.05))),
        logit_sd_high=math.sqrt(on_logit / float(chdtri(freedom, 0.95))),
        scoop_sd=math.sqrt(max(0.0, (on_logit - known) / freedom)),
        constant_grade=constant_grade,
        slope=slope,
        traces=traces,
    )


def pair_sd(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    r"""Standard deviation of one reading from pairs, root mean square.

    Parameters
    ----------
    first, second : ndarray of float64, shape (pairs,)
        Two readings of each thing, in one unit.

    Returns
    -------
    float
        :math:`\sqrt{\overline{d^2}/2}`, in their unit.

    Examples
    --------
    >>> import numpy as np
    >>> pair_sd(np.array([3.0, 4.0]), np.array([1.0, 6.0])).__round__(4)
    1.4142
    """
    return float(np.sqrt(np.mean((first - second) ** 2) / 2.0))


def pair_relative_sd(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    r"""Relative standard deviation of one reading from pairs, root mean square.

    Parameters
    ----------
    first, second : ndarray of float64, shape (pairs,)
        Two readings of each thing, above 0.

    Returns
    -------
    float
        :math:`\sqrt{\overline{d^2/(2m^2)}}` with difference d and mean m of a pair.

    References
    ----------
    Stanley & Lawie (2007); Hyslop & White (2009).

    Examples
    --------
    >>> import numpy as np
    >>> round(pair_relative_sd(np.array([10.0, 5.0, 8.0]), np.array([12.0, 5.0, 6.0])), 4)
    0.1383
    """
    return float(np.sqrt(np.mean(((first - second) / ((first + second) / 2.0)) ** 2) / 2.0))


def sd_line(first: NDArray[np.float64], second: NDArray[np.float64]) -> tuple[float, float]:
    """Standard deviation of one reading as a straight line of its size, from many pairs.

    Parameters
    ----------
    first, second : ndarray of float64, shape (pairs,)
        Two readings of each thing, at least 0; 22 pairs at least, better 50.

    Returns
    -------
    constant, slope : float
        Standard deviation at nothing, at least 0, and its growth with the size, at least 0.

    Raises
    ------
    InputError
        If there are fewer than 22 pairs.

    Notes
    -----
    Pairs in order of their mean, in groups of eleven (a rest of fewer is left out, from the poor end, where
    they tell least of the slope); in each the mean of the means and the median of the differences; a line
    through these by least squares, times 1.0484. A line with a negative end is drawn again through nothing,
    or level.

    References
    ----------
    Thompson & Howarth (1978), J. Geochem. Explor. 9:23-30.
    """
    if len(first) < 2 * GROUP:
        raise InputError(
            f"Invalid number of pairs of {len(first)}. There must be at least {2 * GROUP}, two groups of "
            f"{GROUP}."
        )
    middle = (first + second) / 2.0
    order = np.argsort(middle, kind="stable")[len(first) % GROUP :]
    size = middle[order].reshape(-1, GROUP).mean(axis=1)
    sd = MEDIAN_TO_SD * np.median(np.abs(first - second)[order].reshape(-1, GROUP), axis=1)
    off = size - size.mean()
    slope = float(off @ sd / (off @ off)) if off @ off > 0 else 0.0
    if slope < 0.0:
        return float(sd.mean()), 0.0
    constant = float(sd.mean() - slope * size.mean())
    if constant < 0.0:
        return 0.0, float(size @ sd / (size @ size))
    return constant, slope


def control(
    first: NDArray[np.float64], second: NDArray[np.float64], *, relative_sd: float, constant_sd: float = 0.0
) -> Control:
    r"""Hold pairs against a stated repeatability: the way for few pairs.

    Parameters
    ----------
    first, second : ndarray of float64, shape (pairs,)
        Two readings of each thing, in one unit, at least 0.
    relative_sd : float
        The stated standard deviation of a reading over its size.
    constant_sd : float, default 0
        The part that does not grow with the size, in the unit of the readings.

    Returns
    -------
    Control
        How many pairs lie above the bounds, and how likely that is.

    Raises
    ------
    InputError
        If a standard deviation is below 0, or both are 0.

    Notes
    -----
    With :math:`s = s_0 + k m` nine in ten differences lie below :math:`1.645\sqrt2\,s` and ninety-nine in a
    hundred below :math:`2.576\sqrt2\,s` for a normal scatter; the numbers above are binomial. ``chance`` is
    twice the smaller of the two tails' chances, at most 1: either may be the surprise.

    References
    ----------
    Thompson & Howarth (1973), Analyst 98:153-160.

    Examples
    --------
    >>> import numpy as np
    >>> held = control(np.array([10.0, 10.0]), np.array([10.5, 14.0]), relative_sd=0.1)
    >>> held.above_90, held.above_99
    (1, 0)
    """
    number("relative_sd", relative_sd, at_least=0)
    number("constant_sd", constant_sd, at_least=0)
    if relative_sd == 0.0 and constant_sd == 0.0:
        raise InputError("Invalid 'relative_sd' of 0. It must be above 0, or 'constant_sd' must be.")
    sd = math.sqrt(2.0) * (constant_sd + relative_sd * (first + second) / 2.0)
    apart = np.abs(first - second)
    above_90, above_99 = int(np.sum(apart > NORMAL_95 * sd)), int(np.sum(apart > NORMAL_995 * sd))
    tails = [
        float(bdtrc(above - 1, len(sd), share)) if above else 1.0
        for above, share in ((above_90, 0.1), (above_99, 0.01))
    ]
    return Control(pairs=len(sd), above_90=above_90, above_99=above_99, chance=min(1.0, 2.0 * min(tails)))
