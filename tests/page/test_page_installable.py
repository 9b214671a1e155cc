"""The installable folder: what browsers ask of it, and that it opens once the host has gone."""

from __future__ import annotations

import http.server
import io
import json
import threading
from functools import partial

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.image import imread

from washgrade.cli import main
from washgrade.page.icons import icon_png
from washgrade.page.installable import render_installable


@pytest.fixture(scope="module")
def files(dendritic):
    return render_installable(dendritic.sample_view())


class _Quiet(http.server.SimpleHTTPRequestHandler):
    extensions_map = http.server.SimpleHTTPRequestHandler.extensions_map | {
        ".webmanifest": "application/manifest+json"
    }

    def log_message(self, *words):
        pass


def serve(folder):
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), partial(_Quiet, directory=folder))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def lay_out(files, folder):
    for name, content in files.items():
        (folder / name).write_bytes(content)


def test_icons_are_pictures_of_their_size_and_stay_in_the_round_mask():
    for size in (192, 512):
        pixels = np.moveaxis(imread(io.BytesIO(icon_png(size)), format="png"), 2, 0) * 255.0
        assert pixels.shape == (3, size, size)
        row, col = np.mgrid[0:size, 0:size] + 0.5
        outside = np.hypot(row - size / 2, col - size / 2) > 0.4 * size
        # Web Application Manifest, W3C, "maskable": a circle of 40 % of the side is safe.
        assert np.ptp(pixels[:, outside], axis=1).max() == 0
        assert np.ptp(pixels[:, ~outside], axis=1).min() > 50


def test_the_manifest_has_what_browsers_ask_before_they_offer_to_install(files):
    manifest = json.loads(files["manifest.webmanifest"])
    assert {"name", "short_name", "start_url", "display", "icons"} <= set(manifest)
    assert manifest["display"] == "standalone"
    sizes = {icon["sizes"] for icon in manifest["icons"] if icon["purpose"] == "any"}
    assert {"192x192", "512x512"} <= sizes
    for icon in manifest["icons"]:
        assert files[icon["src"]][:8] == b"\x89PNG\r\n\x1a\n"


def test_the_same_view_is_the_same_folder_and_another_one_another_version(dendritic, files):
    assert render_installable(dendritic.sample_view()) == files
    other = render_installable(dendritic.sample_view(day="2026-02-15"))
    assert other["worker.js"] != files["worker.js"]


def test_after_one_visit_it_opens_without_the_host(browser, files, tmp_path):
    lay_out(files, tmp_path)
    server = serve(tmp_path)
    address = f"http://127.0.0.1:{server.server_port}/"
    context = browser.new_context(viewport={"width": 390, "height": 844})
    console = []
    try:
        page = context.new_page()
        page.set_default_timeout(30000)
        page.on("console", lambda message: console.append(message.text))
        page.on("pageerror", lambda error: console.append(str(error)))
        page.goto(address)
        page.locator("html[data-kept=yes]").wait_for(timeout=60000)
        # Chromium's own judgement of the manifest.
        session = context.new_cdp_session(page)
        told = session.send("Page.getAppManifest")
        assert told["errors"] == []
        assert session.send("Page.getInstallabilityErrors")["installabilityErrors"] in (
            [],
            [{"errorId": "in-incognito", "errorArguments": []}],
        )
        page.locator("[data-kind=looks]").click()
        page.locator("[data-way=cross]").click()
        page.locator("#entry-seen").select_option("bare")
        page.locator(".entry button[type=submit]").click()
        page.locator("#kept:text-is('1 to export')").wait_for()
        server.shutdown()
        server.server_close()
        for path in ("", "index.html"):
            page.goto(address + path)
            page.locator("#kept:text-is('1 to export')").wait_for()
            assert page.locator("#table tbody tr").count() == 30
        assert console == []
    finally:
        context.close()
        server.server_close()


def test_a_newer_folder_takes_over(browser, dendritic, files, tmp_path):
    lay_out(files, tmp_path)
    server = serve(tmp_path)
    address = f"http://127.0.0.1:{server.server_port}/"
    context = browser.new_context()
    try:
        page = context.new_page()
        page.goto(address)
        page.locator("html[data-kept=yes]").wait_for(timeout=60000)
        lay_out(render_installable(dendritic.sample_view(day="2026-03-01")), tmp_path)
        page.evaluate("navigator.serviceWorker.getRegistration().then((one) => one.update())")
        # The policy of the page forbids the evaluated text with which Playwright would wait.
        page.evaluate(
            "navigator.serviceWorker.getRegistration().then((one) => one.waiting ?? new Promise((done) => {"
            " const look = setInterval(() => { if (one.waiting) { clearInterval(look); done(); } }, 50); }))"
            ".then(() => true)"
        )
        page.close()
        page = context.new_page()
        # The old one leaves once the browser has done away with its last window.
        for _ in range(60):
            page.goto(address)
            if page.locator("#headline time").inner_text() == "2026-03-01":
                break
            page.goto("about:blank")
            page.wait_for_timeout(500)
        assert page.locator("#headline time").inner_text() == "2026-03-01"
        assert page.evaluate("caches.keys()") == [
            name for name in page.evaluate("caches.keys()") if name.startswith("washgrade-")
        ]
        assert len(page.evaluate("caches.keys()")) == 1
    finally:
        context.close()
        server.shutdown()
        server.server_close()


def test_the_folder_and_a_file_cannot_be_asked_for_at_once(tmp_path):
    done = CliRunner().invoke(
        main, ["page", str(tmp_path), "--out", "a.html", "--installable", str(tmp_path / "folder")]
    )
    assert done.exit_code == 2
    assert "One of them must be left out" in done.output + done.stderr
