"""Which readings look wrong: each one against what all the others say of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from washgrade.land.channels import Channels
from washgrade.sand.covariates import regressors as regressors_of
from washgrade.sand.hyper import average, readings
from washgrade.sand.inference import leave_one_out
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.priors import Priors
from washgrade.sand.sample import observations
from washgrade.sand.tails import along_doubt
from washgrade.sand.tree import tree_of_nodes

__all__ = ["Doubt", "doubtful_readings"]

# Beyond this many standard deviations a reading is doubted. Our choice, because one in 370 sound readings
# would be asked about.
LIMIT_SD = 3.0
NORMAL_90 = 1.6448536269514722


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A reading that the others do not lead one to expect.

    Parameters
    ----------
    sample_ids : tuple of str
        The records that make up the reading.
    grade : float
        What was read, 0 to 1.
    low_grade, high_grade : float
        Grades between which the others put it 9 times in 10, 0 to 1.
    z_score : float
        How far off it is, in standard deviations on the logit.
    slipped : bool
        Whether a decimal point moved by one place would explain it.
    """

    sample_ids: tuple[str, ...]
    grade: float
    low_grade: float
    high_grade: float
    z_score: float
    slipped: bool

    @property
    def sentence(self) -> str:
        """The question for a person."""
        names = " and ".join(name[:8] for name in self.sample_ids)
        side = "above" if self.z_score > 0 else "below"
        ask = "Did a decimal point slip? Or is" if self.slipped else "Are its masses right? Is"
        end = " If it is right, leave it: a rich streak is what you look for." if self.z_score > 0 else ""
        return (
            f"Sample {names}: its grade of {self.grade:.1%} is {side} the "
            f"{self.low_grade:.1%} to {self.high_grade:.1%} that the other samples lead one to "
            f"expect. {ask} it in the right place?{end}"
        )


def doubtful_readings(
    channels: Channels,
    samples: Samples,
    *,
    settings: SamplingSettings | None = None,
    priors: Priors | None = None,
) -> list[Doubt]:
    r"""List the readings that the other ones do not lead one to expect, the farthest off first.

    Parameters
    ----------
    channels : Channels
        The network.
    samples : Samples
        Recorded layers.
    settings : SamplingSettings, optional
        How samples are taken and weighed.
    priors : Priors, optional
        What is thought beforehand.

    Returns
    -------
    list of Doubt
        None are dropped from any estimate by being listed here.

    Notes
    -----
    Leave-one-out prediction at each representative of ranges and variances, then mean and variance of the
    mixture. Readings at one place are taken to share T and D but each to have a local effect of its own, so
    that two scoops of one hole may disagree a little before they are doubted. The doubt about the place along
    the channel adds the variance that the estimate gives it (:func:`washgrade.sand.tails.along_doubt`), here
    also to each reading by itself. Traces are not judged.
    """
    settings = settings or SamplingSettings()
    priors = priors or Priors()
    tree = tree_of_nodes(channels.nodes)
    names, regressors = regressors_of(channels)
    seen = observations(samples, settings, channels.nodes)
    judged = np.flatnonzero(~seen.censored)
    if len(judged) < 3:
        return []
    read = readings(tree, seen, regressors)
    averaged = average(read, priors)
    along_sd_m = read.along_sd_m[read.member]
    prior = priors.coefficients(len(names))
    means, variances = [], []
    for representative in range(len(averaged.points)):
        process = averaged.process(representative)
        local_variance = np.exp(2.0 * averaged.points[representative, 4])
        along_variance = np.array([along_doubt(process.numbers, one_m) for one_m in along_sd_m])
        prediction, variance = leave_one_out(
            tree,
            process,
            node=seen.node[judged],
            value=seen.value[judged],
            error_variance=seen.error_variance[judged] + local_variance + along_variance,
            regressors=regressors[seen.node[judged]],
            prior=prior,
        )
        means.append(prediction)
        variances.append(variance)
    mean: NDArray[np.float64] = np.mean(means, axis=0)
    sd = np.sqrt(np.mean(variances, axis=0) + np.var(means, axis=0))
    z_score = (seen.value[judged] - mean) / sd
    doubts = []
    for k in np.argsort(-np.abs(z_score)):
        if abs(z_score[k]) <= LIMIT_SD:
            break
        moved = z_score[k] - np.sign(z_score[k]) * np.log(10.0) / sd[k]
        doubts.append(
            Doubt(
                sample_ids=seen.sample_ids[judged[k]],
                grade=float(expit(seen.value[judged[k]])),
                low_grade=float(expit(mean[k] - NORMAL_90 * sd[k])),
                high_grade=float(expit(mean[k] + NORMAL_90 * sd[k])),
                z_score=float(z_score[k]),
                slipped=bool(abs(moved) < 1.5),
            )
        )
    return doubts
