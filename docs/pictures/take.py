"""Take the pictures that the documentation shows: the map page and the desk, of one site.

Run: python docs/pictures/take.py SITE
on a site whose page is written, such as what `washgrade demo` makes; it needs Chromium and Playwright.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
SIZES = {"desk": (1280, 800), "phone": (390, 844)}
# Pages of the desk, and the names of their pictures.
DESK = {"/": "desk-overview", "/rank": "desk-ranking"}


def page_pictures(browser: Any, page_path: Path) -> None:
    """Open the map page at both sizes, the small one with the best reach chosen."""
    for name, (width, height) in SIZES.items():
        context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
        page = context.new_page()
        page.goto(page_path.resolve().as_uri())
        if name == "phone":
            page.locator("#table tbody button").first.click()
        # The zoom to the reach takes a quarter of a second.
        page.wait_for_timeout(900)
        page.screenshot(path=HERE / f"page-{name}.png")
        context.close()


def desk_pictures(browser: Any, site: str) -> None:
    """Start a desk for the site, look at some of its pages, and close it again."""
    command = [sys.executable, "-c", "from washgrade.cli import main; main()", "desk", site, "--no-browser"]
    with subprocess.Popen(  # noqa: S603 - our own command
        command, stdout=subprocess.PIPE, text=True
    ) as desk:
        try:
            link = next(line.strip() for line in desk.stdout if line.startswith("http"))
            context = browser.new_context(viewport={"width": SIZES["desk"][0], "height": SIZES["desk"][1]})
            page = context.new_page()
            page.goto(link)
            home = "/".join(link.split("/")[:3])
            for path, name in DESK.items():
                page.goto(home + path)
                # A page whose answer takes longer asks for it by itself.
                page.locator("th a[href^='/reach/']").first.wait_for(timeout=120_000)
                page.screenshot(path=HERE / f"{name}.png")
            context.close()
        finally:
            desk.terminate()


def main(site: str) -> None:
    """Take all pictures of a site."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page_pictures(browser, Path(site) / "out" / "page.html")
        desk_pictures(browser, site)
        browser.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
