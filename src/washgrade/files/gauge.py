"""A rain gauge's file read as one storm: when it began, and what had fallen by when."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from washgrade.errors import FileFaults
from washgrade.files.cells import judged_values
from washgrade.files.column import Column, tidy
from washgrade.files.judging import read_moment
from washgrade.files.storm import course_text
from washgrade.files.tables import Table, read_table
from washgrade.units import LENGTH_MM, TIME_H

__all__ = ["FORMS", "GaugeStorm", "read_gauge"]

FORMS = ("increments", "total", "rate")
"""What a gauge's figures may be: fallen since the row before, fallen in all, or how hard it rains."""

# Rains that a dry spell of six hours parts are two storms: the least time between events that is mostly used
# for urban runoff; common practice, no source.
DRY_SPELL_H = 6.0
# A row that comes so many times later than the others do was written by a logger that is silent while dry.
_SILENT_STEPS = 4.0
# So many rows, each above the one before, are rather a running total than a rain that only grows harder.
_RISING_ROWS = 4

_STEMS = {
    "increments": ("rain", "rainfall", "precipitation", "precip", "depth", "increment"),
    "total": ("total", "total_rain", "cumulative", "cumulative_rain", "accumulated", "fallen"),
    "rate": ("rate", "rain", "rain_rate", "rainfall_rate", "intensity"),
}
_ELAPSED = {
    name: size
    for unit, size in {**TIME_H, "hours": 1.0, "minutes": 1.0 / 60.0}.items()
    for name in (unit, f"time_{unit}", f"elapsed_{unit}")
}
_MOMENT = ("time", "date", "datetime", "timestamp", "moment")


def _names() -> Iterator[tuple[str, tuple[Column, float]]]:
    for form, stems in _STEMS.items():
        column = Column(name=form, kind="number", at_least=0.0, at_most=100000.0, words="Rain.")
        for stem in stems:
            for unit, size in LENGTH_MM.items():
                yield f"{stem}_{unit}{'_h' if form == 'rate' else ''}", (column, size)


_KNOWN = dict(_names())


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStorm:
    """One storm that a gauge saw.

    Parameters
    ----------
    time : str
        Moment when it began; empty where the file counts hours only.
    gauge : str
        Its course, as `washgrade.files.storm.read_course` reads it.
    rain_mm : float
        What fell, millimetres.
    duration_h : float
        How long it lasted, hours.
    """

    time: str
    gauge: str
    rain_mm: float
    duration_h: float


def read_gauge(path: Path | str, *, form: str | None = None, day: date | None = None) -> GaugeStorm:
    """Read the one storm that a gauge's file holds, or that of a day.

    Parameters
    ----------
    path : Path or str
        CSV with a moment (``time``, or ``date`` and ``time``) or hours or minutes since the start, and the
        rain: ``rain_mm`` since the row before, ``total_mm`` in all, or ``rate_mm_h`` since the row before;
        also in centimetres and inches.
    form : {"increments", "total", "rate"}, optional
        What the figures are, where the name of their column does not tell.
    day : date, optional
        Take the storm that it rained on this day.

    Returns
    -------
    GaugeStorm
        When it began and its course.

    Raises
    ------
    FileFaults
        With every fault of the file; or if it holds no rain, or several storms and no day was named.
    RecordError
        If the file is missing or cannot be read at all.

    Notes
    -----
    A total counts from its first row, as a counter that is never set back does. Where increments begin with
    rain, the first of them is taken to have fallen in as long a step as the next. After a gap of six hours
    and four usual steps a logger was silent because it was dry: the rain is taken to have fallen in one usual
    step. Six dry hours part two storms.
    """
    table = _plain_names(read_table(Path(path)))
    faults = list(table.faults)
    names, told = _value_names(table, form)
    faults += told
    if faults:
        raise FileFaults(faults)
    numbers, hours, amounts, start, wrong = _rows(table, names[0])
    if wrong:
        raise FileFaults(wrong)
    chosen = form or _KNOWN[names[0]][0].name
    if form is None and chosen == "increments" and _looks_like_a_total(amounts):
        raise FileFaults(
            [
                f"{table.name}: The column '{names[0]}' rises from row to row, as a running total does. Say "
                "which it is: --gauge-form total, or --gauge-form increments."
            ]
        )
    ends, lengths, fell, wrong = _steps(table, numbers, hours, amounts, chosen)
    if wrong:
        raise FileFaults(wrong)
    storms = list(_storms(ends, lengths, fell, start))
    return _choose(table, storms, day)


