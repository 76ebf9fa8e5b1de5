# SPDX-License-Identifier: GPL-3.0-or-later
"""The sums: a profile against physics, the board and the trade; one subject a file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from provision.checks import (
    access,
    baud,
    card,
    club,
    formatters,
    names,
    network,
    sources,
    steering,
    usb,
    wifi,
)
from provision.checks.finding import Finding, Level
from provision.profile.load import Boat

__all__ = ["Finding", "Level", "check", "errors"]

SUBJECTS = (
    names.check,
    access.check,
    baud.check,
    formatters.check,
    usb.check,
    wifi.check,
    network.check,
    sources.check,
    steering.check,
    card.check,
)


def check(boats: Sequence[Boat], neighbours: Sequence[Boat] = ()) -> list[Finding]:
    """All findings about the boats, each by itself and against the other boats of its club.

    `neighbours` are boats of the club that are not themselves in question. Warnings that a
    boat's profile accepts are left out.
    """
    # A boat that is named twice is one boat.
    asked = {boat.file.resolve(): boat for boat in boats}
    near = {boat.file.resolve(): boat for boat in neighbours if boat.file.resolve() not in asked}
    boats, neighbours = list(asked.values()), list(near.values())
    return [
        finding
        for number, boat in enumerate(boats)
        for finding in _unaccepted(
            boat, [*_alone(boat), *club.check(boat, [*neighbours, *boats[:number]])]
        )
    ]


def errors(boat: Boat) -> list[Finding]:
    """What will not work about a boat, looked at by itself."""
    return [finding for finding in _alone(boat) if finding.level == "error"]


def _alone(boat: Boat) -> Iterator[Finding]:
    for subject in SUBJECTS:
        yield from subject(boat)


def _unaccepted(boat: Boat, findings: list[Finding]) -> Iterator[Finding]:
    accepted = boat.profile.accepted
    for finding in findings:
        if finding.level == "error" or finding.check not in accepted:
            yield finding
    for name in accepted:
        if not any(finding.level == "warning" and finding.check == name for finding in findings):
            yield Finding(
                "warning",
                "accepted",
                f"{name} is accepted, but is no warning about this boat",
                boat.place(f"accepted.{name}"),
                "take it out, so that it hides nothing later",
            )
