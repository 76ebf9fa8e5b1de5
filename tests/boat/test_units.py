# SPDX-License-Identifier: GPL-3.0-or-later
"""Every unit that the settings enable runs, and goes on running."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import Any

import pytest

from provision.push.suite import Answer, Job, pairs

PROPERTIES = "--property=Id,LoadState,ActiveState,SubState,Result,Type,RemainAfterExit,NRestarts"


def enabled(manifest: dict[str, Any]) -> list[str]:
    """The units that the settings' own links have systemd start."""
    paths = (PurePosixPath(path) for path, file in manifest["files"].items() if "link" in file)
    return sorted(
        {
            path.name
            for path in paths
            if path.parent.suffix in (".wants", ".requires")
            and path.is_relative_to("/etc/systemd/system")
        }
    )


def unit_states(text: str) -> dict[str, dict[str, str]]:
    """`systemctl show` prints one paragraph a unit."""
    found = (pairs(paragraph) for paragraph in text.strip().split("\n\n"))
    return {unit["Id"]: unit for unit in found if "Id" in unit}


@pytest.fixture(scope="module")
def units(job: Job) -> list[str]:
    return enabled(job.manifest)


@pytest.fixture(scope="module")
def facts(aboard: Any, units: list[str]) -> dict[str, Answer]:
    show = ["systemctl", "show", PROPERTIES, "--", *units]
    failed = ["systemctl", "list-units", "--failed", "--plain", "--no-legend"]
    return aboard({"before": show, "failed": failed, "pause": ["sleep", "2"], "after": show})


def test_enabled_units_are_active(facts: dict[str, Answer], units: list[str]) -> None:
    """A service that ran to its end well, and is meant to end, counts as well."""
    states = unit_states(facts["after"].ok().output)
    assert units, "the settings enable no unit"

    def runs(unit: dict[str, str]) -> bool:
        ended_well = unit.get("Type") == "oneshot" and unit["Result"] == "success"
        return unit["ActiveState"] == "active" or ended_well

    down = {name: state["SubState"] for name, state in states.items() if not runs(state)}
    down |= {name: "unknown" for name in units if name not in states}
    said = ", ".join(f"{name} is {state}" for name, state in down.items())
    assert down == {}, said


def test_no_failed_units(facts: dict[str, Answer]) -> None:
    failed = [line.split()[0] for line in facts["failed"].ok().lines]
    assert failed == [], f"failed: {', '.join(failed)}"


def test_no_unit_restarts(facts: dict[str, Answer]) -> None:
    """No unit was started again while we watched it for two seconds."""
    before = unit_states(facts["before"].ok().output)
    after = unit_states(facts["after"].ok().output)
    again = [
        name
        for name, state in after.items()
        if state["SubState"] == "auto-restart"
        or state.get("NRestarts") != before[name].get("NRestarts")
    ]
    assert again == [], f"started again: {', '.join(again)}"
