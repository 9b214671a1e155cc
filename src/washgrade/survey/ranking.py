"""Where to dig: the reaches in order of what one load should bring."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from washgrade.survey.answers import SEED, Estimate
from washgrade.survey.firststep import first_json, told_first
from washgrade.survey.traps import traps
from washgrade.units import show_share

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.rank import Spread
    from washgrade.dig.stock import Stock
    from washgrade.land.reachshape import ReachShape
    from washgrade.survey.perhour import PerHour
    from washgrade.survey.stock import Remains

__all__ = ["Ranking", "closed_reaches", "rank"]


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
    magnetite_kg_per_load : Spread
        Magnetite in one load, kg: magnetics times the purity of the site and its doubt.
    per_load_draws : ndarray of float32, shape (draws, reaches)
        Joint draws of the magnetics in one load, kg.
    shape : ReachShape
        Shape of the reaches; the widths are those that the stock rests on.
    least_area : ndarray of bool, shape (reaches,)
        Whether the edge of the map cuts the catchment, so that the upstream area is a lower bound.
    stock : Stock
        What the reaches hold.
    stock_kg : Spread
        The same in kilograms of magnetics above the cut-off.
    magnetite_stock_kg : Spread
        The same in kilograms of magnetite.
    remains : Remains
        How much of it is left and why.
    chance_top : ndarray of float64, shape (reaches,)
        Chance to be among the best ``top_reaches`` of those that are open.
    closed : ndarray of bool, shape (reaches,)
        Reaches where one must not or cannot dig: they rank last.
    on_water : ndarray of bool, shape (reaches,)
        Reaches mostly on standing water, which are no wash: ranked last.
    off_property, no_go : ndarray of bool, shape (reaches,)
        Reaches mostly outside the property line, and those that touch a no-go area: ranked last.
    easting_m, northing_m, lon, lat : ndarray of float64, shape (reaches,)
        Middle of each reach, metres and WGS 84 degrees.
    """

    estimate: Estimate
    rank: NDArray[np.int64]
    kg_per_load: Spread
    magnetite_kg_per_load: Spread
    per_load_draws: NDArray[np.floating]
    shape: ReachShape
    least_area: NDArray[np.bool_]
    stock: Stock
    stock_kg: Spread
    magnetite_stock_kg: Spread
    remains: Remains
    chance_top: NDArray[np.float64]
    closed: NDArray[np.bool_]
    on_water: NDArray[np.bool_]
    off_property: NDArray[np.bool_]
    no_go: NDArray[np.bool_]
    easting_m: NDArray[np.float64]
    northing_m: NDArray[np.float64]
    lon: NDArray[np.float64]
    lat: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.rank)

    @property
    def sentences(self) -> tuple[str, ...]:
        """What a reader of the whole ranking must know, in plain words."""
        told = []
        for shut, one, many in (
            (self.off_property, "lies outside the property line", "lie outside the property line"),
            (self.no_go, "touches a no-go area", "touch a no-go area"),
            (self.on_water, "crosses standing water", "cross standing water"),
        ):
            if count := int(shut.sum()):
                told.append(
                    f"{count} reaches {many} and rank last."
                    if count > 1
                    else f"1 reach {one} and ranks last."
                )
        regret_kg = self.regret_kg
        if regret_kg is not None:
            from washgrade.units import show_mass

            best, pure = int(self.rank.argmin()), self.magnetite_kg_per_load
            share, units = self.estimate.settings.magnetite_share, self.estimate.settings.units
            mean, low, high = (show_mass(float(one[best]), units) for one in (pure.mean, pure.p10, pure.p90))
            told.append(
                f"Weights are of magnetics, what sticks to the magnet. About {show_share(share)} of that "
                f"is taken to be magnetite ('magnetite_share' in site.toml): {mean} in a load of the best "
                f"reach, 8 times in 10 within {low} to {high}."
            )

            told.append(
                f"Digging the best {self.estimate.settings.top_reaches} as ranked is expected to bring "
                f"{show_mass(regret_kg, self.estimate.settings.units)} a load less than the truly best "
                "would; more samples lessen that (washgrade where SITE)."
            )
            told += told_first(self)
        if (self.off_property | self.no_go).all():
            told.append("No reach is open to you: check the property line and the no-go areas.")
        return tuple(told)

    @property
    def regret_kg(self) -> float | None:
        """What one load of the best-ranked open reaches is expected to miss of the truly best, kilograms."""
        import numpy as np

        from washgrade.sand.chances import expected_regret

        open_reach = np.flatnonzero(~self.closed)
        if not len(open_reach):
            return None
        top = min(self.estimate.settings.top_reaches, len(open_reach))
        order = np.argsort(self.rank[open_reach])
        return expected_regret(self.per_load_draws[:, open_reach], order, top) / top

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
        from washgrade.land.beside import BESIDE_NOTE
        from washgrade.land.fans import ON_FAN_NOTE
        from washgrade.page.themes import DOUBT_LIMITS
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
        if self.on_water[place]:
            notes.insert(0, "On standing water, a lake or a filled hollow: no wash to dig.")
        if self.stock.loads_held[place] <= 0.0:
            notes.insert(0, "Only the spot where the wash leaves the map: nothing to dig.")
        if self.estimate.layers.is_on_fan[place]:
            notes.append(ON_FAN_NOTE)
        if self.estimate.layers.is_beside[place]:
            notes.append(BESIDE_NOTE)
        if self.stock.depleted[place]:
            notes.append("Worked out: little is left of what it held.")
        return notes + self.remains.notes(self.estimate.past, place, self.estimate.settings.units)

    def as_json(self, *, top: int | None = None, by_hour: PerHour | None = None) -> dict[str, Any]:
        """Lay the ranking out for other programs, best first.

        Parameters
        ----------
        top : int, optional
            Only the best so many; all if left out.
        by_hour : PerHour, optional
            What an hour brings (`washgrade.survey.per_hour`): with it the best is the best by the hour.

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

        return {
            "on": self.estimate.day.isoformat(),
            "crs": self.estimate.facts.crs,
            "settings": asdict(self.estimate.settings),
            "first": first_json(self),
            "reaches": self.rows(top=top, by_hour=by_hour),
        }

    def rows(self, *, top: int | None = None, by_hour: PerHour | None = None) -> list[dict[str, Any]]:
        """Lay out the reaches alone, best first, as in `as_json`.

        Parameters
        ----------
        top : int, optional
            Only the best so many; all if left out.
        by_hour : PerHour, optional
            What an hour brings: with it the best is the best by the hour.

        Returns
        -------
        list of dict
            One for each reach.

        Raises
        ------
        InputError
            If ``top`` is no whole number of at least 1.
        """
        import numpy as np

        from washgrade.checks import whole

        count = len(self.rank) if top is None else whole("top", top, at_least=1)
        order = np.argsort(self.rank if by_hour is None else by_hour.rank)
        return [self.row(k, by_hour=by_hour) for k in order[:count].tolist()]

    def row(self, place: int, *, by_hour: PerHour | None = None) -> dict[str, Any]:
        """Lay out one reach, as in `as_json`.

        Parameters
        ----------
        place : int
            Index of the reach.
        by_hour : PerHour, optional
            What an hour brings: with it the rank is the one by the hour.

        Returns
        -------
        dict
            Names and SI units of the design.
        """
        k, found, reaches = place, self.estimate, self.estimate.channels.reaches
        grade, rank = found.grade, self.rank if by_hour is None else by_hour.rank
        return {
            "reach": str(reaches.reach_id[k]),
            "rank": int(rank[k]),
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
            "magnetite_kg_per_load": _spread_json(self.magnetite_kg_per_load, k),
            # Null where walking times were not asked for.
            "kg_per_hour": None if by_hour is None else _spread_json(by_hour.kg_per_hour, k),
            "chance_top": float(self.chance_top[k]),
            "chance_above_cutoff": float(grade.reach_chance_above_cutoff[k]),
            "stock_kg": _spread_json(self.stock_kg, k),
            "magnetite_stock_kg": _spread_json(self.magnetite_stock_kg, k),
            "loads_left": float(self.stock.loads_left[k]),
            "depleted": bool(self.stock.depleted[k]),
            "loads_held": float(self.stock.loads_held[k]),
            "fresh_share": None if found.past.fresh_share is None else float(found.past.fresh_share[k]),
            "refill": self._refill_json(k),
            "support": str(grade.reach_support[k]),
            "notes": self.notes(k),
            "shape": self._shape_json(k),
            "traps": traps(self.shape, k),
        }

    def _refill_json(self, place: int) -> dict[str, Any] | None:
        """The flood that would likely refill a reach; null where nothing is wanted."""
        refill = self.remains.refill
        if refill is None or refill.rain_mm[place] <= 0.0:
            return None
        return {
            "least_rain_mm": _finite(refill.rain_mm[place]),
            "rain_h": refill.duration_h,
            "least_discharge_m3_s": _finite(refill.discharge_m3_s[place]),
        }

    def _shape_json(self, place: int) -> dict[str, Any]:
        """Shape of one reach, null where unknown or without bound."""
        from washgrade.land.width import WIDTH_WORDS

        found = self.shape
        names = ("width_m", "confinement", "radius_over_width", "slope_break", "expansion")
        more = ("below_confluence_m", "area_ratio", "stream_power_w_m2_per_m3_s")
        return {
            **{name: _finite(getattr(found, name)[place]) for name in (*names, *more)},
            "width_from": WIDTH_WORDS[int(found.width_from[place])],
            "inner_side": {-1: "left", 1: "right"}.get(int(found.inner_side[place])),
            "upstream_area_is_lower_bound": bool(self.least_area[place]),
        }


def _finite(value: float) -> float | None:
    """JSON knows no infinity."""
    return float(value) if math.isfinite(value) else None


def _spread_json(found: Spread, place: int) -> dict[str, float]:
    """One reach's quantity with its doubt."""
    return {name: float(getattr(found, name)[place]) for name in ("mean", "p10", "p50", "p90")}


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

    from washgrade.dig.rank import chance_top, rank_reaches, spread
    from washgrade.files.places import lonlat
    from washgrade.sand.purity import magnetite_kg, purity_draws
    from washgrade.survey.stock import remains

    chosen, reaches = found.settings, found.channels.reaches
    draws = found.grade.reach_draws
    shape = _shape(found)
    left = remains(found, shape.width_m)
    stock = left.stock
    per_load, mean_kg = left.load_kg(found)
    kg_per_load = replace(spread(per_load), mean=mean_kg)
    # From a stream of its own, the same for loads and stock. The purity knows nothing of the ground, so means
    # are the products of the means.
    purity = purity_draws(chosen.purity, len(draws), np.random.default_rng([SEED, 1]))
    stock_kg, mean_purity = stock.left_kg(), chosen.magnetite_share
    off_property, no_go = _closed(found)
    on_water = _on_water(found)
    # A wash that leaves the map at a fork ends in a reach of one node: no length, nothing to dig.
    closed = off_property | no_go | on_water | (stock.loads_held <= 0.0)
    open_draws = np.where(closed, -1.0, per_load)
    middle = found.past.middle
    easting_m = found.channels.nodes.easting_m[middle]
    northing_m = found.channels.nodes.northing_m[middle]
    lon, lat = lonlat(found.facts.crs, easting_m, northing_m)
    return Ranking(
        estimate=found,
        rank=rank_reaches(kg_per_load.mean, last=stock.depleted | closed),
        kg_per_load=kg_per_load,
        magnetite_kg_per_load=replace(
            spread(magnetite_kg(per_load, chosen.purity, np.random.default_rng([SEED, 1]))),
            mean=mean_kg * mean_purity,
        ),
        per_load_draws=per_load,
        shape=shape,
        least_area=found.layers.edge_share[reaches.last_node] > 0.0,
        stock=stock,
        stock_kg=stock_kg,
        magnetite_stock_kg=replace(stock.left_kg(share=purity), mean=stock_kg.mean * mean_purity),
        remains=left,
        chance_top=np.where(closed, 0.0, chance_top(open_draws, chosen.top_reaches)),
        closed=closed,
        on_water=on_water,
        off_property=off_property,
        no_go=no_go,
        easting_m=easting_m,
        northing_m=northing_m,
        lon=lon,
        lat=lat,
    )


def _shape(found: Estimate) -> ReachShape:
    """Shape of the reaches; where the DEM shows no banks, the width that the user set comes first."""
    from washgrade.land.reachshape import reach_shape

    return reach_shape(found.channels, found.layers.shape, given_width_m=found.settings.bed_width_m or None)


def closed_reaches(found: Estimate) -> NDArray[np.bool_]:
    """Find the reaches where one must not go, or that are no wash.

    Parameters
    ----------
    found : Estimate
        The estimate.

    Returns
    -------
    ndarray of bool, shape (reaches,)
        True outside the property line, in a no-go area and on standing water.
    """
    off_property, no_go = _closed(found)
    return off_property | no_go | _on_water(found)


def _on_water(found: Estimate) -> NDArray[np.bool_]:
    """Find the reaches that lie mostly on standing water."""
    import numpy as np

    nodes, count = found.channels.nodes, len(found.channels.reaches)
    wet = np.bincount(nodes.reach, weights=found.layers.is_on_water, minlength=count)
    on_water: NDArray[np.bool_] = wet > 0.5 * np.bincount(nodes.reach, minlength=count)
    return on_water


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
