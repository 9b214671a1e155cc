"""One storm: rain that fell, a flood mark that it left, or word that the wash did not run."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from washgrade.files.judging import Frame, lacks_place_or_time, read_moment
from washgrade.files.record import Record, number_column, shared_arrays, text_column

__all__ = ["Storm", "course_text", "judge", "lacks", "read_course", "storm_arrays"]

# A course that says more than this many steps is no storm but a log. Our choice, because it is five days of
# minutes; `washgrade storm --gauge` leaves out the steps that say nothing new.
MOST_STEPS = 7200
# Two figures of one duration, or of one rain, differ by rounding only.
_AGREE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Storm(Record):
    """One storm, as recorded; see `Record` for what it shares with the other kinds.

    Parameters
    ----------
    reach : str
        Reach of the flood mark, as it was called then.
    by_reach : bool
        Whether the place is the middle of that reach.
    end : str
        Moment when the rain ended.
    duration_h : float, optional
        How long it rained, hours.
    rain_mm : float, optional
        What fell, millimetres.
    rain_source : str
        Where that figure comes from.
    gauge : str
        Course of the rain as JSON; see `read_course`.
    mark_depth_m, mark_width_m : float, optional
        Flood mark at the place: height above the bed, and width of the flow, metres.
    no_flow : bool
        Whether the wash did not run: at the place, or anywhere if there is none.
    """

    kind: ClassVar[str] = "storms"

    reach: str = ""
    by_reach: bool = False
    end: str = ""
    duration_h: float | None = None
    rain_mm: float | None = None
    rain_source: str = ""
    gauge: str = ""
    mark_depth_m: float | None = None
    mark_width_m: float | None = None
    no_flow: bool = False


def course_text(time_h: Sequence[float], fallen_mm: Sequence[float]) -> str:
    """Write the course of a rain down in one form.

    Parameters
    ----------
    time_h : sequence of float
        Hours since the rain began.
    fallen_mm : sequence of float
        Rain fallen by then, millimetres; between two times it falls evenly.

    Returns
    -------
    str
        JSON without blanks, tenths of a second and thousandths of a millimetre kept.

    Examples
    --------
    >>> course_text([0, 0.5, 0.75], [0, 10, 12.00001])
    '{"time_h":[0.0,0.5,0.75],"fallen_mm":[0.0,10.0,12.0]}'
    """
    return json.dumps(
        {
            "time_h": [round(float(value), 5) + 0.0 for value in time_h],
            "fallen_mm": [round(float(value), 3) + 0.0 for value in fallen_mm],
        },
        separators=(",", ":"),
    )


def read_course(text: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read the course of a rain.

    Parameters
    ----------
    text : str
        What `course_text` wrote.

    Returns
    -------
    time_h, fallen_mm : ndarray of float64, shape (steps,)
        What `washgrade.storm.rain.Hyetograph` takes.

    Examples
    --------
    >>> read_course('{"time_h":[0,0.5],"fallen_mm":[0,12]}')
    (array([0. , 0.5]), array([ 0., 12.]))
    """
    found = json.loads(text)
    return np.array(found["time_h"], dtype=np.float64), np.array(found["fallen_mm"], dtype=np.float64)


def lacks(has: set[str]) -> list[tuple[str, str]]:
    """Say what a storm still needs.

    Parameters
    ----------
    has : set of str
        Names of the columns that are filled.

    Returns
    -------
    list of (str, str)
        What is missing, and what there must be.
    """
    marked = bool({"mark_depth_m", "mark_width_m"} & has)
    missing = lacks_place_or_time(has, reach=True, place=marked)
    if not (marked or {"rain_mm", "gauge", "no_flow"} & has):
        missing.append(
            (
                "rain or flow",
                "It must have rain_mm, or gauge, or mark_depth_m or mark_width_m with a place, or no_flow.",
            )
        )
    return missing


def judge(values: dict[str, Any], frame: Frame) -> list[str]:
    """Check what a storm says against itself, and work out how long it rained.

    Parameters
    ----------
    values : dict
        Its values, changed in place.
    frame : Frame
        What it is judged against.

    Returns
    -------
    list of str
        One sentence for each fault.
    """
    del frame
    faults = _course(values) + _duration(values)
    if values.get("no_flow") and ("mark_depth_m" in values or "mark_width_m" in values):
        faults.append("The storm has a flood mark and 'no_flow' says yes. It must have one of the two.")
    return faults


