"""What a record says, and what became of one that was entered, in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from washgrade.files.dig import Dig
    from washgrade.files.look import Look
    from washgrade.files.record import Record
    from washgrade.files.sample import Sample
    from washgrade.files.storm import Storm

__all__ = ["Entered", "tell_record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """One record that was entered.

    Parameters
    ----------
    record : Record
        The record.
    new : bool
        False where the notebook held it already.
    offset_m : float
        How far it lies from the nearest channel, metres; NaN where it has no place.
    reach_id : str
        The reach it was laid on; empty where it lies too far off, or has no place.
    end_reach_id : str
        Of a stretch, the reach of its other end.
    units : {"us", "metric"}
        Units of the sentence.
    porosity : float
        Share of loose sand that is air, for the grade of a sample that was measured in litres.
    """

    record: Record
    new: bool
    offset_m: float
    reach_id: str
    end_reach_id: str
    units: str
    porosity: float

    @property
    def sentence(self) -> str:
        """What happened, in plain words."""
        if not self.new:
            return (
                f"The notebook has this record already, as {self.record.id}. A second one that says the same "
                "needs a time or an id of its own."
            )
        told = tell_record(self.record, self.units, porosity=self.porosity)
        return f"Entered {self.record.id}: {told}, {self._where}."

    @property
    def _where(self) -> str:
        from washgrade.units import show_length

        if self.record.lon is None:
            return "over the whole ground"
        away = show_length(self.offset_m, self.units)
        if not self.reach_id:
            off = f"{away} from the nearest channel"
            if self._is_gauge:
                return off
            return f"but {off}: too far to count until the ground, its place or 'snap_max_m' is mended"
        if getattr(self.record, "by_reach", False):
            return f"on reach {self.reach_id}, written down with the place of its middle"
        if self.end_reach_id and self.end_reach_id != self.reach_id:
            return f"from reach {self.reach_id} to reach {self.end_reach_id}"
        return f"on reach {self.reach_id}, {away} from the middle of its channel"

    @property
    def _is_gauge(self) -> bool:
        from washgrade.files.storm import Storm

        storm = self.record
        if not isinstance(storm, Storm) or storm.no_flow:
            return False
        return storm.mark_depth_m is None and storm.mark_width_m is None


def tell_record(record: Record, units: str, *, porosity: float = 0.40) -> str:
    """Say what a record says, without its place and day.

    Parameters
    ----------
    record : Record
        A record of any kind.
    units : {"us", "metric"}
        What the reader is used to.
    porosity : float, default 0.40
        Share of loose sand that is air, for a sample that was measured in litres.

    Returns
    -------
    str
        A few words, such as ``30 mm of rain in 40 min``.

    Raises
    ------
    TypeError
        If there are no words for its class.

    Examples
    --------
    >>> from washgrade.files.storm import Storm
    >>> tell_record(Storm(id="A", time="2026-03-01", rain_mm=30.48, duration_h=2 / 3), "us")
    '1.2 in of rain in 40 min'
    """
    from washgrade.files.dig import Dig
    from washgrade.files.look import Look
    from washgrade.files.sample import Sample
    from washgrade.files.storm import Storm

    if isinstance(record, Sample):
        return _sample(record, units, porosity)
    if isinstance(record, Storm):
        return _storm(record, units)
    if isinstance(record, Dig):
        return _dig(record, units)
    if isinstance(record, Look):
        return _look(record, units)
    raise TypeError(f"no words for {type(record).__name__}")


def _sample(sample: Sample, units: str, porosity: float) -> str:
    from washgrade.files.sample import grade_and_mass
    from washgrade.units import show_depth, show_grade, show_mass, show_volume

    grade, _mass_kg = grade_and_mass(sample, porosity=porosity)
    words = "a trace" if not grade else f"grade {show_grade(grade)}"
    if sample.below is not None:
        words += f", below {show_grade(sample.below)}"
    if sample.dry_mass_kg is not None:
        words += f" of {show_mass(sample.dry_mass_kg, units)} dry sand"
    elif sample.volume_litres is not None:
        words += f" of {show_volume(sample.volume_litres / 1000, units)} dry sand"
    if sample.depth_bottom_m is not None:
        top = show_depth(sample.depth_top_m or 0.0, units)
        words += f", {top} to {show_depth(sample.depth_bottom_m, units)} deep"
    return words


def _storm(storm: Storm, units: str) -> str:
    from washgrade.units import show_depth, show_length

    told = []
    if storm.rain_mm is not None:
        rain = f"{storm.rain_mm:.3g} mm" if units == "metric" else f"{storm.rain_mm / 25.4:.2g} in"
        told.append(f"{rain} of rain" + (f" in {_time(storm.duration_h)}" if storm.duration_h else ""))
    mark = []
    if storm.mark_depth_m is not None:
        mark.append(f"{show_depth(storm.mark_depth_m, units)} deep")
    if storm.mark_width_m is not None:
        mark.append(f"{show_length(storm.mark_width_m, units)} wide")
    if mark:
        told.append(f"a flood mark {' and '.join(mark)}")
    if storm.no_flow:
        told.append("no flow")
    return " and ".join(told)


def _dig(dig: Dig, units: str) -> str:
    from washgrade.units import show_depth, show_grade, show_mass, show_volume

    told = []
    if dig.loads is not None:
        told.append(f"{dig.loads:g} load{'s' if dig.loads != 1 else ''}")
    if dig.buckets is not None:
        told.append(f"{dig.buckets:g} bucket{'s' if dig.buckets != 1 else ''}")
    if dig.dug_litres is not None:
        volume = show_volume(dig.dug_litres / 1000, units)
        told.append(f"{volume} of sand")
    if dig.bite_m is not None:
        told.append(f"dug {show_depth(dig.bite_m, units)} deep")
    if dig.product_mass_kg is not None:
        purity = f" of {show_grade(dig.purity)} magnetics" if dig.purity is not None else ""
        told.append(f"{show_mass(dig.product_mass_kg, units)} of product{purity}")
    return ", ".join(told)


def _look(look: Look, units: str) -> str:
    from washgrade.units import show_depth

    if look.depth_m is None:
        return look.seen
    return f"a streak {look.seen} {show_depth(look.depth_m, units)} deep"


def _time(hours: float) -> str:
    # Minutes up to two hours, as people say it.
    return f"{hours * 60:.3g} min" if hours < 2.0 else f"{hours:.3g} h"
