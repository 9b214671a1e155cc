"""A real browser without network, and an invented ground to show in it."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from washgrade.page.build import render_page
from washgrade.page.view import PageView

SIZES = {"desk": (1280, 800), "phone": (390, 844)}


@pytest.fixture(scope="session")
def dendritic() -> ModuleType:
    spec = importlib.util.spec_from_file_location("dendritic", Path(__file__).with_name("dendritic.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def browser(playing: Any, chromium: str) -> Iterator[Any]:
    quiet = ("quic", "background-networking", "component-update", "sync", "gpu")
    started = playing.chromium.launch(
        executable_path=chromium,
        args=["--no-sandbox", "--no-first-run", *(f"--disable-{name}" for name in quiet)],
    )
    yield started
    started.close()


@dataclass
class Opened:
    """A page as it is shown, and everything it said or asked for."""

    page: Any
    requests: list[str] = field(default_factory=list)
    console: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    def until(self, happened: Callable[[], bool], patience_s: float = 60.0) -> None:
        """Look again and again: what a script or an animation brings about comes when it comes."""
        until_s = time.monotonic() + patience_s
        while not happened():
            assert time.monotonic() < until_s, "what was waited for did not come"
            self.page.wait_for_timeout(50)

    def rest(self) -> None:
        """Wait until the map neither slides nor zooms, which it may begin with the next frame only."""
        self.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done, 50)))")
        moving = "() => Boolean(map_washgrade._animatingZoom || map_washgrade._panAnim?._inProgress)"
        self.until(lambda: not self.page.evaluate(moving))

    def click_on_map(self, lat: float, lon: float) -> None:
        spot = self.page.evaluate(
            "([lat, lon]) => { const p = map_washgrade.latLngToContainerPoint([lat, lon]);"
            " const r = map_washgrade.getContainer().getBoundingClientRect();"
            " return [p.x + r.x, p.y + r.y]; }",
            [lat, lon],
        )
        self.page.mouse.click(*spot)

    def pixels(self, colour: str) -> int:
        """How many pixels of the sheet have exactly this colour."""
        return self.page.evaluate(
            """(hex) => {
              const sheet = document.querySelector('canvas.sheet');
              const {data} = sheet.getContext('2d').getImageData(0, 0, sheet.width, sheet.height);
              const [r, g, b] = [1, 3, 5].map((n) => parseInt(hex.slice(n, n + 2), 16));
              let count = 0;
              for (let n = 0; n < data.length; n += 4) {
                const same = data[n] === r && data[n + 1] === g && data[n + 2] === b;
                if (same && data[n + 3] === 255) count += 1;
              }
              return count;
            }""",
            colour,
        )

    def colour(self, name: str) -> str:
        return self.page.evaluate(
            "(name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim()", name
        )

    def cells(self, column: int) -> list[str]:
        return self.page.locator(f"#table tbody tr > :nth-child({column})").all_inner_texts()


Open = Callable[..., Opened]


@pytest.fixture
def show(browser: Any, tmp_path: Path) -> Iterator[Open]:
    contexts = []

    def open_view(view: PageView, size: str = "desk", *, offline: bool = True, script: bool = True) -> Opened:
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height},
            has_touch=size == "phone",
            is_mobile=size == "phone",
            offline=offline,
            java_script_enabled=script,
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)
        opened = Opened(page)
        page.on("request", lambda request: opened.requests.append(request.url))
        page.on("console", lambda message: opened.console.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: opened.console.append(f"error: {error}"))

        def refuse(dialog: Any) -> None:
            opened.dialogs.append(dialog.message)
            dialog.dismiss()

        page.on("dialog", refuse)
        path = tmp_path / "page.html"
        path.write_bytes(render_page(view))
        page.goto(path.as_uri())
        return opened

    yield open_view
    for context in contexts:
        context.close()
