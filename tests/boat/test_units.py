# SPDX-License-Identifier: GPL-3.0-or-later
"""Every unit that the settings enable runs, and goes on running."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import Any

from provision.verify.job import Answers, Command, Job, pairs

PROPERTIES = "--property=Id,LoadState,ActiveState,SubState,Result,Type,RemainAfterExit,NRestarts"


def enabled(manifest: dict[str, Any]) -> list[str]:
    """Return the units that the settings' own links have systemd start."""
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


def commands(job: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    show = ["systemctl", "show", PROPERTIES, "--", *enabled(job.manifest)]
    failed = ["systemctl", "list-units", "--failed", "--plain", "--no-legend"]
    return {"before": show, "failed": failed, "pause": ["sleep", "2"], "after": show}


def test_enabled_units_are_active(facts: Answers, job: Job) -> None:
    """A service that ran to its end well, and is meant to end, counts as well."""
    states = unit_states(facts["after"].ok().output)
    units = enabled(job.manifest)
    assert units, "the settings enable no unit"

    def runs(unit: dict[str, str]) -> bool:
        ended_well = unit.get("Type") == "oneshot" and unit["Result"] == "success"
        return unit["ActiveState"] == "active" or ended_well

    down = {name: state["SubState"] for name, state in states.items() if not runs(state)}
    down |= {name: "unknown" for name in units if name not in states}
    said = ", ".join(f"{name} is {state}" for name, state in down.items())
    assert down == {}, said


def test_no_failed_units(facts: Answers) -> None:
    failed = [line.split()[0] for line in facts["failed"].ok().lines]
    assert failed == [], f"failed: {', '.join(failed)}"


def test_no_unit_restarts(facts: Answers) -> None:
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
