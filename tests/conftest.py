"""In CI a skipped test counts as a failure, but for those whose data no clone has.

Some checks need open data that are kept beside the developers' checkouts and are not ours to redistribute. In
a clone without that folder they are skipped, visibly; where the folder is there, they must run.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

REFERENCE = Path(__file__).resolve().parents[1].parent / "shared" / "reference"
NOT_HERE = "beside this checkout"


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session, exitstatus):
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    reports = reporter.stats.get("skipped", []) if reporter else []
    unexcused = [r for r in reports if REFERENCE.is_dir() or NOT_HERE not in str(r.longrepr)]
    if os.environ.get("CI") and unexcused and exitstatus == 0:
        reporter.write_line(f"\n{len(unexcused)} skipped: in CI a skip counts as a failure.", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture(scope="session")
def chromium() -> str:
    """Where the browser is."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium found: pages cannot be tested")
        pytest.skip("no Chromium on this machine")
    return found


@pytest.fixture(scope="session")
def playing(chromium: str) -> Iterator[Any]:
    """Playwright, once in a process: it refuses to run twice side by side."""
    from playwright.sync_api import expect, sync_playwright

    # What is waited for comes within a moment, or within a minute on a machine that does much else.
    expect.set_options(timeout=60_000)
    with sync_playwright() as play:
        yield play
