"""What is thought of the sand before any sample."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, betaln, ndtri

from washgrade.checks import number
from washgrade.sand.inference import CoefficientPrior

__all__ = ["Priors"]

# Length of wash that the prior ranges are meant for.
USUAL_LENGTH_M = 3000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is thought of the sand before any sample, on the scale logit(grade).

    All are judgement, not fitted; simulated coverage of the intervals was their test, and
    :mod:`washgrade.sand.before` says what they expect of grades before any sample. The ranges are for washes
    some three kilometres long; :meth:`on_ground` carries them to longer and shorter ones.

    Parameters
    ----------
    total_sd, total_sd_log_sd : float, default 0.85 and 0.65
        Median and log standard deviation of the standard deviation of all parts that have a range together.
    up_share_a, up_share_b : float, default 1.5 and 1.5
        Beta distribution of the tail-up part's share of that variance.
    up_range_m, up_range_log_sd : float, default 250 m and 1.3
        Median and log standard deviation of the tail-up range.
    down_range_m, down_range_log_sd : float, default 1000 m and 1.3
        The same of the tail-down range.
    local_sd, local_sd_log_sd : float, default 0.25 and 0.7
        The same of the scatter from scoop to scoop at one spot of the channel (10 to 40 % of the grade).
    scoop_share : float, default 0.5
        Share of that local variance that differs between two scoops at one place; the rest belongs to the
        place and its duplicates share it. Our choice, because nothing tells: with 0 duplicates could not
        teach the scatter, with 1 they would not share the place. What belongs to the place is independent
        from node to node, however close they lie.
    grade, intercept_sd : float, default 0.05 and 1
        Middle of the grade, and standard deviation of its logit's mean.
    covariate_sd, covariate_log_sd : float, default 0.1 and 1
        Prior standard deviation of the effect of a standardised covariate, around 0: the median and log
        standard deviation of that number itself, which all covariates share, so that samples decide how much
        covariates matter at all. Where there are more than two, each gets less, so that all together they are
        expected to explain no more.
    mixing_share_a, mixing_share_b : float, default 1 and 2
        Beta distribution of how far branches that join mix like loads of sand (``Process.mixing_share``).
        Were the slopes' sands independent and normal, it would be 1. Our choice, because they are neither:
        richness is skew, and neighbouring slopes are alike, so a mixture's variance falls more slowly.
    planar_share_a, planar_share_b : float, default 1 and 2
        Beta distribution of the share that likeness across the land has in the variance of total sd.
    planar_range_share, planar_range_log_sd : float, default 0.25 and 0.7
        Median and log standard deviation of its range, in diameters of the ground.

    Raises
    ------
    InputError
        If a number is outside its range.
    """

    total_sd: float = 0.85
    total_sd_log_sd: float = 0.65
    up_share_a: float = 1.5
    up_share_b: float = 1.5
    up_range_m: float = 250.0
    up_range_log_sd: float = 1.3
    down_range_m: float = 1000.0
    down_range_log_sd: float = 1.3
    local_sd: float = 0.25
    local_sd_log_sd: float = 0.7
    scoop_share: float = 0.5
    grade: float = 0.05
    intercept_sd: float = 1.0
    covariate_sd: float = 0.1
    covariate_log_sd: float = 1.0
    mixing_share_a: float = 1.0
    mixing_share_b: float = 2.0
    planar_share_a: float = 1.0
    planar_share_b: float = 2.0
    planar_range_share: float = 0.25
    planar_range_log_sd: float = 0.7

    def __post_init__(self) -> None:
        number("scoop_share", self.scoop_share, at_least=0, at_most=1)
        number("grade", self.grade, above=0, below=1)
        for name in self.__dataclass_fields__:
            if name not in {"scoop_share", "grade"}:
                number(name, getattr(self, name), above=0)

    def coefficients(self, count: int) -> CoefficientPrior:
        """Prior of the intercept and the effects of the covariates.

        Parameters
        ----------
        count : int
            Regressors, the intercept among them.

        Returns
        -------
        CoefficientPrior
            Independent normals.
        """
        each = self.covariate_sd * math.sqrt(min(1.0, 2.0 / max(count - 1, 1)))
        return CoefficientPrior(
            mean=np.concatenate([[math.log(self.grade / (1 - self.grade))], np.zeros(count - 1)]),
            sd=np.concatenate([[self.intercept_sd], np.full(count - 1, each)]),
        )

    def on_ground(self, longest_m: float) -> Priors:
        r"""The same with ranges that suit the size of the ground.

        Parameters
        ----------
        longest_m : float
            Longest way down the channels, metres.

        Returns
        -------
        Priors
            Ranges times the square root of ``longest_m`` over 3000 m.

        Notes
        -----
        Whether a likeness reaches a fixed number of metres or a fixed part of the ground, nobody knows
        beforehand. The square root lies halfway between (``benchmarks/intervals.py --sizes`` compares it with
        either).
        """
        factor = math.sqrt(longest_m / USUAL_LENGTH_M) if longest_m > 0 else 1.0
        return replace(self, up_range_m=self.up_range_m * factor, down_range_m=self.down_range_m * factor)

    def _normals(self, size: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        # Middle and standard deviation of the logs; the shares, columns 1, 5 and 7, are no normals.
        lengths = (self.up_range_m, self.down_range_m)
        middle = np.log([self.total_sd, 1.0, *lengths, self.local_sd, 1.0, 1.0, 1.0, self.planar_range_share])
        log_sd = (
            self.total_sd_log_sd,
            1.0,
            self.up_range_log_sd,
            self.down_range_log_sd,
            self.local_sd_log_sd,
            1.0,
            self.covariate_log_sd,
            1.0,
            self.planar_range_log_sd,
        )
        return middle[:size], np.array(log_sd[:size])

    def points(self, even: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry points of the unit cube to the prior.

        Parameters
        ----------
        even : ndarray of float64, shape (points, 6), (points, 7) or (points, 9)
            Between 0 and 1; nine numbers where there is a planar part, six where covariates are not scaled.

        Returns
        -------
        ndarray of float64, shape (points, 6), (points, 7) or (points, 9)
            Log total sd, logit tail-up share, log ranges up and down in metres, log local sd, logit mixing
            share; log of what the sd of the covariates is multiplied by; logit planar share, log planar range
            in diameters of the ground.
        """
        middle, log_sd = self._normals(even.shape[1])
        out = np.asarray(middle + log_sd * ndtri(even), dtype=np.float64)
        for col, a, b in self._shares(even.shape[1]):
            share = betaincinv(a, b, even[:, col])
            out[:, col] = np.log(share) - np.log1p(-share)
        return out

    def _shares(self, size: int) -> list[tuple[int, float, float]]:
        return [
            (1, self.up_share_a, self.up_share_b),
            (5, self.mixing_share_a, self.mixing_share_b),
            (7, self.planar_share_a, self.planar_share_b),
        ][: 2 + (size > 7)]

    def log_density(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log density of the prior on the scale of :meth:`points`.

        Parameters
        ----------
        points : ndarray of float64, shape (points, 6), (points, 7) or (points, 9)
            As :meth:`points` returns them.

        Returns
        -------
        ndarray of float64, shape (points,)
            Log density.
        """
        middle, log_sd = self._normals(points.shape[1])
        each = -0.5 * ((points - middle) / log_sd) ** 2 - np.log(log_sd * math.sqrt(2 * math.pi))
        for col, a, b in self._shares(points.shape[1]):
            each[:, col] = (
                -a * np.logaddexp(0.0, -points[:, col]) - b * np.logaddexp(0.0, points[:, col]) - betaln(a, b)
            )
        return np.asarray(each.sum(axis=1), dtype=np.float64)