def _duration(values: dict[str, Any]) -> list[str]:
    # From start and end, where both are moments of one kind.
    if "end" not in values or "time" not in values:
        return []
    start, end = read_moment(values["time"]), read_moment(values["end"])
    if start is None or end is None:
        return []
    if "T" not in values["time"] or "T" not in values["end"]:
        if end.date() < start.date():
            return [f"The storm ends on {values['end']}, before it begins on {values['time']}."]
        if "duration_h" in values:
            return []
        return [
            f"The storm begins at {values['time']} and ends at {values['end']}, which do not tell how long "
            "it rained. Both must be moments such as 2025-03-04T10:20, or give its duration instead."
        ]
    if (start.tzinfo is None) != (end.tzinfo is None):
        return [
            f"The storm begins at {values['time']} and ends at {values['end']}, and one of them has no time "
            "zone. Both must have one, or neither."
        ]
    hours = (end - start).total_seconds() / 3600.0
    if hours <= 0.0:
        return [f"The storm ends at {values['end']}, not after it begins at {values['time']}."]
    given = values.setdefault("duration_h", hours)
    if abs(given - hours) > 0.02 + _AGREE * hours:
        return [
            f"The duration of {given:g} h is not what time and end give, {hours:.4g} h. They must agree; "
            "leave one of them out."
        ]
    return []


def _course(values: dict[str, Any]) -> list[str]:
    # A course is one rain from nothing to its whole depth, and agrees with the other figures.
    text = values.get("gauge")
    if text is None:
        return []
    rule = (
        'It must be JSON such as {"time_h":[0,0.5],"fallen_mm":[0,12]}, both beginning at 0, the times '
        "rising and the rain never falling."
    )
    try:
        found = json.loads(text)
        times = [float(value) for value in found["time_h"]]
        depths = [float(value) for value in found["fallen_mm"]]
        good = (
            1 < len(times) == len(depths)
            and times[0] == depths[0] == 0.0
            and all(math.isfinite(value) for value in (*times, *depths))
            and all(a < b for a, b in pairwise(times))
            and all(a <= b for a, b in pairwise(depths))
        )
    except (ValueError, TypeError, KeyError, IndexError):
        good = False
    if not good:
        short = text if len(text) <= 60 else text[:57] + "..."
        return [f"Invalid 'gauge' of {short!r}. {rule}"]
    if len(times) > MOST_STEPS:
        return [
            f"The 'gauge' has {len(times)} steps. It must have at most {MOST_STEPS}; is it one storm, or a "
            "log?"
        ]
    faults = []
    for name, word, unit, made in (
        ("rain_mm", "rain", "mm", depths[-1]),
        ("duration_h", "duration", "h", times[-1]),
    ):
        given = values.setdefault(name, made)
        if abs(given - made) > 0.05 + _AGREE * made:
            faults.append(
                f"The {word} of {given:g} {unit} is not what the gauge gives, {made:.4g} {unit}. They must "
                "agree; leave one of them out."
            )
    values["gauge"] = course_text(times, depths)
    return faults


def storm_arrays(storms: Sequence[Storm]) -> dict[str, NDArray[Any]]:
    """Lay storms out as equal-length columns.

    Parameters
    ----------
    storms : sequence of Storm
        The records.

    Returns
    -------
    dict of str to ndarray, each of shape (storms,)
        ``storm_id, time, reach, rain_source, gauge, place`` (text, empty for none), ``easting_m, northing_m,
        accuracy_m, rain_mm, duration_h, mark_depth_m, mark_width_m`` (float64, NaN where not said),
        ``no_flow`` (bool), ``day`` (datetime64[D]).

    Examples
    --------
    >>> storm_arrays([])["rain_mm"].shape
    (0,)
    """
    return shared_arrays(storms) | {
        "storm_id": text_column(storm.id for storm in storms),
        "time": text_column(storm.time for storm in storms),
        "reach": text_column(storm.reach for storm in storms),
        "rain_mm": number_column(storm.rain_mm for storm in storms),
        "duration_h": number_column(storm.duration_h for storm in storms),
        "rain_source": text_column(storm.rain_source for storm in storms),
        "gauge": text_column(storm.gauge for storm in storms),
        "mark_depth_m": number_column(storm.mark_depth_m for storm in storms),
        "mark_width_m": number_column(storm.mark_width_m for storm in storms),
        "no_flow": np.array([storm.no_flow for storm in storms], dtype=np.bool_),
    }
