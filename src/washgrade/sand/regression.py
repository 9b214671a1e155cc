"""Regression on the channel: coefficients and likelihood from the Gram matrix that a pass leaves behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number

__all__ = ["CoefficientPrior", "Fit", "Process", "minus_two_log_likelihood", "solve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """Variances and ranges of the two parts of the latent value.

    Parameters
    ----------
    up_variance, down_variance : float
        Variance of the tail-up and of the tail-down part, in squared units of the value; at least 0.
    up_range_m, down_range_m : float
        Distance along the channel at which the correlation has fallen to 1/e, metres; above 0.
    mixing_share : float, default 0
        How far branches that join mix like loads of sand, 0 to 1. With 0 the tail-up part varies as much
        everywhere; with m its variance goes with the weight to the power -m, and with 1 a node is the mean
        of what joins there.

    Raises
    ------
    InputError
        If a variance is negative, a range not above 0 or the mixing share outside 0 to 1.
    """

    up_variance: float
    up_range_m: float
    down_variance: float
    down_range_m: float
    mixing_share: float = 0.0

    def __post_init__(self) -> None:
        number("up_variance", self.up_variance, at_least=0)
        number("down_variance", self.down_variance, at_least=0)
        number("up_range_m", self.up_range_m, above=0)
        number("down_range_m", self.down_range_m, above=0)
        number("mixing_share", self.mixing_share, at_least=0, at_most=1)

    @property
    def numbers(self) -> NDArray[np.float64]:
        """The five numbers in the order the compiled passes take them."""
        return np.array(
            [self.up_variance, self.up_range_m, self.down_variance, self.down_range_m, self.mixing_share],
            dtype=np.float64,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CoefficientPrior:
    """Independent normal priors of the regression coefficients.

    Parameters
    ----------
    mean, sd : ndarray of float64, shape (regressors,)
        Mean and standard deviation; an infinite standard deviation is no prior at all.
    """

    mean: NDArray[np.float64]
    sd: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Regression coefficients given the readings, and how likely the readings are.

    Parameters
    ----------
    coefficient : ndarray of float64, shape (regressors,)
        Posterior mean (generalised least squares without a prior).
    covariance : ndarray of float64, shape (regressors, regressors)
        Posterior covariance.
    log_likelihood : float
        With a prior: log marginal likelihood, coefficients integrated out. Without: restricted log
        likelihood (REML), in the convention that leaves out the determinant of X'X.
    gram : ndarray of float64, shape (1 + regressors, 1 + regressors)
        [y X]' V^-1 [y X].
    covariance_log_determinant : float
        Log determinant of the covariance V of the readings.
    """

    coefficient: NDArray[np.float64]
    covariance: NDArray[np.float64]
    log_likelihood: float
    gram: NDArray[np.float64]
    covariance_log_determinant: float


def solve(
    gram: NDArray[np.float64],
    covariance_log_determinant: float,
    readings: int,
    prior: CoefficientPrior | None,
) -> Fit:
    """Coefficients and likelihood.

    Parameters
    ----------
    gram : ndarray of float64, shape (1 + regressors, 1 + regressors)
        [y X]' V^-1 [y X].
    covariance_log_determinant : float
        Log determinant of V.
    readings : int
        Number of readings.
    prior : CoefficientPrior or None
        None is a flat prior.

    Returns
    -------
    Fit
        By generalised least squares, or Bayes' rule where there is a prior.

    Examples
    --------
    Readings 1 and 3 with unit variance, and a mean without a prior:

    >>> import numpy as np
    >>> found = solve(np.array([[10.0, 4.0], [4.0, 2.0]]), 0.0, 2, None)
    >>> found.coefficient.tolist(), found.covariance.tolist()
    ([2.0], [[0.5]])
    """
    size = gram.shape[0] - 1
    precision = np.zeros(size) if prior is None else 1.0 / np.asarray(prior.sd, dtype=np.float64) ** 2
    middle = np.zeros(size) if prior is None else np.asarray(prior.mean, dtype=np.float64)
    # Shift by the prior mean, so that the quadratic form keeps its digits.
    shift = np.concatenate([[1.0], -middle])
    moved = np.column_stack([gram @ shift, gram[:, 1:]])
    quad = float(shift @ moved[:, 0])
    cross = moved[1:, 0]
    total = gram[1:, 1:] + np.diag(precision)
    covariance = np.linalg.inv(total) if size else np.zeros((0, 0))
    step = covariance @ cross
    proper = precision > 0
    # A coefficient with a flat prior costs a degree of freedom, as REML counts them.
    freedom = readings - int(np.sum(~proper))
    log_total = float(np.linalg.slogdet(total)[1]) if size else 0.0
    log_likelihood = -0.5 * (
        covariance_log_determinant
        + log_total
        - float(np.log(precision[proper]).sum())
        + quad
        - float(cross @ step)
        + freedom * np.log(2 * np.pi)
    )
    return Fit(
        coefficient=middle + step,
        covariance=covariance,
        log_likelihood=float(log_likelihood),
        gram=gram,
        covariance_log_determinant=covariance_log_determinant,
    )


def minus_two_log_likelihood(found: Fit) -> float:
    """Minus twice the log likelihood, as statistics packages print it.

    Parameters
    ----------
    found : Fit
        A fit.

    Returns
    -------
    float
        Minus twice ``found.log_likelihood``.
    """
    return -2.0 * found.log_likelihood
