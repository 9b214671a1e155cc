"""Records made from the rows of a file or from what was typed, with every fault said at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from washgrade.errors import FileFaults
from washgrade.files.cells import judged_values, unknown_column
from washgrade.files.columns import KIND_NAMES, KINDS, known_names, tidy
from washgrade.files.gauge import DRY_SPELL_H
from washgrade.files.judging import Frame, judge_place, judge_time, read_moment
from washgrade.files.kinds import RULES, kind_by_columns, kind_by_name
from washgrade.files.record import Record, content_id
from washgrade.files.tables import Table, read_table

__all__ = ["make_record", "read_record_file"]

_TIMES = {name for name, (column, _) in known_names(KINDS["storms"].columns).items() if column.name == "time"}
# So few rows may as well be showers of one afternoon.
_LOG_ROWS = 4
_KNOWN = {kind: known_names(KINDS[kind].columns) for kind in KINDS}
_ANYWHERE = {name for known in _KNOWN.values() for name in known}
_ONES = ", ".join(kind.one for kind in KINDS.values())


def read_record_file(
    path: Path | str, frame: Frame, *, kind: str | None = None
) -> tuple[list[Record], list[str]]:
    """Read a file of records: the good ones, and every fault of the others.

    Parameters
    ----------
    path : Path or str
        CSV, GeoJSON, GPX, KML or another vector file.
    frame : Frame
        What the records are judged against.
    kind : str, optional
        What the records are, a key of `KINDS`; told from the column ``kind``, or else from the columns, if
        left out.

    Returns
    -------
    records : list of Record
        The good records, in the file's order.
    faults : list of str
        One sentence for each fault, file and row first.

    Raises
    ------
    RecordError
        If the file is missing or cannot be read at all.
    """
    table = read_table(Path(path))
    faults = list(table.faults)
    named = next((name for name in KIND_NAMES if name in table.columns), None)
    if kind is None and named is None:
        kind = kind_by_columns(set(table.columns))
    known = _KNOWN[kind] if kind is not None else _ANYWHERE
    strange = {column for column in table.columns if column and column not in known and column != named}
    faults += [
        f"{table.name}: {unknown_column(column, known)}" for column in table.columns if column in strange
    ]
    if kind is not None:
        hopeless = _missing_columns(table, kind) + (_gauge_rows(table) if kind == "storms" else [])
        if hopeless:
            return [], faults + hopeless
    records: list[Record] = []
    seen: dict[str, tuple[int, Record]] = {}
    for row, cells in table.rows:
        where = table.where(row)
        # A column that only other rows fill is none of this row's business.
        own = {
            name: cell
            for name, cell in cells.items()
            if name != named and name not in strange and cell not in ("", None)
        }
        meant, wrong = _row_kind(cells.get(named or ""), own, kind)
        if kind is None and meant:
            wrong += [unknown_column(name, _KNOWN[meant]) for name in own if name not in _KNOWN[meant]]
        record = None
        if meant and not wrong:
            record, wrong = _record(meant, own, frame, source=table.name)
        elif meant:
            wrong += _record(meant, own, frame, source=table.name)[1]
        faults += [f"{where}: {fault}" for fault in wrong]
        if record is None:
            continue
        if record.id in seen:
            faults.append(f"{where}: {_twice(table, record, *seen[record.id])}")
            continue
        seen[record.id] = (row, record)
        records.append(record)
    return records, faults


def make_record(kind: str, cells: Mapping[str, object], frame: Frame) -> Record:
    """Make one record from named values, as typed on a command line.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    cells : mapping of str to object
        Values by column name, customary units included; None and empty texts are left out.
    frame : Frame
        What the record is judged against.

    Returns
    -------
    Record
        The record, not yet in any notebook.

    Raises
    ------
    FileFaults
        With every fault of the values.

    Examples
    --------
    >>> from datetime import date
    >>> sample = make_record("samples", {"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "dry_mass_lb": 2,
    ...     "grade_percent": 12}, Frame(crs="EPSG:25830", today=date(2026, 3, 2)))
    >>> round(sample.dry_mass_kg, 4), sample.grade
    (0.9072, 0.12)
    """
    given = {tidy(key): value for key, value in cells.items() if value is not None and value != ""}
    known = _KNOWN[kind]
    faults = [unknown_column(key, known) for key in given if key not in known]
    record, wrong = _record(kind, given, frame, source="")
    if record is None or faults or wrong:
        raise FileFaults(faults + wrong)
    return record


def _row_kind(cell: object, own: Mapping[str, Any], kind: str | None) -> tuple[str, list[str]]:
    # The kind of one row, and what is wrong about it.
    if cell in (None, ""):
        return kind or kind_by_columns(set(own)), []
    meant = kind_by_name(str(cell))
    if not meant:
        return "", [f"Invalid 'kind' of {str(cell)!r}. It must be one of {_ONES}."]
    if kind is not None and meant != kind:
        return "", [
            f"The 'kind' says {KINDS[meant].one} and the file is read as {kind}. They must agree; leave --as "
            "out to take both."
        ]
    return meant, []


def _missing_columns(table: Table, kind: str) -> list[str]:
    # Sentences for what no row of the file can have, so that it is said once.
    if not table.rows:
        return []
    known = _KNOWN[kind]
    has = {known[name][0].name for name in table.columns if name in known}
    return [
        f"{table.name}: There is no column for the {what}. {rule}" for what, rule in RULES[kind].lacks(has)
    ]


def _gauge_rows(table: Table) -> list[str]:
    # The log of a gauge has the columns of a list of storms, but rows minutes or hours apart.
    known = _KNOWN["storms"]
    has = {known[name][0].name for name in table.columns if name in known}
    if not has <= {"time", "rain_mm", "note"} or len(table.rows) < _LOG_ROWS:
        return []
    texts = [str(cells.get(name, "")) for _, cells in table.rows for name in cells if name in _TIMES]
    moments = [read_moment(text) for text in texts]
    seconds = [moment.timestamp() for moment in moments if moment is not None]
    if len(seconds) < _LOG_ROWS:
        return []
    if median(abs(b - a) for a, b in pairwise(seconds)) / 3600.0 >= DRY_SPELL_H:
        return []
    return [
        f"{table.name}: The rows are less than six hours apart, as a rain gauge writes them. Read it as one "
        "storm with: washgrade storm SITE --gauge FILE."
    ]


def _record(
    kind: str, cells: Mapping[str, Any], frame: Frame, *, source: str
) -> tuple[Record | None, list[str]]:
    # Judge one row: the record if all is well, and every fault.
    known, rules = _KNOWN[kind], RULES[kind]
    values, faults = judged_values(cells, known)
    # What is there but faulty counts as there: it has been told already. A flag that says no is not there.
    there = {known[name][0].name for name, cell in cells.items() if name in known and cell not in ("", None)}
    denied = {
        column.name
        for column in KINDS[kind].columns
        if column.kind == "flag" and values.get(column.name) is False
    }
    faults += [f"There is no {what}. {rule}" for what, rule in rules.lacks(there - denied)]
    if values.get("reach"):
        # Ids are written in capitals, and typed on a phone without.
        values["reach"] = values["reach"].upper()
    else:
        values.pop("by_reach", None)
    # The place comes before the kind's own rules, which may rest on it.
    placed = judge_place(values, frame, anywhere=rules.off_ground(values))
    faults += rules.judge(values, frame)
    faults += judge_time(values, frame)
    faults += placed
    if faults:
        return None, faults
    values["source"] = values.get("source") or source
    record = rules.record(**{"id": "", **values})
    return (record if record.id else replace(record, id=content_id(record.content))), []


def _twice(table: Table, record: Record, first_row: int, first: Record) -> str:
    if first.kind == record.kind and first.content == record.content:
        return (
            f"The record repeats {table.word} {first_row}. Leave one of them out, or give each an id of its "
            f"own if they are two {KINDS[record.kind].table}."
        )
    return (
        f"The id {record.id!r} is that of {table.word} {first_row}, which says something else. Each record "
        "must have an id of its own."
    )