def _plain_names(table: Table) -> Table:
    # Loggers write "Rain (mm)" and "Rate [mm/h]".
    def plain(name: str) -> str:
        return tidy(re.sub(r"[()\[\]]", " ", name).replace("/", "_"))

    return replace(
        table,
        columns=tuple(plain(name) for name in table.columns),
        rows=tuple(
            (number, {plain(name): cell for name, cell in cells.items()}) for number, cells in table.rows
        ),
    )


def _value_names(table: Table, form: str | None) -> tuple[list[str], list[str]]:
    found = [name for name in table.columns if name in _KNOWN]
    if form is not None and len(found) > 1:
        found = [name for name in found if _KNOWN[name][0].name == form]
    if form == "rate" and found and not found[0].endswith("_h"):
        return [], [
            f"{table.name}: The column '{found[0]}' is no rate. It must end in _mm_h, _cm_h or _in_h."
        ]
    if form in {"increments", "total"} and found and found[0].endswith("_h"):
        return [], [f"{table.name}: The column '{found[0]}' is a rate. Leave --gauge-form out."]
    faults = []
    if not table.faults and not found:
        faults.append(
            f"{table.name}: There is no column for the rain. It must have rain_mm (since the row before), "
            "total_mm (in all) or rate_mm_h, in mm, cm or in."
        )
    if len(found) > 1:
        faults.append(
            f"{table.name}: There are several columns of rain ({', '.join(found)}). Take out all but one, or "
            "say which with --gauge-form."
        )
    if not table.faults and not any(name in _ELAPSED or name in _MOMENT for name in table.columns):
        faults.append(
            f"{table.name}: There is no column for the time. It must have time, such as 2025-03-04T10:20, or "
            "minutes or hours since the start."
        )
    return found, faults


def _rows(table: Table, name: str) -> tuple[list[int], list[float], list[float], datetime | None, list[str]]:
    # Number, hours since the first and figure of each reading, and the moment of the first.
    numbers: list[int] = []
    hours: list[float] = []
    amounts: list[float] = []
    faults: list[str] = []
    start: datetime | None = None
    for number, cells in table.rows:
        where = table.where(number)
        values, wrong = judged_values({name: cells[name]} if name in cells else {}, _KNOWN)
        faults += [f"{where}: {fault}" for fault in wrong]
        when, sentence = _when(cells)
        if sentence:
            faults.append(f"{where}: {sentence}")
        # A row of a logger without a figure says nothing of the rain.
        if wrong or when is None or name not in cells:
            continue
        if isinstance(when, datetime):
            start = start or when
            if (when.tzinfo is None) != (start.tzinfo is None):
                faults.append(
                    f"{where}: Some moments have a time zone and some have none. All must have one."
                )
                continue
            elapsed_h = (when - start).total_seconds() / 3600.0
        else:
            elapsed_h = when
        if hours and elapsed_h <= hours[-1]:
            faults.append(f"{where}: The time does not rise above that of the row before. It must.")
            continue
        numbers.append(number)
        hours.append(elapsed_h)
        amounts.append(next(iter(values.values())))
    if not faults and len(hours) < 2:
        faults.append(f"{table.name}: There are {len(hours)} readings. There must be two or more.")
    return numbers, hours, amounts, start, faults


def _when(cells: Mapping[str, Any]) -> tuple[datetime | float | None, str]:
    for name, size in _ELAPSED.items():
        if name in cells:
            try:
                value = float(cells[name]) * size
            except (TypeError, ValueError):
                value = math.nan
            if math.isfinite(value):
                return value, ""
            return None, f"Invalid '{name}' of {cells[name]!r}. It must be a finite number."
    parts = [str(cells[name]).strip() for name in ("date", "time") if name in cells]
    text = "T".join(parts) if len(parts) == 2 else next((str(cells[n]) for n in _MOMENT if n in cells), "")
    moment = read_moment(text)
    if moment is None:
        return None, f"Invalid time of {text!r}. It must be a moment such as 2025-03-04T10:20."
    return moment, ""


