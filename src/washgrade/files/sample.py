"""One field sample: what makes it complete, what its masses must obey, and samples laid out as columns."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from washgrade.errors import InputError
from washgrade.files.judging import Frame, lacks_place_or_time
from washgrade.files.record import Record, number_column, shared_arrays, text_column

__all__ = ["PUREST_KG_PER_LITRE", "Sample", "grade_and_mass", "judge", "lacks", "sample_arrays"]

# Equal balls fill at most 0.74 of any room (Kepler's conjecture; Hales 2005, Annals of Mathematics 162), and
# magnetite weighs 5.18 kg a litre (Klein & Dutrow, Manual of Mineral Science).
PUREST_KG_PER_LITRE = 0.74 * 5.18
"""Mass of a litre of the densest sand of magnetite grains, kilograms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample(Record):
    """One field sample, as recorded; see `Record` for what it shares with the other kinds.

    Parameters
    ----------
    grade : float, optional
        Mass of magnetics per dry mass; None for a trace, and where it follows from litres.
    trace : bool
        Whether there was too little to weigh.
    below : float, optional
        Of a trace, the grade that it surely lies below.
    depth_top_m, depth_bottom_m : float, optional
        Metres.
    dry_mass_kg, wet_mass_kg, magnetic_mass_kg : float, optional
        Kilograms.
    volume_litres : float, optional
        Loose dry sand, litres.
    moisture : float, optional
        Water per wet mass.
    """

    kind: ClassVar[str] = "samples"

    lon: float
    lat: float
    easting_m: float
    northing_m: float
    grade: float | None = None
    trace: bool = False
    below: float | None = None
    depth_top_m: float | None = None
    depth_bottom_m: float | None = None
    dry_mass_kg: float | None = None
    wet_mass_kg: float | None = None
    moisture: float | None = None
    magnetic_mass_kg: float | None = None
    volume_litres: float | None = None


def lacks(has: set[str]) -> list[tuple[str, str]]:
    """Say what a sample still needs.

    Parameters
    ----------
    has : set of str
        Names of the columns that are filled.

    Returns
    -------
    list of (str, str)
        What is missing, and what there must be.
    """
    missing = lacks_place_or_time(has, reach=False)
    # A wet mass without its moisture has a sentence of its own, but beside litres it changes nothing.
    dry = "dry_mass_kg" in has or {"wet_mass_kg", "moisture"} <= has or "volume_litres" in has
    if not ({"grade", "trace", "below"} & has or ("magnetic_mass_kg" in has and dry)):
        missing.append(
            (
                "grade",
                "It must have grade, or trace, or magnetic_mass_kg with dry_mass_kg (or wet_mass_kg and "
                "moisture, or volume_litres).",
            )
        )
    return missing


