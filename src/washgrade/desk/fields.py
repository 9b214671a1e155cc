"""Forms drawn from the same tables as files and settings: their fields, what was typed, and its faults."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from typing import Any

from washgrade.checks import choice
from washgrade.desk.words import GROUPS, in_words
from washgrade.errors import InputError
from washgrade.files.columns import KINDS, Column, known_names
from washgrade.files.settings import Settings
from washgrade.page.asked import ASKED_IN, LABELS, UNIT_WORDS

__all__ = [
    "Field",
    "Group",
    "changed_settings",
    "record_cells",
    "record_form",
    "record_values",
    "settings_form",
    "with_faults",
]

UNIT_OF = "unit_of_"
CLOCK_OF = "clock_of_"
"""Beginnings of the names of the inputs beside a field: its unit, and the time of day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of a form.

    Parameters
    ----------
    name : str
        Name of its input.
    kind : {"number", "text", "long", "day", "moment", "flag", "choice"}
        What it takes.
    label, hint : str
        What it is called, and what it means.
    value, unit, clock : str
        What stands in it, in which unit, and the time of day.
    units : tuple of (str, str)
        Units on offer: the suffix, and the word.
    choices : tuple of (str, str)
        Choices on offer: the value, and the word.
    faults : tuple of str
        What is wrong with it.
    """

    name: str
    kind: str
    label: str
    hint: str = ""
    value: str = ""
    unit: str = ""
    clock: str = ""
    units: tuple[tuple[str, str], ...] = ()
    choices: tuple[tuple[str, str], ...] = ()
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Fields that belong together.

    Parameters
    ----------
    heading : str
        What they are about.
    folded : bool
        Whether they are folded away at first.
    fields : tuple of Field
        The fields.
    """

    heading: str
    folded: bool
    fields: tuple[Field, ...]


def record_form(kind: str, units: str, typed: Mapping[str, str] | None = None) -> tuple[Group, ...]:
    """Lay out the form of a kind of record.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    units : {"us", "metric"}
        Which units are offered first.
    typed : mapping of str to str, optional
        What was typed, by the names of the inputs.

    Returns
    -------
    tuple of Group
        Its groups; one in which something was typed is not folded.

    Examples
    --------
    >>> form = record_form("looks", "us")
    >>> [field.label for field in form[-2].fields], form[-2].fields[1].unit
    (['What was seen', 'Depth of the buried streak'], 'in')
    """
    columns = {column.name: column for column in KINDS[kind].columns}
    groups = []
    for heading, folded, names in GROUPS[kind]:
        made = tuple(_field(columns[name], units, typed) for name in names)
        filled = any(one.value for one in made)
        groups.append(Group(heading=heading, folded=folded and not filled, fields=made))
    return tuple(groups)


def _field(column: Column, units: str, typed: Mapping[str, str] | None) -> Field:
    given = typed or {}
    value = given.get(column.name, "")
    label, hint = LABELS[column.name], column.words
    if column.kind == "flag":
        return Field(name=column.name, kind="flag", label=label, hint=hint, value=value)
    if column.kind == "word":
        choices = (("", "choose"), *((word, word) for word in column.choices))
        return Field(name=column.name, kind="choice", label=label, value=value, choices=choices)
    if column.kind == "time":
        if column.name == "time":
            return Field(
                name="time",
                kind="day",
                label=label,
                hint="The time of day may be left out.",
                value=value if typed is not None else date.today().isoformat(),
                clock=given.get(CLOCK_OF + "time", ""),
            )
        return Field(
            name=column.name,
            kind="moment",
            label=label,
            hint=hint,
            value=value,
            clock=given.get(CLOCK_OF + column.name, ""),
        )
    if column.kind != "number":
        long = "long" if column.name == "note" else "text"
        return Field(name=column.name, kind=long, label=label, hint=hint, value=value)
    offered = _units(column)
    first = ASKED_IN.get(column.name, ("", ""))[units != "us"] or (offered[0][0] if offered else "")
    return Field(
        name=column.name,
        kind="number",
        label=label,
        hint=_short(column.words),
        value=value,
        unit=given.get(UNIT_OF + column.name) or first,
        units=offered,
    )


