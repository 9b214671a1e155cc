"""The pages of the notebook: enter a record, take in files, list."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse

from washgrade.desk.fields import record_cells, record_form, record_values, with_faults
from washgrade.desk.folder import RECORD_ENDINGS, listed_files, picked_path
from washgrade.desk.uploads import RECORD_LIMITS, Received, Refused, receive_form
from washgrade.desk.words import for_desk
from washgrade.errors import FileFaults, InputError, RecordError, WashgradeError
from washgrade.files.columns import KINDS
from washgrade.files.record import id_of_undoing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from washgrade.desk.state import Desk
    from washgrade.files.record import Record

__all__ = [
    "enter",
    "enter_form",
    "files_form",
    "look_over_files",
    "notebook",
    "take_in",
    "told_rows",
]

ROWS_SHOWN = 300
FAULTS_SHOWN = 200
_NEEDS_GROUND = "There is no ground yet, so no record has a place. Build the ground first."


def notebook(request: Request) -> Response:
    """List the records."""
    from washgrade import survey

    desk: Desk = request.app.state.desk
    kind = request.query_params.get("kind", "")
    struck = request.query_params.get("struck", "") == "yes"
    if not desk.standing().ground:
        return desk.show(
            request, "notebook.html", rows=[], kind="", kinds=KINDS, struck=False, count=0, need=_NEEDS_GROUND
        )
    try:
        listed = survey.notebook(desk.site, struck=struck, kind=kind if kind in KINDS else None)
    except WashgradeError as error:
        return desk.refuse(request, str(error))
    there = {record.id for record in listed}
    return desk.show(
        request,
        "notebook.html",
        rows=[
            row | {"undone": row["struck_at"] and id_of_undoing(row["id"]) in there}
            for row in told_rows(desk, listed[::-1][:ROWS_SHOWN])
        ],
        kind=kind,
        kinds=KINDS,
        struck=struck,
        count=len(listed),
        need="",
    )


def told_rows(desk: Desk, listed: Sequence[Record]) -> list[dict[str, Any]]:
    """Tell what a row of a list shows of each record.

    Parameters
    ----------
    desk : Desk
        The desk.
    listed : sequence of Record
        The records.

    Returns
    -------
    list of dict
        One for each, in their order.
    """
    from washgrade import survey

    chosen = survey.settings(desk.site)
    return [
        {
            "id": record.id,
            "day": record.time[:10],
            "clock": record.time[11:16],
            "kind": KINDS[record.kind].one,
            "says": survey.tell_record(record, chosen.units, porosity=chosen.porosity),
            "place": record.place,
            "note": record.note,
            "reach": getattr(record, "reach", ""),
            "lat": record.lat,
            "lon": record.lon,
            "struck_at": record.struck_at,
            "struck_why": record.struck_why,
        }
        for record in listed
    ]


def enter_form(request: Request) -> Response:
    """Show the form for one record; with ``like`` it begins as a copy of another."""
    from washgrade import survey

    desk: Desk = request.app.state.desk
    kind = request.path_params["kind"]
    standing = desk.standing()
    if kind not in KINDS:
        return desk.refuse(request, "There is no such kind of record.", status=404)
    if not standing.ground:
        return desk.refuse(request, _NEEDS_GROUND)
    typed = None
    like = request.query_params.get("like", "")
    if like:
        found = [record for record in survey.notebook(desk.site, struck=True) if record.id == like]
        if found and found[0].kind == kind:
            from washgrade.files.record import record_rows

            (row,) = record_rows(found)
            typed = record_values(kind, standing.units, row)
            # A record of its own, so that it stands beside the struck one even if nothing is changed.
            typed["id"] = str(uuid.uuid4())
    return _show_form(desk, request, kind, typed)


def _show_form(
    desk: Desk,
    request: Request,
    kind: str,
    typed: dict[str, str] | None,
    faults: Sequence[str] = (),
    gauge_fault: str = "",
) -> Response:
    from washgrade import survey

    groups, rest = with_faults(kind, record_form(kind, desk.standing().units, typed), faults)
    return desk.show(
        request,
        "record.html",
        kind=kind,
        one=KINDS[kind].one,
        groups=groups,
        rest=rest,
        gauge_fault=gauge_fault,
        record_id=(typed or {}).get("id", ""),
        latest=told_rows(desk, survey.notebook(desk.site, kind=kind)[::-1][:5]),
    )


async def enter(request: Request) -> Response:
    """Enter one record."""
    desk: Desk = request.app.state.desk
    kind = request.path_params["kind"]
    if kind not in KINDS:
        return await run_in_threadpool(desk.refuse, request, "There is no such kind of record.", status=404)
    try:
        received = await receive_form(
            request,
            is_own_form=desk.session.is_own_form,
            folder=desk.scratch_folder() if kind == "storms" else None,
            limits=RECORD_LIMITS if kind == "storms" else None,
        )
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    return await run_in_threadpool(_enter, desk, request, kind, received)


def _enter(desk: Desk, request: Request, kind: str, received: Received) -> Response:
    from washgrade import survey

    typed = dict(received.texts())
    cells = record_cells(kind, typed)
    gauges = received.files.get("gauge", [])
    if gauges:
        try:
            seen = survey.gauge_storm(
                gauges[0],
                form=typed.get("gauge_form") or None,
                on=str(cells.get("time", "")) or None,
            )
        except WashgradeError as error:
            fault = " ".join(for_desk(sentence) for sentence in str(error).splitlines())
            return _show_form(desk, request, kind, typed, gauge_fault=fault)
        cells |= {"gauge": seen.gauge} | ({"time": seen.time} if seen.time else {})
    try:
        done = survey.enter(desk.site, kind, cells)
    except FileFaults as error:
        return _show_form(desk, request, kind, typed, error.faults)
    except WashgradeError as error:
        return desk.refuse(request, *str(error).splitlines())
    desk.say(done.sentence, kind="done" if done.new else "doubt")
    return RedirectResponse(f"/notebook/new/{kind}", status_code=303)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    """One file as it was looked over."""

    name: str
    rows: tuple[dict[str, Any], ...]
    counts: tuple[tuple[str, int], ...]
    faults: tuple[str, ...]
    new: int
    already: int


def files_form(request: Request) -> Response:
    """Show the form that takes in files of records."""
    desk: Desk = request.app.state.desk
    return desk.show(
        request,
        "import.html",
        looked=None,
        name="",
        need="" if desk.standing().ground else _NEEDS_GROUND,
        kinds=KINDS,
        picked=listed_files(desk.picked_folder, RECORD_ENDINGS),
        accept=",".join(sorted(RECORD_ENDINGS)),
        limits=RECORD_LIMITS,
        as_kind="",
    )


async def look_over_files(request: Request) -> Response:
    """Read the files that were sent, and show every fault and every good row; nothing is written."""
    desk: Desk = request.app.state.desk
    folder = desk.scratch_folder()
    try:
        received = await receive_form(
            request, is_own_form=desk.session.is_own_form, folder=folder, limits=RECORD_LIMITS
        )
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    return await run_in_threadpool(_look_over, desk, request, folder, received)


def _look_over(desk: Desk, request: Request, folder: Path, received: Received) -> Response:
    import shutil

    try:
        for name in received.fields.get("picked", []):
            shutil.copy2(picked_path(desk.picked_folder, name, RECORD_ENDINGS), folder)
    except (InputError, OSError) as error:
        return desk.refuse(request, str(error))
    kind = received.text("kind")
    main = _main_files(folder)
    if not main:
        return desk.refuse(request, "There is no file yet. Choose one, then look it over.")
    desk.imports[folder.name] = folder
    return _show_import(desk, request, folder, kind if kind in KINDS else "")


def _main_files(folder: Path) -> list[Path]:
    # Without the parts that a shapefile brings along.
    return sorted(path for path in folder.iterdir() if path.suffix.lower() in RECORD_ENDINGS)


def _show_import(
    desk: Desk, request: Request, folder: Path, kind: str, more_faults: Sequence[str] = ()
) -> Response:
    from washgrade import survey

    known = {record.id: record.content for record in survey.notebook(desk.site, struck=True)}
    looked = []
    for path in _main_files(folder):
        try:
            good, faults = survey.look_over(desk.site, path, kind=kind or None)
        except RecordError as error:
            good, faults = [], str(error).splitlines()
        except WashgradeError as error:
            return desk.refuse(request, *str(error).splitlines())
        faults += [fault for fault in more_faults if fault.startswith(f"{path.name}:")]
        counts = {entry.one: sum(record.kind == name for record in good) for name, entry in KINDS.items()}
        looked.append(
            _Looked(
                name=path.name,
                rows=tuple(row | {"there": row["id"] in known} for row in told_rows(desk, good[:ROWS_SHOWN])),
                counts=tuple((one, count) for one, count in counts.items() if count),
                faults=tuple(for_desk(fault) for fault in faults),
                new=sum(record.id not in known for record in good),
                already=sum(known.get(record.id) == record.content for record in good),
            )
        )
    return desk.show(
        request,
        "import.html",
        looked=looked,
        name=folder.name,
        need="",
        kinds=KINDS,
        picked=(),
        accept="",
        limits=RECORD_LIMITS,
        as_kind=kind,
        faults_shown=FAULTS_SHOWN,
    )


async def take_in(request: Request) -> Response:
    """Take in the files that were looked over, or drop them."""
    desk: Desk = request.app.state.desk
    try:
        received = await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    folder = desk.imports.get(request.path_params["name"])
    if folder is None:
        desk.say("These files were taken in or dropped before.", kind="doubt")
        return RedirectResponse("/notebook/files", status_code=303)
    return await run_in_threadpool(_take_in, desk, request, folder, received)


def _take_in(desk: Desk, request: Request, folder: Path, received: Received) -> Response:
    from washgrade import survey

    kind = received.text("kind")
    if received.text("what") == "drop":
        desk.imports.pop(folder.name, None)
        desk.say("The files were dropped; nothing was taken in.")
        return RedirectResponse("/notebook/files", status_code=303)
    keep_good = received.text("what") == "keep good"
    refused: list[str] = []
    for path in _main_files(folder):
        try:
            done = survey.add(desk.site, path, kind=kind if kind in KINDS else None, keep_good=keep_good)
        except RecordError as error:
            refused += str(error).splitlines()
            continue
        except WashgradeError as error:
            return desk.refuse(request, *str(error).splitlines())
        added = " and ".join(
            f"{count} {KINDS[name].one if count == 1 else name}" for name, count in done.kinds.items()
        )
        known = f", {len(done.already)} there already" if done.already else ""
        left = f", {len(done.faults)} left out with faults" if done.faults else ""
        desk.say(f"{path.name}: {added or 'nothing'} added{known}{left}.")
        # What was taken in is not offered again.
        path.unlink(missing_ok=True)
    if refused:
        return _show_import(desk, request, folder, kind, refused)
    desk.imports.pop(folder.name, None)
    return RedirectResponse("/notebook", status_code=303)
