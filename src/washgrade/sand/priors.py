"""What is thought of the sand before any sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, betaln, ndtri

from washgrade.checks import number
from washgrade.sand.inference import CoefficientPrior

__all__ = ["Priors"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is thought of the sand before any sample, on the scale logit(grade).

    All are judgement, not fitted, for washes some kilometres long. Nothing scales the ranges with the ground:
    on a much larger or smaller one, set them. Simulated coverage of the intervals was their test.

    Parameters
    ----------
    total_sd, total_sd_log_sd : float, default 0.8 and 0.65
        Median and log standard deviation of the standard deviation of tail-up and tail-down together.
    up_share_a, up_share_b : float, default 1.5 and 1.5
        Beta distribution of the tail-up part's share of that variance.
    up_range_m, up_range_log_sd : float, default 300 m and 1.1
        Median and log standard deviation of the tail-up range.
    down_range_m, down_range_log_sd : float, default 1200 m and 1.1
        The same of the tail-down range.
    local_sd, local_sd_log_sd : float, default 0.25 and 0.7
        The same of the scatter from scoop to scoop at one spot of the channel (10 to 40 % of the grade).
    scoop_share : float, default 0.5
        Share of that local variance that differs between two scoops at one place; the rest belongs to the
        place and its duplicates share it. Our choice, because nothing tells: with 0 duplicates could not
        teach the scatter, with 1 they would not share the place. What belongs to the place is independent
        from node to node, however close they lie.
    grade, intercept_sd : float, default 0.05 and 1.2
        Middle of the grade, and standard deviation of its logit's mean.
    covariate_sd : float, default 0.5
        Prior standard deviation of the effect of a standardised covariate, around 0.

    Raises
    ------
    InputError
        If a number is outside its range.
    """

    total_sd: float = 0.8
    total_sd_log_sd: float = 0.65
    up_share_a: float = 1.5
    up_share_b: float = 1.5
    up_range_m: float = 300.0
    up_range_log_sd: float = 1.1
    down_range_m: float = 1200.0
    down_range_log_sd: float = 1.1
    local_sd: float = 0.25
    local_sd_log_sd: float = 0.7
    scoop_share: float = 0.5
    grade: float = 0.05
    intercept_sd: float = 1.2
    covariate_sd: float = 0.5

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
        return CoefficientPrior(
            mean=np.concatenate([[math.log(self.grade / (1 - self.grade))], np.zeros(count - 1)]),
            sd=np.concatenate([[self.intercept_sd], np.full(count - 1, self.covariate_sd)]),
        )

    @property
    def _middle(self) -> NDArray[np.float64]:
        return np.log([self.total_sd, 1.0, self.up_range_m, self.down_range_m, self.local_sd])

    @property
    def _log_sd(self) -> NDArray[np.float64]:
        return np.array(
            [self.total_sd_log_sd, 1.0, self.up_range_log_sd, self.down_range_log_sd, self.local_sd_log_sd]
        )

    def points(self, even: NDArray[np.float64]) -> NDArray[np.float64]:
        """Carry points of the unit cube to the prior.

        Parameters
        ----------
        even : ndarray of float64, shape (points, 5)
            Between 0 and 1.

        Returns
        -------
        ndarray of float64, shape (points, 5)
            Log total sd, logit tail-up share, log ranges up and down in metres, log local sd.
        """
        out = np.asarray(self._middle + self._log_sd * ndtri(even), dtype=np.float64)
        share = betaincinv(self.up_share_a, self.up_share_b, even[:, 1])
        out[:, 1] = np.log(share) - np.log1p(-share)
        return out

    def log_density(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log density of the prior on the scale of :meth:`points`.

        Parameters
        ----------
        points : ndarray of float64, shape (points, 5)
            As :meth:`points` returns them.

        Returns
        -------
        ndarray of float64, shape (points,)
            Log density.
        """
        normal = -0.5 * ((points - self._middle) / self._log_sd) ** 2 - np.log(
            self._log_sd * math.sqrt(2 * math.pi)
        )
        normal[:, 1] = (
            -self.up_share_a * np.logaddexp(0.0, -points[:, 1])
            - self.up_share_b * np.logaddexp(0.0, points[:, 1])
            - betaln(self.up_share_a, self.up_share_b)
        )
        return np.asarray(normal.sum(axis=1), dtype=np.float64)
