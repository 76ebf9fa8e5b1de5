# SPDX-License-Identifier: GPL-3.0-or-later
"""The right boat, on the right board, running the wanted settings as they were rendered."""

from __future__ import annotations

import json

from provision.verify.job import Answers, Command, Job, same

#: Digits of a digest that a reason and a table show.
SHOWN_DIGITS = 12


def commands(_: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    return {
        "host name": ["cat", "/proc/sys/kernel/hostname"],
        "base": ["cat", "/usr/lib/boat-base/base.json"],
        "settings": ["boat-settings", "status", "--json"],
    }


def test_host_name(facts: Answers, job: Job) -> None:
    same(facts["host name"].ok().output.strip(), job.boat, "the host name")


def test_base(facts: Answers, job: Job) -> None:
    """The base is for this board's processor and in the format that the settings need."""
    base = json.loads(facts["base"].ok().output)
    same(base["architecture"], job.architecture, "the base's architecture")
    same(base["format"], job.manifest["base"], "the base's format")


def test_settings(facts: Answers, job: Job, on_trial: bool) -> None:
    """The wanted settings are live; and kept, unless they are on trial."""
    status = json.loads(facts["settings"].ok().output)
    same(status["boat"], job.boat, "the boat there")
    same(status["board"], job.manifest["board"], "the board")
    trial = status["trial"]
    if on_trial:
        over = trial is None or trial["digest"] != job.sha256
        assert not over, f"the trial is over: the boat has rolled back to {status['live']}"
    _same_digest(status["live"], job.sha256, "the live settings are")
    if not on_trial:
        _same_digest(status["kept"], job.sha256, "the kept settings are")


def test_no_drift(facts: Answers) -> None:
    """Every file aboard is as it was rendered."""
    changed = [entry["path"] for entry in json.loads(facts["settings"].ok().output)["drift"]]
    assert changed == [], f"changed by hand: {', '.join(changed)}"


def _same_digest(found: str | None, wanted: str, what: str) -> None:
    """Compare whole digests, and show as many digits as a table does."""
    shown = found[:SHOWN_DIGITS] if found else "missing"
    assert found == wanted, f"{what} {shown}, not {wanted[:SHOWN_DIGITS]}"
