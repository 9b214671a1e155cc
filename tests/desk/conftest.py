"""A desk on a port of its own, a small invented valley, and a browser that reaches nothing else."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from dems import write_dem

from washgrade import survey
from washgrade.desk.access import Session
from washgrade.desk.app import make_app
from washgrade.desk.jobs import Jobs
from washgrade.desk.serve import _bind
from washgrade.desk.state import Desk

ROOT = Path(__file__).resolve().parents[2]
SIZES = {"desk": (1440, 900), "phone": (390, 844)}
WEST_M, NORTH_M, CELL_M, SIDE = 500_000.0, 4_020_000.0, 5.0, 90


@pytest.fixture(scope="session")
def valley(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A valley that falls southward, with side washes every 150 m; the place is invented."""
    rows, cols = np.mgrid[0:SIDE, 0:SIDE] * CELL_M
    across = np.abs(cols - SIDE * CELL_M / 2)
    height = 600.0 - 0.05 * rows + 0.25 * across + 4.0 * np.cos(2 * np.pi * rows / 150.0) * across / 220.0
    height += np.random.default_rng(5).normal(0.0, 0.02, height.shape)
    path = tmp_path_factory.mktemp("dem") / "valley.tif"
    write_dem(path, height, west_m=WEST_M, north_m=NORTH_M, cell_m=CELL_M)
    return path


@pytest.fixture(scope="session")
def built(valley: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site whose ground is built; copies of it are what tests change."""
    site = tmp_path_factory.mktemp("built") / "valley"
    survey.build_ground(site, [valley], channel_area_m2=4000.0)
    return site


@pytest.fixture
def site(built: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(built, tmp_path / "valley"))


@dataclass
class Running:
    """A desk that runs, and a client that was let in."""

    desk: Desk
    client: httpx.Client
    base: str
    secret: str

    def post(self, path: str, fields: dict[str, Any] | None = None, **more: Any) -> httpx.Response:
        data = {"form_secret": self.secret, **(fields or {})}
        return self.client.post(path, data=data, headers={"Origin": self.base}, **more)

    def upload(self, path: str, fields: dict[str, Any], files: list[Any]) -> httpx.Response:
        # Fields first, as the desk's own forms have them.
        parts = [(name, (None, value)) for name, value in {"form_secret": self.secret, **fields}.items()]
        return self.client.post(path, files=[*parts, *files], headers={"Origin": self.base})

    def ready(self, path: str, patience_s: float = 240.0) -> httpx.Response:
        """Ask until the answer is there."""
        until_s = time.monotonic() + patience_s
        while time.monotonic() < until_s:
            answer = self.client.get(path)
            if '<section class="job"' not in answer.text:
                return answer
            time.sleep(0.2)
        raise AssertionError(f"{path} is not ready after {patience_s:g} s")

    def sentences(self, answer: httpx.Response) -> list[str]:
        """What a page says was wrong."""
        import html

        told = re.findall(r'<(?:p|div) class="(?:said )?fault"[^>]*>([^<]*)', answer.text)
        return [html.unescape(text).strip() for text in told if text.strip()]


Start = Callable[..., Running]


@pytest.fixture
def start_desk() -> Iterator[Start]:
    import uvicorn

    stops: list[Callable[[], None]] = []

    def start(folder: Path, *, picked_folder: Path | None = None) -> Running:
        listening = _bind(0)
        session = Session(listening.getsockname()[1])
        desk = Desk(site=folder, jobs=Jobs(start_early=False), session=session, picked_folder=picked_folder)
        config = uvicorn.Config(make_app(desk), log_level="error", lifespan="off", access_log=False)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        base = f"http://{session.hosts[0]}"
        client = httpx.Client(base_url=base, follow_redirects=True, timeout=60.0, trust_env=False)
        while not server.started:
            time.sleep(0.02)

        def stop() -> None:
            client.close()
            server.should_exit = True
            thread.join(15.0)
            desk.close()
            listening.close()

        stops.append(stop)
        assert client.get(session.start_path).status_code == 200
        return Running(desk=desk, client=client, base=base, secret=session.form_secret)

    yield start
    for stop in stops:
        stop()


@pytest.fixture(scope="session")
def browser(playing: Any, chromium: str) -> Iterator[Any]:
    quiet = ("quic", "background-networking", "component-update", "sync", "gpu")
    started = playing.chromium.launch(
        executable_path=chromium,
        args=[
            "--no-sandbox",
            "--no-first-run",
            # Nothing but the loopback has an address.
            "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
            *(f"--disable-{name}" for name in quiet),
        ],
    )
    yield started
    started.close()


@dataclass
class Seen:
    """A page of a browser, and everything it said or asked for."""

    page: Any
    base: str
    requests: list[str] = field(default_factory=list)
    console: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    def settle(self, address: str, patience_s: float = 240.0) -> None:
        """Wait until a page is there and no work is under way; an address ends like a glob."""
        from playwright.sync_api import expect

        self.page.wait_for_url(f"{self.base}{address}", timeout=1000 * patience_s)
        # Twice, because a page that is still being read may not have come to its job yet.
        for _ in range(2):
            expect(self.page.locator("[data-job]")).to_have_count(0, timeout=1000 * patience_s)
            self.page.wait_for_load_state("load")

    def assert_quiet(self) -> None:
        """Nothing left the desk, and nothing broke."""
        assert self.console == []
        assert self.dialogs == []
        assert [url for url in self.requests if not url.startswith((self.base, "data:", "blob:"))] == []


@pytest.fixture
def open_desk(browser: Any) -> Iterator[Callable[..., Seen]]:
    """Start a desk by its command, as a person does, and open its link."""
    begun: list[Any] = []

    def start(
        folder: Path, size: str = "desk", *, script: bool = True, more: tuple[str, ...] = (), first: str = ""
    ) -> Seen:
        command = f"{first}\nfrom washgrade.cli import main\nmain()"
        process = subprocess.Popen(
            [sys.executable, "-c", command, "desk", str(folder), "--no-browser", *more],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
        )
        link = next(line.strip() for line in process.stdout if line.startswith("http://"))
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height},
            has_touch=size == "phone",
            is_mobile=size == "phone",
            java_script_enabled=script,
            accept_downloads=True,
        )
        begun.append((process, context))
        page = context.new_page()
        page.set_default_timeout(60_000)
        seen = Seen(page, link.split("/start")[0])
        page.on("request", lambda request: seen.requests.append(request.url))
        page.on("console", lambda message: seen.console.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: seen.console.append(f"error: {error}"))

        def refuse(dialog: Any) -> None:
            seen.dialogs.append(dialog.message)
            dialog.dismiss()

        page.on("dialog", refuse)
        page.goto(link)
        page.wait_for_url(f"{seen.base}/")
        return seen

    yield start
    for process, context in begun:
        context.close()
        process.terminate()
        process.wait(40)
        process.stdout.close()