def _units(column: Column) -> tuple[tuple[str, str], ...]:
    if f"{column.name}_percent" in column.names:
        return (("percent", "%"),)
    stem, _, own = column.name.rpartition("_")
    found = [name.removeprefix(f"{stem}_") for name in column.names if name.startswith(f"{stem}_")]
    if column.name in ASKED_IN:
        return tuple((unit, UNIT_WORDS.get(unit, unit)) for unit in found)
    return ((own, own),) if own == "m" else ()


def _short(words: str) -> str:
    # The unit is chosen beside the field, so the dictionary's own is left out.
    text = re.sub(r", (?:metres|kilograms|litres|millimetres|hours)(?=[.;,])", "", words)
    return text.replace(", 0 to 1", "")


def record_cells(kind: str, typed: Mapping[str, str]) -> dict[str, object]:
    """Turn what was typed into cells as a file of records has them.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    typed : mapping of str to str
        By the names of the inputs.

    Returns
    -------
    dict of str to str
        By names that carry the unit chosen; what was left empty is left out.

    Examples
    --------
    >>> record_cells("samples", {"time": "2026-03-01", "dry_mass_kg": "2", "unit_of_dry_mass_kg": "lb",
    ...     "grade": "12", "unit_of_grade": "percent", "trace": ""})
    {'time': '2026-03-01', 'dry_mass_lb': '2', 'grade_percent': '12'}
    """
    cells: dict[str, object] = {}
    for column in KINDS[kind].columns:
        value = typed.get(column.name, "").strip()
        if not value:
            continue
        if column.kind == "time":
            clock = typed.get(CLOCK_OF + column.name, "").strip()
            cells[column.name] = f"{value}T{clock}" if clock else value
            continue
        unit = typed.get(UNIT_OF + column.name, "")
        name = column.name
        if unit == "percent":
            name = f"{name}_percent"
        elif unit:
            name = f"{name.rpartition('_')[0]}_{unit}"
        cells[name if name in column.names else column.name] = value
    return cells


def record_values(kind: str, units: str, row: Mapping[str, Any]) -> dict[str, str]:
    """Turn a record back into what one would type, to enter it again with a change.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    units : {"us", "metric"}
        Which units are offered first.
    row : mapping
        A row of `washgrade.files.record.record_rows`.

    Returns
    -------
    dict of str to str
        By the names of the inputs.
    """
    typed: dict[str, str] = {}
    for group in record_form(kind, units):
        for field in group.fields:
            value = row.get(field.name)
            if value is None or value == "":
                continue
            if field.kind in {"day", "moment"}:
                day, _, clock = str(value).partition("T")
                typed |= {field.name: day, CLOCK_OF + field.name: clock[:5]}
            elif field.kind == "number" and field.units:
                column = next(one for one in KINDS[kind].columns if one.name == field.name)
                unit = field.unit
                name = f"{field.name}_percent" if unit == "percent" else f"{_stem(field.name)}_{unit}"
                typed |= {
                    field.name: f"{float(value) / column.names.get(name, 1.0):.7g}",
                    UNIT_OF + field.name: unit,
                }
            else:
                typed[field.name] = f"{value:.9g}" if isinstance(value, float) else str(value)
    # The place of a record that names a reach alone is the reach's.
    if row.get("by_reach"):
        for name in ("lon", "lat"):
            typed.pop(name, None)
    for name in ("easting_m", "northing_m", "end_easting_m", "end_northing_m"):
        typed.pop(name, None)
    return typed


def _stem(name: str) -> str:
    return name.rpartition("_")[0]


