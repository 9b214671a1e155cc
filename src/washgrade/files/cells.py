"""Cells of a row turned into SI values under the dictionary's names, with what is wrong with each."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable, Mapping
from typing import Any

from washgrade.checks import number
from washgrade.errors import InputError
from washgrade.files.column import Column, nearest

__all__ = ["judged_values", "unknown_column"]

_YES = {"yes", "y", "true", "1", "1.0", "trace", "tr"}
_NO = {"no", "n", "false", "0", "0.0"}
_TRACE = {"trace", "tr"}


def unknown_column(name: str, known: Iterable[str]) -> str:
    """Say that a column is unknown, and what it may have meant.

    Parameters
    ----------
    name : str
        The name found.
    known : iterable of str
        The names there are.

    Returns
    -------
    str
        The sentence.

    Examples
    --------
    >>> unknown_column("dry_mas_kg", ["wet_mass_kg", "dry_mass_kg"])
    "Unknown column 'dry_mas_kg'. Did you mean 'dry_mass_kg'?"
    """
    like = nearest(name, known)
    hint = f"Did you mean '{like}'?" if like else "Take it out, or put what it says into 'note'."
    return f"Unknown column '{name}'. {hint}"


def judged_values(
    cells: Mapping[str, Any], known: Mapping[str, tuple[Column, float]]
) -> tuple[dict[str, Any], list[str]]:
    """Turn cells into SI values.

    Parameters
    ----------
    cells : mapping
        Cells by column name, in any unit that the dictionary knows; unknown names are passed over.
    known : mapping
        What `known_names` gives for the kind of record.

    Returns
    -------
    values : dict
        Numbers, flags and texts by the dictionary's names.
    faults : list of str
        One sentence for each cell that is wrong.
    """
    values: dict[str, Any] = {}
    faults: list[str] = []
    came_as: dict[str, str] = {}
    for name, cell in cells.items():
        if name not in known or cell is None or cell == "":
            continue
        column, factor = known[name]
        if column.name in came_as:
            faults.append(
                f"Both '{came_as[column.name]}' and '{name}' are given. One of them must be left out."
            )
            continue
        came_as[column.name] = name
        try:
            if column.name == "grade" and str(cell).strip().lower() in _TRACE:
                if values.get("trace") is False:
                    faults.append(f"The '{name}' says trace and 'trace' says no. They must agree.")
                values["trace"] = True
            elif column.kind == "number":
                values[column.name] = _number(name, cell, column, factor)
            elif column.kind == "flag":
                values[column.name] = _flag(name, cell) or values.get(column.name, False)
            elif column.kind == "word":
                values[column.name] = _word(name, cell, column.choices)
            elif column.kind == "id":
                values[column.name] = _id(cell)
            else:
                values[column.name] = " ".join(str(cell).split())
        except InputError as error:
            faults.append(f"{error}{' ' + column.hint if column.hint else ''}")
    return values, faults


def _number(name: str, cell: Any, column: Column, factor: float) -> float:
    text = str(cell).strip()
    if re.fullmatch(r"[+-]?\d*,\d+", text):
        raise InputError(
            f"Invalid '{name}' of {text!r}. It has a decimal comma; write {text.replace(',', '.')}."
        )
    value: object = cell
    if isinstance(cell, str):
        # Only plain numbers: float() would also take 'nan', 'inf' and '1_000'.
        value = float(text) if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text) else text
    limits: dict[str, Any] = {
        key: None if limit is None else limit / factor
        for key, limit in (
            ("at_least", column.at_least),
            ("at_most", column.at_most),
            ("above", column.above),
        )
    }
    found = number(name, value, **limits)
    # Dividing by 100 rounds right where multiplying by 0.01 may be off in the last digit.
    return found / 100.0 if factor == 0.01 and name.endswith("_percent") else found * factor


def _flag(name: str, cell: object) -> bool:
    text = str(cell).strip().lower()
    if text in _YES:
        return True
    if text in _NO:
        return False
    raise InputError(f"Invalid '{name}' of {str(cell)!r}. It must be yes or no.")


def _word(name: str, cell: object, choices: tuple[str, ...]) -> str:
    # The first word of a choice is enough.
    text = " ".join(str(cell).lower().replace("_", " ").split())
    for choice in choices:
        if text in {choice, choice.split()[0]}:
            return choice
    raise InputError(f"Invalid '{name}' of {str(cell)!r}. It must be one of {', '.join(choices)}.")


def _id(cell: object) -> str:
    text = str(cell).strip()
    try:
        return str(uuid.UUID(text))
    except ValueError:
        pass
    if len(text) > 64 or not text.isprintable() or not re.search(r"\w", text):
        raise InputError(f"Invalid 'id' of {text!r}. It must be a UUID or a label of at most 64 letters.")
    return text
