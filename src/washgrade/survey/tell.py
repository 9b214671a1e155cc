"""What a record says, in a few plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from washgrade.files.dig import Dig
    from washgrade.files.look import Look
    from washgrade.files.record import Record
    from washgrade.files.sample import Sample
    from washgrade.files.storm import Storm

__all__ = ["tell_record"]


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
    words = "a trace" if grade is None else f"grade {show_grade(grade)}"
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
