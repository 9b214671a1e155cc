"""What a digging day is planned on: where reaches are dug, what they hold, what carries and cleaning cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.cleanup import Cleanup
    from washgrade.dig.haul import Hauls
    from washgrade.dig.returns import Standing
    from washgrade.files.settings import Settings
    from washgrade.land.walkable import WalkingSurface
    from washgrade.survey.ranking import Ranking
    from washgrade.survey.steps import Progress

__all__ = [
    "HaulsFrom",
    "Spots",
    "cleanup_of",
    "hauls_from",
    "product_of_load",
    "rest_kg",
    "standing_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spots:
    """Where each reach is dug.

    Parameters
    ----------
    cell : ndarray of int64, shape (reaches,)
        Walking cell, or -1 where none is open.
    share : ndarray of float64, shape (reaches,)
        Share of the reach that may be dug, 0 to 1.
    """

    cell: NDArray[np.int64]
    share: NDArray[np.float64]


def _dig_spots(ranking: Ranking, surface: WalkingSurface, allowed: NDArray[np.bool_]) -> Spots:
    """Choose the allowed node nearest to the middle of each reach beside which one can walk."""
    import numpy as np

    from washgrade.dig.legs import open_cells
    from washgrade.land.walkable import NOWHERE

    nodes, count = ranking.estimate.channels.nodes, len(ranking)
    cells = np.full(len(nodes), NOWHERE, np.int64)
    look = np.flatnonzero(allowed & ~ranking.closed[nodes.reach])
    cells[look] = open_cells(surface, nodes.easting_m[look], nodes.northing_m[look])
    able = cells != NOWHERE
    whole = np.maximum(np.bincount(nodes.reach, minlength=count), 1)
    away_m = np.hypot(
        nodes.easting_m - ranking.easting_m[nodes.reach], nodes.northing_m - ranking.northing_m[nodes.reach]
    )
    # The nearest of each reach comes first; what cannot be dug comes last.
    order = np.lexsort((np.where(able, away_m, np.inf), nodes.reach))
    reach, first = np.unique(nodes.reach[order], return_index=True)
    cell = np.full(count, NOWHERE, np.int64)
    cell[reach] = cells[order[first]]
    return Spots(cell=cell, share=np.bincount(nodes.reach, weights=able, minlength=count) / whole)


def standing_of(ranking: Ranking, at: NDArray[np.int64], share: NDArray[np.float64]) -> Standing:
    """Tell what some reaches hold, in the part of each that may be dug, as a digger's eye finds it.

    Parameters
    ----------
    ranking : Ranking
        What the reaches bring.
    at : ndarray of int64, shape (some,)
        Which reaches.
    share : ndarray of float64, shape (reaches,)
        Share of every reach that may be dug.

    Returns
    -------
    Standing
        Of these reaches, in joint draws.
    """
    standing = ranking.stock.standing(at)
    within = replace(standing, loads_held=standing.loads_held * share[at])
    return within.chosen_by_eye(ranking.estimate.settings.found_by_eye)


def _hauls_of(ranking: Ranking, surface: WalkingSurface, vehicle: int, cells: NDArray[np.int64]) -> Hauls:
    """Reckon carries to the vehicle, light enough for the first load of each reach, its heaviest."""
    import numpy as np

    from washgrade.dig.haul import hauls
    from washgrade.dig.load import load_magnetics_kg
    from washgrade.dig.returns import taken_share

    chosen = ranking.estimate.settings
    held = np.maximum(ranking.stock.loads_held, 1.0)
    richest = held * taken_share(1.0 / held, within_sd=chosen.found_by_eye * chosen.streak.within_sd)
    mean_kg = load_magnetics_kg(ranking.estimate.grade.reach_mean, chosen.shovel)
    # No load is more than magnetics alone.
    magnetics_kg = np.minimum(richest * mean_kg, load_magnetics_kg(np.array(1.0), chosen.shovel))
    dry_kg = magnetics_kg + rest_kg(magnetics_kg, 1.0, chosen)
    return hauls(
        surface,
        vehicle=vehicle,
        cells=cells,
        load_kg=dry_kg / (1.0 - chosen.moisture),
        load_litres=chosen.shovel_litres,
        rule=chosen.haul,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HaulsFrom:
    """Carries to the vehicle from where each reach is dug.

    Parameters
    ----------
    spots : Spots
        Where each reach is dug.
    hauled : Hauls
        Times and loads of carries.
    easting_m, northing_m : float
        Where the vehicle stands.
    start_name : str
        What that is called.
    """

    spots: Spots
    hauled: Hauls
    easting_m: float
    northing_m: float
    start_name: str


def hauls_from(ranking: Ranking, start: str | None, *, progress: Progress | None = None) -> HaulsFrom:
    """Reckon the carries to where the vehicle stands.

    Parameters
    ----------
    ranking : Ranking
        What the reaches bring.
    start : str or None
        ``LON,LAT``, the name of a point of access, or None for the first of these.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    HaulsFrom
        Of every reach.

    Raises
    ------
    InputError
        If there is no such start, or it is not open to walkers.
    """
    import numpy as np

    from washgrade.dig.legs import open_cells
    from washgrade.errors import InputError
    from washgrade.land.walkable import NOWHERE
    from washgrade.survey.footing import open_ground_of, start_of

    tell = progress or (lambda _step, _share: None)
    tell("where one may walk", 0.0)
    easting_m, northing_m, name = start_of(ranking.estimate, start)
    surface, allowed = open_ground_of(ranking.estimate)
    vehicle = int(open_cells(surface, np.array([easting_m]), np.array([northing_m]))[0])
    if vehicle == NOWHERE:
        raise InputError(f"Invalid start at {name}. It must lie on or beside ground that is open to walkers.")
    spots = _dig_spots(ranking, surface, allowed)
    tell("walking times", 0.3)
    hauled = _hauls_of(ranking, surface, vehicle, spots.cell)
    return HaulsFrom(spots=spots, hauled=hauled, easting_m=easting_m, northing_m=northing_m, start_name=name)


def rest_kg(magnetics_kg: NDArray[np.float64], loads: float, chosen: Settings) -> NDArray[np.float64]:
    """Reckon all else in some loads that hold so much magnetics: the rest of the volume of the grains.

    Parameters
    ----------
    magnetics_kg : ndarray of float64, any shape
        Magnetics in them, kilograms.
    loads : float
        Shovel loads.
    chosen : Settings
        Volume of a load, porosity, densities.

    Returns
    -------
    ndarray of float64, the same shape
        Kilograms, dry.
    """
    import numpy as np

    grains_m3 = loads * chosen.shovel_litres / 1000.0 * (1.0 - chosen.porosity)
    rest_m3 = np.maximum(grains_m3 - magnetics_kg / chosen.heavy_density_kg_m3, 0.0)
    rest: NDArray[np.float64] = rest_m3 * chosen.light_density_kg_m3
    return rest


def cleanup_of(magnetics_kg: NDArray[np.float64], loads: float, chosen: Settings) -> Cleanup:
    """Tell what becomes of some loads that hold so much magnetics.

    Parameters
    ----------
    magnetics_kg : ndarray of float64, shape (draws,)
        Magnetics in them, kilograms.
    loads : float
        Shovel loads.
    chosen : Settings
        How they are cleaned.

    Returns
    -------
    Cleanup
        Product, tailings, hours.
    """
    import numpy as np

    from washgrade.dig.cleanup import clean_up

    dry_kg = magnetics_kg + rest_kg(magnetics_kg, loads, chosen)
    grade = np.divide(magnetics_kg, dry_kg, out=np.zeros_like(dry_kg), where=dry_kg > 0)
    return clean_up(wet_kg=dry_kg / (1.0 - chosen.moisture), grade=grade, rule=chosen.cleanup)


def product_of_load(chosen: Settings) -> tuple[float, float]:
    """Tell the product from each kilogram of magnetics dug, and from each load besides: a line by two points.

    Parameters
    ----------
    chosen : Settings
        How sand is cleaned.

    Returns
    -------
    per_kg : float
        Kilograms of product from each kilogram of magnetics.
    steady_kg : float
        Kilograms of product that come with every load besides, at least 0.
    """
    import numpy as np

    from washgrade.dig.load import load_magnetics_kg

    magnetics_kg = load_magnetics_kg(np.array([0.1, 0.4]), chosen.shovel)
    product_kg = cleanup_of(magnetics_kg, 1.0, chosen).product.dry_kg
    per_kg = float((product_kg[1] - product_kg[0]) / (magnetics_kg[1] - magnetics_kg[0]))
    return per_kg, max(float(product_kg[0] - per_kg * magnetics_kg[0]), 0.0)
