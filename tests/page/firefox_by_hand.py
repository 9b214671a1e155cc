"""The page from a local file in Firefox: opened, written in, closed, opened again, and brought home.

No part of the test run, which has Chromium only; it is run where Firefox is installed:
``python tests/page/firefox_by_hand.py``. It speaks Marionette, the protocol that Firefox itself brings (one
JSON array after its length, over a socket), so that nothing has to be installed beside it.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

from washgrade.files.judging import Frame
from washgrade.files.records import read_record_file
from washgrade.page import build

PATIENCE_S = 90.0
PREFS = {
    "marionette.port": 0,
    # Whatever is asked of the network ends at a port where nobody listens.
    "network.proxy.type": 1,
    "network.proxy.http": "127.0.0.1",
    "network.proxy.http_port": 9,
    "network.proxy.ssl": "127.0.0.1",
    "network.proxy.ssl_port": 9,
    "browser.download.folderList": 2,
    "browser.download.alwaysOpenPanel": False,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "toolkit.telemetry.reportingpolicy.firstRun": False,
    "permissions.default.geo": 2,
}


class Firefox:
    """One run of Firefox over a profile that outlives it."""

    def __init__(self, program: str, profile: Path, downloads: Path) -> None:
        prefs = {**PREFS, "browser.download.dir": str(downloads)}
        lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in prefs.items()]
        (profile / "user.js").write_text("\n".join(lines))
        port_file = profile / "MarionetteActivePort"
        port_file.unlink(missing_ok=True)
        self.process = subprocess.Popen(
            [
                program,
                "--headless",
                "--marionette",
                "--no-remote",
                "--remote-allow-system-access",
                "--profile",
                str(profile),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(lambda: port_file.is_file() and port_file.read_text().strip() != "", "no port told")
        self.socket = socket.create_connection(("127.0.0.1", int(port_file.read_text())), timeout=PATIENCE_S)
        self.number = 0
        self._read()
        self.ask("WebDriver:NewSession", {"capabilities": {}})

    def _read(self) -> Any:
        size = b""
        while not size.endswith(b":"):
            size += self.socket.recv(1)
        data = b""
        while len(data) < int(size[:-1]):
            data += self.socket.recv(int(size[:-1]) - len(data))
        return json.loads(data)

    def ask(self, command: str, arguments: dict[str, Any]) -> Any:
        self.number += 1
        told = json.dumps([0, self.number, command, arguments]).encode()
        self.socket.sendall(f"{len(told)}:".encode() + told)
        _, _, error, result = self._read()
        if error:
            raise AssertionError(f"{command}: {error['message']}")
        return result

    def run(self, script: str, *arguments: Any) -> Any:
        answer = self.ask("WebDriver:ExecuteScript", {"script": script, "args": list(arguments)})
        return answer["value"]

    def open(self, path: Path) -> None:
        self.ask("WebDriver:Navigate", {"url": path.as_uri()})

    def find(self, selector: str) -> str:
        found = self.ask("WebDriver:FindElement", {"using": "css selector", "value": selector})["value"]
        return str(next(iter(found.values())))

    def click(self, selector: str) -> None:
        self.ask("WebDriver:ElementClick", {"id": self.find(selector)})

    def write(self, selector: str, text: str) -> None:
        self.ask("WebDriver:ElementSendKeys", {"id": self.find(selector), "text": text})

    def text(self, selector: str) -> str:
        return str(self.run("return document.querySelector(arguments[0])?.textContent ?? ''", selector))

    def complaints(self, path: Path) -> list[str]:
        """What the console holds of the page: errors and warnings of its own script."""
        self.ask("Marionette:SetContext", {"value": "chrome"})
        told = self.run(
            "return Services.console.getMessageArray().filter((one) => one instanceof Ci.nsIScriptError"
            " && one.sourceName === arguments[0]).map((one) => one.errorMessage)",
            path.as_uri(),
        )
        self.ask("Marionette:SetContext", {"value": "content"})
        return list(told)

    def close(self) -> None:
        with contextlib.suppress(OSError, AssertionError):
            self.ask("Marionette:Quit", {"flags": ["eAttemptQuit"]})
        self.socket.close()
        self.process.wait(PATIENCE_S)


def until(happened: Callable[[], bool], words: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < end_s, words
        time.sleep(0.1)


@contextlib.contextmanager
def running(program: str, folder: Path) -> Iterator[Firefox]:
    for name in ("profile", "downloads"):
        (folder / name).mkdir(exist_ok=True)
    one = Firefox(program, folder / "profile", folder / "downloads")
    try:
        yield one
    finally:
        one.close()


def main() -> int:
    program = shutil.which("firefox-esr") or shutil.which("firefox")
    if program is None:
        print("no Firefox on this machine")  # noqa: T201  (run by hand)
        return 1
    spec = importlib.util.spec_from_file_location("dendritic", Path(__file__).with_name("dendritic.py"))
    dendritic = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(dendritic)
    view = dendritic.sample_view()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path, packed = folder / "page.html", folder / "packed.html"
        path.write_bytes(build.render_page(view))
        build.MOST_PLAIN = 1000
        packed.write_bytes(build.render_page(view))
        with running(program, folder) as one:
            print(one.run("return navigator.userAgent"))  # noqa: T201  (run by hand)
            for page in (path, packed):
                one.open(page)
                count = "return document.querySelectorAll('#table tbody tr').length"
                until(lambda one=one, count=count: one.run(count) == 30, "no rows of the ranking")
                one.click("#table tbody button")
                assert one.text("#card h2").startswith("Reach "), one.text("#card h2")
                assert one.complaints(page) == [], one.complaints(page)
            one.open(path)
            until(lambda: one.text("#kept") == "0 to export", one.text("#kept"))
            one.click("[data-kind=looks]")
            one.click("[data-way=typed]")
            one.write("#Place-typed", f"{view.lat[3]:.6f}, {view.lon[3]:.6f}")
            one.run(
                "const box = document.getElementById('entry-seen'); box.value = 'bare';"
                " box.dispatchEvent(new Event('input', {bubbles: true}));"
            )
            one.write("#entry-note", "from Firefox; <b>\u201cquoted\u201d</b>")
            one.click(".entry button[type=submit]")
            until(lambda: one.text("#kept") == "1 to export", one.text(".summary"))
        print("written, and Firefox closed")  # noqa: T201  (run by hand)
        with running(program, folder) as one:
            one.open(path)
            until(lambda: one.text("#kept") == "1 to export", one.text("#kept"))
            one.click("#kept")
            one.click("#save-geojson")
            saved = folder / "downloads"
            until(lambda: any(saved.glob("entries-*.geojson")), "nothing was downloaded")
            until(lambda: one.text("#kept") == "0 to export", one.text("#kept"))
            assert one.complaints(path) == [], one.complaints(path)
        frame = Frame(crs="EPSG:25830", today=date(9000, 1, 1))
        records, faults = read_record_file(next(saved.glob("entries-*.geojson")), frame)
        assert faults == [], faults
        assert [record.note for record in records] == ["from Firefox; <b>\u201cquoted\u201d</b>"], records
        print("there after the restart, exported, and read back: good")  # noqa: T201  (run by hand)
    return 0


if __name__ == "__main__":
    sys.exit(main())