def judge(values: dict[str, Any], frame: Frame) -> list[str]:
    """Check what a sample says against itself, and work out the dry mass and the grade.

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
    faults = _masses(values) + _volume(values) + _layer(values) + _limit(values)
    values.setdefault("trace", False)
    values.setdefault("grade", None)
    if values["grade"] == 0.0:
        values["trace"] = True
    return faults


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


def _volume(values: dict[str, Any]) -> list[str]:
    # Only what no sand can be; the grade itself waits for the porosity that the settings name.
    magnetic, litres = values.get("magnetic_mass_kg"), values.get("volume_litres")
    if magnetic == 0.0 and litres is not None:
        values["trace"] = True
    if magnetic is None or litres is None or magnetic <= PUREST_KG_PER_LITRE * litres:
        return []
    return [
        f"The magnetic mass of {magnetic:g} kg is more than {litres:g} litres hold, "
        f"{PUREST_KG_PER_LITRE * litres:.3g} kg of pure magnetite. Is the volume in the right unit?"
    ]


def _limit(values: dict[str, Any]) -> list[str]:
    # A limit makes a trace of a sample that says nothing else of its grade.
    limit = values.get("below")
    if limit is None:
        return []
    if not 0.0 < limit < 1.0:
        return [f"The limit 'below' of {limit:g} says nothing. It must be above 0 and below 1."]
    if values.get("grade") or values.get("magnetic_mass_kg"):
        return [
            f"The sample has a grade or a magnetic mass and lies 'below' {limit:g}. It must have one of the "
            "two; 'below' is for a trace."
        ]
    if values.setdefault("trace", True) is False:
        return ["The sample lies 'below' a limit and 'trace' says no. They must agree."]
    return []


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


def grade_and_mass(sample: Sample, *, porosity: float = 0.40) -> tuple[float | None, float | None]:
    """Grade and dry mass of a sample, worked out from litres where it was not weighed.

    Parameters
    ----------
    sample : Sample
        The record.
    porosity : float, default 0.40
        Share of loose sand that is air, as the settings have it.

    Returns
    -------
    grade : float or None
        Mass of magnetics per dry mass; None for a trace.
    dry_mass_kg : float or None
        Kilograms; None where neither mass nor volume is known.

    Examples
    --------
    >>> place = {"lon": -2.4, "lat": 37.1, "easting_m": 0.0, "northing_m": 0.0}
    >>> sample = Sample(id="A", time="2026-03-01", magnetic_mass_kg=0.2, volume_litres=1.0, **place)
    >>> grade, dry_mass_kg = grade_and_mass(sample)
    >>> round(grade, 3), round(dry_mass_kg, 3)
    (0.119, 1.688)
    """
    from washgrade.sand.gy import grade_by_volume

    if not _by_volume(sample):
        return sample.grade, sample.dry_mass_kg
    magnetic_kg = sample.magnetic_mass_kg or 0.0
    try:
        made, mass_kg = grade_by_volume(
            magnetic_mass_kg=magnetic_kg, volume_litres=sample.volume_litres or 0.0, porosity=porosity
        )
    except InputError:
        # Packed more closely than the porosity allows: nothing but magnetics.
        made, mass_kg = 1.0, magnetic_kg
    return (sample.grade if sample.trace or sample.grade is not None else made), mass_kg


def _by_volume(sample: Sample) -> bool:
    return sample.dry_mass_kg is None and sample.volume_litres is not None


def sample_arrays(samples: Sequence[Sample], *, porosity: float = 0.40) -> dict[str, NDArray[Any]]:
    """Lay samples out as the equal-length columns of `washgrade.sand.layers.Samples`.

    Parameters
    ----------
    samples : sequence of Sample
        The records.
    porosity : float, default 0.40
        Share of loose sand that is air, for those measured in litres; as the settings have it.

    Returns
    -------
    dict of str to ndarray, each of shape (samples,)
        ``sample_id`` and ``place`` (text, empty for none), ``easting_m, northing_m, accuracy_m, depth_top_m,
        depth_bottom_m, dry_mass_kg, grade, below`` (float64, NaN where not said; the grade of a trace is
        NaN), ``trace`` (bool), ``by_volume`` (bool, the dry mass follows from litres), ``day``
        (datetime64[D]), ``moisture`` (NaN where the dry mass was weighed, not worked out from the wet one). A
        layer with a bottom alone begins at the surface.

    Examples
    --------
    >>> sample_arrays([])["grade"].shape
    (0,)
    """
    layered = [sample.depth_bottom_m is not None for sample in samples]
    told = [grade_and_mass(sample, porosity=porosity) for sample in samples]
    return shared_arrays(samples) | {
        "sample_id": text_column(sample.id for sample in samples),
        "depth_top_m": number_column(
            (s.depth_top_m or 0.0) if has else None for s, has in zip(samples, layered, strict=True)
        ),
        "depth_bottom_m": number_column(s.depth_bottom_m for s in samples),
        "dry_mass_kg": number_column(mass_kg for _, mass_kg in told),
        "grade": number_column(None if s.trace else t[0] for s, t in zip(samples, told, strict=True)),
        "trace": np.array([s.trace for s in samples], dtype=np.bool_),
        "below": number_column(s.below if s.trace else None for s in samples),
        "by_volume": np.array([_by_volume(s) for s in samples], dtype=np.bool_),
        "moisture": number_column(_moisture_used(s) for s in samples),
    }


def _moisture_used(sample: Sample) -> float | None:
    # The records keep the dry mass that the wet mass and the moisture gave; a weighed one differs a little.
    wet_kg, moisture, dry_kg = sample.wet_mass_kg, sample.moisture, sample.dry_mass_kg
    if wet_kg is None or moisture is None or dry_kg is None:
        return None
    return moisture if math.isclose(dry_kg, wet_kg * (1.0 - moisture), rel_tol=1e-6) else None
