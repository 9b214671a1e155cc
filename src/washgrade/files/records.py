"""Field samples as records, made from the cells of a file or from what was typed; every fault is said at once."""

from __future__ import annotations

import json
import math
import re
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.checks import number
from washgrade.errors import FileFaults, InputError
from washgrade.files.columns import SAMPLE_COLUMNS, known_names, nearest, tidy
from washgrade.files.places import lonlat, to_grid
from washgrade.files.tables import Table, read_table

__all__ = ["Contains", "Sample", "as_arrays", "make_sample", "read_sample_file", "sample_rows"]

Contains = Callable[[float, float], bool]
"""Whether the ground holds a place, by its easting and northing in metres."""

_KNOWN = known_names(SAMPLE_COLUMNS)
_NAMESPACE = uuid.UUID("b43cf054-e8c0-49ca-9dbf-e9223d30da2f")
# Grid and longitude/latitude of one place differ by less than a metre between modern datums; a wrong zone or
# a wrong datum of the last century by far more.
_AGREE_M = 5.0
_YES = {"yes", "y", "true", "1", "1.0", "trace", "tr"}
_NO = {"no", "n", "false", "0", "0.0"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One field sample, as recorded; what was not said is None.

    Parameters
    ----------
    id : str
        Its own name for ever.
    time : str
        ISO day, or moment.
    lon, lat : float
        WGS 84, degrees.
    easting_m, northing_m : float
        On the site's grid, metres.
    grade : float or None
        Mass of magnetics per dry mass; None for a trace.
    trace : bool
        Whether there was too little to weigh.
    accuracy_m, depth_top_m, depth_bottom_m : float, optional
        Metres.
    dry_mass_kg, wet_mass_kg, magnetic_mass_kg : float, optional
        Kilograms.
    moisture : float, optional
        Water per wet mass.
    place, note, source : str
        Texts, empty if not said.
    recorded_at, struck_at, struck_why : str
        How it came into the notebook, and out of use.
    """

    id: str
    time: str
    lon: float
    lat: float
    easting_m: float
    northing_m: float
    grade: float | None
    trace: bool = False
    accuracy_m: float | None = None
    depth_top_m: float | None = None
    depth_bottom_m: float | None = None
    dry_mass_kg: float | None = None
    wet_mass_kg: float | None = None
    moisture: float | None = None
    magnetic_mass_kg: float | None = None
    place: str = ""
    note: str = ""
    source: str = ""
    recorded_at: str = ""
    struck_at: str = ""
    struck_why: str = ""

    @property
    def day(self) -> date:
        """The day it was taken, as written."""
        return date.fromisoformat(self.time[:10])

    @property
    def content(self) -> dict[str, Any]:
        """What the record says, without how it came about; numbers to nine digits, places to a centimetre.

        Two records of one id are the same record if and only if this is equal, so the rounding that a text
        format does must not show here.
        """
        found: dict[str, Any] = {}
        for column in SAMPLE_COLUMNS:
            value = getattr(self, column.name)
            if not column.content or value is None or value == "" or value is False:
                continue
            if column.name in {"lon", "lat"}:
                value = round(value, 7) + 0.0
            elif column.kind == "number":
                value = float(f"{value:.9g}") + 0.0
            found[column.name] = value
        return found


def content_id(content: Mapping[str, Any]) -> str:
    """Make the id of a record that brought none, from what it says.

    Parameters
    ----------
    content : mapping
        `Sample.content`.

    Returns
    -------
    str
        A version 5 UUID: the same content has the same id on every machine.
    """
    return str(uuid.uuid5(_NAMESPACE, json.dumps(content, sort_keys=True)))


def read_sample_file(
    path: Path | str,
    *,
    crs: str,
    contains: Contains | None = None,
    today: date,
) -> tuple[list[Sample], list[str]]:
    """Read a file of samples: the good ones, and every fault of the others.

    Parameters
    ----------
    path : Path or str
        CSV, GeoJSON, GPX or another vector file.
    crs : str
        The site's grid.
    contains : callable, optional
        Whether the ground holds a place; every place is taken if left out.
    today : date
        The last day that a record may have.

    Returns
    -------
    samples : list of Sample
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
    for column in table.columns:
        if column and column not in _KNOWN:
            faults.append(f"{table.name}: {_unknown(column)}")
    hopeless = _missing_columns(table)
    faults += hopeless
    samples: list[Sample] = []
    seen: dict[str, tuple[int, Sample]] = {}
    for row, cells in () if hopeless else table.rows:
        where = table.where(row)
        sample, wrong = _sample(
            cells, crs=crs, contains=contains, today=today, where=where, source=table.name
        )
        faults += wrong
        if sample is None:
            continue
        if sample.id in seen:
            first_row, first = seen[sample.id]
            if first.content == sample.content:
                faults.append(
                    f"{where}: The record repeats {table.word} {first_row}. Leave one of them out, or give "
                    f"each an "
                    "id of its own if they are two samples."
                )
            else:
                faults.append(
                    f"{where}: The id {sample.id!r} is that of {table.word} {first_row}, which says "
                    f"something "
                    "else. Each record must have an id of its own."
                )
            continue
        seen[sample.id] = (row, sample)
        samples.append(sample)
    return samples, faults


def make_sample(
    cells: Mapping[str, object], *, crs: str, contains: Contains | None = None, today: date, where: str = ""
) -> Sample:
    """Make one sample from named values, as typed on a command line.

    Parameters
    ----------
    cells : mapping of str to object
        Values by column name, customary units included; None and empty texts are left out.
    crs : str
        The site's grid.
    contains : callable, optional
        Whether the ground holds a place.
    today : date
        The last day that it may have.
    where : str, optional
        Said before each fault.

    Returns
    -------
    Sample
        The record, not yet in any notebook.

    Raises
    ------
    FileFaults
        With every fault of the values.

    Examples
    --------
    >>> sample = make_sample({"time": "2026-03-01", "lon": -2.4, "lat": 37.1, "dry_mass_lb": 2,
    "grade_percent": 12},
    ...                      crs="EPSG:25830", today=date(2026, 3, 2))
    >>> round(sample.dry_mass_kg, 4), sample.grade
    (0.9072, 0.12)
    """
    given = {tidy(key): value for key, value in cells.items() if value is not None and value != ""}
    faults = [_unknown(key) for key in given if key not in _KNOWN]
    sample, wrong = _sample(given, crs=crs, contains=contains, today=today, where=where, source="")
    if sample is None or faults or wrong:
        raise FileFaults(faults + wrong)
    return sample


def _unknown(column: str) -> str:
    like = nearest(column, _KNOWN)
    return f"Unknown column '{column}'. " + (
        f"Did you mean '{like}'?" if like else "The columns there are stand in the documentation."
    )


def _missing_columns(table: Table) -> list[str]:
    # Sentences for what no row of the file can have, so that it is said once.
    if not table.rows:
        return []
    has = {_KNOWN[name][0].name for name in table.columns if name in _KNOWN}
    return [f"{table.name}: {sentence}" for sentence in _incomplete(has, "There is no column for the {}.")]


def _incomplete(has: set[str], form: str) -> list[str]:
    faults = []
    if not ({"lon", "lat"} <= has or {"easting_m", "northing_m"} <= has):
        faults.append(form.format("place") + " It must have lon and lat, or easting_m and northing_m.")
    if "time" not in has:
        faults.append(form.format("time") + " It must have time, such as 2025-03-04.")
    weighed = "magnetic_mass_kg" in has and ("dry_mass_kg" in has or {"wet_mass_kg", "moisture"} <= has)
    if not ({"grade", "trace"} & has or weighed):
        faults.append(
            form.format("grade")
            + " It must have grade, or trace, or magnetic_mass_kg with dry_mass_kg (or wet_mass_kg and moisture)."
        )
    return faults


def _sample(
    cells: Mapping[str, Any],
    *,
    crs: str,
    contains: Contains | None,
    today: date,
    where: str,
    source: str,
) -> tuple[Sample | None, list[str]]:
    # Judge one row: the sample if all is well, and every fault.
    values, faults = _values(cells)
    grade_unknown = "trace" in values and not values["trace"]
    has = {name for name in values if not (name == "trace" and grade_unknown)}
    if not faults:
        faults += _incomplete(has, "There is no {}.")
    faults += _masses(values)
    faults += _layer(values)
    faults += _time(values, today)
    faults += _place(values, crs, contains)
    if faults:
        start = f"{where}: " if where else ""
        return None, [start + fault for fault in faults]
    values.setdefault("trace", False)
    values.setdefault("grade", None)
    if values["grade"] == 0.0:
        values["trace"] = True
    values["source"] = values.get("source") or source
    sample = Sample(**{"id": "", **values})
    return (sample if sample.id else replace(sample, id=content_id(sample.content))), []


def _values(cells: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    # Turn cells into SI values under the dictionary's names.
    values: dict[str, Any] = {}
    faults: list[str] = []
    came_as: dict[str, str] = {}
    for name, cell in cells.items():
        if name not in _KNOWN or cell is None or cell == "":
            continue
        column, factor = _KNOWN[name]
        if column.name in came_as:
            faults.append(
                f"Both '{came_as[column.name]}' and '{name}' are given. One of them must be left out."
            )
            continue
        came_as[column.name] = name
        try:
            if column.name == "grade" and str(cell).strip().lower() in {"trace", "tr"}:
                if values.get("trace") is False:
                    faults.append(f"The '{name}' says trace and 'trace' says no. They must agree.")
                values["trace"] = True
            elif column.kind == "number":
                values[column.name] = _number(name, cell, column, factor)
            elif column.kind == "flag":
                values[column.name] = _flag(name, cell) or values.get(column.name, False)
            elif column.kind == "id":
                values[column.name] = _id(cell)
            else:
                values[column.name] = " ".join(str(cell).split())
        except InputError as error:
            faults.append(f"{error}{' ' + column.hint if column.hint else ''}")
    return values, faults


def _number(name: str, cell: Any, column: Any, factor: float) -> float:
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


def _id(cell: object) -> str:
    text = str(cell).strip()
    try:
        return str(uuid.UUID(text))
    except ValueError:
        pass
    if len(text) > 64 or not text.isprintable() or not re.search(r"\w", text):
        raise InputError(f"Invalid 'id' of {text!r}. It must be a UUID or a label of at most 64 letters.")
    return text


def _masses(values: dict[str, Any]) -> list[str]:
    # Check the masses against each other, and work out the dry mass and the grade.
    faults = []
    dry, wet, moisture = (values.get(name) for name in ("dry_mass_kg", "wet_mass_kg", "moisture"))
    if wet is not None and moisture is None and dry is None:
        faults.append("There is a wet mass and no moisture. It must have moisture, or dry_mass_kg instead.")
    if wet is not None and dry is not None and dry > wet * (1 + 1e-9):
        faults.append(
            f"The dry mass of {dry:g} kg is above the wet mass of {wet:g} kg. Water cannot weigh less than "
            f"nothing."
        )
    elif wet is not None and moisture is not None:
        made = wet * (1.0 - moisture)
        if dry is None:
            if made <= 0.0:
                faults.append("The moisture of 1 leaves no dry mass. It must be below 1.")
            else:
                values["dry_mass_kg"] = dry = made
        elif abs(dry - made) > 0.02 * wet:
            faults.append(
                f"The dry mass of {dry:g} kg is not what the wet mass and the moisture give, {made:g} kg. "
                f"They must "
                "agree within 2 % of the wet mass; leave one of them out."
            )
    magnetic = values.get("magnetic_mass_kg")
    if magnetic is not None and dry is not None:
        if magnetic > dry * (1 + 1e-9):
            faults.append(
                f"The magnetic mass of {magnetic:g} kg is above the dry mass of {dry:g} kg. A part cannot "
                f"weigh "
                "more than the whole."
            )
        else:
            made = min(magnetic / dry, 1.0)
            given = values.setdefault("grade", made)
            if abs(given - made) > 0.001 + 0.02 * made:
                faults.append(
                    f"The grade of {given:g} is not what the masses give, {made:.4g}. They must agree within "
                    f"2 %; "
                    "leave one of them out."
                )
    if values.get("trace") and values.get("grade"):
        faults.append(
            f"The sample is marked as a trace and has a grade of {values['grade']:g}. It must have one of "
            f"the two."
        )
    return faults


def _layer(values: Mapping[str, Any]) -> list[str]:
    top, bottom = values.get("depth_top_m", 0.0), values.get("depth_bottom_m")
    if bottom is not None and top >= bottom:
        return [
            f"The top of the layer at {top:g} m is not above its bottom at {bottom:g} m. Depths are counted "
            f"downward "
            "from the surface of the bed."
        ]
    return []


def _time(values: dict[str, Any], today: date) -> list[str]:
    faults = []
    for name in ("time", "recorded_at", "struck_at"):
        text = values.get(name)
        if text is None:
            continue
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            moment = None
        if moment is None or not re.match(r"\d{4}-\d\d-\d\d", text):
            faults.append(
                f"Invalid '{name}' of {text!r}. It must be a day such as 2025-03-04, or a moment such as "
                "2025-03-04T10:20:00+01:00."
            )
            continue
        # East of Greenwich the local day may be ahead of ours.
        slack = timedelta(days=1 if moment.tzinfo else 0)
        if name == "time" and moment.date() > today + slack:
            faults.append(f"The time {text} lies in the future. It must be {today.isoformat()} or before.")
        is_day = re.fullmatch(r"\d{4}-\d\d-\d\d", text)
        values[name] = text if is_day else moment.isoformat()
    return faults


def _place(values: dict[str, Any], crs: str, contains: Contains | None) -> list[str]:
    # Complete the place from either side, and check that it lies on the ground.
    lon, lat = values.get("lon"), values.get("lat")
    easting_m, northing_m = values.get("easting_m"), values.get("northing_m")
    if lon is not None and lat is not None:
        made_east, made_north = (float(part) for part in to_grid(crs, lon, lat))
        if easting_m is None or northing_m is None:
            values["easting_m"], values["northing_m"] = easting_m, northing_m = made_east, made_north
        else:
            apart = math.hypot(easting_m - made_east, northing_m - made_north)
            if not apart <= _AGREE_M:
                return [
                    f"The place by easting_m and northing_m lies {apart:.0f} m from the place by lon and "
                    f"lat. They "
                    f"must agree within {_AGREE_M:g} m; leave one of the two out."
                ]
    elif easting_m is not None and northing_m is not None:
        found_lon, found_lat = (float(part) for part in lonlat(crs, easting_m, northing_m))
        if math.isfinite(found_lon) and math.isfinite(found_lat):
            values["lon"], values["lat"] = found_lon, found_lat
        else:
            return [f"The place at easting {easting_m:g}, northing {northing_m:g} is off the earth."]
    else:
        return []
    if contains is None or contains(easting_m, northing_m):
        return []
    if lon is None or lat is None:
        if contains(northing_m, easting_m):
            return [
                f"The place at easting {easting_m:.1f}, northing {northing_m:.1f} lies outside the ground, "
                f"but with "
                "the two swapped it lies inside. Check which column holds the easting."
            ]
        return [
            f"The place at easting {easting_m:.1f}, northing {northing_m:.1f} lies outside the ground. It "
            f"must lie "
            "on the DEM."
        ]
    if abs(lon) <= 90.0 and contains(*(float(part) for part in to_grid(crs, lat, lon))):
        return [
            f"The place at lon {lon:g}, lat {lat:g} lies outside the ground, but with the two swapped it "
            f"lies inside. "
            "Check which column holds the longitude."
        ]
    return [f"The place at lon {lon:g}, lat {lat:g} lies outside the ground. It must lie on the DEM."]


def as_arrays(
    samples: Sequence[Sample], *, bite_m: float, accuracy_m: float, sample_kg: float
) -> dict[str, NDArray[Any]]:
    """Lay samples out as equal-length columns, with what was not said filled in.

    Parameters
    ----------
    samples : sequence of Sample
        The records.
    bite_m : float
        Bottom of a layer whose depth was not said; one whose top lies deeper reaches one bite below it.
    accuracy_m : float
        Accuracy of a place whose own was not said, metres.
    sample_kg : float
        Dry mass of a sample that was not weighed, kilograms.

    Returns
    -------
    dict of str to ndarray, each of shape (samples,)
        ``sample_id`` and ``place`` (text; a place without a name goes by its position to a tenth of a metre),
        ``easting_m, northing_m, accuracy_m, depth_top_m, depth_bottom_m, dry_mass_kg, grade`` (float64; the
        grade of a trace is NaN), ``trace`` (bool), ``day`` (datetime64[D]).

    Examples
    --------
    >>> as_arrays([], bite_m=0.1, accuracy_m=5.0, sample_kg=0.5)["grade"].shape
    (0,)
    """
    tops = [sample.depth_top_m or 0.0 for sample in samples]
    bottoms = [
        sample.depth_bottom_m
        if sample.depth_bottom_m is not None
        else (bite_m if top < bite_m else top + bite_m)
        for sample, top in zip(samples, tops, strict=True)
    ]

    def filled(name: str, default: float) -> NDArray[np.float64]:
        found = [getattr(sample, name) for sample in samples]
        return np.array([default if value is None else value for value in found], dtype=np.float64)

    grade = np.array([math.nan if s.trace or s.grade is None else s.grade for s in samples], dtype=np.float64)
    return {
        "sample_id": np.array([sample.id for sample in samples], dtype=np.str_),
        "easting_m": filled("easting_m", math.nan),
        "northing_m": filled("northing_m", math.nan),
        "accuracy_m": filled("accuracy_m", accuracy_m),
        "depth_top_m": np.array(tops, dtype=np.float64),
        "depth_bottom_m": np.array(bottoms, dtype=np.float64),
        "dry_mass_kg": filled("dry_mass_kg", sample_kg),
        "grade": grade,
        "trace": np.array([sample.trace for sample in samples], dtype=np.bool_),
        "day": np.array([sample.day for sample in samples], dtype="datetime64[D]"),
        "place": np.array(
            [s.place or f"{s.easting_m:.1f} {s.northing_m:.1f}" for s in samples], dtype=np.str_
        ),
    }


def sample_rows(samples: Sequence[Sample]) -> list[dict[str, Any]]:
    """Lay samples out as rows under the dictionary's names, for export.

    Parameters
    ----------
    samples : sequence of Sample
        The records.

    Returns
    -------
    list of dict
        One for each sample; what was not said is None.
    """
    return [
        {
            column.name: ("yes" if sample.trace else None)
            if column.name == "trace"
            else getattr(sample, column.name)
            for column in SAMPLE_COLUMNS
        }
        for sample in samples
    ]
