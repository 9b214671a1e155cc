"""What the samples say: the grade along the channels."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.survey.steps import Progress, open_ground, read_day, silent

if TYPE_CHECKING:
    from washgrade.files.groundstore import GroundFacts
    from washgrade.files.groundtables import GroundLayers
    from washgrade.files.sample import Sample
    from washgrade.files.settings import Settings
    from washgrade.files.site import Site
    from washgrade.land.channels import Channels
    from washgrade.sand.grade import GradeEstimate
    from washgrade.sand.layers import Samples
    from washgrade.sand.weighed import Weighed
    from washgrade.survey.past import Past

__all__ = ["Estimate", "estimate", "estimate_on", "grade_as_json", "past_on", "reach_grades", "weigh_on"]

# The joint draws come from one fixed stream, so that the same question gets the same answer.
SEED, DRAWS = 1877, 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """The grade along the channels on one day, and what it rests on.

    Parameters
    ----------
    site : Site
        The site.
    day : date
        The day.
    facts : GroundFacts
        The ground in short.
    settings : Settings
        The site's settings.
    channels : Channels
        Nodes and reaches.
    layers : GroundLayers
        Shape of the channels, sections, and what was done to the ground.
    samples : tuple of Sample
        The records that stood on that day.
    laid : Samples
        The same as the model takes them.
    past : Past
        Floods, digs and looks up to that day, and the readings as they tell of its bed.
    weighed : Weighed
        The model with what they say.
    grade : GradeEstimate
        Grades with their doubt.
    """

    site: Site
    day: date
    facts: GroundFacts
    settings: Settings
    channels: Channels
    layers: GroundLayers
    samples: tuple[Sample, ...]
    laid: Samples
    past: Past
    weighed: Weighed
    grade: GradeEstimate

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the estimate rests on, in plain words."""
        seen = self.grade.observations
        used = len(seen)
        found = [f"Rests on {used} reading{'s' if used != 1 else ''} of the bed."]
        if not used:
            found = ["No sample counts yet: what is shown is what is thought of any such wash beforehand."]
        if seen.unplaced:
            from washgrade.units import show_length

            names = ", ".join(
                f"{name[:8]} ({show_length(offset_m, self.settings.units)})"
                for name, offset_m in seen.unplaced[:5]
            )
            more = f" and {len(seen.unplaced) - 5} more" if len(seen.unplaced) > 5 else ""
            found.append(
                f"Too far from any channel to count: {names}{more}. Check their places, or raise "
                "'snap_max_m' in site.toml."
            )
        found += [f"Not counted: {name[:8]}, because {why}" for name, why in seen.left_out]
        if self.layers.sources is not None:
            from washgrade.units import show_grade

            background = show_grade(self.settings.background_grade)
            found.append(self.layers.sources.sentence(self.channels.nodes))
            found.append(
                "The grade departs from what they give, mixed by area with the rest of the ground, which is "
                f"taken to give {background} ('background_grade' in site.toml)."
            )
        return (*found, *self.past.sentences)


def estimate(site: Path | str, *, on: str | date | None = None, progress: Progress | None = None) -> Estimate:
    """Estimate the grade along every channel of a site on a day.

    Parameters
    ----------
    site : Path or str
        The site folder.
    on : str or date, optional
        The day; later records are left out. Today if left out.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Estimate
        Grades with their doubt, and what they rest on.

    Raises
    ------
    SiteError
        If the site has no ground or cannot be read.
    InputError
        If the date or a setting is wrong.
    """
    from washgrade.files.groundstore import load_channels, load_ground_layers

    day = read_day(on)
    tell = progress or silent
    opened, facts = open_ground(site)
    tell("reading the site", 0.0)
    channels, layers = load_channels(opened), load_ground_layers(opened)
    return _estimate(opened, facts, channels, layers, day, tell)


def estimate_on(found: Estimate, on: str | date, *, draws: int = DRAWS) -> Estimate:
    """Estimate the same site as of another day, with what is known of its ranges and variances today.

    Parameters
    ----------
    found : Estimate
        The estimate of today.
    on : str or date
        The other day; later records are left out.
    draws : int, default 1000
        Joint draws of the reaches.

    Returns
    -------
    Estimate
        Grades with their doubt; in a fraction of the time of `estimate`.

    Raises
    ------
    InputError
        If the date is wrong.
    """
    return _estimate(
        found.site, found.facts, found.channels, found.layers, read_day(on), silent, like=found, draws=draws
    )


def past_on(
    opened: Site, channels: Channels, layers: GroundLayers, day: date
) -> tuple[tuple[Sample, ...], Samples, Past]:
    """Replay the notebook up to a day.

    Parameters
    ----------
    opened : Site
        The site.
    channels : Channels
        Nodes and reaches.
    layers : GroundLayers
        Shape of the channels.
    day : date
        The day.

    Returns
    -------
    samples : tuple of Sample
        The records that stood on that day.
    laid : Samples
        The same as the model takes them.
    past : Past
        What has become of the ground.
    """
    from washgrade.files.notebook import read_records
    from washgrade.files.sample import sample_arrays
    from washgrade.sand.layers import Samples
    from washgrade.sand.sample import observations
    from washgrade.survey.past import past_of

    chosen = opened.settings
    samples = tuple(read_records(opened, "samples", on=day))
    laid = Samples(**sample_arrays(samples, porosity=chosen.porosity))
    past = past_of(
        day=day,
        channels=channels,
        shape=layers.shape,
        settings=chosen,
        seen=observations(laid, chosen.sampling, channels.nodes),
        samples=samples,
        storms=read_records(opened, "storms", on=day),
        digs=read_records(opened, "digs", on=day),
        looks=read_records(opened, "looks", on=day),
    )
    return samples, laid, past


