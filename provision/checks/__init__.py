# SPDX-License-Identifier: GPL-3.0-or-later
"""Check a profile against physics, the board and the trade. One subject a file, in six rooms.

Each room names its subjects, and the sums of those that calculate, in its `__init__`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice

from provision.checks import identity, links, network, power, sources, storage
from provision.checks.figure import Figure
from provision.checks.finding import Finding, Level, worst_first
from provision.profile.load import Boat
from provision.profile.secrets.store import secrets_path

__all__ = ["Figure", "Finding", "Level", "calculate", "check", "find_errors"]

#: Findings, or figures, of one subject about one boat. More would not be read.
MAX_FINDINGS = 500

SUBJECTS = (
    *identity.SUBJECTS,
    *links.SUBJECTS,
    *power.SUBJECTS,
    *network.SUBJECTS,
    *sources.SUBJECTS,
    *storage.SUBJECTS,
)

#: The sums of those subjects that calculate.
FIGURES = (
    *links.FIGURES,
    *power.FIGURES,
    *network.FIGURES,
    *sources.FIGURES,
    *storage.FIGURES,
)


def check(boats: Sequence[Boat], neighbours: Sequence[Boat] = ()) -> list[Finding]:
    """Return all findings about the boats, alone and against each other, the worst first.

    `neighbours` are other boats of the club, which are not checked themselves. Warnings that a
    boat's profile accepts are left out.
    """
    # Count a boat that is named twice once.
    asked = {boat.file.resolve(): boat for boat in boats}
    near = {boat.file.resolve(): boat for boat in neighbours if boat.file.resolve() not in asked}
    boats, neighbours = list(asked.values()), list(near.values())
    return worst_first(
        [
            finding
            for number, boat in enumerate(boats)
            for finding in _named(boat, _of_one(boat, [*neighbours, *boats[:number]]))
        ]
    )


def calculate(boats: Sequence[Boat]) -> list[Figure]:
    """Return all sums about the boats, also those that are within their limits."""
    return [
        replace(figure, boat=boat.name)
        for boat in {boat.file.resolve(): boat for boat in boats}.values()
        for subject in FIGURES
        for figure in islice(subject(boat), MAX_FINDINGS)
    ]


def _of_one(boat: Boat, others: Sequence[Boat]) -> Iterator[Finding]:
    yield from _unaccepted(boat, [*_alone(boat), *identity.club.check(boat, others)])


def _named(boat: Boat, findings: Iterator[Finding]) -> Iterator[Finding]:
    """Yield the findings. Those in a file that other boats include get this boat's name."""
    for finding in findings:
        own = finding.location.file in (boat.file, secrets_path(boat.file))
        yield finding if own else replace(finding, boat=boat.name)


def find_errors(boat: Boat) -> list[Finding]:
    """Return what will not work about a boat, looked at by itself."""
    return [finding for finding in _alone(boat) if finding.level == "error"]


def _alone(boat: Boat) -> Iterator[Finding]:
    for subject in SUBJECTS:
        yield from islice(subject(boat), MAX_FINDINGS)


def _unaccepted(boat: Boat, findings: list[Finding]) -> Iterator[Finding]:
    accepted = boat.profile.accepted
    warned = {finding.check for finding in findings if finding.level == "warning"}
    for finding in findings:
        if finding.level == "error" or finding.check not in accepted:
            yield finding
    for name in accepted:
        if name not in warned:
            yield Finding(
                "warning",
                "accepted",
                f"{name} is accepted, but is no warning about this boat",
                boat.location(f"accepted.{name}"),
                "take it out, so that it hides nothing later",
            )
