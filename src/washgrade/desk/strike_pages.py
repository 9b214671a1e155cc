"""The pages that take a record out of use, and bring it back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse

from washgrade.desk.record_pages import told_rows
from washgrade.desk.uploads import Received, Refused, receive_form
from washgrade.desk.words import for_desk
from washgrade.errors import WashgradeError
from washgrade.files.columns import KINDS

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from washgrade.desk.state import Desk

__all__ = ["strike", "strike_form", "undo_strike"]


def strike_form(request: Request) -> Response:
    """Ask why a record is to be struck."""
    return _strike_page(request.app.state.desk, request, request.path_params["record_id"])


def _strike_page(desk: Desk, request: Request, record_id: str, fault: str = "") -> Response:
    from washgrade import survey

    try:
        found = [record for record in survey.notebook(desk.site, struck=True) if record.id == record_id]
    except WashgradeError as error:
        return desk.refuse(request, str(error))
    if not found:
        return desk.refuse(request, "There is no such record in the notebook.", status=404)
    (row,) = told_rows(desk, found)
    return desk.show(request, "strike.html", row=row, kind=found[0].kind, fault=fault)


async def strike(request: Request) -> Response:
    """Strike a record."""
    desk: Desk = request.app.state.desk
    try:
        received = await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    return await run_in_threadpool(_strike, desk, request, request.path_params["record_id"], received)


def _strike(desk: Desk, request: Request, record_id: str, received: Received) -> Response:
    from washgrade import survey

    why = received.text("why")
    if not why:
        return _strike_page(
            desk, request, record_id, "There is no reason yet. A few words are enough; they stay with it."
        )
    try:
        struck = survey.strike(desk.site, record_id, why=why)
    except WashgradeError as error:
        return desk.refuse(request, *(for_desk(sentence) for sentence in str(error).splitlines()))
    desk.say(f"Struck {KINDS[struck.kind].one} {struck.id[:8]}: {struck.struck_why}. It stays on file.")
    if received.text("then") == "again":
        return RedirectResponse(f"/notebook/new/{struck.kind}?like={struck.id}", status_code=303)
    return RedirectResponse("/notebook?struck=yes", status_code=303)


async def undo_strike(request: Request) -> Response:
    """Take a strike back."""
    desk: Desk = request.app.state.desk
    try:
        await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return await run_in_threadpool(desk.refuse, request, str(error), status=error.status)
    return await run_in_threadpool(_undo_strike, desk, request, request.path_params["record_id"])


def _undo_strike(desk: Desk, request: Request, record_id: str) -> Response:
    from washgrade import survey

    try:
        record, new = survey.undo_strike(desk.site, record_id)
    except WashgradeError as error:
        return desk.refuse(request, *(for_desk(sentence) for sentence in str(error).splitlines()))
    one = KINDS[record.kind].one
    desk.say(
        f"The {one} of {record.day} counts {'again' if new else 'already'}. The struck one stays on file."
    )
    return RedirectResponse("/notebook", status_code=303)
