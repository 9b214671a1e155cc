"""In CI a skipped test counts as a failure: there, everything that a test may need is present."""

from __future__ import annotations

import os

import pytest


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session, exitstatus):
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = len(reporter.stats.get("skipped", [])) if reporter else 0
    if os.environ.get("CI") and skipped and exitstatus == 0:
        reporter.write_line(f"{skipped} skipped: in CI a skip counts as a failure.", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
