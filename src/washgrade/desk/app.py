"""The desk as a web application: which address shows what."""

from __future__ import annotations

import re
from importlib.resources import files
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from washgrade.desk import ground_pages, map_pages, plan_pages, record_pages, result_pages, strike_pages
from washgrade.desk.access import Guard, refusal_html

if TYPE_CHECKING:
    from starlette.requests import Request

    from washgrade.desk.state import Desk

__all__ = ["make_app", "page_colours"]

_TYPES = {"desk.css": "text/css", "desk.js": "text/javascript"}


def page_colours() -> str:
    """Read the colours of the map page, so that both look the same from one place.

    Returns
    -------
    str
        The ``:root`` blocks of the page's style: the colours of the classes, and those of everything else.
    """
    from washgrade.page.themes import colours_css

    text = files("washgrade.page").joinpath("assets", "page.css").read_text(encoding="utf-8")
    found = re.search(r":root \{.*?\n\}", text, re.DOTALL)
    assert found is not None  # noqa: S101  (a test holds the two together)
    return colours_css() + found.group(0)


def start(request: Request) -> Response:
    """Let in the browser that brings the token of the start link."""
    desk: Desk = request.app.state.desk
    if desk.session.knows(request.headers.get("cookie", "")):
        return RedirectResponse("/", status_code=303)
    cookie = desk.session.open_with(request.query_params.get("token", ""))
    if not cookie:
        return HTMLResponse(
            refusal_html(
                "This start link is wrong or was used already; it works once. Use the window that it opened, "
                "or close the desk and start it again with: washgrade desk SITE."
            ),
            status_code=403,
        )
    # The page goes on by itself: after a redirect, a browser led here by a link would withhold the cookie.
    return HTMLResponse(
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>washgrade desk</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="refresh" content="0;url=/"><link rel="icon" href="data:,">'
        '<link rel="stylesheet" href="/assets/desk.css"></head><body><main class="alone">'
        '<h1>Opening the desk</h1><p><a href="/">Go on</a></p></main></body></html>',
        headers={"Set-Cookie": cookie},
    )


def asset(request: Request) -> Response:
    """Give the desk's own style and script."""
    name = request.path_params["name"]
    if name not in _TYPES:
        return Response(status_code=404)
    text = files("washgrade.desk").joinpath("assets", name).read_text(encoding="utf-8")
    if name == "desk.css":
        text = f"{page_colours()}\n{text}"
    return Response(text, media_type=_TYPES[name])


def lost(request: Request, _error: Exception) -> Response:
    """Say that there is no such page."""
    desk: Desk = request.app.state.desk
    return desk.refuse(request, "There is no such page on the desk.", status=404)


def broken(request: Request, error: Exception) -> Response:
    """Say that something broke, and go on."""
    desk: Desk = request.app.state.desk
    return desk.refuse(
        request,
        "Something in washgrade broke, which is not your fault. Nothing recorded is lost. Tell its makers "
        f"this: {type(error).__name__}: {error}.",
        status=500,
    )


async def stop(request: Request) -> Response:
    """Close the desk."""
    from starlette.background import BackgroundTask

    from washgrade.desk.uploads import Refused, receive_form

    desk: Desk = request.app.state.desk
    try:
        await receive_form(request, is_own_form=desk.session.is_own_form)
    except Refused as error:
        return desk.refuse(request, str(error), status=error.status)
    page = refusal_html("Everything is kept. You can close this window.").replace(
        "The desk did not do this", "The desk is closed"
    )
    return HTMLResponse(page.replace("Not here", "Closed"), background=BackgroundTask(request.app.state.stop))


def make_app(desk: Desk) -> Starlette:
    """Make the application.

    Parameters
    ----------
    desk : Desk
        What it serves.

    Returns
    -------
    Starlette
        Behind its guard; ``app.state.stop`` is called when a person closes the desk.
    """
    get, post = ["GET"], ["POST"]
    ground, records, strikes, results = ground_pages, record_pages, strike_pages, result_pages
    routes = [
        Route("/start", start, methods=get),
        Route("/assets/{name}", asset, methods=get),
        Route("/", results.home, methods=get),
        Route("/state", results.state, methods=get),
        Route("/stop", stop, methods=post),
        Route("/units", results.switch_units, methods=post),
        Route("/ground", ground.ground, methods=get),
        Route("/ground", ground.build, methods=post),
        Route("/ground/demo", ground.lay_out_demo, methods=post),
        Route("/ground/report", ground.report, methods=get),
        Route("/jobs/{name}", ground.job_page, methods=get),
        Route("/jobs/{name}/state", ground.job_state, methods=get),
        Route("/jobs/{name}/cancel", ground.cancel_job, methods=post),
        Route("/notebook", records.notebook, methods=get),
        Route("/notebook/new/{kind}", records.enter_form, methods=get),
        Route("/notebook/new/{kind}", records.enter, methods=post),
        Route("/notebook/files", records.files_form, methods=get),
        Route("/notebook/files", records.look_over_files, methods=post),
        Route("/notebook/files/{name}", records.take_in, methods=post),
        Route("/notebook/strike/{record_id}", strikes.strike_form, methods=get),
        Route("/notebook/strike/{record_id}", strikes.strike, methods=post),
        Route("/notebook/undo/{record_id}", strikes.undo_strike, methods=post),
        Route("/rank", results.rank, methods=get),
        Route("/reach", results.find_reach, methods=get),
        Route("/reach/{reach}", results.reach, methods=get),
        Route("/where", results.where, methods=get),
        *(Route(f"/{kind}", plan_pages.plan, methods=get) for kind in plan_pages.PLANS),
        *(Route(f"/{kind}.gpx", plan_pages.plan_gpx, methods=get) for kind in plan_pages.PLANS),
        Route("/sheet.pdf", plan_pages.sheet, methods=get),
        Route("/storms", results.storms, methods=get),
        Route("/map", map_pages.map_page, methods=get),
        Route("/map/page.html", map_pages.map_file, methods=get),
        Route("/take-along", results.take_along, methods=get),
        Route("/export", results.export, methods=get),
        Route("/check", results.check, methods=get),
        Route("/settings", results.settings, methods=get),
        Route("/settings", results.save_settings, methods=post),
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Guard, session=desk.session)],
        exception_handlers={404: lost, 500: broken},
    )
    app.state.desk = desk
    app.state.stop = lambda: None
    return app
