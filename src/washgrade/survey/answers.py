"""What the samples say: the grade along the channels, and the ranking of the reaches."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.survey.steps import Progress, open_ground, read_day, silent

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.rank import Spread
    from washgrade.dig.stock import Stock
    from washgrade.files.groundstore import GroundFacts
    from washgrade.files.sample import Sample
    from washgrade.files.settings import Settings
    from washgrade.files.site import Site
    from washgrade.land.channels import Channels
    from washgrade.sand.grade import GradeEstimate

__all__ = ["Estimate", "Ranking", "estimate", "grade_as_json", "rank"]

# The joint draws come from one fixed stream, so that the same question gets the same answer.
SEED = 1877


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
    samples : tuple of Sample
        The records that stood on that day.
    grade : GradeEstimate
        Grades with their doubt.
    """

    site: Site
    day: date
    facts: GroundFacts
    settings: Settings
    channels: Channels
    samples: tuple[Sample, ...]
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
            names = ", ".join(f"{name[:8]} ({offset_m:.0f} m)" for name, offset_m in seen.unplaced[:5])
            more = f" and {len(seen.unplaced) - 5} more" if len(seen.unplaced) > 5 else ""
            found.append(
                f"Too far from any channel to count: {names}{more}. Check their places, or raise "
                "'snap_max_m' in site.toml."
            )
        found += [f"Not counted: {name[:8]}, because {why}" for name, why in seen.left_out]
        return tuple(found)


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
    import numpy as np

    from washgrade.files.groundstore import load_channels
    from washgrade.files.notebook import read_samples
    from washgrade.files.sample import as_arrays
    from washgrade.sand.grade import estimate_grade
    from washgrade.sand.layers import Samples

    day = read_day(on)
    tell = progress or silent
    opened, facts = open_ground(site)
    chosen = opened.settings
    tell("reading the site", 0.0)
    channels = load_channels(opened)
    samples = read_samples(opened, on=day)
    arrays = as_arrays(samples)
    found = estimate_grade(
        channels,
        Samples(**arrays),
        rng=np.random.default_rng(SEED),
        settings=chosen.sampling,
        cutoff_grade=chosen.cutoff_grade,
        progress=lambda share: tell("weighing what the samples say", 0.1 + 0.9 * share),
    )
    return Estimate(
        site=opened,
        day=day,
        facts=facts,
        settings=chosen,
        channels=channels,
        samples=tuple(samples),
        grade=found,
    )


def _spread_json(found: Spread, place: int) -> dict[str, float]:
    """One reach's quantity with its doubt."""
    return {name: float(getattr(found, name)[place]) for name in ("mean", "p10", "p50", "p90")}


def grade_as_json(found: Estimate, *, nodes: bool = False) -> dict[str, Any]:
    """Lay an estimate out for other programs, by reach in the order of the ground.

    Parameters
    ----------
    found : Estimate
        The estimate.
    nodes : bool, default False
        Give every node too.

    Returns
    -------
    dict
        Stable names, SI units.
    """
    grade, reaches = found.grade, found.channels.reaches
    rows = [
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
        for k in range(len(reaches))
    ]
    answer: dict[str, Any] = {
        "on": found.day.isoformat(),
        "crs": found.facts.crs,
        "readings": len(grade.observations),
        "too_far": [{"id": name, "offset_m": offset_m} for name, offset_m in grade.observations.unplaced],
        "not_counted": [{"id": name, "why": why} for name, why in grade.observations.left_out],
        "reaches": rows,
    }
    if nodes:
        from washgrade.sand.grade import SUPPORT

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """The reaches in order of expected yield.

    Parameters
    ----------
    estimate : Estimate
        What it rests on.
    rank : ndarray of int64, shape (reaches,)
        1 for the best.
    kg_per_load : Spread
        Magnetics in one load, kg.
    stock : Stock
        What the reaches hold.
    stock_kg : Spread
        The same in kilograms of magnetics above the cut-off.
    chance_top : ndarray of float64, shape (reaches,)
        Chance to be among the best ``top_reaches`` of those that are open.
    off_property, no_go : ndarray of bool, shape (reaches,)
        Reaches mostly outside the property line, and those that touch a no-go area: closed, ranked last.
    easting_m, northing_m, lon, lat : ndarray of float64, shape (reaches,)
        Middle of each reach, metres and WGS 84 degrees.
    """

    estimate: Estimate
    rank: NDArray[np.int64]
    kg_per_load: Spread
    stock: Stock
    stock_kg: Spread
    chance_top: NDArray[np.float64]
    off_property: NDArray[np.bool_]
    no_go: NDArray[np.bool_]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.rank)

    def notes(self, place: int) -> list[str]:
        """Say why a reach stands where it stands.

        Parameters
        ----------
        place : int
            Index of the reach.

        Returns
        -------
        list of str
            Plain sentences; what the estimate rests on is said by ``support``.
        """
        from washgrade.page.payload import DOUBT_LIMITS
        from washgrade.units import show_length

        grade, support = self.estimate.grade, str(self.estimate.grade.reach_support[place])
        notes = []
        if support in ("near", "inferred"):
            away = show_length(float(grade.nearest_sample_m[place]), self.estimate.settings.units)
            notes.append(f"The nearest sample is {away} away along the wash.")
        if grade.reach_p90[place] > DOUBT_LIMITS[-1] * grade.reach_p10[place]:
            notes.append("One sample here would tell much.")
        if self.no_go[place]:
            notes.insert(0, "In a no-go area: stay out.")
        if self.off_property[place]:
            notes.insert(0, "Outside the property line: only with permission.")
        if self.stock.depleted[place]:
            notes.append("Worked out: little is left of what it held.")
        return notes

    def as_json(self, *, top: int | None = None) -> dict[str, Any]:
        """Lay the ranking out for other programs, best first.

        Parameters
        ----------
        top : int, optional
            Only the best so many; all if left out.

        Returns
        -------
        dict
            The stable form of the design: names, SI units.

        Raises
        ------
        InputError
            If ``top`` is no whole number of at least 1.
        """
        from dataclasses import asdict

        import numpy as np

        from washgrade.checks import whole

        count = len(self.rank) if top is None else whole("top", top, at_least=1)
        found, reaches = self.estimate, self.estimate.channels.reaches
        grade = found.grade
        rows = []
        for k in np.argsort(self.rank)[:count]:
            rows.append(
                {
                    "reach": str(reaches.reach_id[k]),
                    "rank": int(self.rank[k]),
                    "easting_m": float(self.easting_m[k]),
                    "northing_m": float(self.northing_m[k]),
                    "lon": float(self.lon[k]),
                    "lat": float(self.lat[k]),
                    "length_m": float(reaches.length_m[k]),
                    "upstream_area_m2": float(reaches.upstream_area_m2[k]),
                    "slope": float(reaches.slope[k]),
                    "grade": {
                        "mean": float(grade.reach_mean[k]),
                        "p10": float(grade.reach_p10[k]),
                        "p50": float(grade.reach_p50[k]),
                        "p90": float(grade.reach_p90[k]),
                    },
                    "kg_per_load": _spread_json(self.kg_per_load, k),
                    # Ranking by hour needs walking times; null until they are there.
                    "kg_per_hour": None,
                    "chance_top": float(self.chance_top[k]),
                    "chance_above_cutoff": float(grade.reach_chance_above_cutoff[k]),
                    "stock_kg": _spread_json(self.stock_kg, k),
                    "loads_left": float(self.stock.loads_left[k]),
                    "depleted": bool(self.stock.depleted[k]),
                    "support": str(grade.reach_support[k]),
                    "notes": self.notes(int(k)),
                }
            )
        return {
            "on": found.day.isoformat(),
            "crs": found.facts.crs,
            "settings": asdict(found.settings),
            "reaches": rows,
        }


