"""One field sample as the notebook keeps it, and samples laid out as columns and as rows."""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washgrade.files.columns import SAMPLE_COLUMNS

__all__ = ["Sample", "as_arrays", "content_id", "sample_rows"]

_NAMESPACE = uuid.UUID("b43cf054-e8c0-49ca-9dbf-e9223d30da2f")


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


def as_arrays(samples: Sequence[Sample]) -> dict[str, NDArray[Any]]:
    """Lay samples out as the equal-length columns of `washgrade.sand.sample.Samples`.

    Parameters
    ----------
    samples : sequence of Sample
        The records.

    Returns
    -------
    dict of str to ndarray, each of shape (samples,)
        ``sample_id`` and ``place`` (text, empty for none), ``easting_m, northing_m, accuracy_m, depth_top_m,
        depth_bottom_m, dry_mass_kg, grade`` (float64, NaN where not said; the grade of a trace is NaN),
        ``trace`` (bool), ``day`` (datetime64[D]), ``moisture`` (NaN where the dry mass was weighed, not
        worked out from the wet one). A layer with a bottom alone begins at the surface.

    Examples
    --------
    >>> as_arrays([])["grade"].shape
    (0,)
    """

    def column(values: Iterable[float | None]) -> NDArray[np.float64]:
        return np.array([math.nan if value is None else value for value in values], dtype=np.float64)

    layered = [sample.depth_bottom_m is not None for sample in samples]
    return {
        "sample_id": np.array([s.id for s in samples], dtype=np.str_),
        "easting_m": column(s.easting_m for s in samples),
        "northing_m": column(s.northing_m for s in samples),
        "accuracy_m": column(s.accuracy_m for s in samples),
        "depth_top_m": column(
            (s.depth_top_m or 0.0) if has else None for s, has in zip(samples, layered, strict=True)
        ),
        "depth_bottom_m": column(s.depth_bottom_m for s in samples),
        "dry_mass_kg": column(s.dry_mass_kg for s in samples),
        "grade": column(None if s.trace else s.grade for s in samples),
        "trace": np.array([s.trace for s in samples], dtype=np.bool_),
        "day": np.array([s.day for s in samples], dtype="datetime64[D]"),
        "place": np.array([s.place for s in samples], dtype=np.str_),
        "moisture": column(_moisture_used(s) for s in samples),
    }


def _moisture_used(sample: Sample) -> float | None:
    # The records keep the dry mass that the wet mass and the moisture gave; a weighed one differs a little.
    wet_kg, moisture, dry_kg = sample.wet_mass_kg, sample.moisture, sample.dry_mass_kg
    if wet_kg is None or moisture is None or dry_kg is None:
        return None
    return moisture if math.isclose(dry_kg, wet_kg * (1.0 - moisture), rel_tol=1e-6) else None


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
