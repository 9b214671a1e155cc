"""Reading the weighings of passes over the magnets from a file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.checks import choice, number
from washgrade.errors import FileFaults, InputError
from washgrade.files.column import Column, known_names, nearest
from washgrade.files.tables import read_table

if TYPE_CHECKING:
    from washgrade.dig.weighings import Weighing

__all__ = ["COLUMNS", "read_weighings"]

PASSES = ("first", "later")

_MASS = "Dry mass of the {}, kilograms."
_GRADE = "Grade of a well mixed sample of the {}, 0 to 1."
COLUMNS = (
    Column(
        name="pass",
        kind="word",
        choices=PASSES,
        words="Which pass over the magnets: first, or later; first if left out.",
    ),
    *(
        Column(name=f"{stream}_kg", kind="number", above=0.0, words=_MASS.format(stream))
        for stream in ("feed", "concentrate", "tailings")
    ),
    *(
        Column(name=f"{stream}_grade", kind="number", at_least=0.0, at_most=1.0, words=_GRADE.format(stream))
        for stream in ("feed", "concentrate", "tailings")
    ),
    Column(name="note", kind="text", words="Anything else."),
)
"""What a file of weighings may hold; masses in any unit (``feed_lb``), grades also in percent."""


def read_weighings(path: Path) -> dict[str, list[Weighing]]:
    """Read weighings, all their faults in one report.

    Parameters
    ----------
    path : Path
        The file, as for records.

    Returns
    -------
    dict of str to list of Weighing
        Weighings of the first pass and of later ones.

    Raises
    ------
    RecordError
        If the file cannot be read.
    FileFaults
        If anything in it cannot be right.
    """
    from washgrade.dig.weighings import Weighing

    table = read_table(path)
    known = known_names(COLUMNS)
    faults = list(table.faults)
    for name in table.columns:
        if name and name not in known:
            like = nearest(name, known)
            hint = f"Did you mean '{like}'?" if like else f"There are {', '.join(c.name for c in COLUMNS)}."
            faults.append(f"{table.name}: Unknown column '{name}'. {hint}")
    found: dict[str, list[Weighing]] = {word: [] for word in PASSES}
    for at, cells in table.rows:
        where = table.where(at)
        try:
            which, values = _row(cells, known, where)
            found[which].append(Weighing(**values))
        except InputError as error:
            text = str(error)
            faults.append(text if text.startswith(where) else f"{where}: {text}")
    if faults:
        raise FileFaults(faults)
    return found


def _row(
    cells: Mapping[str, Any], known: Mapping[str, tuple[Column, float]], where: str
) -> tuple[str, dict[str, float]]:
    """Which pass a row tells of, and its numbers in SI units."""
    which, values = PASSES[0], {}
    for name, cell in cells.items():
        column, factor = known.get(name, (None, 1.0))
        if column is not None and column.kind == "number":
            values[column.name] = factor * number(name, cell, where=where)
        elif column is not None and column.kind == "word":
            which = choice("pass", str(cell).strip().lower(), PASSES, where=where)
    return which, values