def rank(found: Estimate) -> Ranking:
    """Put the reaches in order of magnetics expected in one load.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    Ranking
        Ranks, yields, stock and chances.
    """
    import numpy as np

    from washgrade.dig.load import load_magnetics_kg
    from washgrade.dig.rank import chance_top, rank_reaches, spread
    from washgrade.dig.stock import reach_stock
    from washgrade.files.places import lonlat
    from washgrade.land.channels import middle_nodes

    chosen, reaches = found.settings, found.channels.reaches
    draws = found.grade.reach_draws
    per_load = load_magnetics_kg(draws, chosen.shovel)
    kg_per_load = spread(per_load)
    stock = reach_stock(
        length_m=reaches.length_m,
        grade_draws=draws,
        shovel=chosen.shovel,
        streak=chosen.streak,
        cutoff_grade=chosen.cutoff_grade,
    )
    off_property, no_go = _closed(found)
    closed = off_property | no_go
    open_draws = np.where(closed, -1.0, per_load)
    middle = middle_nodes(found.channels)
    easting_m = found.channels.nodes.easting_m[middle]
    northing_m = found.channels.nodes.northing_m[middle]
    lon, lat = lonlat(found.facts.crs, easting_m, northing_m)
    return Ranking(
        estimate=found,
        rank=rank_reaches(kg_per_load.mean, last=stock.depleted | closed),
        kg_per_load=kg_per_load,
        stock=stock,
        stock_kg=spread(stock.stock_kg_draws),
        chance_top=np.where(closed, 0.0, chance_top(open_draws, chosen.top_reaches)),
        off_property=off_property,
        no_go=no_go,
        easting_m=easting_m,
        northing_m=northing_m,
        lon=lon,
        lat=lat,
    )


def _closed(found: Estimate) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Find the reaches mostly outside the property line, and those that touch a no-go area."""
    import numpy as np

    from washgrade.files.groundstore import load_shapes

    nodes, count = found.channels.nodes, len(found.channels.reaches)

    def share_inside(layer: str) -> NDArray[np.float64] | None:
        areas = load_shapes(found.site, layer)
        if not areas:
            return None
        import shapely

        whole = shapely.union_all([area.geometry for area in areas])
        shapely.prepare(whole)
        inside = shapely.contains_xy(whole, nodes.easting_m, nodes.northing_m)
        number = np.maximum(np.bincount(nodes.reach, minlength=count), 1)
        share: NDArray[np.float64] = np.bincount(nodes.reach, weights=inside, minlength=count) / number
        return share

    owned, forbidden = share_inside("property"), share_inside("no_go")
    return (
        np.zeros(count, dtype=np.bool_) if owned is None else owned < 0.5,
        np.zeros(count, dtype=np.bool_) if forbidden is None else forbidden > 0.0,
    )
