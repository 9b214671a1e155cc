"""What one run of the desk knows: its site, its jobs, what it has to say next, and how its pages look."""

from __future__ import annotations

import secrets
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.desk.access import SECRET_FIELD, Session
from washgrade.desk.words import for_desk
from washgrade.errors import WashgradeError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from washgrade.desk.jobs import Job, Jobs

__all__ = ["Desk", "ground_stamp", "site_stamp"]

# After so long a page says what is being done, seconds: our choice, because a person then wonders.
PATIENCE_S = 1.5

Stamp = tuple[tuple[int, int], ...]


def _stamp(paths: Sequence[Path]) -> Stamp:
    told = []
    for path in paths:
        try:
            found = path.stat()
            told.append((found.st_mtime_ns, found.st_size))
        except OSError:
            told.append((0, 0))
    return tuple(told)


def ground_stamp(site: Path) -> Stamp:
    """Tell one state of ground and notebook from another.

    Parameters
    ----------
    site : Path
        The site folder.

    Returns
    -------
    tuple
        Changes with every record that arrives, whoever brings it.
    """
    return _stamp([site / name for name in ("site.gpkg", "site.gpkg-wal", "terrain.tif")])


def site_stamp(site: Path) -> Stamp:
    """Tell one state of a site from another, its settings too.

    Parameters
    ----------
    site : Path
        The site folder.

    Returns
    -------
    tuple
        Changes with every record and every setting.
    """
    return ground_stamp(site) + _stamp([site / "site.toml"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How far a site has come.

    Parameters
    ----------
    there : bool
        Whether the folder is a site.
    ground : bool
        Whether its ground is built.
    invented : bool
        Whether the place does not exist.
    units : {"us", "metric"}
        What its owner is used to.
    fault : str
        Why it cannot be read, if so.
    """

    there: bool
    ground: bool
    invented: bool
    units: str
    fault: str = ""


class Desk:
    """One run of the desk.

    Parameters
    ----------
    site : Path
        The site folder; it may be missing, its parent must be there.
    jobs : Jobs
        Who does the heavy work.
    session : Session
        Who may use the desk.
    picked_folder : Path, optional
        A folder whose files are offered beside those of the site.
    """

    def __init__(
        self, *, site: Path, jobs: Jobs, session: Session, picked_folder: Path | None = None
    ) -> None:
        from jinja2 import Environment, PackageLoader, StrictUndefined

        from washgrade import units
        from washgrade.page.themes import CLASS_LIMITS
        from washgrade.page.words import SUPPORT_WORDS

        self.site, self.jobs, self.session, self.picked_folder = site, jobs, session, picked_folder
        self.scratch = Path(tempfile.mkdtemp(prefix="washgrade-desk-"))
        self.imports: dict[str, Path] = {}
        self.said: list[tuple[str, str]] = []
        self.units_first = "metric"
        # What was asked of the last walk and the last day, as their addresses say it.
        self.plans: dict[str, str] = {}
        self.look = Environment(
            loader=PackageLoader("washgrade.desk", "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.look.globals |= {"class_limits": CLASS_LIMITS, "support_words": SUPPORT_WORDS}
        self.look.filters |= {
            "mass": units.show_mass,
            "distance": units.show_length,
            "depth": units.show_depth,
            "area": units.show_area,
            "grade": units.show_grade,
            "rain": units.show_rain,
            "flow": units.show_flow,
            "share": lambda value: "under 1 %" if 0 < value < 0.01 else units.show_share(value),
            "for_desk": for_desk,
        }

    def close(self) -> None:
        """Stop the jobs and clear away what was only for this run."""
        self.jobs.close()
        shutil.rmtree(self.scratch, ignore_errors=True)

    def say(self, sentence: str, *, kind: str = "done") -> None:
        """Say something on the next page that is shown.

        Parameters
        ----------
        sentence : str
            What.
        kind : {"done", "doubt", "fault"}, default "done"
            How it is meant.
        """
        self.said.append((kind, sentence))

    def standing(self) -> Standing:
        """See how far the site has come.

        Returns
        -------
        Standing
            As it is on disk now.
        """
        from washgrade.files.groundstore import has_ground, load_facts
        from washgrade.files.site import open_site

        if not (self.site / "site.gpkg").is_file():
            return Standing(there=False, ground=False, invented=False, units=self.units_first)
        try:
            opened = open_site(self.site)
            ground = has_ground(opened)
            return Standing(
                there=True,
                ground=ground,
                invented=ground and bool(load_facts(opened).more.get("invented")),
                units=opened.settings.units,
            )
        except WashgradeError as error:
            return Standing(
                there=True, ground=False, invented=False, units=self.units_first, fault=str(error)
            )

    def stamp(self) -> str:
        """Give the state of the site as a word that pages compare.

        Returns
        -------
        str
            Changes with every record and every setting.
        """
        return "-".join(f"{moment:x}.{size:x}" for moment, size in site_stamp(self.site))

    def show(self, request: Request, template: str, *, status: int = 200, **more: Any) -> Response:
        """Render a page.

        Parameters
        ----------
        request : Request
            What asked for it.
        template : str
            Its file.
        status : int, default 200
            HTTP status.
        **more : Any
            What it shows.

        Returns
        -------
        Response
            The page.
        """
        from starlette.responses import HTMLResponse

        from washgrade.page.words import CAUTIONS

        standing = self.standing()
        # Where a form that only changes how things look leads back to, with what was asked there.
        asked = f"?{request.url.query}" if request.method == "GET" and request.url.query else ""
        said, self.said = self.said, []
        context: Mapping[str, Any] = {
            "desk": self,
            "standing": standing,
            "units": standing.units,
            "here": request.url.path,
            "back": request.url.path + asked,
            "title": self.site.resolve().name,
            "said": said,
            "secret_field": SECRET_FIELD,
            "secret": self.session.form_secret,
            "stamp": self.stamp(),
            "cautions": CAUTIONS,
            **more,
        }
        return HTMLResponse(self.look.get_template(template).render(context), status_code=status)

    def refuse(self, request: Request, *sentences: str, status: int = 200) -> Response:
        """Show why something could not be done.

        Parameters
        ----------
        request : Request
            What asked for it.
        *sentences : str
            Why.
        status : int, default 200
            HTTP status; a browser counts any other as an error of its own.

        Returns
        -------
        Response
            The page.
        """
        return self.show(request, "refused.html", status=status, sentences=sentences)

    def ask(self, request: Request, task: str, title: str, **arguments: Any) -> Job:
        """Ask for an answer that rests on the site as it stands now.

        Parameters
        ----------
        request : Request
            What asked for it; the same address shows it when it is there.
        task : str
            Key of `washgrade.desk.tasks.TASKS`.
        title : str
            What a person waits for.
        **arguments : Any
            What the task takes beside the site.

        Returns
        -------
        Job
            Perhaps done already.
        """
        from datetime import date

        address = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        key = (task, self.stamp(), date.today(), *sorted((name, str(arguments[name])) for name in arguments))
        job = self.jobs.ask(task, {"site": self.site, **arguments}, key=key, title=title, leads_to=address)
        job.over.wait(PATIENCE_S)
        if job.state == "failed":
            # It is told once, or an open page would set off the same breakdown again and again.
            self.jobs.forget(job)
        return job

    def unready(self, request: Request, job: Job) -> Response | None:
        """Show how far a job is, or why it failed.

        Parameters
        ----------
        request : Request
            What asked for it.
        job : Job
            The job.

        Returns
        -------
        Response or None
            None where the answer is there.
        """
        if job.state == "done":
            return None
        if job.over.is_set() and job.faults:
            return self.refuse(request, *(for_desk(fault) for fault in job.faults))
        if job.over.is_set():
            return self.refuse(request, "You cancelled this. Nothing was changed.")
        return self.show(request, "working.html", job=job)

    def scratch_folder(self) -> Path:
        """Make a folder for the files of one form.

        Returns
        -------
        Path
            Empty, and cleared away with the desk.
        """
        folder = self.scratch / secrets.token_hex(8)
        folder.mkdir()
        return folder
