"""The pages that plan: the sampling walk and the digging day, on the screen, for a GPS and on paper."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl

from starlette.responses import FileResponse, RedirectResponse

from washgrade.desk.result_pages import without_ground
from washgrade.desk.words import for_desk
from washgrade.units import POUND_KG

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from washgrade.desk.jobs import Job
    from washgrade.desk.state import Desk

__all__ = ["PLANS", "plan", "plan_gpx", "plan_options", "sheet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What one kind of plan asks for.

    Parameters
    ----------
    title : str
        What a person waits for.
    numbers : tuple of (str, str, float)
        Name of the field, name of the option in the library, and the most it may be.
    counts : frozenset of str
        Options that are whole numbers.
    ticks : tuple of (str, str)
        Name of the box, and of the option.
    """

    title: str
    numbers: tuple[tuple[str, str, float], ...]
    counts: frozenset[str]
    ticks: tuple[tuple[str, str], ...]


PLANS: Mapping[str, Plan] = MappingProxyType(
    {
        "walk": Plan(
            title="Planning the walk",
            numbers=(
                ("hours", "hours", 24.0),
                ("stops", "stops", 500.0),
                ("pairs", "duplicates", 100.0),
                ("per_stop", "sample_minutes", 600.0),
                ("daylight", "daylight_hours", 24.0),
            ),
            counts=frozenset({"stops", "duplicates"}),
            ticks=(("one_way", "one_way"), ("tributaries", "every_tributary")),
        ),
        "day": Plan(
            title="Planning the digging day",
            numbers=(
                ("hours", "hours", 24.0),
                ("product", "product_kg", 100_000.0),
                ("daylight", "daylight_hours", 24.0),
            ),
            counts=frozenset(),
            ticks=(("sure", "sure"),),
        ),
    }
)
"""Plans by the name of their page."""


def _typed(asked: Mapping[str, str], kind: str) -> dict[str, str]:
    names = [name for name, _, _ in PLANS[kind].numbers] + [name for name, _ in PLANS[kind].ticks]
    return {name: asked.get(name, "").strip() for name in (*names, "start", "point", "unit_of_product")}


def _options(kind: str, typed: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, str]]:
    options: dict[str, Any] = {}
    faults: dict[str, str] = {}
    for name, option, most in PLANS[kind].numbers:
        text = typed[name]
        if not text:
            continue
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        counted = option in PLANS[kind].counts
        if not 0.0 <= value <= most or (counted and not value.is_integer()):
            what = "a whole number" if counted else "a number"
            faults[name] = f"Invalid value of {text!r}. It must be {what} from 0 to {most:g}."
            continue
        options[option] = int(value) if counted else value
    if "product_kg" in options and typed["unit_of_product"] == "lb":
        options["product_kg"] *= POUND_KG
    options["start"] = typed["point"] or typed["start"] or None
    options |= {option: bool(typed[name]) for name, option in PLANS[kind].ticks}
    return options, faults


def plan_options(kind: str, query: str) -> dict[str, Any] | None:
    """Read what was asked of a plan from the address that asked it.

    Parameters
    ----------
    kind : str
        Which, a key of `PLANS`.
    query : str
        What stood behind the question mark.

    Returns
    -------
    dict or None
        Options of the library; None where they are faulty, or too few for a plan.

    Examples
    --------
    >>> plan_options("day", "hours=6&start=Gate&sure=yes")
    {'hours': 6.0, 'start': 'Gate', 'sure': True}
    >>> plan_options("day", "hours=long") is None
    True
    """
    options, faults = _options(kind, _typed(dict(parse_qsl(query)), kind))
    return None if faults or not ({"hours", "product_kg"} & options.keys()) else options


def _ask(desk: Desk, request: Request, kind: str, options: dict[str, Any]) -> Job:
    # The name of the file follows from the question, so that the download finds the same answer.
    on = request.query_params.get("on") or None
    text = repr((kind, sorted(options.items()), desk.stamp(), on, date.today()))
    gpx = desk.scratch / f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:16]}.gpx"
    return desk.ask(request, kind, PLANS[kind].title, on=on, gpx=gpx, **options)


def plan(request: Request) -> Response:
    """Plan a walk or a day."""
    from washgrade.files.groundstore import load_shapes
    from washgrade.files.site import open_site

    desk: Desk = request.app.state.desk
    kind = request.url.path.strip("/")
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    typed = _typed(request.query_params, kind)
    options, faults = _options(kind, typed)
    context: dict[str, Any] = {
        "kind": kind,
        "gates": [shape.name for shape in load_shapes(open_site(desk.site), "access") if shape.name],
        "typed": typed,
        "query": request.url.query,
        "found": None,
        "faults": faults,
    }
    if faults or not ({"hours", "product_kg"} & options.keys()):
        return desk.show(request, f"{kind}.html", **context)
    job = _ask(desk, request, kind, options)
    if job.faults:
        about = "start" if "start" in " ".join(job.faults).lower() else "hours"
        told = {about: " ".join(for_desk(fault) for fault in job.faults)}
        return desk.show(request, f"{kind}.html", **{**context, "faults": told})
    unready = desk.unready(request, job)
    if unready is not None:
        return unready
    desk.plans[kind] = request.url.query
    return desk.show(request, f"{kind}.html", **{**context, "found": job.result})


def plan_gpx(request: Request) -> Response:
    """Give a plan for a GPS or a phone's map program."""
    desk: Desk = request.app.state.desk
    kind = request.url.path.strip("/").removesuffix(".gpx")
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    options = plan_options(kind, request.url.query)
    if options is None:
        return RedirectResponse(f"/{kind}", status_code=303)
    job = _ask(desk, request, kind, options)
    unready = desk.unready(request, job)
    return unready or FileResponse(
        job.arguments["gpx"], filename=f"{kind}.gpx", media_type="application/gpx+xml"
    )


def sheet(request: Request) -> Response:
    """Give the field sheet as a PDF, with the walk or the day that the address tells."""
    desk: Desk = request.app.state.desk
    missing = without_ground(desk, request)
    if missing is not None:
        return missing
    asked = request.query_params
    kind = next((kind for kind in PLANS if asked.get(kind)), "")
    options = plan_options(kind, asked[kind]) if kind else None
    if kind and options is None:
        return RedirectResponse(f"/{kind}", status_code=303)
    text = repr((kind, sorted((options or {}).items()), desk.stamp(), date.today()))
    out = desk.scratch / f"sheet-{hashlib.sha256(text.encode()).hexdigest()[:16]}.pdf"
    job = desk.ask(
        request,
        "sheet",
        "Drawing the field sheet",
        on=asked.get("on") or None,
        out=out,
        kind=kind,
        options=options or {},
    )
    unready = desk.unready(request, job)
    return unready or FileResponse(job.result["path"], filename="sheet.pdf", media_type="application/pdf")
