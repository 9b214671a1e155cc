"""The pages that answer: overview, ranking, one reach, files to take along, checks, settings."""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from washgrade.desk.fields import changed_settings, settings_form
from washgrade.desk.uploads import Refused, receive_form
from washgrade.errors import WashgradeError
from washgrade.files.columns import KINDS

if TYPE_CHECKING:
    from starlette.requests import Request

    from washgrade.desk.state import Desk

__all__ = [
    "check",
    "export",
    "find_reach",
    "home",
    "rank",
    "reach",
    "save_settings",
    "settings",
    "state",
    "storms",
    "switch_units",
    "take_along",
    "where",
    "without_ground",
]

ROWS_OFFERED = (25, 100, 1000)
_FORMS = {"gpx": "GPS and phone maps", "csv": "spreadsheets", "geojson": "map programs"}


def home(request: Request) -> Response:
    """Show how far the site has come, and what to do next."""
    from washgrade import survey

    desk: Desk = request.app.state.desk
    standing = desk.standing()
    if standing.fault:
        return desk.refuse(request, standing.fault)
    counts: dict[str, int] = {}
    last: dict[str, str] = {}
    if standing.ground:
        for record in survey.notebook(desk.site):
            counts[record.kind] = counts.get(record.kind, 0) + 1
            last[record.kind] = record.time[:10]
    best = desk.ask(request, "rank", "Estimating", on=None, top=5) if standing.ground else None
    empty = not desk.site.exists() or not any(desk.site.iterdir())
    return desk.show(request, "home.html", counts=counts, last=last, kinds=KINDS, best=best, empty=empty)


def _day(request: Request) -> str | None:
    return request.query_params.get("on") or None


def without_ground(desk: Desk, request: Request) -> Response | None:
    """Say what to do next where there is no ground, without which nothing can be answered.

    Parameters
    ----------
    desk : Desk
        The desk.
    request : Request
        What was asked.

    Returns
    -------
    Response or None
        None where the ground stands.
    """
    standing = desk.standing()
    if standing.ground:
        return None
    return desk.show(request, "no_ground.html", fault=standing.fault)


def rank(request: Request) -> Response:
    """Show where to dig."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    wanted = request.query_params.get("rows", "")
    top = int(wanted) if wanted.isdigit() and int(wanted) in ROWS_OFFERED else ROWS_OFFERED[0]
    job = desk.ask(request, "rank", "Estimating along the channels", on=_day(request), top=top)
    return desk.unready(request, job) or desk.show(
        request, "rank.html", found=job.result, on=_day(request) or "", rows=top, offered=ROWS_OFFERED
    )


def reach(request: Request) -> Response:
    """Show one reach, and what its figures rest on."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    name = request.path_params["reach"]
    job = desk.ask(request, "reach", f"Reading reach {name}", on=_day(request), reach=name)
    return desk.unready(request, job) or desk.show(request, "reach.html", found=job.result)


def find_reach(request: Request) -> Response:
    """Go to the reach that was asked for."""
    name = re.sub(r"[^A-Za-z0-9]", "", request.query_params.get("reach", "")).upper()
    return RedirectResponse(f"/reach/{name}" if name else "/rank", status_code=303)


def where(request: Request) -> Response:
    """Show where one more sample would tell most."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    job = desk.ask(request, "where", "Looking where one more sample would tell most", on=_day(request))
    return desk.unready(request, job) or desk.show(request, "where.html", found=job.result)


def storms(request: Request) -> Response:
    """Show what the storms did."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    job = desk.ask(request, "storms", "Reading what the storms did", on=_day(request))
    return desk.unready(request, job) or desk.show(request, "storms.html", found=job.result)


def take_along(request: Request) -> Response:
    """Show what can be taken along."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    return desk.show(request, "take_along.html", forms=_FORMS, kinds=KINDS)


def export(request: Request) -> Response:
    """Give reaches or records for other programs."""
    from washgrade.files.exchange import FORMATS

    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    form, what = request.query_params.get("form", ""), request.query_params.get("what", "")
    if form not in FORMATS or what not in {"reaches", "records", *KINDS}:
        return desk.refuse(request, "There is no such file to take along. Choose one from the list.")
    out = desk.scratch / f"{what}-{abs(hash((desk.stamp(), _day(request), date.today()))):x}.{form}"
    job = desk.ask(request, "export", f"Writing {what}", on=_day(request), form=form, what=what, out=out)
    unready = desk.unready(request, job)
    return unready or FileResponse(job.result["path"], filename=f"{what}.{form}")


def check(request: Request) -> Response:
    """Show whether the site is whole, and which records look wrong."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    job = desk.ask(request, "check", "Looking over the site")
    return desk.unready(request, job) or desk.show(request, "check.html", found=job.result)


def settings(request: Request) -> Response:
    """Show the settings."""
    return _settings_page(request.app.state.desk, request)


def _settings_page(
    desk: Desk,
    request: Request,
    typed: dict[str, str] | None = None,
    faults: dict[str, tuple[str, ...]] | None = None,
) -> Response:
    from dataclasses import replace

    from washgrade import survey

    if not desk.standing().there:
        return desk.show(request, "no_ground.html", fault="")
    try:
        chosen = survey.settings(desk.site)
    except WashgradeError as error:
        return desk.refuse(request, *str(error).splitlines())
    fields = [replace(one, faults=(faults or {}).get(one.name, ())) for one in settings_form(chosen, typed)]
    return desk.show(request, "settings.html", fields=fields)


async def save_settings(request: Request) -> Response:
    """Change the settings."""
    desk: Desk = request.app.state.desk
    try:
        received = await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    return await run_in_threadpool(_save_settings, desk, request, dict(received.texts()))


def _save_settings(desk: Desk, request: Request, typed: dict[str, str]) -> Response:
    from washgrade import survey

    values, faults = changed_settings(typed)
    if faults:
        return _settings_page(desk, request, typed, faults)
    try:
        survey.change_settings(desk.site, values)
    except WashgradeError as error:
        return desk.refuse(request, *str(error).splitlines())
    desk.say("The settings are saved. Estimates use them from now on; the ground, when it is built again.")
    return RedirectResponse("/settings", status_code=303)


async def switch_units(request: Request) -> Response:
    """Switch between US and metric units."""
    desk: Desk = request.app.state.desk
    try:
        received = await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    return await run_in_threadpool(_switch_units, desk, request, received.text("to"), received.text("back"))


def _switch_units(desk: Desk, request: Request, units: str, back: str) -> Response:
    from washgrade import survey
    from washgrade.units import UNITS

    if units in UNITS:
        desk.units_first = units
        if desk.standing().there:
            try:
                survey.change_settings(desk.site, {"units": units})
            except WashgradeError as error:
                return desk.refuse(request, *str(error).splitlines())
    # Only back to the desk's own pages.
    is_own = re.fullmatch(r"/(?!/)[\w/?=&.%+-]*", back)
    return RedirectResponse(back if is_own else "/", status_code=303)


def state(request: Request) -> Response:
    """Tell an open page whether something has changed."""
    desk: Desk = request.app.state.desk
    return JSONResponse({"stamp": desk.stamp()})
