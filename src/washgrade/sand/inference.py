"""Exact inference on a channel tree: likelihood, kriging, leave-one-out and joint draws, in linear time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import InputError
from washgrade.sand import solver
from washgrade.sand.regression import CoefficientPrior, Fit, Process, minus_two_log_likelihood, solve
from washgrade.sand.tree import Pooled, Tree, pool, rows_of, skeleton

__all__ = [
    "CoefficientPrior",
    "Fit",
    "Kriged",
    "Process",
    "deviations",
    "fit",
    "krige",
    "leave_one_out",
    "minus_two_log_likelihood",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kriged:
    """Posterior at every node; the regression and its doubt are in ``mean`` and ``variance`` only.

    Parameters
    ----------
    mean, variance : ndarray of float64, shape (nodes,)
        Of regression + T + D.
    up_mean, down_mean : ndarray of float64, shape (nodes,)
        Means of T and of D.
    up_variance, up_down_covariance, down_variance : ndarray of float64, shape (nodes,)
        Of T and D given the coefficients.
    """

    mean: NDArray[np.float64]
    variance: NDArray[np.float64]
    up_mean: NDArray[np.float64]
    down_mean: NDArray[np.float64]
    up_variance: NDArray[np.float64]
    up_down_covariance: NDArray[np.float64]
    down_variance: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Passed:
    log_weight: NDArray[np.float64]
    place: NDArray[np.int32]
    older: NDArray[np.int32]
    pooled: Pooled
    b: NDArray[np.float64]
    c: NDArray[np.float64]
    v: NDArray[np.float64]
    lam: NDArray[np.float64]
    eta: NDArray[np.float64]
    gram: NDArray[np.float64]
    log_determinant: float


def _pass_up(tree: Tree, process: Process, pooled: Pooled) -> _Passed:
    count, cols = len(tree), pooled.columns.shape[1]
    place, older = rows_of(pooled.node, count)
    b, eta = np.empty((count, cols)), np.empty((count, cols))
    c, v, lam = np.empty(count), np.empty(count), np.empty(count)
    gram = np.empty((cols, cols))
    # Worked out anew at each asking: once is enough.
    log_weight = tree.log_weight
    log_determinant = solver.pass_up(
        tree.downstream,
        tree.length_m,
        log_weight,
        place,
        older,
        pooled.loading,
        pooled.columns,
        pooled.error_variance,
        process.numbers,
        b,
        c,
        v,
        lam,
        eta,
        gram,
    )
    return _Passed(
        log_weight,
        place,
        older,
        pooled,
        b,
        c,
        v,
        lam,
        eta,
        gram + pooled.within_gram,
        float(log_determinant) + pooled.within_covariance_log_determinant,
    )


def _columns(value: NDArray[np.float64], regressors: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.column_stack([value, regressors]).astype(np.float64)


def _check(tree: Tree, node: NDArray[np.integer[Any]], value: NDArray[np.float64]) -> None:
    if len(node) and (int(np.min(node)) < 0 or int(np.max(node)) >= len(tree)):
        raise InputError(f"Invalid node of a reading. It must lie from 0 to {len(tree) - 1}.")
    if not np.all(np.isfinite(value)):
        raise InputError("Invalid reading. It must be a finite number.")


def fit(
    tree: Tree,
    process: Process,
    *,
    node: NDArray[np.integer[Any]],
    value: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    regressors: NDArray[np.float64],
    prior: CoefficientPrior | None = None,
    shared_variance: float = 0.0,
) -> Fit:
    """Likelihood of readings and the regression coefficients, on the skeleton of the readings.

    Parameters
    ----------
    tree : Tree
        The network.
    process : Process
        Variances and ranges.
    node : ndarray of int, shape (readings,)
        Node of each reading.
    value, error_variance : ndarray of float64, shape (readings,)
        Reading and its error variance.
    regressors : ndarray of float64, shape (readings, regressors)
        Regressors at the readings; may have no column.
    prior : CoefficientPrior, optional
        None is a flat prior: generalised least squares and REML.
    shared_variance : float, default 0
        Variance of an effect that all readings at one node share.

    Returns
    -------
    Fit
        Coefficients and likelihood.

    Raises
    ------
    InputError
        If a node does not exist or a reading is no finite number.
    """
    _check(tree, node, value)
    small, kept = skeleton(tree, node)
    pooled = pool(
        np.searchsorted(kept, node),
        _columns(value, regressors),
        error_variance,
        shared_variance=shared_variance,
    )
    passed = _pass_up(small, process, pooled)
    return solve(passed.gram, passed.log_determinant, len(value), prior)


def krige(
    tree: Tree,
    process: Process,
    *,
    node: NDArray[np.integer[Any]],
    value: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    regressors: NDArray[np.float64],
    prior: CoefficientPrior | None = None,
    shared_variance: float = 0.0,
    loading: NDArray[np.float64] | None = None,
) -> tuple[Fit, Kriged]:
    """Posterior mean and variance at every node: one pass up and one pass down.

    Parameters
    ----------
    tree : Tree
        The network.
    process : Process
        Variances and ranges.
    node : ndarray of int, shape (readings,)
        Node of each reading.
    value, error_variance : ndarray of float64, shape (readings,)
        Reading and its error variance.
    regressors : ndarray of float64, shape (nodes, regressors)
        Regressors at every node; may have no column.
    prior : CoefficientPrior, optional
        None is a flat prior: universal kriging.
    shared_variance : float, default 0
        Variance of an effect that all readings at one node share.
    loading : ndarray of float64, shape (readings,), optional
        As in `washgrade.sand.tree.pool`.

    Returns
    -------
    found : Fit
        Coefficients and likelihood.
    kriged : Kriged
        Posterior at every node, without the readings' errors and without the shared effect.

    Raises
    ------
    InputError
        If a node does not exist or a reading is no finite number.

    Examples
    --------
    >>> import numpy as np
    >>> line = Tree(downstream=np.array([1, -1], np.int32), length_m=np.array([100.0, 0.0]),
    ...             weight=np.array([1.0, 1.0]))
    >>> process = Process(up_variance=1.0, up_range_m=100.0, down_variance=0.0, down_range_m=1.0)
    >>> _, there = krige(line, process, node=np.array([0]), value=np.array([2.0]),
    ...                  error_variance=np.array([1.0]), regressors=np.empty((2, 0)))
    >>> there.mean.round(4).tolist()
    [1.0, 0.3679]
    """
    _check(tree, node, value)
    pooled = pool(
        node,
        _columns(value, regressors[np.asarray(node)]),
        error_variance,
        shared_variance=shared_variance,
        loading=loading,
    )
    passed = _pass_up(tree, process, pooled)
    found = solve(passed.gram, passed.log_determinant, len(value), prior)
    up = np.empty_like(passed.b)
    down = np.empty_like(passed.b)
    variance = np.empty((len(tree), 3))
    solver.pass_down(
        tree.downstream,
        tree.length_m,
        passed.log_weight,
        passed.place,
        passed.older,
        pooled.loading,
        pooled.columns,
        pooled.error_variance,
        process.numbers,
        passed.b,
        passed.c,
        passed.v,
        passed.lam,
        passed.eta,
        up,
        down,
        variance,
    )
    beta = found.coefficient
    up_mean = up[:, 0] - up[:, 1:] @ beta
    down_mean = down[:, 0] - down[:, 1:] @ beta
    unexplained = regressors - up[:, 1:] - down[:, 1:]
    return found, Kriged(
        mean=regressors @ beta + up_mean + down_mean,
        variance=variance[:, 0]
        + 2 * variance[:, 1]
        + variance[:, 2]
        + np.einsum("ij,jk,ik->i", unexplained, found.covariance, unexplained),
        up_mean=up_mean,
        down_mean=down_mean,
        up_variance=variance[:, 0].copy(),
        up_down_covariance=variance[:, 1].copy(),
        down_variance=variance[:, 2].copy(),
    )


def leave_one_out(
    tree: Tree,
    process: Process,
    *,
    node: NDArray[np.integer[Any]],
    value: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    regressors: NDArray[np.float64],
    prior: CoefficientPrior | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r"""Prediction of each reading from all the others, linear in the number of nodes.

    Parameters
    ----------
    tree : Tree
        The network.
    process : Process
        Variances and ranges.
    node : ndarray of int, shape (readings,)
        Node of each reading.
    value, error_variance : ndarray of float64, shape (readings,)
        Reading and its error variance.
    regressors : ndarray of float64, shape (readings, regressors)
        Regressors at the readings.
    prior : CoefficientPrior, optional
        None is a flat prior.

    Returns
    -------
    prediction, variance : ndarray of float64, shape (readings,)
        What the others say of each reading, and the variance of a reading about it (its error included).

    Notes
    -----
    A reading of variance r takes the latent value from :math:`N(m_-, p_-)` to :math:`N(m, p)`; taking it out
    again, :math:`1/p_- = 1/p - 1/r` and :math:`m_-/p_- = m/p - y/r`.
    """
    small, kept = skeleton(tree, node)
    spot = np.searchsorted(kept, node)
    everywhere = np.zeros((len(small), regressors.shape[1]))
    everywhere[spot] = regressors
    _, there = krige(
        small,
        process,
        node=spot,
        value=value,
        error_variance=error_variance,
        regressors=everywhere,
        prior=prior,
    )
    error = np.maximum(error_variance, 1e-6)
    latent, doubt = there.mean[spot], there.variance[spot]
    without = doubt * error / (error - doubt)
    return without * (latent / doubt - value / error), without + error


def deviations(
    tree: Tree,
    process: Process,
    *,
    node: NDArray[np.integer[Any]],
    error_variance: NDArray[np.float64],
    noise: NDArray[np.floating[Any]],
    shared_variance: float = 0.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw T and D about their posterior means, given the coefficients: linear in the noise.

    Parameters
    ----------
    tree : Tree
        The network.
    process : Process
        Variances and ranges.
    node : ndarray of int, shape (readings,)
        Node of each reading.
    error_variance : ndarray of float64, shape (readings,)
        Error variances.
    noise : ndarray of float, shape (nodes, 3, draws)
        Independent standard normal numbers.
    shared_variance : float, default 0
        Variance of an effect that all readings at one node share.

    Returns
    -------
    up, down : ndarray of float64, shape (nodes, draws)
        Deviations of T and of D; the values of the readings do not matter to them.

    Raises
    ------
    InputError
        If the noise has another shape.
    """
    if noise.ndim != 3 or noise.shape[:2] != (len(tree), 3):
        raise InputError(f"Invalid noise of shape {noise.shape}. It must be ({len(tree)}, 3, draws).")
    pooled = pool(node, np.zeros((len(node), 0)), error_variance, shared_variance=shared_variance)
    passed = _pass_up(tree, process, pooled)
    coefficients = solver.draw_coefficients(
        tree.downstream,
        tree.length_m,
        passed.log_weight,
        passed.place,
        passed.older,
        pooled.loading,
        pooled.error_variance,
        process.numbers,
        passed.c,
        passed.v,
        passed.lam,
    )
    up, down, joining = (np.empty((len(tree), noise.shape[2])) for _ in range(3))
    solver.draw_fields(tree.downstream, coefficients, noise, up, down, joining)
    return up, down
