"""Learning: how hard a site's floods are, how fast its reaches refill, and how much of a pattern lasts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.storm.arrays import numbers

__all__ = ["Learnt", "Looks", "Prior", "Repeats", "lasting_shares", "learn"]

_GRID = 121
_WIDTH_SD = 4.5
# Beta distribution of the share of the moving sand's pattern that no flood renews; see `Prior`.
LASTING_A, LASTING_B = 4.0, 1.0


@cache
def lasting_shares() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lasting shares that are weighed, and what is thought of each beforehand.

    Returns
    -------
    share, weight : ndarray of float64, shape (shares,)
        Gauss and Jacobi's points for the beta distribution of `Prior`: their weighted mean is its mean.

    Examples
    --------
    >>> share, weight = lasting_shares()
    >>> len(share), round(float(weight @ share), 6), round(float(weight @ share**2), 6)
    (8, 0.8, 0.666667)
    """
    # SciPy takes a while to import: only when it is needed.
    from scipy.special import roots_jacobi

    at, weight = roots_jacobi(8, LASTING_B - 1.0, LASTING_A - 1.0)
    return 0.5 * (1.0 + at), weight / weight.sum()


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is believed of the two numbers before the site has spoken.

    Parameters
    ----------
    severity_log_sd : float
        The logarithm of the severity, by which computed flows are multiplied, is normal about 0 with this
        standard deviation. 0.7, a factor of two either way: our choice, because curve numbers and beds are
        guessed.
    refill_log_sd : float
        The same for S0 about 1 (`washgrade.storm.rework.refill_share`). 0.8: our choice.
    storm_log_sd : float
        Scatter of single storms about the severity. 0.5: our choice, because a gauge does not see the whole
        site.

    Raises
    ------
    InputError
        If one is not above 0.

    Notes
    -----
    The share of the moving sand's pattern that no flood renews, because new sand comes from the same slopes
    and lies in the same traps, is taken to be beta distributed with parameters 4 and 1 (mean 0.8, standard
    deviation 0.16): our choice, nothing published was found, and nothing speaks against all of it lasting.
    """

    severity_log_sd: float = 0.7
    refill_log_sd: float = 0.8
    storm_log_sd: float = 0.5

    def __post_init__(self) -> None:
        number("severity_log_sd", self.severity_log_sd, above=0)
        number("refill_log_sd", self.refill_log_sd, above=0)
        number("storm_log_sd", self.storm_log_sd, above=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """Places looked at after a flood known by its rain: did the bed move down to a depth, or not.

    Parameters
    ----------
    scour_m : ndarray of float64, shape (looks,)
        Mean scour that the reckoning gives there with a severity of 1, metres.
    wetted_share : ndarray of float64, shape (looks,)
        Share of the bed that it gives as wetted.
    depth_m : ndarray of float64, shape (looks,)
        The depth looked at, metres.
    moved : ndarray of bool, shape (looks,)
        Whether the bed had moved down to there.
    """

    scour_m: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    wetted_share: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    depth_m: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    moved: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """How well each pace of refill and each lasting share agree with reaches read again after floods.

    Parameters
    ----------
    strength_log : ndarray of float64, shape (steps,)
        Logarithms of what scour in bites is multiplied by, rising: half that of the severity less that of S0.
    log_likelihood : ndarray of float64, shape (steps, shares)
        Of the readings, for each of those and each of `lasting_shares`; see
        `washgrade.dig.refound.repeats_log_likelihood`.
    records : int
        Readings that were taken after floods where something had been read before.
    """

    strength_log: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))
    log_likelihood: NDArray[np.float64] = field(
        default_factory=lambda: np.zeros((1, len(lasting_shares()[0])))
    )
    records: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """Prior and posterior of severity and refill scale on a grid, and of the share of a pattern that lasts.

    Parameters
    ----------
    severity_log : ndarray of float64, shape (steps,)
        Logarithms of the severity.
    refill_log : ndarray of float64, shape (steps,)
        Logarithms of S0.
    prior_weights, posterior_weights : ndarray of float64, shape (steps, steps)
        Weights, severity by S0, that sum to 1.
    lasting_weights : ndarray of float64, shape (shares,)
        Posterior weights of `lasting_shares`.
    records : int
        How many marks, looks and readings again spoke.
    """

    severity_log: NDArray[np.float64]
    refill_log: NDArray[np.float64]
    prior_weights: NDArray[np.float64]
    posterior_weights: NDArray[np.float64]
    lasting_weights: NDArray[np.float64]
    records: int

    @property
    def lasting_share(self) -> float:
        """Share of the moving sand's pattern that no flood renews, as expected."""
        return float(self.lasting_weights @ lasting_shares()[0])

    def with_lasting(self, log_likelihood: NDArray[np.float64]) -> Learnt:
        """Say what all readings together teach of the lasting share, in place of single reaches read again.

        Parameters
        ----------
        log_likelihood : ndarray of float64, shape (ways, shares)
            Of each of `lasting_shares`, but for a constant in each way; the ways count alike.

        Returns
        -------
        Learnt
            All else as it was.
        """
        before = np.log(lasting_shares()[1])
        return replace(
            self, lasting_weights=np.mean([_weights(before + one) for one in log_likelihood], axis=0)
        )

    def lasting(self, probability: float, *, prior: bool = False) -> float:
        """Quantile of the lasting share.

        Parameters
        ----------
        probability : float
            Between 0 and 1.
        prior : bool, optional
            Of the prior and not the posterior.

        Returns
        -------
        float
            0 to 1.
        """
        share, before = lasting_shares()
        weights = before if prior else self.lasting_weights
        number("probability", probability, above=0, below=1)
        return float(np.interp(probability, np.cumsum(weights) - 0.5 * weights, share))

    def severity(self, probability: float, *, prior: bool = False) -> float:
        """Quantile of the severity.

        Parameters
        ----------
        probability : float
            Between 0 and 1.
        prior : bool, optional
            Of the prior and not the posterior.

        Returns
        -------
        float
            Factor for computed flows.
        """
        weights = self.prior_weights if prior else self.posterior_weights
        return _quantile(self.severity_log, weights.sum(axis=1), probability)

    def refill_scale(self, probability: float, *, prior: bool = False) -> float:
        """Quantile of S0.

        Parameters
        ----------
        probability : float
            Between 0 and 1.
        prior : bool, optional
            Of the prior and not the posterior.

        Returns
        -------
        float
            Mean scour, in bites, that renews 63 %.
        """
        weights = self.prior_weights if prior else self.posterior_weights
        return _quantile(self.refill_log, weights.sum(axis=0), probability)

    def draws(self, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Joint draws of severity and S0, spread evenly over the posterior; the same ones every time.

        Parameters
        ----------
        count : int
            How many.

        Returns
        -------
        severity, refill_scale : ndarray of float64, shape (count,)
            Severities at even steps of chance, S0 of each at even steps of its own.
        """
        even = (np.arange(count) + 0.5) / count
        severity = np.array([self.severity(float(chance)) for chance in even])
        row = np.abs(np.log(severity)[:, None] - self.severity_log).argmin(axis=1)
        # The bits of a number read backwards (van der Corput): even, and not in step with the severities.
        halves = np.array([sum(((k >> b) & 1) * 0.5 ** (b + 1) for b in range(30)) for k in range(count)])
        refill = [
            _quantile(self.refill_log, self.posterior_weights[i] / self.posterior_weights[i].sum(), float(v))
            for i, v in zip(row.tolist(), halves + 0.5 / count, strict=True)
        ]
        return severity, np.array(refill)


def _quantile(grid: NDArray[np.float64], weights: NDArray[np.float64], probability: float) -> float:
    """Quantile on the natural scale; each grid point's weight is spread evenly about it."""
    number("probability", probability, above=0, below=1)
    step = grid[1] - grid[0]
    edges = np.append(grid - step / 2.0, grid[-1] + step / 2.0)
    return float(math.exp(np.interp(probability, np.append(0.0, np.cumsum(weights)), edges)))


def learn(
    *,
    mark_log_ratio: ArrayLike = (),
    mark_log_sd: ArrayLike = (),
    looks: Looks | None = None,
    repeats: Repeats | None = None,
    prior: Prior | None = None,
) -> Learnt:
    r"""Correct the severity of floods, the rate of refill and the lasting share by what was seen.

    Parameters
    ----------
    mark_log_ratio : array_like of float, shape (marks,)
        Logarithms of marks' flows over those of the rain with a severity of 1; finite ones only.
    mark_log_sd : array_like of float, shape (marks,)
        Their standard errors.
    looks : Looks, optional
        Places looked at.
    repeats : Repeats, optional
        Reaches read again after floods.
    prior : Prior, optional
        What is believed before.

    Returns
    -------
    Learnt
        Prior and posterior.

    Raises
    ------
    InputError
        If shapes disagree or a value is out of its limits.

    Notes
    -----
    With severity f: a mark's log ratio is normal about log f, its own error and `Prior.storm_log_sd` joined;
    a bed has moved to depth d with the chance ``wetted share * exp(-d / (f^(1/2) scour))``, because scour
    goes with the square root of the flow (the threshold of motion and the width are left as reckoned);
    reaches read again speak through :math:`\ln(\sqrt f/S_0)`, between whose steps their log likelihood is
    taken to be straight. Posterior by quadrature on a grid of 121 by 121 over 4.5 standard deviations of the
    prior, by eight lasting shares: the same records always give the same answer, in any order to rounding.

    Examples
    --------
    >>> learnt = learn(mark_log_ratio=[1.0, 0.8, 1.2], mark_log_sd=[0.3, 0.3, 0.3])
    >>> [round(learnt.severity(p, prior=True), 2) for p in (0.1, 0.5, 0.9)]
    [0.41, 1.0, 2.45]
    >>> [round(learnt.severity(p), 2) for p in (0.1, 0.5, 0.9)]
    [1.53, 2.25, 3.33]
    """
    prior = Prior() if prior is None else prior
    looks = Looks() if looks is None else looks
    repeats = Repeats() if repeats is None else repeats
    unit = np.linspace(-_WIDTH_SD, _WIDTH_SD, _GRID)
    severity_log = unit * prior.severity_log_sd
    refill_log = unit * prior.refill_log_sd
    log_prior = -0.5 * (unit[:, None] ** 2 + unit[None, :] ** 2)
    fit = _marks_fit(severity_log, mark_log_ratio, mark_log_sd, prior)
    fit += _looks_fit(severity_log, looks)
    steps = np.asarray(repeats.strength_log, np.float64)
    likelihood = numbers("log_likelihood", repeats.log_likelihood)
    _, lasting = lasting_shares()
    if likelihood.shape != (len(steps), len(lasting)):
        raise InputError(
            f"Invalid 'log_likelihood' of shape {likelihood.shape}. It must be {len(steps)} steps by "
            f"{len(lasting)} lasting shares."
        )
    strength = 0.5 * severity_log[:, None] - refill_log[None, :]
    given = np.stack([np.interp(strength, steps, column) for column in likelihood.T], axis=-1)
    weights = _weights((log_prior + fit[:, None])[:, :, None] + given + np.log(lasting))
    return Learnt(
        severity_log=severity_log,
        refill_log=refill_log,
        prior_weights=_weights(log_prior),
        posterior_weights=weights.sum(axis=2),
        lasting_weights=weights.sum(axis=(0, 1)),
        records=np.size(mark_log_ratio) + looks.moved.size + repeats.records,
    )


def _weights(log_weights: NDArray[np.float64]) -> NDArray[np.float64]:
    weights = np.exp(log_weights - log_weights.max())
    found: NDArray[np.float64] = weights / weights.sum()
    return found


def _same_shape(what: str, *values: NDArray[np.float64] | NDArray[np.bool_] | NDArray[np.int64]) -> None:
    if len({np.shape(value) for value in values}) > 1:
        sizes = ", ".join(str(np.size(value)) for value in values)
        raise InputError(f"Invalid {what} with columns of {sizes} values. They must be equally long.")


def _marks_fit(
    severity_log: NDArray[np.float64], ratio: ArrayLike, sd: ArrayLike, prior: Prior
) -> NDArray[np.float64]:
    ratio, sd = numbers("mark_log_ratio", ratio), numbers("mark_log_sd", sd, at_least=0)
    _same_shape("marks", ratio, sd)
    variance = sd**2 + prior.storm_log_sd**2
    miss = ratio[None, :] - severity_log[:, None]
    found: NDArray[np.float64] = -0.5 * np.sum(miss**2 / variance, axis=1)
    return found


def _looks_fit(severity_log: NDArray[np.float64], looks: Looks) -> NDArray[np.float64]:
    _same_shape("looks", looks.scour_m, looks.wetted_share, looks.depth_m, looks.moved)
    scour = numbers("scour_m", looks.scour_m, at_least=0)
    depth = numbers("depth_m", looks.depth_m, at_least=0)
    wetted = numbers("wetted_share", looks.wetted_share, at_least=0, at_most=1)
    mean = np.exp(0.5 * severity_log)[:, None] * scour
    ratio = np.divide(
        np.broadcast_to(depth, mean.shape), mean, out=np.full(mean.shape, np.inf), where=mean > 0
    )
    # People misjudge: one look in fifty says the reverse (our choice), so that no single one decides.
    chance = 0.02 + 0.96 * wetted * np.exp(-ratio)
    found: NDArray[np.float64] = np.sum(np.where(looks.moved, np.log(chance), np.log1p(-chance)), axis=1)
    return found
