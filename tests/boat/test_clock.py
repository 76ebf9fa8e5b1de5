# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's clock is right when it has a source, and plausible when it has none."""

from __future__ import annotations

import json
import time
from typing import Any

import pytest

from provision.push.suite import Answer

#: Seconds between the boat's clock and ours; serial time is right to a fraction of one,
#: the rest is for an emulated boat's slowness.
APART = 5.0


@pytest.fixture(scope="module")
def facts(aboard: Any) -> dict[str, Answer]:
    return aboard(
        {
            "now": ["date", "+%s.%N"],
            "base": ["cat", "/usr/lib/boat-base/base.json"],
            "sources": ["chronyc", "-c", "sources"],
        }
    )


def tells_time(profile: dict[str, Any]) -> bool:
    """Whether an instrument aboard says the date and time."""
    return any({"RMC", "ZDA"} & set(link["talks"]) for link in profile["links"].values())


def test_after_the_base_was_built(facts: dict[str, Answer]) -> None:
    built = json.loads(facts["base"].ok().output)["built"]
    assert float(facts["now"].ok().output) >= built


def test_chrony_has_its_source(facts: dict[str, Answer], profile: dict[str, Any]) -> None:
    """chrony listens to the instruments' time, if any tells it."""
    if not tells_time(profile):
        pytest.skip("no instrument aboard tells the time")
    modes = [line.split(",")[0] for line in facts["sources"].ok().lines]
    assert "#" in modes


def test_right_time(facts: dict[str, Answer], profile: dict[str, Any]) -> None:
    """The boat's clock agrees with ours, or chrony has chosen the instruments' time."""
    if not tells_time(profile):
        pytest.skip("no instrument aboard tells the time")
    chosen = any(line.startswith("#,*") for line in facts["sources"].output.splitlines())
    apart = abs(float(facts["now"].ok().output) - time.time())
    assert chosen or apart < APART, f"{apart:.1f} s apart, and no source chosen"
