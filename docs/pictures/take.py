"""Take the pictures of the map page that the documentation shows.

Run: python docs/pictures/take.py PAGE.html
on a page that `washgrade page` wrote; it needs Chromium and Playwright.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

SIZES = {"desk": (1280, 800), "phone": (390, 844)}


def main(page_path: str) -> None:
    """Open the page at both sizes, the small one with the best reach chosen, and write the pictures here."""
    from playwright.sync_api import sync_playwright

    folder = Path(__file__).resolve().parent
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        for name, (width, height) in SIZES.items():
            context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
            page = context.new_page()
            page.goto(Path(page_path).resolve().as_uri())
            if name == "phone":
                page.locator("#table tbody button").first.click()
            # The zoom to the reach takes a quarter of a second.
            page.wait_for_timeout(900)
            page.screenshot(path=folder / f"page-{name}.png")
            context.close()
        browser.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
