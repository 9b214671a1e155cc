"""The heavy tasks: each the library's own call, its answer laid out as plain data for the desk's pages."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.desk.work import _Teller
    from washgrade.survey import DayPlan, Estimate, Ranking, WalkPlan

__all__ = ["TASKS", "Memory"]


@dataclass(slots=True)
class Memory:
    """The last estimate and its ranking, so that several views of one day cost one estimate."""

    key: tuple[Any, ...] = ()
    estimate: Estimate | None = None
    ranking: Ranking | None = None

    def get(self, site: Path, on: str | None, tell: Callable[[str, float], None]) -> tuple[Estimate, Ranking]:
        """Estimate and rank, or remember.

        Parameters
        ----------
        site : Path
            The site folder.
        on : str or None
            The day.
        tell : callable
            Told the step and the share done.

        Returns
        -------
        Estimate, Ranking
            As of that day, with the settings as they stand.
        """
        from washgrade import survey
        from washgrade.desk.state import ground_stamp
        from washgrade.survey.steps import read_day

        chosen = survey.settings(site)
        # The units change what is shown and nothing else.
        key = (site, read_day(on), ground_stamp(site), replace(chosen, units="metric"))
        if self.estimate is None or self.ranking is None or self.key != key:
            self.estimate = survey.estimate(site, on=on, progress=tell)
            self.ranking = survey.rank(self.estimate)
            self.key = key
        if self.estimate.settings != chosen:
            self.estimate = replace(self.estimate, settings=chosen)
            self.ranking = replace(self.ranking, estimate=self.estimate)
        return self.estimate, self.ranking


def _ground(*, memory: Memory, tell: _Teller, site: Path, dems: list[Path], **options: Any) -> dict[str, Any]:
    from washgrade import survey

    del memory
    made = survey.build_ground(site, dems, progress=tell, **options)
    return {"sentences": made.sentences, "doubts": made.doubts}


def _demo(*, memory: Memory, tell: _Teller, site: Path, units: str) -> dict[str, Any]:
    from washgrade import survey

    del memory
    made = survey.run_demo(site, units=units, progress=tell)
    return {"sentences": made.sentences, "doubts": ()}


def _rank(*, memory: Memory, tell: _Teller, site: Path, on: str | None, top: int) -> dict[str, Any]:
    from washgrade.desk.picture import network_svg

    found, ranking = memory.get(site, on, tell)
    return {
        "day": found.day.isoformat(),
        "reaches": ranking.rows(top=top),
        "count": len(ranking),
        "top": found.settings.top_reaches,
        "cutoff_grade": found.settings.cutoff_grade,
        "samples": len(found.samples),
        "sentences": (*found.sentences, *ranking.sentences),
        "picture": network_svg(ranking),
    }


def _reach(*, memory: Memory, tell: _Teller, site: Path, on: str | None, reach: str) -> dict[str, Any]:
    from washgrade import survey
    from washgrade.desk.picture import network_svg
    from washgrade.survey.belief import find_reach

    found, ranking = memory.get(site, on, tell)
    place = find_reach(found, reach)
    return {
        "day": found.day.isoformat(),
        "row": ranking.row(place),
        "top": found.settings.top_reaches,
        "why": tuple(survey.why(found).sentences(place)),
        "history": tuple(survey.reach_history(ranking, reach).chart(found.settings.units)),
        "picture": network_svg(ranking, chosen=place),
    }


def _where(*, memory: Memory, tell: _Teller, site: Path, on: str | None) -> dict[str, Any]:
    from washgrade import survey
    from washgrade.desk.picture import network_svg
    from washgrade.survey.firststep import told_first

    found, ranking = memory.get(site, on, tell)
    spots = survey.next_samples(found, top=8)
    return {
        "sentences": told_first(ranking),
        "day": found.day.isoformat(),
        "spots": [spot.as_json() for spot in spots],
        "samples": len(found.samples),
        "picture": network_svg(
            ranking, stops=[(spot.easting_m, spot.northing_m, str(k + 1)) for k, spot in enumerate(spots)]
        ),
    }


def _walk(
    *, memory: Memory, tell: _Teller, site: Path, on: str | None, gpx: Path, **options: Any
) -> dict[str, Any]:
    from washgrade import survey

    found, ranking = memory.get(site, on, lambda step, share: tell(step, 0.5 * share))
    plan = survey.plan_sampling_walk(
        found, progress=lambda step, share: tell(step, 0.5 + 0.5 * share), **options
    )
    survey.write_walk(plan, gpx)
    return {**plan.as_json(), "sentences": plan.sentences, "picture": _walk_picture(ranking, plan)}


def _day(
    *, memory: Memory, tell: _Teller, site: Path, on: str | None, gpx: Path, **options: Any
) -> dict[str, Any]:
    from washgrade import survey
    from washgrade.desk.picture import network_svg
    from washgrade.files.places import to_grid
    from washgrade.survey.daytold import cautions, sentences, steps

    found, ranking = memory.get(site, on, lambda step, share: tell(step, 0.5 * share))
    plan = survey.plan_digging_day(
        ranking, progress=lambda step, share: tell(step, 0.5 + 0.5 * share), **options
    )
    survey.write_day(plan, gpx)
    units = found.settings.units
    return {
        "day": found.day.isoformat(),
        "field_hours": plan.field_hours,
        "sentences": sentences(plan, units),
        "cautions": cautions(plan, units),
        "steps": steps(plan, units) if plan.dug else [],
        "dug": [
            {
                "reach": dug.reach,
                "loads": dug.loads,
                "carries": dug.carries,
                "out_minutes": dug.out_minutes,
                "back_minutes": dug.back_minutes,
                "wet_kg": dug.wet_kg,
                "product_kg": dug.product_kg,
                "lon": dug.lon,
                "lat": dug.lat,
            }
            for dug in plan.dug
        ],
        "picture": network_svg(
            ranking,
            lines_m=[_columns(to_grid(found.facts.crs, *dug.way_lonlat.T)) for dug in plan.dug],
            stops=[(dug.easting_m, dug.northing_m, str(k + 1)) for k, dug in enumerate(plan.dug)],
        ),
    }


def _columns(pair: tuple[NDArray[np.float64], NDArray[np.float64]]) -> NDArray[np.float64]:
    import numpy as np

    return np.column_stack(pair)


def _plan(
    kind: str,
    found: Estimate,
    ranking: Ranking,
    options: Mapping[str, Any],
    tell: Callable[[str, float], None],
) -> WalkPlan | DayPlan:
    from washgrade import survey

    if kind == "walk":
        return survey.plan_sampling_walk(found, progress=tell, **options)
    return survey.plan_digging_day(ranking, progress=tell, **options)


def _sheet(
    *,
    memory: Memory,
    tell: _Teller,
    site: Path,
    on: str | None,
    out: Path,
    kind: str,
    options: Mapping[str, Any],
) -> dict[str, Any]:
    from washgrade import survey

    found, ranking = memory.get(site, on, lambda step, share: tell(step, 0.5 * share))
    plan = None
    if kind:
        plan = _plan(kind, found, ranking, options, lambda step, share: tell(step, 0.5 + 0.4 * share))
    tell("drawing", 0.9)
    return {"path": survey.save_sheet(survey.sheet_view(ranking, plan=plan), out)}


def _storms(*, memory: Memory, tell: _Teller, site: Path, on: str | None) -> dict[str, Any]:
    from washgrade import survey

    del memory
    tell("reading what the storms did", 0.2)
    told = survey.storms(site, on=on)
    return {
        "day": told.day.isoformat(),
        "storms": told.as_json(reaches=False)["storms"] if len(told) else [],
        "sentences": (*told.past.untold, *survey.learnt_sentences(told.past)) if len(told) else (),
    }


def _walk_picture(ranking: Ranking, plan: WalkPlan) -> str:
    from washgrade.desk.picture import network_svg

    stops = plan.as_json()["stops"]
    return network_svg(
        ranking,
        lines_m=tuple(plan.walk.lines_m),
        stops=[(stop["easting_m"], stop["northing_m"], str(stop["stop"])) for stop in stops],
    )


def _page(
    *,
    memory: Memory,
    tell: _Teller,
    site: Path,
    on: str | None,
    out: Path,
    plans: Mapping[str, Mapping[str, Any]],
) -> dict[str, Any]:
    from washgrade import survey

    found, ranking = memory.get(site, on, lambda step, share: tell(step, 0.5 * share))
    made: dict[str, Any] = {}
    for kind, options in plans.items():
        made[kind] = _plan(kind, found, ranking, options, lambda step, share: tell(step, 0.5 + 0.3 * share))
    tell("drawing", 0.8)
    path = survey.save_page(survey.page_view(ranking, **made), out)
    return {"path": path, "size_bytes": path.stat().st_size}


def _export(
    *, memory: Memory, tell: _Teller, site: Path, on: str | None, form: str, what: str, out: Path
) -> dict[str, Any]:
    from washgrade import survey

    del memory
    return {"path": survey.export(site, form=form, what=what, on=on, out=out, progress=tell)}


def _check(*, memory: Memory, tell: _Teller, site: Path) -> dict[str, Any]:
    from washgrade import survey

    del memory
    found = survey.check(site, progress=tell)
    return {"fine": found.fine, "notes": found.notes, "doubts": found.doubts}


TASKS: Mapping[str, Callable[..., dict[str, Any]]] = {
    "ground": _ground,
    "demo": _demo,
    "rank": _rank,
    "reach": _reach,
    "where": _where,
    "walk": _walk,
    "day": _day,
    "sheet": _sheet,
    "storms": _storms,
    "page": _page,
    "export": _export,
    "check": _check,
}
"""Tasks by name."""
