"""Keeping the notebook: taking in, entering, listing and striking records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.survey.steps import open_ground, read_day

if TYPE_CHECKING:
    from washgrade.files.notebook import Added
    from washgrade.files.sample import Sample

__all__ = ["Entered", "add", "enter_sample", "notebook", "samples_as_json", "strike"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """One record that was entered.

    Parameters
    ----------
    sample : Sample
        The record.
    new : bool
        False where the notebook held it already.
    offset_m : float
        How far it lies from the nearest channel, metres.
    reach_id : str
        The reach it was laid on; empty where it lies too far off.
    units : {"us", "metric"}
        Units of the sentence.
    """

    sample: Sample
    new: bool
    offset_m: float
    reach_id: str
    units: str

    @property
    def sentence(self) -> str:
        """What happened, in plain words."""
        from washgrade.units import show_grade, show_length, show_mass

        if not self.new:
            return f"The notebook has this record already, as {self.sample.id}."
        grade = "a trace" if self.sample.grade is None else f"grade {show_grade(self.sample.grade)}"
        if self.sample.dry_mass_kg is not None:
            grade += f" of {show_mass(self.sample.dry_mass_kg, self.units)} dry sand"
        away = show_length(self.offset_m, self.units)
        where = (
            f"on reach {self.reach_id}, {away} from the middle of its channel"
            if self.reach_id
            else f"but {away} from the nearest channel: too far to count until the ground, its place or "
            "'snap_max_m' is mended"
        )
        return f"Entered {self.sample.id}: {grade}, {where}."


def add(
    site: Path | str,
    path: Path | str,
    *,
    kind: str = "samples",
    keep_good: bool = False,
    today: date | None = None,
) -> Added:
    """Take in a file of records: all of it, or nothing if a row is wrong.

    Parameters
    ----------
    site : Path or str
        The site folder.
    path : Path or str
        CSV, GeoJSON, GPX or another vector file; or the folder of another site, whose notebook is merged:
        the union of the records, struck where either copy struck them.
    kind : {"samples"}, default "samples"
        What the records are.
    keep_good : bool, default False
        Take in the good rows of a file that has faulty ones.
    today : date, optional
        The last day a record may have.

    Returns
    -------
    Added
        What is new, what was there already, what was left out.

    Raises
    ------
    FileFaults
        With every fault of the file, unless ``keep_good``.
    RecordError
        If the file cannot be read at all.
    SiteError
        If the site has no ground or cannot be written.
    """
    from washgrade.checks import choice
    from washgrade.files.columns import KINDS
    from washgrade.files.notebook import import_samples, merge_samples
    from washgrade.files.site import open_site

    choice("kind", kind, tuple(KINDS))
    opened, facts = open_ground(site)
    if Path(path).is_dir():
        return merge_samples(opened, open_site(path), crs=facts.crs, keep_good=keep_good)
    return import_samples(
        opened,
        path,
        crs=facts.crs,
        contains=facts.contains,
        today=today or date.today(),
        keep_good=keep_good,
    )


def enter_sample(site: Path | str, cells: Mapping[str, object], *, today: date | None = None) -> Entered:
    """Enter one sample.

    Parameters
    ----------
    site : Path or str
        The site folder.
    cells : mapping of str to object
        Values by the column names of a file of records.
    today : date, optional
        The last day it may have, and the day it has where none is given.

    Returns
    -------
    Entered
        The record and the reach it lies on.

    Raises
    ------
    FileFaults
        With every fault of the values.
    SiteError
        If the site has no ground or cannot be written.
    """
    import numpy as np

    from washgrade.files.groundstore import load_channels
    from washgrade.files.notebook import add_samples
    from washgrade.files.records import make_sample
    from washgrade.sand.along import snap

    day = today or date.today()
    opened, facts = open_ground(site)
    given = {name: value for name, value in cells.items() if value not in (None, "", False)}
    given.setdefault("time", day.isoformat())
    sample = make_sample(given, crs=facts.crs, contains=facts.contains, today=day)
    done = add_samples(opened, [sample])
    channels = load_channels(opened)
    node, offset_m = snap(
        channels.nodes, easting_m=np.array([sample.easting_m]), northing_m=np.array([sample.northing_m])
    )
    on_channel = offset_m[0] <= opened.settings.snap_max_m
    return Entered(
        sample=sample,
        new=bool(done.added),
        offset_m=float(offset_m[0]),
        units=opened.settings.units,
        reach_id=str(channels.reaches.reach_id[channels.nodes.reach[node[0]]]) if on_channel else "",
    )


def notebook(site: Path | str, *, on: str | date | None = None, struck: bool = False) -> list[Sample]:
    """List the samples of the notebook, oldest first.

    Parameters
    ----------
    site : Path or str
        The site folder.
    on : str or date, optional
        Leave out what was taken after this day.
    struck : bool, default False
        Give the struck ones too.

    Returns
    -------
    list of Sample
        The records.

    Raises
    ------
    SiteError
        If the site cannot be read.
    InputError
        If the date is none.
    """
    from washgrade.files.notebook import read_samples
    from washgrade.files.site import open_site

    return read_samples(open_site(site), on=read_day(on) if on is not None else None, struck=struck)


def samples_as_json(samples: Sequence[Sample]) -> list[dict[str, Any]]:
    """Lay samples out for other programs.

    Parameters
    ----------
    samples : sequence of Sample
        The records.

    Returns
    -------
    list of dict
        Names of the data dictionary, SI units, None for what was not said.
    """
    from washgrade.files.sample import sample_rows

    return [row | {"trace": row["trace"] == "yes"} for row in sample_rows(samples)]


def strike(site: Path | str, record_id: str, *, why: str) -> Sample:
    """Strike a record: it stays on file, marked, and counts no more.

    Parameters
    ----------
    site : Path or str
        The site folder.
    record_id : str
        Its id, or the beginning of it.
    why : str
        The reason.

    Returns
    -------
    Sample
        The record as it stands now.

    Raises
    ------
    RecordError
        If no record goes by the id, several do, or it is struck already.
    SiteError
        If the site cannot be written.
    """
    from washgrade.files.notebook import strike as strike_record

    opened, _facts = open_ground(site)
    return strike_record(opened, record_id, why=why)
