"""What is left where: loads and kilograms of every reach after floods, digs, looks; and what refills it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.dig.ledger import Reckoning
    from washgrade.dig.stock import Stock, StreakSeen
    from washgrade.survey.answers import Estimate
    from washgrade.survey.past import Past

__all__ = ["Refill", "Remains", "refill_of", "remains", "streaks_seen"]

# A reach counts as refilled when no more than this share of it is missing; see
# `washgrade.storm.refill.refill_wanted`.
REFILLED_AT = 0.2
# Share of the magnetics that must be missing for it to be said of a reach that nobody dug. Our choice.
TOLD_MISSING = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Refill:
    """The flood that would likely refill each reach.

    Parameters
    ----------
    rain_mm : ndarray of float64, shape (reaches,)
        Least rain of the usual duration; 0 where nothing is wanted, infinite where 300 mm do not do it.
    discharge_m3_s : ndarray of float64, shape (reaches,)
        Least flow in the reach, likewise.
    duration_h : float
        How long that rain lasts.
    """

    rain_mm: NDArray[np.float64]
    discharge_m3_s: NDArray[np.float64]
    duration_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Remains:
    """What is left, and how it came about.

    Parameters
    ----------
    stock : Stock
        Loads and kilograms.
    reckoning : Reckoning or None
        The ledger; None where nothing was dug.
    depletion : ndarray of float64, shape (reaches,)
        Share of the magnetics of a fresh reach that is gone, on the mean.
    refill : Refill or None
        What would refill the dug reaches; None where there are none.
    """

    stock: Stock
    reckoning: Reckoning | None
    depletion: NDArray[np.float64]
    refill: Refill | None

    def load_kg(self, found: Estimate) -> tuple[NDArray[np.floating], NDArray[np.float64]]:
        """What a load of what is left holds: the value that reaches are ranked by.

        Parameters
        ----------
        found : Estimate
            The estimate that it rests on.

        Returns
        -------
        draws : ndarray of float, shape (draws, reaches)
            Joint draws of the magnetics in a load, kilograms.
        mean : ndarray of float64, shape (reaches,)
            What is expected, kilograms.
        """
        import numpy as np

        from washgrade.dig.load import load_magnetics_kg

        draws = found.grade.reach_draws
        per_load = load_magnetics_kg(draws, found.settings.shovel)
        mean_kg = self.stock.load_kg.copy()
        if self.reckoning is not None:
            # What is left of a dug reach is poorer than what is gone.
            dug = np.flatnonzero(self.depletion > 0.0)
            factor = self.stock.bed.of(dug).mean_load
            per_load[:, dug] *= factor[np.arange(len(draws)) % len(factor)]
            mean_kg[dug] *= factor.mean(axis=0)
        return per_load, mean_kg

    def notes(self, past: Past, reach: int, units: str) -> list[str]:
        """Say in plain words what floods, digs and looks did to a reach.

        Parameters
        ----------
        past : Past
            The past it rests on.
        reach : int
            Index of the reach.
        units : {"us", "metric"}
            What the reader is used to.

        Returns
        -------
        list of str
            Sentences, none where nothing happened.
        """
        import math

        from washgrade.units import show_depth, show_rain

        told = []
        digs = [k for k, part in enumerate(past.dug) if part.reach == reach]
        if digs:
            last = past.dug[digs[-1]].record.day
            gone = 1.0 - self.stock.loads_left[reach] / max(float(self.stock.loads_held[reach]), 1e-9)
            told.append(f"Dug last on {last}: about {_tens(gone)} of its loads are gone.")
        elif self.depletion[reach] >= TOLD_MISSING:
            told.append(
                "Reaches above it were dug, and floods have laid it with poorer sand since: about "
                f"{_tens(float(self.depletion[reach]))} of its magnetics are missing."
            )
        if past.more_held[reach] > 1.1:
            told.append("More was dug than was thought to be there, so it is taken to hold more.")
        if past.fresh_share is not None and past.fresh_share[reach] >= 0.25:
            laid = _tens(float(past.fresh_share[reach]))
            told.append(f"The storm of {past.events[-1].day} laid about {laid} of its bed anew.")
        if self.refill is not None and self.refill.rain_mm[reach] > 0.0:
            rain_mm = float(self.refill.rain_mm[reach])
            hours = f"{self.refill.duration_h:g} h"
            if math.isinf(rain_mm):
                told.append(
                    f"No single rain of {hours} up to {show_rain(300.0, units)} would refill it; several may."
                )
            else:
                told.append(f"About {show_rain(rain_mm, units)} of rain in {hours} would likely refill it.")
        deep = [
            look.record.depth_m
            for look in past.looks
            if look.reach == reach and (look.record.depth_m or 0.0) >= past.settings.bite_m
        ]
        if deep and deep[-1] is not None:
            told.append(f"A streak was seen buried {show_depth(deep[-1], units)} deep, below the bite.")
        return told


def _tens(share: float) -> str:
    """A share in steps of ten percent, for those who read it."""
    return f"{max(round(10 * share) * 10, 5 if share > 0.0 else 0)} %"


def streaks_seen(past: Past) -> StreakSeen:
    """What the looks tell of streaks within the bite.

    Parameters
    ----------
    past : Past
        The past.

    Returns
    -------
    StreakSeen
        Looks that say ``unchanged`` tell nothing; a bare bed where somebody had dug tells of the digging.
    """
    import numpy as np

    from washgrade.dig.stock import StreakSeen
    from washgrade.survey.heeded import carried

    reach, found, at = [], [], []
    for look in past.looks:
        seen = look.record.seen
        if seen == "unchanged":
            continue
        within = seen == "fresh streak" or (
            seen == "buried" and (look.record.depth_m or 0.0) < past.settings.bite_m
        )
        if not within and any(
            part.reach == look.reach and part.moment_days < look.moment_days for part in past.dug
        ):
            continue
        reach.append(look.reach)
        found.append(within)
        at.append((look.node, look.moment_days))
    node, moment_days = (
        np.array([one[0] for one in at], np.int64),
        np.array([one[1] for one in at], np.float64),
    )
    return StreakSeen(
        reach=np.array(reach, np.int64),
        found=np.array(found, np.bool_),
        kept=carried(past, node, moment_days),
    )


def remains(found: Estimate, width_m: NDArray[np.float64], *, refill: bool = True) -> Remains:
    """Reckon what is left of every reach.

    Parameters
    ----------
    found : Estimate
        The estimate.
    width_m : ndarray of float64, shape (reaches,)
        Widths of the beds.
    refill : bool, optional
        Whether it is wanted what would refill the dug reaches, which takes longer than the rest.

    Returns
    -------
    Remains
        Stock, ledger and what would refill.
    """
    import numpy as np

    from washgrade.dig.stock import reach_stock
    from washgrade.survey.refound import found_again

    chosen, past, draws = found.settings, found.past, found.grade.reach_draws
    given: dict[str, Any] = {
        "length_m": found.channels.reaches.length_m,
        "bed_width_m": width_m,
        "grade_draws": draws,
        "grade_mean": found.grade.reach_mean,
        "shovel": chosen.shovel,
        "streak": chosen.streak,
        "cutoff_grade": chosen.cutoff_grade,
        "seen": streaks_seen(past),
        "held_factor": past.more_held,
    }
    fresh = reach_stock(**given)
    count = len(found.channels.reaches)
    if not past.dug:
        return Remains(stock=fresh, reckoning=None, depletion=np.zeros(count), refill=None)
    reckoning = past.reckon(fresh.loads_held * fresh.load_kg, loads_held=fresh.loads_held)
    missing, bed = reckoning.depletion, reckoning.bed
    gone = found_again(found, missing, reaches=np.arange(count), moment_days=np.inf)
    if gone is not missing:
        bed = bed.holding(1.0 - gone, within_sd=chosen.within_sd)
    stock = reach_stock(**given, bed=bed)
    depletion = gone.mean(axis=0, dtype=np.float64)
    return Remains(
        stock=stock,
        reckoning=reckoning,
        depletion=depletion,
        refill=refill_of(found, depletion) if refill and (depletion > REFILLED_AT).any() else None,
    )


def refill_of(found: Estimate, depletion: NDArray[np.float64]) -> Refill:
    """Find the least flood that would likely refill each reach.

    Parameters
    ----------
    found : Estimate
        The estimate.
    depletion : ndarray of float64, shape (reaches,)
        Share of the magnetics that is gone.

    Returns
    -------
    Refill
        By reach; with severity and refill as learnt.
    """
    import numpy as np

    from washgrade.storm.flood import least_rain_mm
    from washgrade.storm.refill import refill_wanted
    from washgrade.storm.rework import least_discharge_m3_s
    from washgrade.survey.floods import ground_of

    past, chosen = found.past, found.settings
    ground = past.ground or ground_of(found.channels, found.layers.shape, chosen)
    wanted = refill_wanted(depletion, fresh=np.maximum(past.new_sand_share, 1e-9), refilled_at=REFILLED_AT)
    never = wanted >= 1.0
    rain_mm, flow_m3_s = np.where(never, np.inf, 0.0), np.where(never, np.inf, 0.0)
    dug = np.flatnonzero((wanted > 0.0) & ~never)
    node = past.middle[dug]
    scale = past.learnt.refill_scale(0.5)
    if len(dug):
        rain_mm[dug] = least_rain_mm(
            ground,
            wanted_share=wanted[dug],
            duration_h=chosen.typical_rain_h,
            bite_m=chosen.bite_m,
            severity_factor=past.learnt.severity(0.5),
            refill_scale=scale,
            only=node,
        )
        flow_m3_s[dug] = least_discharge_m3_s(
            wanted_share=wanted[dug],
            width_m=np.asarray(ground.width_m)[node],
            slope=np.asarray(ground.slope)[node],
            bed=ground.bed,
            bite_m=chosen.bite_m,
            refill_scale=scale,
        )
    return Refill(rain_mm=rain_mm, discharge_m3_s=flow_m3_s, duration_h=chosen.typical_rain_h)
