# SPDX-License-Identifier: GPL-3.0-or-later
"""Report at the end the figures that tests measured, and of a test that failed the boat's
console, also when it was run once more."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import pytest

from tests.support.boats import Virtual

#: Characters of a console's end.
TAIL = 4000

#: The property by which a test (`record_property`) has a line told at the end.
FIGURE = "figure"


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, Any, None]:
    """Add the end of each boat's console to the report of a failure."""
    outcome = yield
    report: pytest.TestReport = outcome.get_result()
    if report.failed:
        for name, value in getattr(item, "funcargs", {}).items():
            if isinstance(value, Virtual):
                console = value.bench.emulator.console
                text = console.read_text(errors="replace") if console.exists() else "(gone)"
                report.sections.append((f"console of {name}", text[-TAIL:]))


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Figures; and a test that passed when run once more is told of like one that failed."""
    told = [*terminalreporter.stats.get("passed", ()), *terminalreporter.stats.get("failed", ())]
    calls = [report for report in told if report.when == "call"]
    figures = [text for one in calls for name, text in one.user_properties if name == FIGURE]
    if figures:
        terminalreporter.section("measured")
        for text in figures:
            terminalreporter.line(text)
    for report in terminalreporter.stats.get("rerun", ()):
        terminalreporter.section(f"run once more: {report.nodeid}")
        terminalreporter.line(report.longreprtext)
        for title, text in report.sections:
            terminalreporter.section(title, "-")
            terminalreporter.line(text)
