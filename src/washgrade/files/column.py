"""What a column of a record is: its name with the unit, its limits, and every name that a file may use."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from washgrade.units import LENGTH_M, LENGTH_MM, MASS_KG, TIME_H, VOLUME_LITRES

__all__ = ["Column", "Kind", "known_names", "nearest", "tidy"]

# The unit of a column's own name is that which its family counts as one.
_FAMILIES = (LENGTH_M, LENGTH_MM, MASS_KG, VOLUME_LITRES, TIME_H)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a kind of record.

    Parameters
    ----------
    name : str
        Name with the unit suffix, SI.
    kind : {"number", "text", "time", "flag", "id", "word"}
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
    choices : tuple of str
        Of a word, which there are.
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
    choices: tuple[str, ...] = ()

    @property
    def names(self) -> Mapping[str, float]:
        """Every name that a file may use, with what to multiply its values by."""
        found = {self.name: 1.0, **dict.fromkeys(self.also, 1.0)}
        if self.kind != "number":
            return found
        stem, _, unit = self.name.rpartition("_")
        for family in _FAMILIES:
            if family.get(unit) == 1.0 and not stem.endswith(("easting", "northing")):
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
    >>> column, factor = known_names((Column(name="rain_mm", kind="number", words="Rain."),))["rain_in"]
    >>> column.name, factor
    ('rain_mm', 25.4)
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
    >>> nearest("dry_mas_kg", ["wet_mass_kg", "dry_mass_kg"])
    'dry_mass_kg'
    """
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return found[0] if found else ""
