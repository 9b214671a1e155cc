"""What is asked of every record, whatever its kind: a day that has been, and a place on the ground."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from washgrade.files.places import lonlat, to_grid
from washgrade.units import GALLON_M3

__all__ = ["Contains", "Frame", "judge_place", "judge_time", "lacks_place_or_time", "read_moment"]

Contains = Callable[[float, float], bool]
"""Whether the ground holds a place, by its easting and northing in metres."""

# Grid and longitude/latitude of one place differ by less than a metre between modern datums; a wrong zone or
# a wrong datum of the last century by far more.
_AGREE_M = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What records are judged against.

    Parameters
    ----------
    crs : str
        The site's grid.
    today : date
        The last day that a record may have.
    contains : callable, optional
        Whether the ground holds a place; every place is taken if left out.
    reach_middle : callable, optional
        Easting and northing of the middle of a reach, metres, by its id; None where there is no such reach.
        No reach is known if left out.
    shovel_litres : float, default 4.0
        Loose sand in one shovel load, as the settings have it.
    bucket_litres : float
        Loose sand in one bucket where the record does not say. Five US gallons, 18.9 litres: our choice,
        because the common builder's bucket holds that; common practice, no source.
    """

    crs: str
    today: date
    contains: Contains | None = None
    reach_middle: Callable[[str], tuple[float, float] | None] | None = None
    shovel_litres: float = 4.0
    bucket_litres: float = 5000.0 * GALLON_M3


def read_moment(text: str) -> datetime | None:
    """Read a day or a moment.

    Parameters
    ----------
    text : str
        ISO 8601, the day with hyphens.

    Returns
    -------
    datetime or None
        The moment, midnight for a day; None if it is none.

    Examples
    --------
    >>> read_moment("2025-03-04"), read_moment("3/4/2025")
    (datetime.datetime(2025, 3, 4, 0, 0), None)
    """
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if re.match(r"\d{4}-\d\d-\d\d", text) else None


def lacks_place_or_time(has: set[str], *, reach: bool, place: bool = True) -> list[tuple[str, str]]:
    """Say what of place and time is missing.

    Parameters
    ----------
    has : set of str
        Names of the columns that are filled.
    reach : bool
        Whether the id of a reach may stand for the place.
    place : bool, default True
        Whether a place is needed at all.

    Returns
    -------
    list of (str, str)
        What is missing, and what there must be.

    Examples
    --------
    >>> lacks_place_or_time({"time", "lon"}, reach=False)
    [('place', 'It must have lon and lat, or easting_m and northing_m.')]
    """
    missing = []
    placed = {"lon", "lat"} <= has or {"easting_m", "northing_m"} <= has or (reach and "reach" in has)
    if place and not placed:
        rule = "lon and lat, or easting_m and northing_m" + (", or reach" if reach else "")
        missing.append(("place", f"It must have {rule}."))
    if "time" not in has:
        missing.append(("time", "It must have time, such as 2025-03-04."))
    return missing


def judge_time(values: dict[str, Any], frame: Frame) -> list[str]:
    """Check the days and moments of a record, and write each in one form.

    Parameters
    ----------
    values : dict
        The record's values, changed in place.
    frame : Frame
        What it is judged against.

    Returns
    -------
    list of str
        One sentence for each fault.
    """
    faults = []
    for name in ("time", "end", "recorded_at", "struck_at"):
        text = values.get(name)
        if text is None:
            continue
        moment = read_moment(text)
        if moment is None:
            faults.append(
                f"Invalid '{name}' of {text!r}. It must be a day such as 2025-03-04, or a moment such as "
                "2025-03-04T10:20:00+01:00."
            )
            del values[name]
            continue
        # East of Greenwich the local day may be ahead of ours.
        slack = timedelta(days=1 if moment.tzinfo else 0)
        if name in {"time", "end"} and moment.date() > frame.today + slack:
            faults.append(
                f"The {name} {text} lies in the future. It must be {frame.today.isoformat()} or before."
            )
        is_day = re.fullmatch(r"\d{4}-\d\d-\d\d", text)
        values[name] = text if is_day else moment.isoformat()
    return faults


