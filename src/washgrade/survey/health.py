"""Looking over a site: whether it is whole, and which records look wrong."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import GroundError, SiteError
from washgrade.survey.answers import estimate
from washgrade.survey.records import notebook
from washgrade.survey.steps import open_ground

if TYPE_CHECKING:
    pass

__all__ = ["Check", "check"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What looking over a site found.

    Parameters
    ----------
    fine : tuple of str
        What is whole.
    doubts : tuple of str
        What a person should look at.
    """

    fine: tuple[str, ...]
    doubts: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Lay it out for other programs.

        Returns
        -------
        dict
            Two lists of sentences.
        """
        return {"fine": list(self.fine), "doubts": list(self.doubts)}


def check(site: Path | str) -> Check:
    """Look over a site: whether it is whole, and which records look wrong.

    Parameters
    ----------
    site : Path or str
        The site folder.

    Returns
    -------
    Check
        What is fine, and what to look at.

    Raises
    ------
    SiteError
        If the folder is no site.
    """
    from washgrade.files.geopackage import intact
    from washgrade.files.groundstore import load_dem
    from washgrade.files.sample import as_arrays
    from washgrade.sand.doubts import doubtful_readings
    from washgrade.sand.layers import Samples

    fine, doubts = [], []
    opened, facts = open_ground(site)
    faults = intact(opened.geopackage)
    if faults:
        doubts += [f"site.gpkg: {fault}" for fault in faults]
    else:
        fine.append("site.gpkg is whole.")
    try:
        load_dem(opened)
        fine.append("terrain.tif and the channels belong together.")
    except (SiteError, GroundError) as error:
        return Check(fine=tuple(fine), doubts=(*doubts, str(error)))
    doubts += facts.doubts
    found = estimate(site)
    seen = found.grade.observations
    struck = len(notebook(site, struck=True)) - len(notebook(site))
    fine.append(
        f"{len(found.samples)} samples stand, {struck} struck; {len(seen)} readings count, "
        f"on {len(found.channels.reaches)} reaches."
    )
    doubts += [
        f"Sample {name}: it lies {offset_m:.0f} m from the nearest channel, farther than the "
        f"{found.settings.snap_max_m:g} m that count. Is its place right?"
        for name, offset_m in seen.unplaced
    ]
    doubts += [f"Sample {name}: not counted, because {why}" for name, why in seen.left_out]
    readings = doubtful_readings(
        found.channels, Samples(**as_arrays(found.samples)), settings=found.settings.sampling
    )
    doubts += [doubt.sentence for doubt in readings]
    return Check(fine=tuple(fine), doubts=tuple(doubts))
