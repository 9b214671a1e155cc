"""Looking over a site: whether it is whole, and which records look wrong."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from washgrade.errors import GroundError, SiteError
from washgrade.survey.answers import estimate
from washgrade.survey.belief import diagnose, holes, repeats
from washgrade.survey.records import notebook
from washgrade.survey.steps import Progress, open_ground, stage
from washgrade.units import show_count, show_share

__all__ = ["Check", "check"]

# Our choices, because a bucket of wet sand weighs less, and no streak in a wash is so clean.
HEAVY_KG = 50.0
NEARLY_PURE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What looking over a site found.

    Parameters
    ----------
    fine : tuple of str
        What is whole.
    notes : tuple of str
        What is neither good nor wrong, and worth knowing.
    doubts : tuple of str
        What a person should look at.
    """

    fine: tuple[str, ...]
    notes: tuple[str, ...]
    doubts: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Lay it out for other programs.

        Returns
        -------
        dict
            Three lists of sentences.
        """
        return {"fine": list(self.fine), "notes": list(self.notes), "doubts": list(self.doubts)}


def check(site: Path | str, *, on: str | date | None = None, progress: Progress | None = None) -> Check:
    """Look over a site: whether it is whole, and which records look wrong.

    Parameters
    ----------
    site : Path or str
        The site folder.
    on : str or date, optional
        The day; later records are left out. Today if left out.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Check
        What is fine, what to know, and what to look at.

    Raises
    ------
    SiteError
        If the folder is no site.
    InputError
        If the date or a setting is wrong.
    """
    from washgrade.files.geopackage import intact
    from washgrade.files.groundstore import check_dem
    from washgrade.files.sample import grade_and_mass
    from washgrade.sand.doubts import doubts_of
    from washgrade.units import show_length, show_mass

    fine, notes, doubts = [], [], []
    tell = stage(progress, 0.0, 1.0)
    tell("looking at the files", 0.0)
    opened, facts = open_ground(site)
    faults = intact(opened.geopackage)
    if faults:
        doubts += [f"site.gpkg: {fault}" for fault in faults]
    else:
        fine.append("site.gpkg is whole.")
    try:
        check_dem(opened)
        fine.append("terrain.tif and the channels belong together.")
    except (SiteError, GroundError) as error:
        return Check(fine=tuple(fine), notes=(), doubts=(*doubts, str(error)))
    doubts += facts.doubts
    found = estimate(site, on=on, progress=stage(progress, 0.1, 0.8))
    tell("looking at the records", 0.8)
    units = found.settings.units
    seen = found.grade.observations
    struck = len(notebook(site, on=on, struck=True, kind="samples")) - len(found.samples)
    notes.append(
        f"{show_count(len(found.samples), 'sample')} counted, {struck} struck; "
        f"{show_count(len(seen), 'reading')} used, on {show_count(len(found.channels.reaches), 'reach')}."
    )
    doubts += [
        f"Sample {name}: it lies {show_length(offset_m, units)} from the nearest channel, farther than the "
        f"{show_length(found.settings.snap_max_m, units)} that count. Is its place right?"
        for name, offset_m in seen.unplaced
    ]
    for sample in found.samples:
        if sample.dry_mass_kg is not None and sample.dry_mass_kg > HEAVY_KG:
            doubts.append(
                f"Sample {sample.id}: a dry mass of {show_mass(sample.dry_mass_kg, units)} is more than one "
                "person carries. Is it in the right unit?"
            )
        made, _mass_kg = grade_and_mass(sample, porosity=found.settings.porosity)
        if made is not None and made > NEARLY_PURE:
            doubts.append(
                f"Sample {sample.id}: a grade of {show_share(made)} is nearly pure magnetics. Is the "
                "dry mass that of the whole sample?"
            )
    doubts += [
        f"Place {name}: its layers of one day lie {show_length(apart_m, units)} apart, too far to be one "
        "hole, and are read as several. Is the name used twice?"
        for name, apart_m in seen.split
    ]
    doubts += [f"Sample {name}: not counted, because {why}" for name, why in seen.left_out]
    judged = diagnose(found)
    notes += [judged.sentence, repeats(found).sentence]
    notes += [sentence for hole in holes(found) for sentence in hole.told(units)]
    readings = doubts_of(found.channels, found.laid, found.weighed, diagnosis=judged)
    doubts += [doubt.told(units) for doubt in readings]
    return Check(fine=tuple(fine), notes=tuple(notes), doubts=tuple(doubts))
