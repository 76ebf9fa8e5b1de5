# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell from the feed's state how a link or input is, beside what the profile promises of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

from provision.onboard.feed.nmea0183.sentence import ENCAPSULATED

#: Seconds of silence that are usual: of any source, and intervals of its most frequent sentence.
USUAL_SILENCE_S, USUAL_INTERVALS = 5.0, 4.0

#: Seconds of silence that are usual of a receiver of AIS alone. A ship at anchor names itself every
#: six minutes (ITU-R M.1371, from memory), and there may be one ship around.
USUAL_AIS_SILENCE_S = 360.0

#: Percent of a line's baud rate that must come in without a sentence to call the line garbled.
GARBLED_LOAD = 0.5


class Promise(Protocol):
    """Describes a source of the profile: link, network or input, and its sentences a second."""

    @property
    def kind(self) -> str: ...
    @property
    def talks(self) -> Mapping[str, float]: ...


def status_of(source: Promise, heard: Mapping[str, Any] | None, running: float) -> str:
    """Return heard, silent, garbled, absent, paused, waiting, or quiet if it promises nothing.

    `heard` is the feed's state of the source, None when the feed does not know it. `running` is
    since how many seconds the feed runs. A source is waiting while the feed has just started.
    """
    if heard is None:
        return "absent"
    if heard.get("paused"):
        return "paused"
    last = heard.get("last_heard")
    if last is None and running <= usual_silence(source):
        return "waiting"
    if not heard.get("present", True) and source.kind != "input":
        return "absent"
    if last is not None and last <= usual_silence(source):
        return "heard"
    return _unheard(source, heard)


def _unheard(source: Promise, heard: Mapping[str, Any]) -> str:
    if not source.talks and source.kind != "input":
        return "quiet"
    return "garbled" if heard.get("load", 0) > GARBLED_LOAD else "silent"


def usual_silence(source: Promise) -> float:
    """Return the seconds that this source may be silent for without a fault."""
    rates = [rate for formatter, rate in source.talks.items() if formatter not in ENCAPSULATED]
    if source.talks and not rates:
        return USUAL_AIS_SILENCE_S
    fastest = max(rates, default=1.0)
    return max(USUAL_SILENCE_S, USUAL_INTERVALS / fastest)
