"""Which readings look wrong: each one against what all the others say of it, and what would explain it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from washgrade.land.channels import Channels, Nodes
from washgrade.sand.diagnosis import Diagnosis, judge, latent_at
from washgrade.sand.layers import Samples, SamplingSettings
from washgrade.sand.priors import Priors
from washgrade.sand.tree import rows_of, skeleton
from washgrade.sand.weighed import Weighed, weigh
from washgrade.units import show_length, show_share

__all__ = ["Doubt", "Elsewhere", "doubtful_readings", "doubts_of"]

# Beyond this many standard deviations a reading is doubted. Our choice, because one in 370 sound readings
# would be asked about.
LIMIT_SD = 3.0
NORMAL_90 = 1.6448536269514722
FEWEST_READINGS = 3
# An explanation fits if the reading, mended by it, would be no surprise. Our choice, because seven sound
# readings in eight lie within.
FITS_SD = 1.5
# Our choice, because a telephone in a canyon is off by that, and a finger on a map too.
ELSEWHERE_M = 60.0
ELSEWHERE_ACCURACIES = 4.0
# The search elsewhere costs a pass each: no person works through more at once.
MOST_SEARCHED = 10
SIDES = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")
DECIMAL = "Did a decimal point slip?"
# What to multiply the grade by to mend it, and the question. A wet mass of a fifth water is as wet as sand
# gets before it runs (common practice, no source).
MENDED_BY = (
    (10.0, DECIMAL),
    (0.1, DECIMAL),
    (100.0, "Was a percentage divided by 100 twice?"),
    (0.01, "Is it a percentage written as a share?"),
    (28.3495, "Are both masses in one unit (grams, ounces)?"),
    (1 / 28.3495, "Are both masses in one unit (grams, ounces)?"),
    (2.20462, "Are both masses in one unit (kilograms, pounds)?"),
    (1 / 2.20462, "Are both masses in one unit (kilograms, pounds)?"),
    (1.25, "Was the sample weighed wet and entered as dry?"),
)
SWAPPED = "Are the magnetics and the rest swapped?"
# How much worse than a slipped decimal point another explanation may fit and still be named first.
HANDICAP_SD = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """Another channel near by where a doubted reading would fit.

    Parameters
    ----------
    reach : str
        Its name.
    distance_m : float
        From the recorded place, metres.
    side : str
        Towards which side of the sky.
    """

    reach: str
    distance_m: float
    side: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A reading that the others do not lead one to expect.

    Parameters
    ----------
    sample_ids : tuple of str
        The records that make up the reading.
    grade : float
        What was read, 0 to 1; of a trace, the least that could have been weighed.
    low_grade, high_grade : float
        Grades between which the others put it 9 times in 10, 0 to 1.
    z_score : float
        How far off it is, as a standard normal number.
    trace : bool
        Whether there was too little to weigh.
    against_own : bool
        Whether it is at odds with the other readings of its own place; else the whole place is, with the
        places about it.
    explanations : tuple of str
        Questions that would explain it, the likeliest first.
    elsewhere : Elsewhere or None
        Where near by it would fit.
    """

    sample_ids: tuple[str, ...]
    grade: float
    low_grade: float
    high_grade: float
    z_score: float
    trace: bool = False
    against_own: bool = False
    explanations: tuple[str, ...] = ()
    elsewhere: Elsewhere | None = None

    @property
    def slipped(self) -> bool:
        """Whether a decimal point moved by one place would explain it."""
        return DECIMAL in self.explanations

    @property
    def sentence(self) -> str:
        """The question for a person, in metric units."""
        return self.told("metric")

    def told(self, units: str) -> str:
        """The question for a person.

        Parameters
        ----------
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        str
            What is off, what would explain it, and that it stays if it is right.
        """
        names = " and ".join(name[:8] for name in self.sample_ids)
        side = "above" if self.z_score > 0 else "below"
        read = "a trace" if self.trace else f"its grade of {show_share(self.grade, 1)}"
        others = "the other scoops of its place" if self.against_own else "the other samples"
        place = "Is it in the right place?"
        if self.elsewhere:
            away = show_length(self.elsewhere.distance_m, units)
            place += f" On reach {self.elsewhere.reach}, {away} to the {self.elsewhere.side}, it would fit."
        questions = " ".join((*(self.explanations or ("Are its masses right?",)), place))
        end = " If it is right, leave it: a rich streak is what you look for." if self.z_score > 0 else ""
        return (
            f"Sample {names}: {read} is {side} the {show_share(self.low_grade, 1)} to "
            f"{show_share(self.high_grade, 1)} that {others} lead one to expect. {questions}{end}"
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
    """
    weighed = weigh(channels, samples, settings=settings, priors=priors)
    return doubts_of(channels, samples, weighed)


def doubts_of(
    channels: Channels, samples: Samples, weighed: Weighed, *, diagnosis: Diagnosis | None = None
) -> list[Doubt]:
    """List the readings of a model that the others do not lead one to expect, the farthest off first.

    Parameters
    ----------
    channels : Channels
        The network that was weighed on.
    samples : Samples
        The layers that were weighed.
    weighed : Weighed
        The model.
    diagnosis : Diagnosis, optional
        Its diagnosis, if it is known already.

    Returns
    -------
    list of Doubt
        None are dropped from any estimate by being listed here. With fewer than three readings there is none.

    Notes
    -----
    A reading is doubted if it lies beyond 3 standard deviations of its prediction from all other readings, or
    from all other places. Explanations are tried in turn: the grade mended by each is held against the same
    prediction. Another channel within 60 m, or four accuracies, is named if the reading would fit there: its
    own place left out, the trend's coefficients as all readings have them.
    """
    seen = weighed.observations
    if len(seen) < FEWEST_READINGS:
        return []
    found = diagnosis or judge(weighed)
    own_worse = np.abs(found.alone.score) > np.abs(found.with_place.score)
    score = np.where(own_worse, found.alone.score, found.with_place.score)
    doubts: list[Doubt] = []
    for k in np.argsort(-np.abs(score), kind="stable"):
        if abs(score[k]) <= LIMIT_SD:
            break
        said = found.alone if own_worse[k] else found.with_place
        mean, sd = float(said.mean[k]), float(said.sd[k])
        trace = bool(seen.censored[k])
        logit = float(seen.limit[k] if trace else seen.value[k])
        elsewhere = None
        if len(doubts) < MOST_SEARCHED:
            elsewhere = _elsewhere(channels, samples, weighed, int(k), logit, trace=trace)
        doubts.append(
            Doubt(
                sample_ids=seen.sample_ids[k],
                grade=float(expit(logit)),
                low_grade=float(expit(mean - NORMAL_90 * sd)),
                high_grade=float(expit(mean + NORMAL_90 * sd)),
                z_score=float(score[k]),
                trace=trace,
                against_own=bool(own_worse[k]),
                explanations=() if trace else _explanations(logit, mean, sd),
                elsewhere=elsewhere,
            )
        )
    return doubts


def _explanations(logit: float, mean: float, sd: float) -> tuple[str, ...]:
    grade = float(expit(logit))
    off: dict[str, float] = {}
    for factor, question in MENDED_BY:
        mended = grade * factor
        if mended < 1.0:
            z = abs(math.log(mended / (1.0 - mended)) - mean) / sd
            z += 0.0 if question == DECIMAL else HANDICAP_SD
            off[question] = min(off.get(question, math.inf), z)
    off[SWAPPED] = abs(-logit - mean) / sd + HANDICAP_SD
    fits = sorted((z, question) for question, z in off.items() if z <= FITS_SD)
    return tuple(question for _, question in fits[:2])


def _elsewhere(
    channels: Channels, samples: Samples, weighed: Weighed, k: int, logit: float, *, trace: bool
) -> Elsewhere | None:
    seen, read, nodes = weighed.observations, weighed.read, channels.nodes
    layer = int(np.flatnonzero(samples.sample_id == seen.sample_ids[k][0])[0])
    east_m = nodes.easting_m - samples.easting_m[layer]
    north_m = nodes.northing_m - samples.northing_m[layer]
    away_m = np.hypot(east_m, north_m)
    reach_m = max(ELSEWHERE_M, ELSEWHERE_ACCURACIES * float(seen.accuracy_m[k]))
    near = away_m <= reach_m
    asked = np.flatnonzero(near & ~_own_wash(nodes, int(seen.node[k]), near))
    if not len(asked):
        return None
    tree, kept = skeleton(weighed.tree, np.union1d(read.node, asked))
    place, _ = rows_of(np.searchsorted(kept, read.node), len(kept))
    place[np.searchsorted(kept, seen.node[k])] = -1
    at = np.searchsorted(kept, asked).astype(np.int64)
    averaged = weighed.averaged
    z = np.zeros(len(asked))
    for part in range(len(averaged.points)):
        mean, variance = latent_at(weighed, part, tree, place, at, weighed.regressors[asked])
        local = math.exp(2.0 * averaged.points[part, 4])
        z += (logit - mean) / np.sqrt(variance + local + seen.error_variance[k]) / len(averaged.points)
    # Of a trace all that matters is that the others expect no more than could have been weighed.
    fits = z >= -FITS_SD if trace else np.abs(z) <= FITS_SD
    if not np.any(fits):
        return None
    best = asked[fits][np.argmin(away_m[asked[fits]])]
    turn = round(math.atan2(float(north_m[best]), float(east_m[best])) / (math.pi / 4)) % 8
    return Elsewhere(
        reach=str(channels.reaches.reach_id[nodes.reach[best]]),
        distance_m=float(away_m[best]),
        side=SIDES[turn],
    )


def _own_wash(nodes: Nodes, node: int, near: NDArray[np.bool_]) -> NDArray[np.bool_]:
    # Nodes near by along the larger branch, up and down: moving there is no other channel.
    own = np.zeros(len(nodes), dtype=np.bool_)
    own[node] = True

    def larger_branch(at: int) -> int:
        joining = np.flatnonzero(nodes.downstream == at)
        return int(joining[np.argmax(nodes.upstream_area_m2[joining])]) if len(joining) else -1

    at = node
    while (below := int(nodes.downstream[at])) >= 0 and near[below] and larger_branch(below) == at:
        own[below] = True
        at = below
    at = node
    while (above := larger_branch(at)) >= 0 and near[above]:
        own[above] = True
        at = above
    return own
