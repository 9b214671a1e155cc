"""Whether to believe an estimate: what it rests on, what was learnt, and where one more sample would help."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from washgrade.errors import InputError
from washgrade.survey.answers import Estimate

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.sand.diagnosis import Diagnosis
    from washgrade.sand.profile import Profile
    from washgrade.sand.reasons import Reasons
    from washgrade.sand.repeat import Repeatability

__all__ = [
    "NUMBERS_IN_WORDS",
    "NextSample",
    "compare",
    "diagnose",
    "holes",
    "learnt",
    "next_samples",
    "repeats",
    "why",
]

# Six pairs tell how far scoops differ to about a third; fewer tell less than is thought beforehand.
FEWEST_PAIRS = 6
# Two stops nearer than this on one channel tell nearly the same (our choice: a third of the usual range).
APART_M = 80.0
NUMBERS_IN_WORDS = {
    "total sd": "how much places differ, sd of the log",
    "tail-up share": "share of that carried along by water",
    "tail-up range, m": "how far what is carried stays alike, m",
    "tail-down range, m": "how far along the wash rock stays alike, m",
    "local sd": "how much scoops side by side differ, sd of the log",
    "mixing share": "how far branches mix like loads of sand, 0 to 1",
    "covariate sd": "how much the shape of the land matters, sd of the log",
    "planar share": "share alike across the land",
    "planar range, m": "how far across the land, m",
}
"""What the numbers of :func:`learnt` are, for a person."""


def spread_in_words(numbers: Mapping[str, float]) -> str:
    """Write the middle of a spread, and within what it lies 8 times in 10.

    Parameters
    ----------
    numbers : mapping of str to float
        With ``p10``, ``p50`` and ``p90``.

    Returns
    -------
    str
        Three digits, thousands in full.

    Examples
    --------
    >>> spread_in_words({"p10": 0.18123, "p50": 960.4, "p90": 5094.0})
    '960 (0.181 to 5,094)'
    """
    p50, p10, p90 = (
        f"{numbers[name]:,.0f}" if numbers[name] >= 1000 else f"{numbers[name]:.3g}"
        for name in ("p50", "p10", "p90")
    )
    return f"{p50} ({p10} to {p90})"


def find_reach(found: Estimate, name: str) -> int:
    """Find a reach by its name.

    Parameters
    ----------
    found : Estimate
        The estimate.
    name : str
        Such as A7; small letters will do for the wash.

    Returns
    -------
    int
        Its index.

    Raises
    ------
    InputError
        If there is none.
    """
    import difflib

    names = [str(one) for one in found.channels.reaches.reach_id]
    wanted = name.strip()
    for one in (wanted, wanted.upper()):
        if one in names:
            return names.index(one)
    like = difflib.get_close_matches(wanted.upper(), names, n=1)
    hint = f" Did you mean {like[0]}?" if like else " The names stand in: washgrade rank SITE."
    raise InputError(f"There is no reach {name!r}.{hint}")


def why(found: Estimate) -> Reasons:
    """Say for every reach which samples weigh, what the ground adds, and how far the nearest sample is.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    Reasons
        By reach.
    """
    from washgrade.sand.reasons import reasons

    return reasons(found.channels, found.weighed)


def diagnose(found: Estimate) -> Diagnosis:
    """Hold every reading against what all the others say of it.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    Diagnosis
        Predictions, residuals and coverage.
    """
    from washgrade.sand.diagnosis import judge

    return judge(found.weighed)


def repeats(found: Estimate) -> Repeatability:
    """Say how far scoops of one spot differ, from the duplicates in the notebook.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    Repeatability
        Its numbers and its sentence.
    """
    from washgrade.sand.repeat import repeatability

    return repeatability(found.laid, found.settings.sampling)


def holes(found: Estimate) -> tuple[Profile, ...]:
    """Lay out every hole that was sampled in layers.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    tuple of Profile
        From the top of each hole down.
    """
    from washgrade.sand.profile import profiles

    shovel, pairs = found.settings.shovel, repeats(found)
    known = {"scoop_sd": pairs.scoop_sd} if pairs.pairs >= FEWEST_PAIRS else {}
    return profiles(
        found.laid,
        found.settings.sampling,
        porosity=shovel.porosity,
        shovel_litres=shovel.shovel_litres,
        **known,
    )


def compare(found: Estimate, draws: NDArray[np.floating], one: str, other: str) -> float:
    """Chance that one reach is better than another.

    Parameters
    ----------
    found : Estimate
        The estimate.
    draws : ndarray of float, shape (draws, reaches)
        Joint draws of what is compared.
    one, other : str
        Their names.

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    InputError
        If there is no such reach.
    """
    from washgrade.sand.chances import chance_beats

    return chance_beats(draws, find_reach(found, one), find_reach(found, other))


def learnt(found: Estimate) -> dict[str, Any]:
    """Lay out what the samples taught of the ground's own numbers, beside what was thought beforehand.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    dict
        ``numbers`` (each with its prior and its posterior), ``effects`` (how many times richer for one
        standard deviation more of each covariate), ``effective_samples``.
    """
    from washgrade.sand.before import numbers_before
    from washgrade.sand.reasons import partial_effects

    hyper = found.grade.hyper
    before = numbers_before(found.weighed)

    def spread(quantity: Any) -> dict[str, float]:
        return {name: float(getattr(quantity, name)) for name in ("mean", "p10", "p50", "p90")}

    return {
        "numbers": {
            name: {"before": spread(before[name]), "now": spread(quantity)}
            for name, quantity in hyper.quantities.items()
        },
        "effects": {name: spread(quantity) for name, quantity in partial_effects(found.weighed).items()},
        "effective_samples": hyper.effective_samples,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class NextSample:
    """A place where one more sample would tell much.

    Parameters
    ----------
    node : int
        Index of the node.
    reach : str
        Name of its reach.
    easting_m, northing_m, lon, lat : float
        Where: metres, and degrees WGS 84.
    gain_share : float
        Share of the doubt that matters for the ranking that one sample there would settle, 0 to 1.
    """

    node: int
    reach: str
    easting_m: float
    northing_m: float
    lon: float
    lat: float
    gain_share: float

    def as_json(self) -> dict[str, Any]:
        """Lay it out for other programs.

        Returns
        -------
        dict
            Stable names, SI units.
        """
        from dataclasses import asdict

        return asdict(self)


def next_samples(found: Estimate, *, top: int = 5) -> tuple[NextSample, ...]:
    """List the places where one more sample would tell most about where to dig.

    Parameters
    ----------
    found : Estimate
        The estimate.
    top : int, default 5
        How many places.

    Returns
    -------
    tuple of NextSample
        The best first; each is the gain of one sample by itself, so near ones are told once. Reaches that are
        closed to digging are left out.

    Raises
    ------
    InputError
        If ``top`` is no whole number of at least 1.

    Notes
    -----
    A node's doubt counts by how much the grade there may matter for the choice
    (:func:`washgrade.sand.nextsample.contested_weight`), cut at the grade of the last of the best
    ``top_reaches``. A walk of several stops is a matter of its own, since near stops tell the same.
    """
    import numpy as np

    from washgrade.checks import whole
    from washgrade.files.places import lonlat
    from washgrade.sand.gy import logit_error_variance
    from washgrade.sand.nextsample import contested_weight, gain_on_average
    from washgrade.survey.ranking import closed_reaches

    whole("top", top, at_least=1)
    grade, nodes = found.grade, found.channels.nodes
    best = np.sort(grade.reach_mean)[::-1]
    cut = float(best[min(found.settings.top_reaches, len(best)) - 1])
    cut = min(max(cut, 1e-4), 1 - 1e-4)
    # The spread of the logit between P10 and P90, which for a normal is 2.563 standard deviations.
    low, middle, high = (
        np.log(part / (1 - part))
        for part in (np.clip(p, 1e-9, 1 - 1e-9) for p in (grade.node_p10, grade.node_p50, grade.node_p90))
    )
    variance = np.maximum((high - low) / 2.563, 1e-6) ** 2
    closed = closed_reaches(found)[nodes.reach]
    weight = np.where(closed, 0.0, contested_weight(middle, variance, float(np.log(cut / (1 - cut)))))
    own = logit_error_variance(
        np.array([cut]), np.array([found.settings.typical_mass_kg]), found.settings.sampling
    )
    gain = gain_on_average(found.weighed, weight=weight, own_variance=float(own[0]))
    gain = np.where(closed, 0.0, gain)
    total = max(float(np.sum(weight * variance)), 1e-12)
    picked: list[int] = []
    for node in np.argsort(-gain, kind="stable").tolist():
        if len(picked) == top or gain[node] <= 0.0:
            break
        away = [
            np.hypot(nodes.easting_m[node] - nodes.easting_m[k], nodes.northing_m[node] - nodes.northing_m[k])
            for k in picked
        ]
        if not away or min(away) >= APART_M:
            picked.append(node)
    lon, lat = lonlat(found.facts.crs, nodes.easting_m[picked], nodes.northing_m[picked])
    return tuple(
        NextSample(
            node=node,
            reach=str(found.channels.reaches.reach_id[nodes.reach[node]]),
            easting_m=float(nodes.easting_m[node]),
            northing_m=float(nodes.northing_m[node]),
            lon=float(lon[k]),
            lat=float(lat[k]),
            gain_share=min(1.0, float(gain[node]) / total),
        )
        for k, node in enumerate(picked)
    )
