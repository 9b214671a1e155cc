"""Field samples made from the rows of a file or from what was typed, with every fault said at once."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from washgrade.errors import FileFaults
from washgrade.files.cells import judged_values, unknown_column
from washgrade.files.columns import SAMPLE_COLUMNS, known_names, tidy
from washgrade.files.places import lonlat, to_grid
from washgrade.files.sample import Sample, content_id
from washgrade.files.tables import Table, read_table

__all__ = ["Contains", "make_sample", "read_sample_file"]

Contains = Callable[[float, float], bool]
"""Whether the ground holds a place, by its easting and northing in metres."""

_KNOWN = known_names(SAMPLE_COLUMNS)
# Grid and longitude/latitude of one place differ by less than a metre between modern datums; a wrong zone or
# a wrong datum of the last century by far more.
_AGREE_M = 5.0


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
            faults.append(f"{table.name}: {unknown_column(column, SAMPLE_COLUMNS)}")
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
    ...                       "grade_percent": 12}, crs="EPSG:25830", today=date(2026, 3, 2))
    >>> round(sample.dry_mass_kg, 4), sample.grade
    (0.9072, 0.12)
    """
    given = {tidy(key): value for key, value in cells.items() if value is not None and value != ""}
    faults = [unknown_column(key, SAMPLE_COLUMNS) for key in given if key not in _KNOWN]
    sample, wrong = _sample(given, crs=crs, contains=contains, today=today, where=where, source="")
    if sample is None or faults or wrong:
        raise FileFaults(faults + wrong)
    return sample


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
            + " It must have grade, or trace, or magnetic_mass_kg with dry_mass_kg (or wet_mass_kg and "
            "moisture)."
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
    values, faults = judged_values(cells, _KNOWN)
    grade_unknown = "trace" in values and not values["trace"]
    # What is there but faulty counts as there: it has been told already.
    there = {
        _KNOWN[name][0].name for name, cell in cells.items() if name in _KNOWN and cell not in ("", None)
    }
    faults += _incomplete(there - ({"trace"} if grade_unknown else set()), "There is no {}.")
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
    if bottom is None and top > 0.0:
        return [f"The layer has a top at {top:g} m and no bottom. It must have depth_bottom_m as well."]
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
    if contains(*(float(part) for part in to_grid(crs, -lon, lat))):
        return [
            f"The place at lon {lon:g}, lat {lat:g} lies outside the ground, but with the sign of the "
            "longitude turned it lies inside. West of Greenwich the longitude is negative."
        ]
    return [f"The place at lon {lon:g}, lat {lat:g} lies outside the ground. It must lie on the DEM."]