def with_faults(
    kind: str, groups: Sequence[Group], faults: Iterable[str]
) -> tuple[tuple[Group, ...], tuple[str, ...]]:
    """Put each fault beside the field that it is about.

    Parameters
    ----------
    kind : str
        The kind of record.
    groups : sequence of Group
        Its form.
    faults : iterable of str
        Sentences of the library.

    Returns
    -------
    groups : tuple of Group
        The form with its faults; a group that has one is not folded.
    rest : tuple of str
        Faults that belong to no one field.
    """
    known = known_names(KINDS[kind].columns)
    asked = {field.name for group in groups for field in group.fields}
    placed: dict[str, list[str]] = {}
    rest: list[str] = []
    for fault in faults:
        about = _about(fault, known, asked)
        (placed.setdefault(about, []) if about else rest).append(in_words(kind, fault))
    told = []
    for group in groups:
        made = tuple(replace(field, faults=tuple(placed.get(field.name, ()))) for field in group.fields)
        wrong = any(field.faults for field in made)
        told.append(replace(group, fields=made, folded=group.folded and not wrong))
    return tuple(told), tuple(rest)


def _about(fault: str, known: Mapping[str, tuple[Column, float]], asked: set[str]) -> str:
    # Names in quotation marks come first, then whole words; a missing or wrong place is its latitude's.
    if re.match(r"There is no (?:place|other end)\b|The (?:place|other end) (?:at|by) ", fault):
        return "end_lat" if "other end" in fault and "end_lat" in asked else "lat"
    words = [*re.findall(r"'([a-z][a-z0-9_]*)'", fault), *re.findall(r"\b[a-z][a-z0-9_]*\b", fault)]
    for word in words:
        if word in known and known[word][0].name in asked:
            return known[word][0].name
    if re.search(r"\breach\b", fault) and "reach" in asked:
        return "reach"
    return ""


def settings_form(chosen: Settings, typed: Mapping[str, str] | None = None) -> tuple[Field, ...]:
    """Lay out the form of the settings.

    Parameters
    ----------
    chosen : Settings
        As they stand.
    typed : mapping of str to str, optional
        What was typed instead.

    Returns
    -------
    tuple of Field
        One for each setting, with its words and its default.
    """
    made = []
    for entry in fields(Settings):
        stands = getattr(chosen, entry.name)
        value = (typed or {}).get(entry.name, f"{stands:.9g}" if isinstance(stands, float) else str(stands))
        allowed = entry.metadata["limits"].get("allowed", ())
        stem, _, unit = entry.name.rpartition("_")
        unit = UNIT_WORDS.get(unit, unit) if unit in _SETTING_UNITS else ""
        words = (stem if unit else entry.name).replace("_", " ")
        made.append(
            Field(
                name=entry.name,
                kind="choice" if entry.metadata["check"] is choice else "number",
                label=f"{words[0].upper()}{words[1:]}",
                hint=f"{entry.metadata['words']} Default {entry.default}.",
                value=value,
                units=((unit, unit),) if unit else (),
                choices=tuple((word, word) for word in allowed),
            )
        )
    return tuple(made)


_SETTING_UNITS = {"litres", "m", "m2", "kg", "mm", "kg_m3"}


def changed_settings(typed: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, tuple[str, ...]]]:
    """Judge what was typed as settings.

    Parameters
    ----------
    typed : mapping of str to str
        By the names of the settings.

    Returns
    -------
    values : dict
        Those that are right.
    faults : dict of str to tuple of str
        What is wrong, by the name of the setting.
    """
    values: dict[str, Any] = {}
    faults: dict[str, tuple[str, ...]] = {}
    for entry in fields(Settings):
        if entry.name not in typed:
            continue
        text = typed[entry.name].strip()
        value: object = text
        if entry.metadata["check"] is not choice:
            try:
                value = float(text)
            except ValueError:
                value = text
        try:
            values[entry.name] = entry.metadata["check"](entry.name, value, **entry.metadata["limits"])
        except InputError as error:
            faults[entry.name] = (str(error),)
    if not faults:
        try:
            Settings(**values)
        except InputError as error:
            faults["heavy_density_kg_m3"] = (str(error),)
    return values, faults
