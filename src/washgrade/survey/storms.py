"""What the storms of a site did, reach by reach, and what its record has taught about them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.survey.steps import open_ground, read_day

if TYPE_CHECKING:
    from washgrade.files.settings import Settings
    from washgrade.land.channels import Channels
    from washgrade.survey.past import Past

__all__ = ["StormsTold", "learnt_sentences", "storms"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StormsTold:
    """The storms of a site up to a day.

    Parameters
    ----------
    day : date
        The day.
    channels : Channels
        Nodes and reaches.
    settings : Settings
        The site's settings.
    past : Past
        What they did.
    """

    day: date
    channels: Channels
    settings: Settings
    past: Past

    def __len__(self) -> int:
        return len(self.past.events)

    def as_json(self, *, reaches: bool = True) -> dict[str, Any]:
        """Lay the storms out for other programs.

        Parameters
        ----------
        reaches : bool, default True
            Give each storm's reaches: flow, stress and share reworked.

        Returns
        -------
        dict
            Stable names, SI units; by moment.
        """
        return {
            "on": self.day.isoformat(),
            "learnt": learnt_json(self.past),
            "storms": [self._storm(k, reaches=reaches) for k in range(len(self))],
            "not_counted": list(self.past.untold),
        }

    def _storm(self, storm: int, *, reaches: bool) -> dict[str, Any]:
        import numpy as np

        past, floods, found = self.past, self.past.floods, self.channels.reaches
        if floods is None:
            return {}
        event = past.events[storm]
        outlets = np.flatnonzero(self.channels.nodes.downstream < 0)
        main = outlets[np.argmax(self.channels.nodes.upstream_area_m2[outlets])]
        peak = floods.discharge_m3_s[storm, floods.at(np.array([main]))[0]]
        share = past.renewed_mean[storm]
        length = np.maximum(found.length_m, 1e-9)
        told: dict[str, Any] = {
            "day": event.day.isoformat(),
            "ids": list(event.storm_ids),
            "source": floods.source[storm],
            "rain_mm": None if event.rain is None else event.rain.depth_mm,
            "rain_h": None if event.rain is None else event.rain.duration_h,
            "antecedent_mm": float(floods.antecedent_mm[storm]),
            "curve_number": float(floods.curve_number[storm]),
            "runoff_mm": float(floods.runoff_mm[storm]),
            "peak_at_outlet_m3_s": float(peak),
            "share_reworked": float(share @ length / length.sum()),
            "reaches_half_reworked": int((share >= 0.5).sum()),
            "notes": list(floods.notes[storm]),
        }
        if reaches:
            at = floods.at(past.middle)
            low, high = np.quantile(past.renewed(storm, past.middle), (0.1, 0.9), axis=0)
            told["reaches"] = [
                {
                    "reach": str(found.reach_id[k]),
                    "discharge_m3_s": float(floods.discharge_m3_s[storm, at[k]]),
                    "depth_m": float(floods.depth_m[storm, at[k]]),
                    "stress_pa": float(floods.stress_pa[storm, at[k]]),
                    "scour_m": float(floods.scour_m[storm, at[k]]),
                    "share_reworked": {
                        "mean": float(share[k]),
                        "p10": float(low[k]),
                        "p90": float(high[k]),
                    },
                }
                for k in range(len(found))
            ]
        return told


def storms(site: Path | str, *, on: str | date | None = None) -> StormsTold:
    """Reckon what every storm of a site did.

    Parameters
    ----------
    site : Path or str
        The site folder.
    on : str or date, optional
        The day; later records are left out. Today if left out.

    Returns
    -------
    StormsTold
        The storms, by moment.

    Raises
    ------
    SiteError
        If the site has no ground or cannot be read.
    InputError
        If the date or a setting is wrong.
    """
    from washgrade.files.groundstore import load_channels, load_ground_layers
    from washgrade.survey.answers import past_on, weigh_on

    day = read_day(on)
    opened, _facts = open_ground(site)
    channels, layers = load_channels(opened), load_ground_layers(opened)
    _samples, _laid, past = past_on(opened, channels, layers, day)
    if past.events:
        # All readings together say how much of the pattern lasts.
        _weighed, past = weigh_on(opened, layers, past)
    return StormsTold(day=day, channels=channels, settings=opened.settings, past=past)


def learnt_json(past: Past) -> dict[str, Any]:
    """Lay out prior and posterior of severity, refill and the lasting share.

    Parameters
    ----------
    past : Past
        The past.

    Returns
    -------
    dict
        ``records``, and for ``severity``, ``refill_scale`` and ``lasting_share`` each ``before`` and ``now``
        with P10, P50, P90.
    """
    learnt = past.learnt

    def spread(quantile: Any, *, prior: bool) -> dict[str, float]:
        return {
            name: quantile(chance, prior=prior) for name, chance in (("p10", 0.1), ("p50", 0.5), ("p90", 0.9))
        }

    return {
        "records": learnt.records,
        "severity": {
            "before": spread(learnt.severity, prior=True),
            "now": spread(learnt.severity, prior=False),
        },
        "refill_scale": {
            "before": spread(learnt.refill_scale, prior=True),
            "now": spread(learnt.refill_scale, prior=False),
        },
        "lasting_share": {
            "before": spread(learnt.lasting, prior=True),
            "now": spread(learnt.lasting, prior=False),
        },
    }


def learnt_sentences(past: Past) -> tuple[str, ...]:
    """Say in plain words what was thought of floods and refill beforehand and what the record has taught.

    Parameters
    ----------
    past : Past
        The past.

    Returns
    -------
    tuple of str
        Sentences.
    """
    from washgrade.units import show_share

    told = learnt_json(past)
    severity, refill, lasting = told["severity"], told["refill_scale"], told["lasting_share"]

    def span(numbers: dict[str, float]) -> str:
        return f"{numbers['p50']:.2g} (8 times in 10 within {numbers['p10']:.2g} to {numbers['p90']:.2g})"

    if not told["records"]:
        return (
            "No flood mark, look, or second sample or dig after a flood has taught anything yet. Beforehand "
            f"a flood may be {span(severity['before'])} times what its rain gives, and it takes a mean scour "
            f"of {span(refill['before'])} bites to renew 63 % of a dug reach. A look at the bed after the "
            "next storm will teach most (washgrade look SITE).",
        )
    many = f"{told['records']} record{'s' if told['records'] != 1 else ''}"
    return (
        f"From {many} of marks, looks, and second samples and digs: floods here are "
        f"{span(severity['now'])} times what the rain gives; beforehand "
        f"{span(severity['before'])} was thought.",
        f"A mean scour of {span(refill['now'])} bites renews 63 % of a dug reach; beforehand "
        f"{span(refill['before'])} was thought.",
        f"Of the pattern of the moving sand, {show_share(lasting['now']['p50'])} comes back after every "
        f"flood (8 times in 10 within {show_share(lasting['now']['p10'])} to "
        f"{show_share(lasting['now']['p90'])}); "
        f"beforehand {show_share(lasting['before']['p50'])} was thought.",
    )
