"""The map within the desk, with the walk and the day that were planned there last."""

from __future__ import annotations

import hashlib
import html
import re
from datetime import date
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from starlette.responses import FileResponse, RedirectResponse, Response

from washgrade.desk.plan_pages import PLANS, plan_options
from washgrade.desk.result_pages import without_ground

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from starlette.requests import Request

    from washgrade.desk.jobs import Job
    from washgrade.desk.state import Desk

__all__ = ["map_file", "map_page"]


def map_page(request: Request) -> Response:
    """Show the map within the desk; the plans of this run of the desk are drawn on it unless hidden."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    hidden = request.query_params.get("plans") == "none"
    plans = {} if hidden else dict(desk.plans)
    job = _ask_page(desk, request, plans)
    if job.faults and plans:
        # A record or another ground has come since: what was planned may not be possible any more.
        desk.plans.clear()
        desk.say("What was planned last does not go with the ground any more. Plan it again.", kind="doubt")
        return RedirectResponse("/map", status_code=303)
    on = request.query_params.get("on")
    return desk.unready(request, job) or desk.show(
        request,
        "map.html",
        query=urlencode(plans | ({"on": on} if on else {})),
        found=job.result,
        drawn=tuple(plans),
        hidden=hidden and bool(desk.plans),
    )


def _ask_page(desk: Desk, request: Request, plans: Mapping[str, str]) -> Job:
    on = request.query_params.get("on") or None
    # The name of the file follows from the question, so that the frame finds the same answer.
    text = repr((sorted(plans.items()), desk.stamp(), on, date.today()))
    out = desk.scratch / f"page-{hashlib.sha256(text.encode()).hexdigest()[:16]}.html"
    options = {kind: plan_options(kind, query) for kind, query in plans.items()}
    return desk.ask(request, "page", "Drawing the map", on=on, out=out, plans=options)


def map_file(request: Request) -> Response:
    """Give the map's file: within the desk's page, or to take along."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    asked = request.query_params
    job = _ask_page(desk, request, {kind: asked[kind] for kind in PLANS if asked.get(kind)})
    unready = desk.unready(request, job)
    if unready is not None:
        return unready
    path: Path = job.result["path"]
    if asked.get("keep"):
        name = re.sub(r"\W+", "-", desk.site.resolve().name) or "site"
        return FileResponse(path, filename=f"{name}-{date.today()}.html", media_type="text/html")
    content = path.read_bytes()
    found = re.search(rb'http-equiv="Content-Security-Policy" content="([^"]*)"', content[:4000])
    # The file's own policy, which names its scripts by their hash.
    policy = html.unescape(found.group(1).decode()) if found else "default-src 'none'"
    return Response(
        content,
        media_type="text/html; charset=utf-8",
        headers={"Content-Security-Policy": f"{policy}; frame-ancestors 'self'"},
    )
