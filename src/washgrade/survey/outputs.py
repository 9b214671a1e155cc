"""What is written for people and other programs: the page and the files."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.errors import InputError, SiteError
from washgrade.survey.answers import estimate
from washgrade.survey.days import plan_digging_day
from washgrade.survey.pageview import page_view
from washgrade.survey.ranking import rank
from washgrade.survey.records import notebook, records
from washgrade.survey.steps import Progress, stage
from washgrade.survey.walks import plan_sampling_walk

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from washgrade.page.view import PageView

__all__ = ["export", "save_page", "write_page"]


def write_page(
    site: Path | str,
    *,
    out: Path | str | None = None,
    title: str | None = None,
    on: str | date | None = None,
    units: str | None = None,
    walk_hours: float | None = None,
    day_hours: float | None = None,
    beside: str | date | None = None,
    installable: Path | str | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write the map of a site as one HTML file, or as a folder that phones install.

    Parameters
    ----------
    site : Path or str
        The site folder.
    out : Path or str, optional
        Where; ``out/page.html`` in the site if left out.
    title : str, optional
        Heading; the name of the site's folder if left out.
    on : str or date, optional
        The day; today if left out.
    units : {"us", "metric"}, optional
        Units shown first; the site's setting if left out.
    walk_hours : float, optional
        Plan a sampling walk of so many hours from the first point of access, and show it.
    day_hours : float, optional
        Plan a digging day of so many hours from there, and show it.
    beside : str or date, optional
        Another day to show beside; the one before the last storm if left out.
    installable : Path or str, optional
        Write a folder to be put on a static host instead: page, manifest, icons and the worker that keeps
        them on the phone. Made if it is missing; other files in it stay.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Path
        The file, or the page in the folder.

    Raises
    ------
    SiteError
        If the site has no ground, or the file cannot be written.
    InputError
        If the date or a setting is wrong, or both ``out`` and ``installable`` are given.
    """
    from washgrade.files.site import replacing
    from washgrade.page.installable import render_installable

    if out is not None and installable is not None:
        raise InputError("Both 'out' and 'installable' are given. One of them must be left out.")

    found = estimate(site, on=on, progress=stage(progress, 0.0, 0.6))
    walk = None
    if walk_hours is not None:
        walk = plan_sampling_walk(found, hours=walk_hours, progress=stage(progress, 0.6, 0.7))
    ranking = rank(found)
    day = None
    if day_hours is not None:
        day = plan_digging_day(ranking, hours=day_hours, progress=stage(progress, 0.7, 0.8))
    stage(progress, 0.8, 1.0)("drawing", 0.0)
    view = page_view(ranking, title=title, units=units, walk=walk, day=day, beside=beside)
    if installable is not None:
        folder = Path(installable)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise SiteError(f"{folder}: The folder cannot be made ({error.strerror}).") from None
        for name, content in render_installable(view).items():
            with replacing(folder / name) as draft:
                draft.write_bytes(content)
        return folder / "index.html"
    path = Path(out) if out is not None else found.site.out / "page.html"
    if out is None:
        found.site.out.mkdir(exist_ok=True)
    return save_page(view, path)


def save_page(view: PageView, out: Path | str) -> Path:
    """Write what `page_view` laid out as one HTML file.

    Parameters
    ----------
    view : PageView
        The page's whole content.
    out : Path or str
        Where.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SiteError
        If the file cannot be written.
    """
    from washgrade.files.site import replacing
    from washgrade.page.build import render_page

    content = render_page(view)
    with replacing(Path(out)) as draft:
        draft.write_bytes(content)
    return Path(out)


def export(
    site: Path | str,
    *,
    form: str,
    what: str = "reaches",
    top: int | None = None,
    out: Path | str | None = None,
    on: str | date | None = None,
    progress: Progress | None = None,
) -> Path:
    """Write reaches, or records, for other programs.

    Parameters
    ----------
    site : Path or str
        The site folder.
    form : {"csv", "geojson", "gpx", "kml", "gpkg"}
        The format.
    what : {"reaches", "records", "samples", "storms", "digs", "looks"}, default "reaches"
        What to write; ``records`` are those of all kinds, each with its kind beside it.
    top : int, optional
        Only the best reaches; all if left out.
    out : Path or str, optional
        Where; in the site's ``out`` if left out.
    on : str or date, optional
        The day; today if left out.
    progress : callable, optional
        Told the step and the share done, 0 to 1.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the format, the kind or the date is wrong.
    SiteError
        If the site has no ground, or the file cannot be written.
    """
    import numpy as np

    from washgrade.checks import choice
    from washgrade.files.columns import KINDS
    from washgrade.files.exchange import FORMATS
    from washgrade.files.places import lonlat
    from washgrade.files.record import record_rows
    from washgrade.files.site import open_site
    from washgrade.land.channels import reach_lines

    choice("to", form, tuple(FORMATS))
    choice("what", what, ("reaches", "records", *KINDS))
    opened = open_site(site)
    path = Path(out) if out is not None else opened.out / f"{what}.{form}"
    if out is None:
        opened.out.mkdir(exist_ok=True)
    rows: list[dict[str, Any]]
    shapes: list[NDArray[np.float64]]
    if what != "reaches":
        kept = notebook(site, on=on) if what == "records" else records(site, what, on=on)
        if not kept:
            one = KINDS[what].one if what in KINDS else "record"
            raise InputError(f"The notebook holds no {one} to write. Enter one, or add a file of them.")
        if top is not None:
            raise InputError(f"Invalid 'top' for {what}. It chooses the best reaches; leave it out.")
        rows = record_rows(kept, with_kind=what == "records")
        shapes = [np.array([record.lon, record.lat], dtype=np.float64) for record in kept]
    else:
        ranking = rank(estimate(site, on=on, progress=progress))
        found = ranking.estimate
        easting_m, northing_m, start = reach_lines(found.channels)
        line = np.column_stack(lonlat(found.facts.crs, easting_m, northing_m))
        index = {str(name): k for k, name in enumerate(found.channels.reaches.reach_id)}
        rows, shapes = [], []
        for entry in ranking.rows(top=top):
            k = index[entry["reach"]]
            rows.append(_flat(entry))
            shapes.append(line[start[k] : start[k + 1]])
    FORMATS[form](path, rows, shapes)
    return path


def _flat(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Lay a nested row flat: ``grade_p10`` for ``grade`` > ``p10``; sentences joined."""
    flat: dict[str, Any] = {}
    for name, value in entry.items():
        if isinstance(value, Mapping):
            flat |= {f"{name}_{part}": number for part, number in value.items()}
        elif isinstance(value, list):
            flat[name] = " ".join(value)
        elif value is not None:
            flat[name] = value
    return flat
