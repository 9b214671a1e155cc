"""The forms for writing on the phone: which columns of the data dictionary they ask for, in which words.

The limits, the units and the choices of a field are those of the dictionary of the records, which the caller
hands over, and their names are those of all forms (`washgrade.page.asked`); here stand only the order and the
words below a field.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from washgrade.page.asked import ASKED_IN, LABELS, UNIT_WORDS

__all__ = [
    "LAYOUT",
    "LEFT_OUT",
    "Entering",
    "EntryField",
    "EntryForm",
    "EntryUnit",
    "Line",
    "entry_forms",
]


class _Column(Protocol):
    """A column of the data dictionary, as far as a form needs it."""

    @property
    def name(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def names(self) -> Mapping[str, float]: ...
    @property
    def at_least(self) -> float | None: ...
    @property
    def at_most(self) -> float | None: ...
    @property
    def above(self) -> float | None: ...
    @property
    def choices(self) -> tuple[str, ...]: ...


class _Kind(Protocol):
    """A kind of record, as far as a form needs it."""

    @property
    def one(self) -> str: ...
    @property
    def columns(self) -> Sequence[_Column]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a form.

    Parameters
    ----------
    column : str
        Name in the data dictionary.
    help : str
        A few words below it.
    more : bool
        Whether it waits behind "More".
    """

    column: str
    help: str = ""
    more: bool = False


_TAIL = (Line(column="place"), Line(column="note"))

LAYOUT: Mapping[str, tuple[Line, ...]] = MappingProxyType(
    {
        "samples": (
            Line(column="magnetic_mass_kg", help="What the magnet took out."),
            Line(column="dry_mass_kg", help="All that went over the magnet, magnetics included."),
            Line(column="trace"),
            Line(column="depth_top_m", help="Below the bed."),
            Line(column="depth_bottom_m", help="Below the bed."),
            *_TAIL,
            Line(column="volume_litres", help="Loose and dry, where there is no balance.", more=True),
            Line(column="wet_mass_kg", more=True),
            Line(column="moisture", help="Water per wet mass.", more=True),
            Line(column="grade", help="Only where no masses are known.", more=True),
            Line(column="below", help="Of a trace: the grade that the eye would have seen.", more=True),
        ),
        "digs": (
            Line(column="loads"),
            Line(column="buckets"),
            Line(column="bite_m"),
            Line(column="product_mass_kg", help="Clean product, if you know it yet."),
            *_TAIL,
            Line(column="bucket_litres", help="Five US gallons unless told.", more=True),
            Line(column="volume_litres", help="Loose, where it was measured.", more=True),
            Line(column="purity", more=True),
        ),
        "looks": (
            Line(column="seen"),
            Line(column="depth_m", help="From the bed to its top."),
            *_TAIL,
        ),
        "storms": (
            Line(column="rain_mm"),
            Line(column="duration_h"),
            Line(column="mark_depth_m", help="Foam line, drift wood, flattened grass; needs the place."),
            Line(column="mark_width_m"),
            Line(column="no_flow"),
            *_TAIL,
            Line(column="rain_source", help="Own gauge, neighbour, weather service.", more=True),
        ),
    }
)
"""Lines of the form of each kind, from the top down; day and place stand above them in every form."""

