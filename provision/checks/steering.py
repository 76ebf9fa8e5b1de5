# SPDX-License-Identifier: GPL-3.0-or-later
"""Who may move the rudder."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.profile.load import Boat


def check(boat: Boat) -> Iterator[Finding]:
    """Every boat that can be steered by others; whoever accepts that says why."""
    steering = boat.profile.steering
    if steering is None:
        return
    tablets = boat.profile.network.tablets
    senders = [f"{name} over Wi-Fi" if name in tablets else name for name in steering.senders]
    yield Finding(
        "warning",
        "steering",
        f"{steering.link} obeys {', '.join(senders)}: what goes wrong there moves the rudder",
        boat.place("steering"),
        "this is no primary means of navigation: keep a lookout and an independent backup, know "
        "how to disengage the pilot by hand, try it in open water; then write who has seen to it "
        "under accepted, as steering: REASON",
    )
