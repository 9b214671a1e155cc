"""The pages on which a person chooses the DEM, builds the ground, and reads what was found."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, RedirectResponse

from washgrade.desk.folder import DEM_ENDINGS, SHAPE_ENDINGS, listed_files, own_files, picked_path
from washgrade.desk.uploads import GROUND_LIMITS, Received, Refused, receive_form
from washgrade.errors import InputError, WashgradeError
from washgrade.units import ACRE_M2, FOOT_M, MILE_M

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from washgrade.desk.state import Desk

__all__ = ["build", "cancel_job", "ground", "job_page", "job_state", "lay_out_demo", "report"]

SHAPES = (
    (
        "property_file",
        "property",
        "Where you may dig",
        "Areas. Reaches outside rank last, and no walk leaves them.",
    ),
    ("no_go_file", "no_go", "Where nobody may go", "Areas to stay out of."),
    ("access_file", "access", "Where you park or enter", "Points. Walks start at the first of them."),
    (
        "channel_file",
        "drawn_channels",
        "Washes that you walked or drew",
        "Lines, such as a GPX track. The network follows them.",
    ),
    ("keep_dam_file", "kept_dams", "Dams that really stand", "Lines, points or areas; no cut passes them."),
    ("sink_file", "sinks", "Where water sinks or stays", "Points or areas, such as a playa or a mine shaft."),
    (
        "source_file",
        "sources",
        "Rock whose sand you know",
        "Areas, each with a field grade_percent: the grade of the sand that the rock gives.",
    ),
)
"""Of each layer that may be given: its name in the library, in the site, its label and its hint."""

# Names of marks in the report may stand for a file.
_BY_NAME = {"keep_dam_file", "sink_file"}
_SIDE_FILES = {".dbf", ".shx", ".prj", ".cpg", ".sbn", ".sbx", ".qix"}

_LENGTHS = {"m": 1.0, "ft": FOOT_M}
_BYTES = {"GB": 1e9, "MB": 1e6}
_AREAS = {"m2": 1.0, "ha": 1e4, "km2": 1e6, "acres": ACRE_M2, "mi2": MILE_M**2}
AREA_WORDS = (("acres", "acres"), ("mi2", "sq mi"), ("m2", "m²"), ("ha", "ha"), ("km2", "km²"))
SIZES = (
    ("channel_area_m2", "Ground that feeds the head of a channel", _AREAS),
    ("max_reach_m", "Longest reach", _LENGTHS),
    ("cell_m", "Side of a cell to work with", _LENGTHS),
    ("max_breach_m", "Longest cut through a dam in the DEM", _LENGTHS),
    ("max_breach_depth_m", "Deepest cut through a dam in the DEM", _LENGTHS),
    ("memory_bytes", "Most memory to take; a larger ground goes by tiles", _BYTES),
)
"""Of each size that may be given: its name in the library, its label, and its units in SI."""


def ground(request: Request) -> Response:
    """Show the form for the ground."""
    return _form(request.app.state.desk, request)


def _form(
    desk: Desk, request: Request, *, faults: dict[str, str] | None = None, typed: dict[str, str] | None = None
) -> Response:
    from washgrade.files.groundstore import load_facts, load_shapes
    from washgrade.files.reference import UNIT_NAMES, Z_UNITS
    from washgrade.files.site import Site

    standing = desk.standing()
    had: dict[str, int] = {}
    facts = None
    if standing.ground:
        site = Site(folder=desk.site)
        facts = load_facts(site)
        had = {name: len(load_shapes(site, layer)) for name, layer, _, _ in SHAPES}
    return desk.show(
        request,
        "ground.html",
        faults=faults or {},
        typed=typed or {},
        facts=facts,
        had=had,
        shapes=SHAPES,
        by_name=_BY_NAME,
        sizes=SIZES,
        area_words=AREA_WORDS,
        z_units=[(unit, UNIT_NAMES.get(unit, unit)) for unit in Z_UNITS],
        own_dems=listed_files(own_files(desk.site), DEM_ENDINGS),
        picked_dems=listed_files(desk.picked_folder, DEM_ENDINGS),
        own_shapes=listed_files(own_files(desk.site), SHAPE_ENDINGS),
        picked_shapes=listed_files(desk.picked_folder, SHAPE_ENDINGS),
        dem_accept=",".join(sorted(DEM_ENDINGS)),
        shape_accept=",".join(sorted(SHAPE_ENDINGS | _SIDE_FILES)),
        limits=GROUND_LIMITS,
        running=desk.jobs.running("ground") or desk.jobs.running("demo"),
    )


async def build(request: Request) -> Response:
    """Take in the form, and start building."""
    desk: Desk = request.app.state.desk
    if desk.jobs.running("ground") or desk.jobs.running("demo"):
        return await run_in_threadpool(
            desk.refuse, request, "A ground is being built already. Wait for it, or cancel it.", status=409
        )
    folder = own_files(desk.site)
    new = not desk.site.exists()
    try:
        received = await receive_form(
            request, is_own_form=desk.session.is_own_form, folder=folder, limits=GROUND_LIMITS
        )
    except Refused as error:
        _clear_if_empty(desk.site, folder, new=new)
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    return await run_in_threadpool(_start, desk, request, received)


def _clear_if_empty(site: Path, folder: Path, *, new: bool) -> None:
    # A refused upload leaves no folder behind that was made for it.
    for place in (folder, *([site] if new else [])):
        if place.is_dir() and not any(place.iterdir()):
            place.rmdir()


def _start(desk: Desk, request: Request, received: Received) -> Response:
    typed = dict(received.texts())
    faults: dict[str, str] = {}
    options: dict[str, Any] = {}
    try:
        dems = _chosen(desk, received, "dem", DEM_ENDINGS)
        if not dems:
            faults["dem"] = "There is no height model yet. Upload one, or tick one of the files."
    except InputError as error:
        dems, faults["dem"] = [], str(error)
    for name, _, _, _ in SHAPES:
        try:
            options[name] = _shape(desk, received, name)
        except InputError as error:
            faults[name] = str(error)
    for name, _, units in SIZES:
        text = received.text(name)
        if not text:
            continue
        try:
            size = float(text)
        except ValueError:
            size = -1.0
        if not 0.0 < size < 1e12:
            faults[name] = f"Invalid size of {text!r}. It must be a number above 0, or left out."
            continue
        options[name] = size * units.get(received.text(f"unit_of_{name}"), 1.0)
    for name in ("z_unit", "dem_crs", "crs", "heads"):
        options[name] = received.text(name) or None
    if faults:
        return _form(desk, request, faults=faults, typed=typed)
    job = desk.jobs.ask(
        "ground",
        {"site": desk.site, "dems": dems, "units": desk.standing().units, **options},
        title="Building the ground",
        leads_to="/ground/report",
    )
    return RedirectResponse(f"/jobs/{job.name}", status_code=303)


def _chosen(desk: Desk, received: Received, name: str, endings: frozenset[str]) -> list[Path]:
    # Uploaded files and picked ones, each once.
    found = [path for path in received.files.get(name, []) if path.suffix.lower() not in _SIDE_FILES]
    wrong = [path for path in found if path.suffix.lower() not in endings]
    if wrong:
        for path in received.files.get(name, []):
            path.unlink(missing_ok=True)
        raise InputError(
            f"The file {wrong[0].name!r} is of a kind that is not read here. It must end in one of "
            f"{', '.join(sorted(endings))}."
        )
    for root, prefix in ((own_files(desk.site), "own"), (desk.picked_folder, "picked")):
        picked = received.fields.get(f"{prefix}_{name}", [])
        found += [picked_path(root, value, endings) for value in picked if value]
    return found


def _shape(desk: Desk, received: Received, name: str) -> Path | str | None:
    # One layer: a file, the word that takes it away, the name of a mark, or nothing said.
    found = _chosen(desk, received, name, SHAPE_ENDINGS)
    if len(found) > 1:
        raise InputError(f"There are {len(found)} files. It must be one; join them first.")
    if found:
        return found[0]
    if received.text(f"drop_{name}"):
        return "none"
    named = received.text(f"name_{name}")
    if named and name in _BY_NAME:
        import re

        # A name from the report, never a path.
        if not re.fullmatch(r"[a-z]+-\d+-\d+", named):
            raise InputError(
                f"Invalid name {named!r}. It must be one from the report, such as cut-1200-3400."
            )
        return named
    return None


async def lay_out_demo(request: Request) -> Response:
    """Lay out the invented valley in the empty site, and run the whole job on it."""
    desk: Desk = request.app.state.desk
    try:
        await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    job = desk.jobs.ask(
        "demo",
        {"site": desk.site, "units": desk.units_first},
        title="Laying out the invented valley",
        leads_to="/ground/report",
    )
    return RedirectResponse(f"/jobs/{job.name}", status_code=303)


def report(request: Request) -> Response:
    """Show what was found when the ground was built."""
    from washgrade.files.groundstore import load_facts, load_ground_layers
    from washgrade.files.site import open_site

    desk: Desk = request.app.state.desk
    try:
        site = open_site(desk.site)
        facts, layers = load_facts(site), load_ground_layers(site)
    except WashgradeError:
        return RedirectResponse("/ground", status_code=303)
    doubts = set(facts.doubts)
    marks = [
        (word, mark)
        for layer, word in (("cuts", "cut"), ("hollows", "filled hollow"), ("mended", "closed hole"))
        for mark in layers.marks.get(layer, ())
    ]
    return desk.show(
        request,
        "report.html",
        sentences=[sentence for sentence in facts.sentences if sentence not in doubts],
        doubts=facts.doubts,
        facts=facts,
        marks=marks,
    )


def job_page(request: Request) -> Response:
    """Show how far a job is; when it is over, go where it leads."""
    desk: Desk = request.app.state.desk
    job = desk.jobs.find(request.path_params["name"])
    if job is None:
        return RedirectResponse("/", status_code=303)
    unready = desk.unready(request, job)
    if unready is not None:
        return unready
    for note in job.notes:
        desk.say(note, kind="doubt")
    job.notes = ()
    return RedirectResponse(job.leads_to, status_code=303)


def job_state(request: Request) -> Response:
    """Tell a script how far a job is."""
    desk: Desk = request.app.state.desk
    job = desk.jobs.find(request.path_params["name"])
    if job is None:
        return JSONResponse({"over": True})
    return JSONResponse(
        {
            "over": job.over.is_set(),
            "step": job.step,
            "share": round(job.share, 3),
            "may_cancel": job.may_cancel,
        }
    )


async def cancel_job(request: Request) -> Response:
    """Cancel a job."""
    desk: Desk = request.app.state.desk
    try:
        await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    job = desk.jobs.find(request.path_params["name"])
    if job is not None and await run_in_threadpool(desk.jobs.cancel, job):
        desk.say("Cancelled. The site is as it was before." if job.task == "ground" else "Cancelled.")
        return RedirectResponse("/ground" if job.task in {"ground", "demo"} else "/", status_code=303)
    desk.say("It was too late to cancel: what was made is being written, or is written.", kind="doubt")
    return RedirectResponse(f"/jobs/{job.name}" if job is not None else "/", status_code=303)
