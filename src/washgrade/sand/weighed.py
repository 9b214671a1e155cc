"""Samples weighed on a ground: the one place where channels, shape, samples and priors become a model.

What asks the model (grades, reasons, where next) starts from here, so that all of them ask the same one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import GroundError
from washgrade.land.channels import Channels
from washgrade.land.shape import Shape
from washgrade.sand import solver
from washgrade.sand.along import longest_way_m
from washgrade.sand.covariates import regressors as regressors_of
from washgrade.sand.dilution import diluted_grade
from washgrade.sand.hyper import Averaged, Readings, average, read_again, readings
from washgrade.sand.planar import COLUMNS, planar_columns
from washgrade.sand.priors import Priors
from washgrade.sand.regression import CoefficientPrior
from washgrade.sand.sample import Observations, Samples, SamplingSettings, observations
from washgrade.sand.tree import Tree, rows_of, tree_of_nodes

__all__ = ["SOURCES", "Smoothed", "Weighed", "weigh"]

SOURCES = "known sources"
# Our choice, because a bed shows its sources only as far as floods do not sort it: one sd of a quarter lets a
# source twice as rich as the mean show as 1.7 to 2.4 times in two cases of three.
SOURCES_SD = 0.25
LEAST_GRADE = 1e-5
# More samples tell finer shapes. Our choice: with 14 columns and 100 samples the error on planar truths was
# 7 % above that of kriging in the plane, with 24 it was 5 %; with 30 samples 14 were enough.
READINGS_PER_COLUMN, MOST_COLUMNS = 8, 28


@dataclass(frozen=True, slots=True, kw_only=True)
class Smoothed:
    """State of every node under one representative; the arrays are overwritten by the next one.

    Parameters
    ----------
    part : int
        Which representative.
    process : ndarray of float64, shape (4,)
        Variance and range of tail-up, then of tail-down.
    c, v, lam : ndarray of float64, shape (nodes,)
        State of :func:`washgrade.sand.solver.pass_up` before a node's own reading.
    up, down : ndarray of float64, shape (nodes, 1 + regressors)
        Means of T and of D for the readings and each regressor.
    variance : ndarray of float64, shape (nodes, 3)
        Of T, TD and D.
    """

    part: int
    process: NDArray[np.float64]
    c: NDArray[np.float64]
    v: NDArray[np.float64]
    lam: NDArray[np.float64]
    up: NDArray[np.float64]
    down: NDArray[np.float64]
    variance: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A model of the grade with what samples say of it.

    Parameters
    ----------
    tree : Tree
        The network.
    names : tuple of str
        Of the regressors that people can read: intercept and covariates.
    regressors : ndarray of float64, shape (nodes, regressors)
        Those, then the columns of the planar part.
    prior : CoefficientPrior
        Of the named regressors.
    priors : Priors
        On this ground.
    observations : Observations
        The readings used, and the samples that were not.
    read : Readings
        Laid on their skeleton.
    averaged : Averaged
        Representatives of what is not known.
    """

    tree: Tree
    names: tuple[str, ...]
    regressors: NDArray[np.float64]
    prior: CoefficientPrior
    priors: Priors
    observations: Observations
    read: Readings
    averaged: Averaged

    @property
    def prior_mean(self) -> NDArray[np.float64]:
        """Prior means of all regressors; those of planar columns are 0."""
        return np.concatenate([self.prior.mean, np.zeros(self.regressors.shape[1] - len(self.prior.mean))])

    def expected(self, part: int) -> NDArray[np.float64]:
        """Middle of the logit at every node as thought before any sample, under one representative.

        Parameters
        ----------
        part : int
            Which representative.

        Returns
        -------
        ndarray of float64, shape (nodes,)
            Regressors times the prior means of their coefficients, and :meth:`mixture_middle`.
        """
        return self.regressors @ self.prior_mean + self.mixture_middle(part, self.tree.log_weight)

    def mixture_middle(self, part: int, log_weight: NDArray[np.float64]) -> NDArray[np.float64]:
        r"""How far a mixture's middle lies above that at the usual weight, under one representative.

        Parameters
        ----------
        part : int
            Which representative.
        log_weight : ndarray of float64, shape (nodes,)
            Logarithm of the weight over the usual one.

        Returns
        -------
        ndarray of float64, shape (nodes,)
            On the logit: :math:`s_T^2(1-(A/A_0)^{-m})/2`.

        Notes
        -----
        What branches bring mixes as loads: the mean grade of the mixture is the mean of the grades. Where the
        tail-up part varies less, downstream, its skew is less too, and so the middle lies nearer to that
        mean: it moves by half of what the variance falls by, as it does for lognormal grades of one mean.
        """
        process = self.averaged.process(part)
        share = solver.variance_share(log_weight, process.mixing_share)
        return np.asarray(solver.middle_of_mixture(process.up_variance, share), dtype=np.float64)

    @property
    def place(self) -> NDArray[np.int32]:
        """Row of the youngest reading at each node, or -1."""
        return rows_of(self.read.node, len(self.tree))[0]

    def smoothed(self, parts: NDArray[np.int64] | None = None) -> Iterator[Smoothed]:
        """Smooth the whole network under one representative after another.

        Parameters
        ----------
        parts : ndarray of int, optional
            Which representatives; all unless told.

        Yields
        ------
        Smoothed
            Its arrays are used again for the next one.
        """
        tree, averaged, place, log_weight = self.tree, self.averaged, self.place, self.tree.log_weight
        count, cols = len(tree), 1 + self.regressors.shape[1]
        b, eta, up, down = (np.empty((count, cols)) for _ in range(4))
        c, v, lam = (np.empty(count) for _ in range(3))
        variance, no_gram = np.empty((count, 3)), np.empty((0, 0))
        for part in range(len(averaged.points)) if parts is None else parts:
            process = averaged.process(int(part)).numbers
            arrays = (tree.downstream, tree.length_m, log_weight, place, self.read.older, self.read.loading)
            given = (averaged.columns[part], averaged.error_variance[part], process)
            solver.pass_up(*arrays, *given, b, c, v, lam, eta, no_gram)
            solver.pass_down(*arrays, *given, b, c, v, lam, eta, up, down, variance)
            yield Smoothed(
                part=int(part), process=process, c=c, v=v, lam=lam, up=up, down=down, variance=variance
            )


