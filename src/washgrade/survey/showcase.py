"""The demo: the whole job on an invented valley."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from washgrade.survey.land import build_ground
from washgrade.survey.outputs import write_page
from washgrade.survey.records import add, strike
from washgrade.survey.records import records as survey_records
from washgrade.survey.steps import Progress, stage

__all__ = ["Demo", "run_demo"]

KINDS = ("samples", "storms", "digs", "looks")


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """The demo, laid out and run.

    Parameters
    ----------
    site : Path
        The site folder.
    page : Path
        Its map.
    sentences : tuple of str
        What was done.
    """

    site: Path
    page: Path
    sentences: tuple[str, ...]


def run_demo(folder: Path | str, *, units: str | None = None, progress: Progress | None = None) -> Demo:
    """Lay out the demo site and run the whole job on it.

    Parameters
    ----------
    folder : Path or str
        Where; made if it is missing. Laying it out again over an earlier demo is fine.
    units : {"us", "metric"}, optional
        Units that the page shows first.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Demo
        Where the page is, and what was done.

    Raises
    ------
    SiteError
        If the folder holds something else, or cannot be written.
    """
    from washgrade.demo import SLIP_NOTE, lay_out

    site = Path(folder)
    files = lay_out(site)
    made = build_ground(
        site,
        [files / "dem.tif"],
        property_file=files / "property.geojson",
        no_go_file=files / "no_go.geojson",
        access_file=files / "access.geojson",
        units=units,
        invented=True,
        progress=stage(progress, 0.0, 0.6),
    )
    done = {kind: add(site, files / f"{kind}.csv", kind=kind) for kind in KINDS}
    struck = ""
    for sample in survey_records(site, "samples"):
        if sample.note.startswith(SLIP_NOTE):
            strike(site, sample.id, why="the decimal point slipped")
            struck = " One of them has a slipped decimal point and was struck."
    said = [f"{len(one.added) + len(one.already)} {kind}" for kind, one in done.items()]
    page = write_page(site, title="An invented valley", units=units, progress=stage(progress, 0.6, 1.0))
    return Demo(
        site=site,
        page=page,
        sentences=(
            *made.sentences,
            f"Records of two rainy seasons: {said[0]}, {', '.join(said[1:-1])} and {said[-1]}.{struck}",
        ),
    )
