"""One look at the bed: what was seen without digging or weighing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from numpy.typing import NDArray

from washgrade.files.judging import Frame, lacks_place_or_time
from washgrade.files.record import Record, number_column, shared_arrays, text_column

__all__ = ["Look", "judge", "lacks", "look_arrays"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look(Record):
    """One look, as recorded; see `Record` for what it shares with the other kinds.

    Parameters
    ----------
    reach : str
        Reach that was looked at, as it was called then; empty where a place was given alone.
    by_reach : bool
        Whether the place is the middle of that reach.
    seen : {"fresh streak", "buried", "bare", "unchanged"}
        What was seen.
    depth_m : float, optional
        Depth of a buried streak, metres.
    """

    kind: ClassVar[str] = "looks"

    lon: float
    lat: float
    easting_m: float
    northing_m: float
    seen: str
    reach: str = ""
    by_reach: bool = False
    depth_m: float | None = None


def lacks(has: set[str]) -> list[tuple[str, str]]:
    """Say what a look still needs.

    Parameters
    ----------
    has : set of str
        Names of the columns that are filled.

    Returns
    -------
    list of (str, str)
        What is missing, and what there must be.
    """
    missing = lacks_place_or_time(has, reach=True)
    if "seen" not in has:
        missing.append(("finding", "It must have seen: fresh streak, buried, bare or unchanged."))
    return missing


def judge(values: dict[str, Any], frame: Frame) -> list[str]:
    """Check what a look says against itself.

    Parameters
    ----------
    values : dict
        Its values.
    frame : Frame
        What it is judged against.

    Returns
    -------
    list of str
        One sentence for each fault.
    """
    del frame
    seen, depth = values.get("seen"), values.get("depth_m")
    if seen == "buried" and depth is None:
        return ["The streak is buried and there is no depth. It must have depth_m."]
    if seen not in {None, "buried"} and depth is not None:
        return [f"There is a depth of {depth:g} m and what was seen is {seen!r}. Only 'buried' has a depth."]
    return []


def look_arrays(looks: Sequence[Look]) -> dict[str, NDArray[Any]]:
    """Lay looks out as equal-length columns.

    Parameters
    ----------
    looks : sequence of Look
        The records.

    Returns
    -------
    dict of str to ndarray, each of shape (looks,)
        ``look_id, reach, place, seen`` (text), ``easting_m, northing_m, accuracy_m, depth_m`` (float64, NaN
        where not said), ``day`` (datetime64[D]).

    Examples
    --------
    >>> look_arrays([])["depth_m"].shape
    (0,)
    """
    return shared_arrays(looks) | {
        "look_id": text_column(look.id for look in looks),
        "reach": text_column(look.reach for look in looks),
        "seen": text_column(look.seen for look in looks),
        "depth_m": number_column(look.depth_m for look in looks),
    }
