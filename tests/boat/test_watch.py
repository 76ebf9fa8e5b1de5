# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat watches herself: boat-watch answers, and has just taken a sample."""

from __future__ import annotations

import json
from typing import Any

from provision.verify.job import Answers, Command, Job, same

#: Seconds that a sample may be old: two of its minutes, and the time for one.
MAX_SAMPLE_AGE_S = 150


def commands(_: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    return {
        "unit": ["systemctl", "is-active", "boat-watch.service"],
        "history": ["boat-watch", "--history"],
    }


def test_watches(facts: Answers, profile: dict[str, Any]) -> None:
    """The unit is active, its socket answers, and knows each link that promises something."""
    same(facts["unit"].output.strip(), "active", "boat-watch.service")
    told = json.loads(facts["history"].ok().output)
    same(told["format"], 1, "the format of the history")
    age = told["sampled"]
    assert age is not None and age < MAX_SAMPLE_AGE_S, f"the last sample is {age} s old"
    same(told["kept"], "card" if profile["log"] else "memory", "where the history is kept")
