"""Carrying sand from the wash to the place where the vehicle stands: by pack, or by barrow where it rolls."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.dig.cleanup import BUCKET_LITRES
from washgrade.dig.legs import WalkLegs, legs_between
from washgrade.dig.load_walk import LOOSE_SAND, speed_factor_with_load
from washgrade.errors import InputError
from washgrade.land.walkable import NOWHERE, WalkingSurface, walking_speed_m_s

__all__ = ["KINDS", "HaulRule", "Hauls", "hauls"]

# Ways to carry, in the order of the arrays.
KINDS = ("pack", "barrow")


@dataclass(frozen=True, slots=True, kw_only=True)
class HaulRule:
    """How sand is dug and carried.

    Parameters
    ----------
    bucket_litres : float
        What a bucket holds, above 0; one is filled for each carry by pack. 18.927, five US gallons.
    carry_limit_kg : float
        Most that is carried or lifted at once, above 0. 23: the load constant of the NIOSH lifting equation
        (Waters, Putz-Anderson & Garg 1994), the most for the best posture; far out, twisted or from the
        ground it allows less.
    dig_minutes : float
        Time to find, skim and fill one shovel load, at least 0. 1: our choice, because steady hand loading of
        loosened soil is about 0.57 m3 an hour, 0.4 minutes for 4 L (handbooks), and a streak must be found
        and skimmed.
    unload_minutes : float
        Time of each carry at the vehicle, at least 0. 2: our choice, to empty, tie down and drink.
    rest_minutes : float
        Rest in each hour, at least 0 and below 60. 10: our choice; in heat more.
    tools_kg : float
        Carried out each time (shovel, bucket, water), at least 0. 6: our choice.
    body_kg : float
        Weight of the person, above 0; see `washgrade.dig.load_walk.effort_w`.
    terrain_factor : float
        Loose sand, 2.1; see there.
    barrow_kg : float
        Sand in one barrow, at least 0; 0 for no barrow. Of 60, our advice: a handbook's struck barrow of 6
        cubic feet holds 300 kg of heavy sand, which nobody pushes over sand.
    barrow_slope : float
        Steepest ground that a laden barrow is pushed over, above 0. 0.10: our choice, a little more than the
        1 in 12 of ramps.
    barrow_share : float
        Share of the walking speed kept with a barrow, above 0, at most 1. 0.5: our choice, loose sand.

    Raises
    ------
    InputError
        If a value is outside its limits.
    """

    bucket_litres: float = BUCKET_LITRES
    carry_limit_kg: float = 23.0
    dig_minutes: float = 1.0
    unload_minutes: float = 2.0
    rest_minutes: float = 10.0
    tools_kg: float = 6.0
    body_kg: float = 75.0
    terrain_factor: float = LOOSE_SAND
    barrow_kg: float = 0.0
    barrow_slope: float = 0.10
    barrow_share: float = 0.5

    def __post_init__(self) -> None:
        for name in ("bucket_litres", "carry_limit_kg", "body_kg", "barrow_slope"):
            number(name, getattr(self, name), above=0)
        for name in ("dig_minutes", "unload_minutes", "tools_kg", "barrow_kg"):
            number(name, getattr(self, name), at_least=0)
        number("rest_minutes", self.rest_minutes, at_least=0, below=60)
        number("terrain_factor", self.terrain_factor, at_least=1)
        number("barrow_share", self.barrow_share, above=0, at_most=1)

    def working_minutes(self, hours: float) -> float:
        """Minutes of work in some hours, rest taken off.

        Parameters
        ----------
        hours : float
            Hours at the wash.

        Returns
        -------
        float
            Minutes.

        Examples
        --------
        >>> HaulRule().working_minutes(6.0)
        300.0
        """
        return hours * (60.0 - self.rest_minutes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hauls:
    """Carries between the vehicle and places to dig, for each way to carry (`KINDS`).

    Parameters
    ----------
    rule : HaulRule
        How sand is carried.
    ways : tuple of WalkLegs
        Ways to and from the vehicle, for each way to carry that there is.
    cells : ndarray of int64, shape (places,)
        Walking cells of the places, `NOWHERE` where none is open.
    out_minutes, back_minutes : ndarray of float64, shape (kinds, places)
        Walks out with the tools and back with a full load; inf where there is no way.
    loads : ndarray of float64, shape (kinds, places)
        Shovel loads that fill a carry, not always whole.
    """

    rule: HaulRule
    ways: tuple[WalkLegs, ...]
    cells: NDArray[np.int64]
    out_minutes: NDArray[np.float64]
    back_minutes: NDArray[np.float64]
    loads: NDArray[np.float64]

    @property
    def round_minutes(self) -> NDArray[np.float64]:
        """Time of one carry without the digging, shape (kinds, places)."""
        return self.out_minutes + self.back_minutes + self.rule.unload_minutes

    def load_minutes(self, dig_minutes: float) -> NDArray[np.float64]:
        """Time that each shovel load takes where one carry follows the other, by the quicker way to carry.

        Parameters
        ----------
        dig_minutes : float
            Time to dig one load.

        Returns
        -------
        ndarray of float64, shape (places,)
            Minutes: digging, and the load's part of the way out and back and of unloading; inf where there is
            no way.

        Examples
        --------
        >>> one = np.array([[10.0]])
        >>> Hauls(rule=HaulRule(), ways=(), cells=np.array([0]), out_minutes=one, back_minutes=1.4 * one,
        ...       loads=0.4 * one).load_minutes(1.0).tolist()
        [7.5]
        """
        carried: NDArray[np.float64] = (self.round_minutes / self.loads).min(axis=0)
        return carried + dig_minutes

    def pair_minutes(self, places: NDArray[np.int64]) -> NDArray[np.float64]:
        """Time of one carry that is filled at two places, the better one first.

        Parameters
        ----------
        places : ndarray of int64, shape (some,)
            Places that can be reached.

        Returns
        -------
        ndarray of float64, shape (kinds, some, some)
            Minutes without the digging, symmetric; never less than the carry from either alone. Between the
            two the walker is as slow as under the full load (our choice, to be on the safe side).
        """
        found = np.full((len(self.ways), len(places), len(places)), np.inf)
        for kind, ways in enumerate(self.ways):
            there = np.isfinite(self.round_minutes[kind, places])
            at = places[there]
            if not len(at):
                continue
            legs = legs_between(ways, self.cells[at])[: len(at), : len(at)] * _slow(self.rule, ways, kind)
            out, back = self.out_minutes[kind, at], self.back_minutes[kind, at]
            one_way = out[:, None] + legs + back[None, :] + self.rule.unload_minutes
            both = np.minimum(one_way, one_way.T)
            alone = self.round_minutes[kind, at]
            found[kind][np.ix_(there, there)] = np.maximum(both, np.maximum(alone[:, None], alone[None, :]))
        return found


def _slow(rule: HaulRule, ways: WalkLegs, kind: int) -> float:
    """Factor on walking times with a full load."""
    if KINDS[kind] == "barrow":
        return 1.0 / rule.barrow_share
    return _slow_with(rule, ways.surface, rule.tools_kg + rule.carry_limit_kg)


def _slow_with(rule: HaulRule, surface: WalkingSurface, load_kg: float) -> float:
    """Factor on walking times with something on the back."""
    level_m_s = float(walking_speed_m_s(np.array(0.0), surface.walking))
    factor = speed_factor_with_load(
        load_kg, speed_m_s=level_m_s, body_kg=rule.body_kg, terrain_factor=rule.terrain_factor
    )
    return 1.0 / float(factor)


def hauls(
    surface: WalkingSurface,
    *,
    vehicle: int,
    cells: NDArray[np.int64],
    load_kg: NDArray[np.float64],
    load_litres: float,
    rule: HaulRule | None = None,
) -> Hauls:
    """Work out the carries from places to dig to the vehicle.

    Parameters
    ----------
    surface : WalkingSurface
        Where one may walk.
    vehicle : int
        Walking cell where the vehicle stands.
    cells : ndarray of int64, shape (places,)
        Walking cells of the places to dig, or `NOWHERE`.
    load_kg : ndarray of float64, shape (places,)
        Mass of the heaviest shovel load to reckon with, as dug, kilograms.
    load_litres : float
        Volume of a shovel load.
    rule : HaulRule, optional
        How sand is carried.

    Returns
    -------
    Hauls
        Times and loads.

    Raises
    ------
    InputError
        If one shovel load is more than may be carried at once.

    Notes
    -----
    On foot: Tobler's times on the DEM, longer under the load so that the effort stays that of the walk
    without it (Pandolf, Givoni & Goldman 1977). By barrow: the same times over ``barrow_share``, on ground no
    steeper than ``barrow_slope``, both ways.

    Examples
    --------
    >>> surface = WalkingSurface(height_m=np.zeros((3, 60), np.float32), cell_m=5, west_m=0, north_m=15)
    >>> found = hauls(surface, vehicle=60, cells=np.array([70, 110]), load_kg=np.array([7.0, 8.0]),
    ...               load_litres=4.0)
    >>> found.loads.round(1).tolist(), found.round_minutes.round(1).tolist()
    ([[3.3, 2.9]], [[4.3, 13.7]])
    """
    rule = rule or HaulRule()
    mass_kg = np.asarray(load_kg, np.float64)
    ways = [WalkLegs(surface=surface, start=vehicle, end=vehicle)]
    fits = [np.minimum(rule.carry_limit_kg / mass_kg, rule.bucket_litres / load_litres)]
    if rule.barrow_kg > 0.0:
        rolling = replace(
            surface.walking, too_steep_slope=min(rule.barrow_slope, surface.walking.too_steep_slope)
        )
        gentle = replace(surface, walking=rolling)
        ways.append(WalkLegs(surface=gentle, start=vehicle, end=vehicle))
        fits.append(rule.barrow_kg / mass_kg)
    loads = np.array(fits)
    if len(cells) and loads.max() < 1:
        raise InputError(
            f"Invalid 'carry_limit_kg' of {rule.carry_limit_kg:g} and 'bucket_litres' of "
            f"{rule.bucket_litres:g}. One shovel load is {load_litres:g} L and {float(mass_kg.min()):.1f} kg "
            "or more; it must fit into a carry."
        )
    out, back = np.empty(loads.shape), np.empty(loads.shape)
    for kind, way in enumerate(ways):
        there = way.out_minutes(cells), way.back_minutes(cells)
        full = _slow(rule, way, kind)
        empty = full if KINDS[kind] == "barrow" else _slow_with(rule, surface, rule.tools_kg)
        none = (cells == NOWHERE) | (loads[kind] < 1)
        out[kind] = np.where(none, np.inf, there[0] * empty)
        back[kind] = np.where(none, np.inf, there[1] * full)
    return Hauls(
        rule=rule,
        ways=tuple(ways),
        cells=np.asarray(cells, np.int64),
        out_minutes=out,
        back_minutes=back,
        loads=np.maximum(loads, 1.0),
    )