def judge_place(
    values: dict[str, Any], frame: Frame, *, prefix: str = "", anywhere: bool = False
) -> list[str]:
    """Complete a place from either side or from its reach, and check that it lies on the ground.

    Parameters
    ----------
    values : dict
        The record's values, changed in place.
    frame : Frame
        What it is judged against.
    prefix : str, default ""
        ``end_`` for the other end of a stretch.
    anywhere : bool, default False
        Take a place off the ground too, such as a neighbour's rain gauge.

    Returns
    -------
    list of str
        One sentence for each fault.
    """
    names = tuple(prefix + name for name in ("lon", "lat", "easting_m", "northing_m"))
    word = "other end" if prefix else "place"
    lon, lat, easting_m, northing_m = (values.get(name) for name in names)
    if lon is not None and lat is not None:
        made_east, made_north = (float(part) for part in to_grid(frame.crs, lon, lat))
        if easting_m is None or northing_m is None:
            values[names[2]], values[names[3]] = easting_m, northing_m = made_east, made_north
        else:
            apart = math.hypot(easting_m - made_east, northing_m - made_north)
            if not apart <= _AGREE_M:
                return [
                    f"The {word} by easting_m and northing_m lies {apart:.0f} m from the {word} by lon and "
                    f"lat. They must agree within {_AGREE_M:g} m; leave one of the two out."
                ]
    elif easting_m is not None and northing_m is not None:
        found_lon, found_lat = (float(part) for part in lonlat(frame.crs, easting_m, northing_m))
        if math.isfinite(found_lon) and math.isfinite(found_lat):
            values[names[0]], values[names[1]] = found_lon, found_lat
        else:
            return [f"The {word} at easting {easting_m:g}, northing {northing_m:g} is off the earth."]
    elif not prefix and values.get("reach") and not any(name in values for name in names):
        return _reach_place(values, frame)
    else:
        return []
    if anywhere or frame.contains is None or frame.contains(easting_m, northing_m):
        return []
    return [_off_ground(word, lon, lat, easting_m, northing_m, frame.crs, frame.contains)]


def _reach_place(values: dict[str, Any], frame: Frame) -> list[str]:
    reach = values["reach"]
    middle = frame.reach_middle(reach) if frame.reach_middle is not None else None
    if middle is None:
        return [
            f"There is no reach {reach!r} on the ground. It must be one that `washgrade rank` lists; or give "
            "the place."
        ]
    values["easting_m"], values["northing_m"] = middle
    values["lon"], values["lat"] = (float(part) for part in lonlat(frame.crs, *middle))
    values["by_reach"] = True
    return []


def _off_ground(
    word: str,
    lon: float | None,
    lat: float | None,
    easting_m: float,
    northing_m: float,
    crs: str,
    contains: Contains,
) -> str:
    # What is wrong with a place off the ground, and what may have been meant.
    if lon is None or lat is None:
        at = f"The {word} at easting {easting_m:.1f}, northing {northing_m:.1f} lies outside the ground"
        if contains(northing_m, easting_m):
            return f"{at}, but with the two swapped it lies inside. Check which column holds the easting."
        return f"{at}. It must lie on the DEM."
    at = f"The {word} at lon {lon:g}, lat {lat:g} lies outside the ground"
    if abs(lon) <= 90.0 and contains(*(float(part) for part in to_grid(crs, lat, lon))):
        return f"{at}, but with the two swapped it lies inside. Check which column holds the longitude."
    if contains(*(float(part) for part in to_grid(crs, -lon, lat))):
        return (
            f"{at}, but with the sign of the longitude turned it lies inside. West of Greenwich the "
            "longitude is negative."
        )
    return f"{at}. It must lie on the DEM."
