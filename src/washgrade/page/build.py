"""From a view to the bytes of one HTML file that asks nothing of any network."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from string import Template

import numpy as np

from washgrade.page.pack import deflated, safe_json
from washgrade.page.payload import page_payload
from washgrade.page.still import still_html
from washgrade.page.themes import colours_css
from washgrade.page.view import PageView
from washgrade.page.words import cautions_html, plain_table, settings_html

__all__ = ["page_asset", "render_page"]

_SCRIPTS = (
    "decode",
    "words",
    "paint",
    "sheet",
    "theme",
    "legend",
    "past",
    "panel",
    "table",
    "rules",
    "store",
    "out",
    "place",
    "where",
    "entry",
    "entries",
    "guide",
    "picture",
    "page",
    "install",
)
"""Our own scripts in the order in which they need each other."""

# Data of more bytes are packed once more. Our choice: smaller pages open in browsers of any age, and packing
# needs one of 2023 or later (Chromium from 80, Firefox from 113, Safari from 16.4).
MOST_PLAIN = 2_000_000

_INSTALL_LINKS = (
    '<link rel="manifest" href="manifest.webmanifest"><link rel="icon" href="icon-192.png">'
    '<link rel="apple-touch-icon" href="icon-192.png"><meta name="theme-color" content="#231c17">'
)


def render_page(view: PageView, *, installable: bool = False) -> bytes:
    """Render the map page: one HTML file, the same bytes for the same view.

    The shell is a `folium.Map` without tiles whose links to the network are replaced by Leaflet from the
    package's own data. A content security policy in the page forbids every request; scripts and styles are
    allowed by their SHA-256 hash only.

    Parameters
    ----------
    view : PageView
        What to show.
    installable : bool, default False
        Whether it lies in a folder beside a manifest and a worker that keeps it on the phone.

    Returns
    -------
    bytes
        The file, UTF-8.

    References
    ----------
    Content Security Policy Level 3, W3C, section 2.3.1 (hash sources) and 3.3 (the meta element).
    """
    parts = _shell(view)
    style = "\n".join((_leaflet_css(), colours_css(), page_asset("page.css")))
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src '{_hash(parts.script)}'",
            f"style-src '{_hash(style)}'",
            "img-src data: blob: 'self'" if installable else "img-src data: blob:",
            *(("manifest-src 'self'", "worker-src 'self'") if installable else ()),
            "connect-src 'none'",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    html = page_asset("page.html")
    payload, payload_type = safe_json(page_payload(view) | {"installable": installable}), "application/json"
    if len(payload) > MOST_PLAIN:
        payload, payload_type = deflated(payload), "application/zlib"
    return (
        Template(html)
        .substitute(
            policy=policy,
            title=escape(view.title),
            day=escape(view.day),
            made_with=escape(view.made_with),
            invented=_invented(view),
            headline="Where to dig, as known on" if view.samples else "No sample yet, only a guess. As of",
            style=style,
            map=parts.map_html,
            still=still_html(view),
            storm=_storm(view),
            plain_table=plain_table(view),
            basis=_basis(view),
            cautions=cautions_html(view),
            settings=settings_html(view),
            links=_INSTALL_LINKS if installable else '<link rel="icon" href="data:,">',
            payload=payload,
            payload_type=payload_type,
            script=parts.script,
        )
        .encode("utf-8")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shell:
    """What folium gives: the element that holds the map, and the script that starts it."""

    map_html: str
    script: str


def _shell(view: PageView) -> _Shell:
    # What folium writes to set up the map, our own scripts put around it.
    import folium
    from branca.element import Figure

    lat = float(np.mean([view.line_lat.min(), view.line_lat.max()]))
    lon = float(np.mean([view.line_lon.min(), view.line_lon.max()]))
    shell = folium.Map(
        location=[round(lat, 6), round(lon, 6)],
        tiles=None,
        zoom_start=14,
        min_zoom=9,
        max_zoom=20,
        zoom_control="topright",
        attribution_control=False,
        zoom_snap=0.25,
        zoom_delta=0.5,
        wheel_px_per_zoom_level=120,
    )
    # folium names its elements at random; the page must be the same bytes each time.
    shell._id = "washgrade"
    # Its links lead to the network: none is wanted, Leaflet comes from our own data.
    shell.default_js = []
    shell.default_css = []
    figure = Figure()
    shell.add_to(figure)
    figure.render()
    # Of folium's header only what forbids zooming the page would remain: the header is our own.
    start = figure.script.render()
    script = "\n".join(
        (
            f"/*\n{page_asset('leaflet/LICENSE')}*/",
            re.sub(r"\n//# sourceMappingURL=\S+", "", page_asset("leaflet/leaflet.js")),
            start,
            "(async () => {",
            "'use strict';",
            f"const map = {shell.get_name()};",
            *(page_asset(f"{name}.js") for name in _SCRIPTS),
            "})();",
        )
    )
    return _Shell(map_html=figure.html.render().strip(), script=script)


def page_asset(name: str) -> str:
    """Read a text of the page's own data.

    Parameters
    ----------
    name : str
        Its path within the assets.

    Returns
    -------
    str
        The text, with plain line ends.
    """
    text = files("washgrade.page").joinpath("assets", *name.split("/")).read_text(encoding="utf-8")
    # A checkout may turn line ends; the bytes of the page must not depend on it.
    return text.replace("\r\n", "\n")


def _leaflet_css() -> str:
    # Leaflet's style sheet without the pictures that it would ask for.
    css = re.sub(r"[a-z-]+:\s*url\([^)]*\);?", "", page_asset("leaflet/leaflet.css"))
    return f"/*\n{page_asset('leaflet/LICENSE')}*/\n{css}"


def _hash(text: str) -> str:
    # The hash source of a script or style, as the policy wants it.
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _invented(view: PageView) -> str:
    # Words that say so when the place does not exist.
    if not view.invented:
        return ""
    return '<span class="invented">Invented place, for trying out</span>'


def _storm(view: PageView) -> str:
    # The last storm, which the page's script tells again in the units that its reader chooses.
    if view.storm is None:
        return ""
    told = escape(view.storm.told[0 if view.units == "us" else 1])
    return f', after the storm of {escape(view.storm.day)} (<span id="storm">{told}</span>)'


def _basis(view: PageView) -> str:
    # What the estimate is based on, in one sentence.
    count = len(view.samples)
    if count == 0:
        return "No sample yet: everything here is a general guess from the lie of the land."
    days = sorted(mark.day for mark in view.samples)
    span = f"on {days[0]}" if days[0] == days[-1] else f"between {days[0]} and {days[-1]}"
    taken = "sample" if count == 1 else "samples"
    return escape(f"Based on {count} {taken} taken {span}; {len(view.reach_id)} reaches.")
