"""The page as a folder that phones install from any static host, and open without network afterwards."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from string import Template

from washgrade.page.build import page_asset, render_page
from washgrade.page.icons import icon_png
from washgrade.page.view import PageView

__all__ = ["render_installable"]

_SIZES = (192, 512)
"""Sides of the icons that browsers ask for before they offer to install, pixels."""


def render_installable(view: PageView) -> Mapping[str, bytes]:
    """Render the page with all that makes it installable.

    Parameters
    ----------
    view : PageView
        What to show.

    Returns
    -------
    mapping of str to bytes
        Files by name: the page, a manifest, icons and the worker that keeps them on the phone; the same bytes
        for the same view.

    References
    ----------
    Web Application Manifest, W3C; Service Workers, W3C.
    """
    manifest = {
        "name": view.title,
        "short_name": view.title[:12].strip(),
        "description": f"Where to dig, as known on {view.day}. Works without network.",
        "start_url": "./",
        "scope": "./",
        "display": "standalone",
        "background_color": "#faf6ee",
        "theme_color": "#231c17",
        "icons": [
            {"src": f"icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png", "purpose": purpose}
            for size in _SIZES
            for purpose in ("any", "maskable")
        ],
    }
    files = {
        "index.html": render_page(view, installable=True),
        "manifest.webmanifest": json.dumps(manifest, ensure_ascii=False, indent=1).encode("utf-8"),
        **{f"icon-{size}.png": icon_png(size) for size in _SIZES},
    }
    digest = hashlib.sha256(b"".join(files.values())).hexdigest()[:16]
    worker = Template(page_asset("worker.js")).substitute(
        version=f"washgrade-{digest}", files=json.dumps(["./", *files])
    )
    return {**files, "worker.js": worker.encode("utf-8")}
