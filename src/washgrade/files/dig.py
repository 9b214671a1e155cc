"""One dig: where how much was taken out, and what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from numpy.typing import NDArray

from washgrade.files.judging import Frame, judge_place, lacks_place_or_time
from washgrade.files.record import Record, number_column, shared_arrays, text_column

__all__ = ["Dig", "dig_arrays", "judge", "lacks"]

_AMOUNTS = ("loads", "buckets", "volume_litres", "product_mass_kg")
_END_LON_LAT = {"end_lon", "end_lat"}
_END_GRID = {"end_easting_m", "end_northing_m"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dig(Record):
    """One dig, as recorded; see `Record` for what it shares with the other kinds.

    Parameters
    ----------
    reach : str
        Reach where was dug, as it was called then; empty where a place was given alone.
    by_reach : bool
        Whether the place is the middle of that reach.
    end_lon, end_lat : float, optional
        Other end of a stretch, WGS 84, degrees.
    end_easting_m, end_northing_m : float, optional
        The same on the site's grid, metres.
    loads, buckets : float, optional
        Shovel loads dug, and buckets filled.
    bucket_litres, volume_litres : float, optional
        What one bucket holds, and what was dug, litres of loose sand.
    dug_litres : float, optional
        What was dug by volume, buckets or loads, as worked out when it was entered; None where only the
        product was weighed.
    bite_m : float, optional
        How deep was dug, metres.
    product_mass_kg : float, optional
        Cleaned product, kilograms.
    purity : float, optional
        Share of magnetics in it.
    """

    kind: ClassVar[str] = "digs"

    lon: float
    lat: float
    easting_m: float
    northing_m: float
    reach: str = ""
    by_reach: bool = False
    end_lon: float | None = None
    end_lat: float | None = None
    end_easting_m: float | None = None
    end_northing_m: float | None = None
    loads: float | None = None
    buckets: float | None = None
    bucket_litres: float | None = None
    volume_litres: float | None = None
    dug_litres: float | None = None
    bite_m: float | None = None
    product_mass_kg: float | None = None
    purity: float | None = None


def lacks(has: set[str]) -> list[tuple[str, str]]:
    """Say what a dig still needs.

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
    if (has & (_END_LON_LAT | _END_GRID)) and not any(has >= end for end in (_END_LON_LAT, _END_GRID)):
        missing.append(
            (
                "other end",
                "A stretch must have end_lon and end_lat, or end_easting_m and end_northing_m, beside its "
                "place.",
            )
        )
    if not has & set(_AMOUNTS):
        missing.append(("amount", "It must have loads, buckets, volume_litres or product_mass_kg."))
    return missing


def judge(values: dict[str, Any], frame: Frame) -> list[str]:
    """Check what a dig says against itself, and work out how much was dug.

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
    faults = judge_place(values, frame, prefix="end_")
    if "bucket_litres" in values and "buckets" not in values:
        faults.append("There is the size of a bucket and no number of buckets. It must have buckets as well.")
    if "purity" in values and "product_mass_kg" not in values:
        faults.append("There is a purity and no product. It must have product_mass_kg as well.")
    if values.get("by_reach") and (_END_LON_LAT | _END_GRID) & values.keys():
        faults.append("The dig has a reach alone and the other end of a stretch. It must have both ends.")
    # Written down now, so that a shovel bought later does not change what was dug.
    if "dug_litres" not in values:
        litres = _litres(values, frame)
        if litres is not None:
            values["dug_litres"] = litres
    return faults


def _litres(values: dict[str, Any], frame: Frame) -> float | None:
    if "volume_litres" in values:
        return float(values["volume_litres"])
    if "buckets" in values:
        return float(values["buckets"] * values.get("bucket_litres", frame.bucket_litres))
    if "loads" in values:
        return float(values["loads"] * frame.shovel_litres)
    return None


def dig_arrays(digs: Sequence[Dig]) -> dict[str, NDArray[Any]]:
    """Lay digs out as equal-length columns.

    Parameters
    ----------
    digs : sequence of Dig
        The records.

    Returns
    -------
    dict of str to ndarray, each of shape (digs,)
        ``dig_id, reach, place`` (text, empty for none), ``easting_m, northing_m, accuracy_m, end_easting_m,
        end_northing_m, loads, buckets, dug_litres, bite_m, product_mass_kg, purity`` (float64, NaN where not
        said), ``day`` (datetime64[D]).

    Examples
    --------
    >>> dig_arrays([])["dug_litres"].shape
    (0,)
    """
    names = (
        "end_easting_m",
        "end_northing_m",
        "loads",
        "buckets",
        "dug_litres",
        "bite_m",
        "product_mass_kg",
        "purity",
    )
    return (
        shared_arrays(digs)
        | {
            "dig_id": text_column(dig.id for dig in digs),
            "reach": text_column(dig.reach for dig in digs),
        }
        | {name: number_column(getattr(dig, name) for dig in digs) for name in names}
    )
