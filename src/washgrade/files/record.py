"""What all records share, whatever their kind: how they are named, dated, placed, compared and laid out."""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from washgrade.files.columns import KINDS

__all__ = [
    "Record",
    "content_id",
    "id_of_undoing",
    "number_column",
    "record_rows",
    "shared_arrays",
    "text_column",
]

_NAMESPACE = uuid.UUID("b43cf054-e8c0-49ca-9dbf-e9223d30da2f")
_PLACES = frozenset({"lon", "lat", "end_lon", "end_lat"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One record as the notebook keeps it; what was not said is None, or empty.

    Parameters
    ----------
    id : str
        Its own name for ever.
    time : str
        ISO day, or moment.
    lon, lat : float or None
        WGS 84, degrees; None where the record is about the whole ground.
    easting_m, northing_m : float or None
        The same on the site's grid, metres.
    accuracy_m : float, optional
        How far off the place may be, metres.
    place, note, source : str
        Texts, empty if not said.
    recorded_at, struck_at, struck_why : str
        How it came into the notebook, and out of use.
    """

    kind: ClassVar[str] = ""

    id: str
    time: str
    lon: float | None = None
    lat: float | None = None
    easting_m: float | None = None
    northing_m: float | None = None
    accuracy_m: float | None = None
    place: str = ""
    note: str = ""
    source: str = ""
    recorded_at: str = ""
    struck_at: str = ""
    struck_why: str = ""

    @property
    def day(self) -> date:
        """The day it is about, as written."""
        return date.fromisoformat(self.time[:10])

    @property
    def content(self) -> dict[str, Any]:
        """What the record says, without how it came about; numbers to nine digits, places to a centimetre.

        Two records of one id are the same record if and only if this is equal, so the rounding that a text
        format does must not show here. Where only a reach was named, its place is none of the content: it is
        read off the ground, and a later ground may name its reaches otherwise.
        """
        # One notebook has all kinds: a dig and a look that say the same are two records.
        found: dict[str, Any] = {} if self.kind == "samples" else {"kind": self.kind}
        unsaid = {"lon", "lat"} if getattr(self, "by_reach", False) else set()
        for column in KINDS[self.kind].columns:
            value = getattr(self, column.name)
            if not column.content or column.name in unsaid or value is None or value == "" or value is False:
                continue
            if column.name in _PLACES:
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
        `Record.content`.

    Returns
    -------
    str
        A version 5 UUID: the same content has the same id on every machine.
    """
    return str(uuid.uuid5(_NAMESPACE, json.dumps(content, sort_keys=True)))


def id_of_undoing(struck_id: str) -> str:
    """Make the id under which a struck record is entered again when the strike is undone.

    Parameters
    ----------
    struck_id : str
        Id of the struck record.

    Returns
    -------
    str
        A version 5 UUID: undone twice, or in two copies of a notebook, it is one record.
    """
    return str(uuid.uuid5(_NAMESPACE, f"again {struck_id}"))


def record_rows(records: Sequence[Record], *, with_kind: bool = False) -> list[dict[str, Any]]:
    """Lay records out as rows under the dictionary's names, for export.

    Parameters
    ----------
    records : sequence of Record
        The records, of one kind or of several.
    with_kind : bool, default False
        Name the kind of each in a column ``kind``, as a file of several kinds needs it.

    Returns
    -------
    list of dict
        One for each record; what was not said is None, or empty, and a flag ``yes`` or None.
    """
    return [
        ({"kind": KINDS[record.kind].one} if with_kind else {})
        | {
            column.name: ("yes" if getattr(record, column.name) else None)
            if column.kind == "flag"
            else getattr(record, column.name)
            for column in KINDS[record.kind].columns
        }
        for record in records
    ]


def number_column(values: Iterable[float | None]) -> NDArray[np.float64]:
    """Make a column of numbers.

    Parameters
    ----------
    values : iterable of float or None
        The values.

    Returns
    -------
    ndarray of float64
        NaN where there is none.
    """
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)


def text_column(values: Iterable[str]) -> NDArray[np.str_]:
    """Make a column of texts.

    Parameters
    ----------
    values : iterable of str
        The values.

    Returns
    -------
    ndarray of str
        Empty where there is none.
    """
    return np.array(list(values), dtype=np.str_)


def shared_arrays(records: Sequence[Record]) -> dict[str, NDArray[Any]]:
    """Lay out as columns what all records share.

    Parameters
    ----------
    records : sequence of Record
        The records.

    Returns
    -------
    dict of str to ndarray, each of shape (records,)
        ``easting_m, northing_m, accuracy_m`` (float64, NaN where not said), ``day`` (datetime64[D]),
        ``place`` (text).
    """
    return {
        "easting_m": number_column(record.easting_m for record in records),
        "northing_m": number_column(record.northing_m for record in records),
        "accuracy_m": number_column(record.accuracy_m for record in records),
        "day": np.array([record.day for record in records], dtype="datetime64[D]"),
        "place": text_column(record.place for record in records),
    }
