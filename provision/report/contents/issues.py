# SPDX-License-Identifier: GPL-3.0-or-later
"""Say what to do about what is wrong with a boat's health."""

from __future__ import annotations

#: How a sentence of `find_health_issues` (provision/push/status.py) begins, what to do, and the
#: command. The first that fits counts.
_ADVICE = (
    (
        "the boat there is",
        "See which card is in which boat: another one answers at its address.",
        "",
    ),
    ("its board is", "See which card is in which boat, or correct board in its file.", ""),
    ("its base has format", "Build and write a new card: provision card, then write.", ""),
    ("its base reads settings", "Build and write a new card: provision card, then write.", ""),
    ("degraded", "Prove it: what fails says why it fell back.", "provision verify"),
    ("the settings that it keeps are damaged", "Push them again.", "provision push"),
    (
        "its data partition cannot be written",
        "Its card is worn or damaged: build and write a new one.",
        "",
    ),
    (
        "its card has",
        "Its card may be worn: have a new one ready.",
        "",
    ),
    (
        "its supply voltage",
        "Measure at the computer's plug with all switched on; look at cable, plugs and converter.",
        "provision check --figures",
    ),
    (
        "its base is old",
        "Build a card with today's packages, and write it: provision card --fresh, then write.",
        "",
    ),
    ("its feed does not say", "Prove it: what fails says why.", "provision verify"),
    ("a card of", "Build and write its new card: provision card, then write.", ""),
)


def advise(issue: str) -> tuple[str, str]:
    """Return what to do about a health issue, and the command before the boat's name, or ""."""
    for start, action, command in _ADVICE:
        if issue.startswith(start):
            return action, command
    return "Prove it, and look at what fails.", "provision verify"