LEFT_OUT: Mapping[str, str] = MappingProxyType(
    {
        "id": "made by the page",
        "time": "the day and the hour of every form",
        "lon": "the place of every form",
        "lat": "the place of every form",
        "accuracy_m": "the place of every form",
        "reach": "the place of every form but that of a sample",
        "end": "the duration tells it",
        "gauge": "a gauge has a file of its own",
        "end_lon": "the other end of a stretch, under More",
        "end_lat": "the other end of a stretch, under More",
    }
)
"""Columns of a record's content that have no line in the layout, and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryUnit:
    """A unit that a field may be filled in.

    Parameters
    ----------
    column : str
        Name of the column in that unit.
    word : str
        What people read.
    factor : float
        What a value is multiplied by to be in the dictionary's own unit.
    """

    column: str
    word: str
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryField:
    """One field of a form, ready to be drawn.

    Parameters
    ----------
    name : str
        Name in the data dictionary.
    kind : {"number", "text", "flag", "word"}
        What it holds.
    label, help : str
        What people read.
    units : tuple of EntryUnit
        Of a number; the first is the one of the dictionary.
    us, metric : str
        Column of the unit that the form begins with.
    at_least, at_most, above : float or None
        Limits, in the dictionary's own unit.
    choices : tuple of str
        Of a word.
    more : bool
        Whether it waits behind "More".
    """

    name: str
    kind: str
    label: str
    help: str = ""
    units: tuple[EntryUnit, ...] = ()
    us: str = ""
    metric: str = ""
    at_least: float | None = None
    at_most: float | None = None
    above: float | None = None
    choices: tuple[str, ...] = ()
    more: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryForm:
    """The form of one kind of record.

    Parameters
    ----------
    kind : str
        Name of the kind in the data dictionary.
    one : str
        What one record is called.
    fields : tuple of EntryField
        From the top down.
    by_reach : bool
        Whether the name of a reach may stand for the place.
    stretch : bool
        Whether it may have another end.
    """

    kind: str
    one: str
    fields: tuple[EntryField, ...]
    by_reach: bool = False
    stretch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Entering:
    """All that the page needs for writing down.

    Parameters
    ----------
    forms : tuple of EntryForm
        One for each kind of record.
    snap_max_m : float
        How far from a wash a place may lie and still count, metres.
    accuracy_most_m : float
        Worst accuracy that a record may have, metres.
    purest_kg_m3 : float
        Mass of a cubic metre of the densest black sand, above which mass and volume do not go together.
    known_ids : tuple of str
        Records written in a browser that the notebook has already.
    """

    forms: tuple[EntryForm, ...]
    snap_max_m: float
    accuracy_most_m: float
    purest_kg_m3: float
    known_ids: tuple[str, ...] = ()


def entry_forms(kinds: Mapping[str, _Kind]) -> tuple[EntryForm, ...]:
    """Draw the forms up from the data dictionary.

    Parameters
    ----------
    kinds : mapping of str to kind
        The dictionary: columns by the kind of record.

    Returns
    -------
    tuple of EntryForm
        In the order of `LAYOUT`.
    """
    forms = []
    for kind, lines in LAYOUT.items():
        columns = {column.name: column for column in kinds[kind].columns}
        fields = tuple(_field(columns[line.column], line) for line in lines)
        forms.append(
            EntryForm(
                kind=kind,
                one=kinds[kind].one,
                fields=fields,
                by_reach="reach" in columns,
                stretch="end_lon" in columns,
            )
        )
    return tuple(forms)


def _field(column: _Column, line: Line) -> EntryField:
    """One field: the dictionary's limits and units, the layout's words."""
    units: tuple[EntryUnit, ...] = ()
    if column.kind == "number":
        # A share is only asked for in percent: 0.3 and 0.3 % are too easily mixed up.
        share = {name for name in column.names if name.endswith("_percent")}
        names = [name for name in column.names if not share or name in share]
        units = tuple(
            EntryUnit(column=name, word=_unit_word(name, len(column.names)), factor=column.names[name])
            for name in names
        )
    us, metric = (_first(column, unit) for unit in ASKED_IN.get(column.name, ("percent", "percent")))
    return EntryField(
        name=column.name,
        kind=column.kind,
        label=LABELS[column.name],
        help=line.help,
        units=units,
        us=us,
        metric=metric,
        at_least=column.at_least,
        at_most=column.at_most,
        above=column.above,
        choices=column.choices,
        more=line.more,
    )


def _unit_word(name: str, count: int) -> str:
    """What people read for the unit of a column; nothing for a bare number."""
    unit = name.rpartition("_")[2]
    return UNIT_WORDS.get(unit, unit) if count > 1 else ""


def _first(column: _Column, unit: str) -> str:
    """Name of a column in the unit that is asked first; its own where it has but one."""
    return next((name for name in column.names if name.endswith(f"_{unit}")), column.name)
