"""The data dictionary: every column of every kind of record, in one table.

The notebook's tables, the reading of files and their export are all drawn from here. A column whose name
ends in a unit of length or mass may be brought in any unit of that family (``dry_mass_lb`` for
``dry_mass_kg``), a share also in percent (``grade_percent``). A new kind of record is one more entry in
`KINDS`.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from washgrade.units import LENGTH_M, MASS_KG

__all__ = ["KINDS", "SAMPLE_COLUMNS", "Column", "Kind", "column_help", "known_names", "nearest", "tidy"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a kind of record.

    Parameters
    ----------
    name : str
        Name with the unit suffix, SI.
    kind : {"number", "text", "time", "flag", "id"}
        What its cells hold.
    words : str
        What it means, in plain words.
    at_least, at_most, above : float, optional
        Limits, in the unit of the name.
    hint : str
        A sentence added to what is said about a value outside the limits.
    also : tuple of str
        Other names in the same unit.
    content : bool
        Whether it is part of what the record says; the others tell how the record came about.
    required : bool
        Whether the notebook's table insists on it.
    """

    name: str
    kind: str
    words: str
    at_least: float | None = None
    at_most: float | None = None
    above: float | None = None
    hint: str = ""
    also: tuple[str, ...] = ()
    content: bool = True
    required: bool = False

    @property
    def names(self) -> Mapping[str, float]:
        """Every name that a file may use, with what to multiply its values by."""
        found = {self.name: 1.0, **dict.fromkeys(self.also, 1.0)}
        if self.kind != "number":
            return found
        stem, _, unit = self.name.rpartition("_")
        for family in (LENGTH_M, MASS_KG):
            if unit in family and self.name not in {"easting_m", "northing_m"}:
                found |= {f"{stem}_{other}": size for other, size in family.items()}
        if self.at_least == 0.0 and self.at_most == 1.0:
            found[f"{self.name}_percent"] = 0.01
        return found

    @property
    def sql_type(self) -> str:
        """Type of the column in a GeoPackage table."""
        return {"number": "DOUBLE", "flag": "BOOLEAN"}.get(self.kind, "TEXT")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of record: its table, its columns and what one is called.

    Parameters
    ----------
    table : str
        Name of the table in the notebook.
    one : str
        What one record is called.
    columns : tuple of Column
        Its columns, in the order of the table and of exports.
    """

    table: str
    one: str
    columns: tuple[Column, ...]


_DEPTH = "Depths are counted downward from the surface of the bed."

SAMPLE_COLUMNS: tuple[Column, ...] = (
    Column(
        name="id",
        kind="id",
        required=True,
        content=False,
        words="Name of the record, its own for ever: a UUID or a label; made from the content if left out.",
    ),
    Column(
        name="time",
        kind="time",
        required=True,
        also=("date", "day"),
        words="Day (2025-03-04) or moment (2025-03-04T10:20:00+01:00) of taking it.",
    ),
    Column(
        name="lon",
        kind="number",
        at_least=-180.0,
        at_most=180.0,
        also=("longitude",),
        words="WGS 84 longitude in degrees, east positive.",
    ),
    Column(
        name="lat",
        kind="number",
        at_least=-90.0,
        at_most=90.0,
        also=("latitude",),
        words="WGS 84 latitude in degrees, north positive.",
    ),
    Column(name="easting_m", kind="number", content=False, words="Easting on the site's grid, metres."),
    Column(name="northing_m", kind="number", content=False, words="Northing on the site's grid, metres."),
    Column(
        name="accuracy_m",
        kind="number",
        at_least=0.0,
        at_most=1000.0,
        words="How far off the place may be (the GPS's own figure), metres.",
    ),
    Column(
        name="depth_top_m",
        kind="number",
        at_least=0.0,
        at_most=10.0,
        hint=_DEPTH,
        words="Depth of the top of the layer below the bed's surface, metres.",
    ),
    Column(
        name="depth_bottom_m",
        kind="number",
        at_least=0.0,
        at_most=10.0,
        hint=_DEPTH,
        words="Depth of the bottom of the layer below the bed's surface, metres.",
    ),
    Column(
        name="dry_mass_kg",
        kind="number",
        above=0.0,
        at_most=1000.0,
        words="Dry mass of what went over the magnet, magnetics included, kilograms.",
    ),
    Column(
        name="wet_mass_kg",
        kind="number",
        above=0.0,
        at_most=1000.0,
        words="Mass of the sample as dug, kilograms; needs the moisture.",
    ),
    Column(
        name="moisture",
        kind="number",
        at_least=0.0,
        at_most=1.0,
        words="Mass of water per wet mass of the sample, 0 to 1.",
    ),
    Column(
        name="magnetic_mass_kg",
        kind="number",
        at_least=0.0,
        at_most=1000.0,
        words="Mass of what the magnet took out of the sample, kilograms.",
    ),
    Column(
        name="grade",
        kind="number",
        at_least=0.0,
        at_most=1.0,
        words="Mass of magnetics per dry mass, 0 to 1; worked out where the masses are given.",
    ),
    Column(
        name="trace",
        kind="flag",
        words="Yes where there was too little to weigh; the cell of the grade may say 'trace' as well.",
    ),
    Column(
        name="place", kind="text", words="Name of the place; layers and duplicates of one place share it."
    ),
    Column(name="note", kind="text", words="Anything else."),
    Column(name="source", kind="text", content=False, words="The file that it came from."),
    Column(name="recorded_at", kind="time", content=False, words="Moment of entering it in the notebook."),
    Column(
        name="struck_at", kind="time", content=False, words="Moment of striking it; empty while it stands."
    ),
    Column(name="struck_why", kind="text", content=False, words="Why it was struck."),
)

KINDS: Mapping[str, Kind] = MappingProxyType(
    {"samples": Kind(table="samples", one="sample", columns=SAMPLE_COLUMNS)}
)


def tidy(name: str) -> str:
    """Write a column name as the dictionary does: lower case, words joined by underscores.

    Parameters
    ----------
    name : str
        The name found.

    Returns
    -------
    str
        The name to look up.

    Examples
    --------
    >>> tidy(" Dry mass-lb ")
    'dry_mass_lb'
    """
    return "_".join(name.strip().lower().replace("-", " ").replace("_", " ").split())


def known_names(columns: tuple[Column, ...]) -> dict[str, tuple[Column, float]]:
    """List every name that a file may use for some columns.

    Parameters
    ----------
    columns : tuple of Column
        The columns.

    Returns
    -------
    dict of str to (Column, float)
        For each name its column, and what to multiply its values by.

    Examples
    --------
    >>> column, factor = known_names(SAMPLE_COLUMNS)["depth_top_in"]
    >>> column.name, factor
    ('depth_top_m', 0.0254)
    """
    return {name: (column, factor) for column in columns for name, factor in column.names.items()}


def nearest(name: str, known: Iterable[str]) -> str:
    """Find the known name most like an unknown one.

    Parameters
    ----------
    name : str
        The name found.
    known : iterable of str
        The names there are.

    Returns
    -------
    str
        The most alike, or an empty text if none is.

    Examples
    --------
    >>> nearest("dry_mas_kg", known_names(SAMPLE_COLUMNS))
    'dry_mass_kg'
    """
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return found[0] if found else ""


def column_help(kind: str = "samples") -> str:
    """Write out the columns of a kind of record, one a line, for help texts.

    Parameters
    ----------
    kind : str, default "samples"
        A key of `KINDS`.

    Returns
    -------
    str
        Lines of name, meaning and other names.

    Examples
    --------
    >>> print(column_help().splitlines()[7])
    depth_top_m: Depth of the top of the layer below the bed's surface, metres. Also depth_top_cm,
    depth_top_mm,
        depth_top_ft, depth_top_in.
    """
    lines = []
    for column in KINDS[kind].columns:
        others = [name for name in column.names if name != column.name]
        lines.append(f"{column.name}: {column.words}" + (f" Also {', '.join(others)}." if others else ""))
    return "\n".join(lines)