def weigh_on(
    opened: Site, layers: GroundLayers, past: Past, *, like: Estimate | None = None
) -> tuple[Weighed, Past]:
    """Weigh what the notebook says, the way a site's settings want it.

    Parameters
    ----------
    opened : Site
        The site.
    layers : GroundLayers
        Shape of the channels, and known sources.
    past : Past
        What has become of the ground.
    like : Estimate, optional
        Of another day, whose ranges, variances and lasting share stand.

    Returns
    -------
    weighed : Weighed
        The model.
    past : Past
        As `washgrade.survey.lasting.weigh_past` leaves it.
    """
    from washgrade.survey.lasting import weigh_past

    chosen = opened.settings
    return weigh_past(
        past,
        like=None if like is None else (like.weighed, like.past.learnt),
        shape=layers.shape,
        settings=chosen.sampling,
        source_grade=None if layers.sources is None else layers.sources.beside(chosen.background_grade),
    )


def _estimate(
    opened: Site,
    facts: GroundFacts,
    channels: Channels,
    layers: GroundLayers,
    day: date,
    tell: Progress,
    *,
    like: Estimate | None = None,
    draws: int = DRAWS,
) -> Estimate:
    """Estimate the grade on a day, anew or with the representatives of another day."""
    import numpy as np

    from washgrade.sand.grade import grades

    chosen = opened.settings
    tell("replaying floods and digs", 0.05)
    samples, laid, past = past_on(opened, channels, layers, day)
    tell("weighing what the samples say", 0.1)
    weighed, past = weigh_on(opened, layers, past, like=like)
    found = grades(
        channels,
        weighed,
        rng=np.random.default_rng(SEED),
        cutoff_grade=chosen.cutoff_grade,
        draws=draws,
        progress=lambda share: tell("estimating along the channels", 0.2 + 0.8 * share),
    )
    return Estimate(
        site=opened,
        day=day,
        facts=facts,
        settings=chosen,
        channels=channels,
        layers=layers,
        samples=samples,
        laid=laid,
        past=past,
        weighed=weighed,
        grade=found,
    )


def reach_grades(found: Estimate, *, top: int | None = None) -> list[dict[str, Any]]:
    """Lay out the grade of the reaches.

    Parameters
    ----------
    found : Estimate
        The estimate.
    top : int, optional
        Only so many of them, the richest first; unless told all, in the order of the ground.

    Returns
    -------
    list of dict
        Stable names, SI units.

    Raises
    ------
    InputError
        If ``top`` is no whole number of at least 1.
    """
    import numpy as np

    from washgrade.checks import whole

    grade, reaches = found.grade, found.channels.reaches
    order = np.arange(len(reaches))
    if top is not None:
        order = np.argsort(-grade.reach_mean, kind="stable")[: whole("top", top, at_least=1)]
    return [
        {
            "reach": str(reaches.reach_id[k]),
            "grade": {
                "mean": float(grade.reach_mean[k]),
                "p10": float(grade.reach_p10[k]),
                "p50": float(grade.reach_p50[k]),
                "p90": float(grade.reach_p90[k]),
            },
            "chance_above_cutoff": float(grade.reach_chance_above_cutoff[k]),
            "support": str(grade.reach_support[k]),
            "nearest_sample_m": float(grade.nearest_sample_m[k])
            if grade.nearest_sample_m[k] < float("inf")
            else None,
        }
        for k in order.tolist()
    ]


def grade_as_json(found: Estimate, *, nodes: bool = False, top: int | None = None) -> dict[str, Any]:
    """Lay an estimate out for other programs.

    Parameters
    ----------
    found : Estimate
        The estimate.
    nodes : bool, default False
        Give every node too.
    top : int, optional
        As for :func:`reach_grades`.

    Returns
    -------
    dict
        Stable names, SI units.
    """
    grade, reaches = found.grade, found.channels.reaches
    answer: dict[str, Any] = {
        "on": found.day.isoformat(),
        "crs": found.facts.crs,
        "readings": len(grade.observations),
        "too_far": [{"id": name, "offset_m": offset_m} for name, offset_m in grade.observations.unplaced],
        "not_counted": [{"id": name, "why": why} for name, why in grade.observations.left_out],
        "reaches": reach_grades(found, top=top),
    }
    from washgrade.survey.belief import diagnose, learnt, repeats

    judged, pairs = diagnose(found), repeats(found)
    answer["model"] = learnt(found)
    answer["held_by_the_others"] = {
        "readings": int((~judged.trace).sum()),
        **{
            name: None if share != share else share
            for name, share in (
                ("within_50", judged.coverage(0.5)),
                ("within_80", judged.coverage(0.8)),
                ("within_90", judged.coverage(0.9)),
            )
        },
    }
    answer["duplicates"] = {
        "pairs": pairs.pairs,
        "relative_sd": None if pairs.relative_sd != pairs.relative_sd else pairs.relative_sd,
    }
    if nodes:
        from washgrade.sand.support import SUPPORT

        net = found.channels.nodes
        answer["nodes"] = [
            {
                "reach": str(reaches.reach_id[net.reach[k]]),
                "easting_m": float(net.easting_m[k]),
                "northing_m": float(net.northing_m[k]),
                "grade": {
                    "mean": float(grade.node_mean[k]),
                    "p10": float(grade.node_p10[k]),
                    "p50": float(grade.node_p50[k]),
                    "p90": float(grade.node_p90[k]),
                },
                "chance_above_cutoff": float(grade.node_chance_above_cutoff[k]),
                "support": SUPPORT[grade.node_support[k]],
            }
            for k in range(len(net))
        ]
    return answer
