"""Planning a sampling walk: where to stop, in which order, and what it is expected to settle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.survey.answers import SEED, Estimate
from washgrade.survey.footing import daylight_on, open_ground_of, start_of
from washgrade.units import show_count, show_share

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.walk_terms import Walk
    from washgrade.survey.steps import Progress

__all__ = ["WalkPlan", "plan_sampling_walk", "write_walk"]

# Shown with every plan.
CAUTION = (
    "A plan, no promise: stay out of the wash when rain is near or upstream, carry water, tell somebody "
    "where you go and when you will be back, turn round in time. Where the ground or a fence says otherwise, "
    "they are right."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkPlan:
    """A sampling walk on a ground.

    Parameters
    ----------
    estimate : Estimate
        What it rests on.
    walk : Walk
        Stops, legs and what they settle.
    hours : float
        The hours given.
    start_name : str
        Where it starts.
    lon, lat : ndarray of float64, shape (stops,)
        Stops, WGS 84 degrees.
    legs_lonlat : tuple of ndarray of float64, shapes (points, 2)
        The way of each leg, WGS 84 degrees.
    """

    estimate: Estimate
    walk: Walk
    hours: float
    start_name: str
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]
    legs_lonlat: tuple[NDArray[np.float64], ...]

    def __len__(self) -> int:
        return len(self.walk.node)

    def reach(self, stop: int) -> str:
        """Name of the reach of a stop.

        Parameters
        ----------
        stop : int
            Which, 0 for the first.

        Returns
        -------
        str
            Such as A7.
        """
        channels = self.estimate.channels
        return str(channels.reaches.reach_id[channels.nodes.reach[self.walk.node[stop]]])

    @property
    def sentences(self) -> tuple[str, ...]:
        """What a walker must know, in plain words."""
        import numpy as np

        walk, nodes = self.walk, self.estimate.channels.nodes
        reaches = len(self.estimate.channels.reaches)
        if not len(walk.node):
            told = ["No stop fits the time: give more hours, or start nearer."]
        else:
            told = [
                f"{show_count(len(walk.node), 'stop')} in {walk.minutes / 60:.1f} of "
                f"{walk.budget_minutes / 60:.1f} hours, from {self.start_name}. Expected to settle "
                f"{show_share(walk.settled)} of the doubt about where to dig; no walk over these places "
                f"could settle more than {show_share(walk.bound_share)}."
            ]
        if walk.budget_minutes < 60.0 * self.hours:
            told.append(
                f"Cut to the daylight: of {self.hours:g} hours asked for {walk.budget_minutes / 60:.1f} are "
                "there, ending half an hour before dark. In a canyon it is dark earlier."
            )
        for name, flags in (
            ("cannot be reached on open ground", walk.cut_off),
            ("lie too far for the time", walk.too_far),
        ):
            whole = np.bincount(nodes.reach, minlength=reaches)
            out = int((np.bincount(nodes.reach, weights=flags, minlength=reaches) == whole).sum())
            if out:
                told.append(f"{out} of {reaches} reaches {name}.")
        if len(walk.missed_tributary):
            missed = show_count(len(walk.missed_tributary), "main tributary")
            told.append(f"{missed} got no stop: the time is too short.")
        return (*told, CAUTION)

    def as_json(self) -> dict[str, Any]:
        """Lay the walk out for other programs.

        Returns
        -------
        dict
            Stable names, SI units; minutes where people count in minutes.
        """
        walk, nodes = self.walk, self.estimate.channels.nodes
        return {
            "on": self.estimate.day.isoformat(),
            "crs": self.estimate.facts.crs,
            "hours": self.hours,
            "start": self.start_name,
            "minutes": walk.minutes,
            "settled_share": walk.settled,
            "bound_share": walk.bound_share,
            "stops": [
                {
                    "stop": k + 1,
                    "reach": self.reach(k),
                    "easting_m": float(nodes.easting_m[node]),
                    "northing_m": float(nodes.northing_m[node]),
                    "lon": float(self.lon[k]),
                    "lat": float(self.lat[k]),
                    "arrival_minutes": float(walk.arrival_minutes[k]),
                    "leg_minutes": float(walk.leg_minutes[k]),
                    "stop_minutes": float(walk.stop_minutes[k]),
                    "two_samples": bool(walk.duplicate[k]),
                    "settled_share": float(walk.settled_share[k]),
                }
                for k, node in enumerate(walk.node.tolist())
            ],
            "way_back_minutes": float(walk.leg_minutes[-1])
            if len(walk.leg_minutes) > len(walk.node)
            else None,
            "notes": list(self.sentences),
        }


def _nodes_of(found: Estimate, names: Sequence[str]) -> tuple[int, ...]:
    """Middle nodes of reaches by name."""
    from washgrade.land.channels import middle_nodes
    from washgrade.survey.belief import find_reach

    middle = middle_nodes(found.channels)
    return tuple(int(middle[find_reach(found, name)]) for name in names)


def plan_sampling_walk(
    found: Estimate,
    *,
    hours: float,
    stops: int | None = None,
    start: str | None = None,
    one_way: bool = False,
    at: Sequence[str] = (),
    done: Sequence[str] = (),
    duplicates: int = 0,
    every_tributary: bool = False,
    sample_minutes: float | None = None,
    daylight_hours: float | None = None,
    progress: Progress | None = None,
) -> WalkPlan:
    """Plan a sampling walk that settles much of the doubt about where to dig within the hours.

    Parameters
    ----------
    found : Estimate
        What is known.
    hours : float
        From start to end, stops included, above 0.
    stops : int, optional
        How many at most.
    start : str, optional
        ``LON,LAT`` or the name of a point of access; the first one unless told.
    one_way : bool, default False
        Whether the walk ends at its last stop.
    at : sequence of str
        Reaches at which it must stop.
    done : sequence of str
        Reaches sampled already whose results are not in the notebook yet: they count as known.
    duplicates : int, default 0
        Stops at which two samples are taken.
    every_tributary : bool, default False
        Whether each main tributary shall get a stop.
    sample_minutes : float, optional
        Time at each stop; 15 unless told.
    daylight_hours : float, optional
        Hours to dark; from dawn to dusk on the day unless told. The walk is over half an hour before.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    WalkPlan
        Never longer than the hours, never off open ground.

    Raises
    ------
    InputError
        If a value is out of its limits, or the start or a wanted stop cannot be reached.
    """
    import numpy as np

    from washgrade.dig.stops import main_tributaries
    from washgrade.dig.walk import plan_walk
    from washgrade.dig.walk_terms import SAMPLE_MINUTES, WalkProblem, WalkRule
    from washgrade.dig.warm import warm_up_walk
    from washgrade.files.places import lonlat
    from washgrade.survey.ranking import closed_reaches

    if progress is not None:
        progress("getting the compiled loops ready", 0.0)
    warm_up_walk()
    chosen = found.settings
    rule = WalkRule(
        hours=hours,
        most_stops=stops,
        daylight_hours=daylight_on(found) if daylight_hours is None else daylight_hours,
        body_kg=chosen.body_kg,
        terrain_factor=chosen.terrain_factor,
        duplicates=duplicates,
        sample_minutes=SAMPLE_MINUTES if sample_minutes is None else sample_minutes,
    )
    easting_m, northing_m, name = start_of(found, start)
    surface, allowed = open_ground_of(found)
    nodes = found.channels.nodes
    walk = plan_walk(
        WalkProblem(
            weighed=found.weighed,
            nodes=nodes,
            surface=surface,
            rule=rule,
            cutoff_grade=found.settings.cutoff_grade,
            start_easting_m=easting_m,
            start_northing_m=northing_m,
            ends_anywhere=one_way,
            allowed=allowed & ~closed_reaches(found)[nodes.reach],
            fixed_nodes=_nodes_of(found, at),
            done_nodes=_nodes_of(found, done),
            tributary=main_tributaries(found.weighed.tree) if every_tributary else None,
        ),
        rng=np.random.default_rng(SEED),
        progress=None if progress is None else lambda share: progress("planning the walk", share),
    )
    lon, lat = lonlat(found.facts.crs, nodes.easting_m[walk.node], nodes.northing_m[walk.node])
    return WalkPlan(
        estimate=found,
        walk=walk,
        hours=hours,
        start_name=name,
        lon=lon,
        lat=lat,
        legs_lonlat=tuple(
            np.column_stack(lonlat(found.facts.crs, line[:, 0], line[:, 1])) for line in walk.lines_m
        ),
    )


def write_walk(plan: WalkPlan, path: Path) -> Path:
    """Write a walk as GPX: waypoints for the stops, a route through them, and a track of the way.

    Parameters
    ----------
    plan : WalkPlan
        The walk.
    path : Path
        The file to be; one that ends in .kml is written as KML, which has no routes.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SiteError
        If it cannot be written.
    """
    import numpy as np

    from washgrade.files.exchange import write_plan

    stops = []
    for k in range(len(plan)):
        two = "; take two samples" if plan.walk.duplicate[k] else ""
        after, settles = plan.walk.arrival_minutes[k], plan.walk.settled_share[k]
        fields = {
            "name": f"{k + 1} {plan.reach(k)}",
            "desc": f"after {after:.0f} min; settles {show_share(settles)}{two}",
            "type": "sample",
        }
        stops.append((fields, np.array([plan.lon[k], plan.lat[k]])))
    way = [np.asarray(leg) for leg in plan.legs_lonlat if len(leg)]
    head = {"name": f"Sampling walk of {plan.walk.minutes / 60:.1f} h", "desc": CAUTION}
    write_plan(
        path,
        waypoints=stops,
        routes=[(head, stops)] if stops else [],
        tracks=[(head, np.concatenate(way))] if way else [],
    )
    return path