def _looks_like_a_total(amounts: Sequence[float]) -> bool:
    return (
        len(amounts) >= _RISING_ROWS
        and all(a <= b for a, b in pairwise(amounts))
        and (sum(a < b for a, b in pairwise(amounts)) >= _RISING_ROWS - 1)
    )


def _steps(
    table: Table, numbers: list[int], hours: list[float], amounts: list[float], form: str
) -> tuple[list[float], list[float], list[float], list[str]]:
    # For each step its end and length in hours, and what fell in it.
    gaps = [b - a for a, b in pairwise(hours)]
    usual = median(gaps)
    lengths = [usual if gap >= DRY_SPELL_H and gap >= _SILENT_STEPS * usual else gap for gap in gaps]
    ends = hours[1:]
    if form == "total":
        fell = [b - a for a, b in pairwise(amounts)]
        faults = [
            f"{table.where(numbers[k + 1])}: The total of {amounts[k + 1]:g} mm is below that of the row "
            "before. A total must never fall; is it what fell since the row before?"
            for k, amount in enumerate(fell)
            if amount < 0.0
        ]
        return ends, lengths, fell, faults
    ends, lengths = hours, [gaps[0], *lengths]
    fell = [a * length for a, length in zip(amounts, lengths, strict=True)] if form == "rate" else amounts
    return ends, lengths, fell, []


def _storms(
    ends: Sequence[float], lengths: Sequence[float], fell: Sequence[float], start: datetime | None
) -> Iterator[GaugeStorm]:
    wet = [k for k, amount in enumerate(fell) if amount > 0.0]
    groups: list[list[int]] = []
    for k in wet:
        if groups and ends[k] - lengths[k] - ends[groups[-1][-1]] < DRY_SPELL_H:
            groups[-1].append(k)
        else:
            groups.append([k])
    for group in groups:
        began_h = ends[group[0]] - lengths[group[0]]
        times, depths = [0.0], [0.0]
        for k in group:
            # A dry step between two wet ones: nothing more has fallen when the next begins.
            if ends[k] - lengths[k] - began_h > times[-1] + 1e-9:
                times.append(ends[k] - lengths[k] - began_h)
                depths.append(depths[-1])
            times.append(ends[k] - began_h)
            depths.append(depths[-1] + fell[k])
        times, depths = _thinned(times, depths)
        when = "" if start is None else (start + timedelta(hours=began_h)).isoformat(timespec="seconds")
        yield GaugeStorm(
            time=when,
            gauge=course_text(times, depths),
            rain_mm=round(depths[-1], 3),
            duration_h=round(times[-1], 5),
        )


def _thinned(times: list[float], depths: list[float]) -> tuple[list[float], list[float]]:
    # A reading between two steps of one rate says nothing new.
    rates = [(d - c) / (b - a) for (a, b), (c, d) in zip(pairwise(times), pairwise(depths), strict=True)]
    kept = [0, *(k for k in range(1, len(times) - 1) if not math.isclose(rates[k - 1], rates[k])), len(rates)]
    return [times[k] for k in kept], [depths[k] for k in kept]


def _choose(table: Table, storms: list[GaugeStorm], day: date | None) -> GaugeStorm:
    if not storms:
        raise FileFaults([f"{table.name}: It did not rain. The file must hold rain."])
    fitting = storms
    if day is not None and storms[0].time:
        fitting = [
            storm
            for storm in storms
            if (began := datetime.fromisoformat(storm.time)).date()
            <= day
            <= (began + timedelta(hours=storm.duration_h)).date()
        ]
    if len(fitting) == 1:
        return fitting[0]
    listed = "; ".join(
        f"{storm.time or 'one'}: {storm.rain_mm:g} mm in {storm.duration_h:.3g} h"
        for storm in (fitting or storms)[:8]
    )
    if not fitting:
        raise FileFaults([f"{table.name}: It did not rain on {day}. The file holds: {listed}."])
    raise FileFaults(
        [
            f"{table.name}: There are {len(fitting)} storms, with six dry hours or more between them "
            f"({listed}). Choose one by --date, or leave only one in the file."
        ]
    )
