# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell from the feed's state whether a source of positions has a fix, and compare it with before.

No change of settings takes a receiver's fix away: what differs is a note for the operator.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provision.onboard.feed.nmea0183.sentence import Sentence, split_address
from provision.onboard.feed.nmea0183.validity import says_something

#: Sentences with a position of the boat's own (IEC 61162-1).
POSITIONS = frozenset({"GGA", "GLL", "GNS", "RMC"})

#: Seconds after which a sentence says nothing of the present.
MAX_AGE_S = 15.0


def has_fix(source: Mapping[str, Any]) -> bool | None:
    """Tell if a link or input of the feed's state has a fix.

    None when it sends no position, or when the feed does not report last sentences.
    """
    texts = [
        text
        for formatter, (age, text) in source.get("last", {}).items()
        if formatter in POSITIONS and age <= MAX_AGE_S
    ]
    return any(map(_is_valid, texts)) if texts else None


def _is_valid(text: str) -> bool:
    raw = text.encode("ascii", "replace")
    address = raw[1:].partition(b",")[0]
    return says_something(Sentence(raw + b"\r\n", *split_address(address), "", 0.0))


def note_on_fix(before: bool | None, now: bool | None) -> str:
    """Say what the operator should know of a fix `before` a change, and `now`. Empty if nothing."""
    if now is None or (now and before is not False):
        return ""
    if now:
        return "it has a fix, and had none before this change"
    if before:
        return "it had a fix before this change, and has none now: look at its antenna"
    return "it has no fix" + (", as before this change" if before is False else "")
