# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's clock is right when it has a source, and plausible when it has none."""

from __future__ import annotations

import json
from typing import Any

import pytest

from provision.verify.heard import Verdict
from provision.verify.job import Answers, Command, Conclude, Job

#: Seconds between the boat's clock and ours; serial time is right to a fraction of one,
#: the rest is for an emulated boat's slowness.
APART = 5.0

#: Waits until chrony has chosen a source, where it runs and an instrument has told it the time
#: of late: at most 15 times 2 s; the two limits do not matter.
SETTLE = """
systemctl --quiet is-active chrony.service || exit 0
chronyc -c sources | grep -q '^#,[^,]*,[^,]*,[^,]*,[^,]*,[1-9]' || exit 0
exec chronyc waitsync 15 0 0 2
"""


def commands(job: Job) -> dict[str, Command]:
    """Return what to ask the boat; one that has just started gets a while to believe its source."""
    return {
        **({"settled": ["sh", "-c", SETTLE]} if tells_time(job.profile) else {}),
        "now": ["date", "+%s.%N"],
        "base": ["cat", "/usr/lib/boat-base/base.json"],
        "sources": ["chronyc", "-c", "sources"],
    }


def tells_time(profile: dict[str, Any]) -> bool:
    """Report whether an instrument aboard says the date and time."""
    return any({"RMC", "ZDA"} & set(link["talks"]) for link in profile["links"].values())


@pytest.fixture
def source(needs: Any, profile: dict[str, Any]) -> None:
    """Require an instrument that tells the time, and chrony that hears it."""
    needs("chrony.service")
    if not tells_time(profile):
        pytest.skip("no instrument aboard tells the time")


@pytest.mark.usefixtures("source")
def test_chrony_has_its_source(facts: Answers) -> None:
    """chrony listens to the instruments' time."""
    modes = [line.split(",")[0] for line in facts["sources"].ok().lines]
    assert "#" in modes, "chrony knows of no instrument"


def told_of_late(sources: str) -> bool:
    """Report whether an instrument told chrony the time at one of its last eight looks.

    That is the sixth field of `chronyc -c sources`, the reach register (chronyc(1)).
    """
    lines = [line.split(",") for line in sources.splitlines()]
    return any(line[0] == "#" and line[5:6] not in ([], ["0"]) for line in lines)


def test_right_time(
    facts: Answers, asked: tuple[float, float], profile: dict[str, Any], conclude: Conclude
) -> None:
    """The clock is not before the base was built, and right when an instrument tells the time.

    Right is what agrees with our own clock, or what chrony has from the instruments. While no
    instrument tells the time, a wrong clock is a note.
    """
    now, built = float(facts["now"].ok().output), json.loads(facts["base"].ok().output)["built"]
    assert now >= built, "the clock is before the day when the base was built"
    sources = facts["sources"].output
    chosen = any(line.startswith("#,*") for line in sources.splitlines())
    apart = max(asked[0] - now, now - asked[1])
    if chosen or apart < APART or not tells_time(profile):
        return
    wrong = f"{apart:.0f} s from this computer's clock, and no instrument chosen"
    assert not told_of_late(sources), wrong
    conclude(Verdict("noted", f"{wrong}: none tells the time now"))