def weigh(
    channels: Channels,
    samples: Samples | Observations,
    *,
    shape: Shape | None = None,
    settings: SamplingSettings | None = None,
    priors: Priors | None = None,
    source_grade: NDArray[np.float64] | None = None,
    planar: bool = True,
    like: Weighed | None = None,
) -> Weighed:
    """Weigh samples on a ground.

    Parameters
    ----------
    channels : Channels
        The network.
    samples : Samples or Observations
        Recorded layers, or what has become of them (:func:`washgrade.sand.sample.observations`) once floods
        and digs since are heeded; may be none.
    shape : Shape, optional
        Shape of the channels; without it the covariates that need it are absent.
    settings : SamplingSettings, optional
        How samples are taken and weighed.
    priors : Priors, optional
        What is thought beforehand, used as it is; unless told the defaults, carried to the size of the ground
        (:meth:`Priors.on_ground`).
    source_grade : ndarray of float64, shape (nodes,), optional
        Known sources: grade of what the ground at each node's sides gives, 0 to 1. Their dilution
        (:func:`washgrade.sand.dilution.diluted_grade`) then is the mean about which all else departs.
    planar : bool, default True
        Whether places may be alike across the land where no channel joins them.
    like : Weighed, optional
        A model of the same ground on another day, whose priors, regressors and representatives stand: then
        only the readings are weighed, and all other options but ``settings`` are those of that model.

    Returns
    -------
    Weighed
        The model.

    Raises
    ------
    GroundError
        If there is no channel at all.
    InputError
        If the sources do not fit the nodes.
    """
    nodes = channels.nodes
    if not len(nodes):
        raise GroundError("The ground has no channel. It must have at least one node to have a grade.")
    settings = settings or SamplingSettings()
    seen = samples if isinstance(samples, Observations) else observations(samples, settings, nodes)
    if like is not None:
        read = readings(like.tree, seen, like.regressors[:, : len(like.prior.mean)], planar=like.read.planar)
        return replace(
            like,
            observations=seen,
            read=read,
            averaged=read_again(read, like.averaged, like.priors, prior=like.prior),
        )
    tree = tree_of_nodes(nodes)
    priors = priors or Priors().on_ground(longest_way_m(tree))
    names, columns = regressors_of(channels, shape)
    prior = priors.coefficients(len(names))
    if source_grade is not None:
        mixed = np.clip(diluted_grade(tree, source_grade), LEAST_GRADE, 1 - LEAST_GRADE)
        logit = np.log(mixed / (1 - mixed))
        # About its mean, so that doubt about the slope is not doubt about the level.
        names, columns = (*names, SOURCES), np.column_stack([columns, logit - logit.mean()])
        prior = CoefficientPrior(
            mean=np.concatenate([[logit.mean()], prior.mean[1:], [1.0]]), sd=np.append(prior.sd, SOURCES_SD)
        )
    across = None
    if planar:
        count = min(COLUMNS + len(seen) // READINGS_PER_COLUMN, MOST_COLUMNS)
        across = planar_columns(easting_m=nodes.easting_m, northing_m=nodes.northing_m, count=count)
        across = across if across.columns.shape[1] else None
    read = readings(tree, seen, columns, planar=across)
    return Weighed(
        tree=tree,
        names=names,
        regressors=np.column_stack([columns, across.columns]) if across else columns,
        prior=prior,
        priors=priors,
        observations=seen,
        read=read,
        averaged=average(read, priors, prior=prior),
    )
