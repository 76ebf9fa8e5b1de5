# SPDX-License-Identifier: GPL-3.0-or-later
"""Judge what the feed hears of an instrument, beside what it heard before a change.

A boat is proven as she is: instruments are off at the dock, a transducer is dead, an AIS receiver
hears three ships a minute. What was silent before a change says nothing of the change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

LinkState = Literal["heard", "garbled", "silent", "absent"]
"""heard: valid sentences came. garbled: bytes came, and no valid sentence. silent: nothing came.
absent: the feed has no port or connection open for it."""

Ending = Literal["passed", "noted", "failed"]

#: Bytes without a sentence that count as garbled. Fewer may be noise of a plug or a switch.
MIN_GARBLED_BYTES = 16

#: Seconds within which a source that was heard before has to be heard again, at least and at
#: most, and how many of its own mean intervals that is in between.
MIN_PATIENCE_S, MAX_PATIENCE_S, INTERVALS = 12.0, 45.0, 4.0

#: Seconds for a source that was not heard before, or of which nothing is known.
UNKNOWN_PATIENCE_S = 12.0

#: Seconds since its last sentence after which a source does not count as heard before, unless it
#: speaks more rarely by itself.
RECENT_S = 20.0


@dataclass(frozen=True)
class Verdict:
    """Hold how a source's test ends, and the reason, which may be empty when it passed."""

    ending: Ending
    reason: str = ""


def interval(source: Mapping[str, Any], running: float) -> float:
    """Return the mean seconds between two sentences of a source, infinite when it sent none.

    `source` is one of `links` or `inputs` of the feed's state, `running` its key of that name.
    """
    sentences = source.get("sentences", 0)
    return running / sentences if sentences else float("inf")


def state_before(source: Mapping[str, Any], running: float) -> LinkState:
    """Tell from one state of the feed how a source was."""
    if not source.get("present", True):
        return "absent"
    last = source.get("last_heard")
    mean = min(interval(source, running), MAX_PATIENCE_S)
    if last is not None and last <= max(RECENT_S, INTERVALS * mean):
        return "heard"
    # Only a serial link has a load: the percentage of its baud rate that comes in.
    return "garbled" if source.get("load", 0) > 0 else "silent"


def states_before(feed: Mapping[str, Any]) -> dict[str, LinkState]:
    """Tell how each link and input was, by name. `feed` is what `boat-feed --state` prints."""
    running = float(feed["running"])
    links = {name: state_before(source, running) for name, source in feed["links"].items()}
    inputs = {
        name: input_state(state_before(source, running)) for name, source in feed["inputs"].items()
    }
    return {**links, **inputs}


def input_state(state: LinkState) -> LinkState:
    """Take a source on the network that is not connected for silent: it may be switched off."""
    return "silent" if state == "absent" else state


def patience(feed: Mapping[str, Any] | None, name: str) -> float:
    """Return the seconds that a source gets to be heard in a proof.

    `feed` is the state before the change, or None when it is not known.
    """
    source = {**feed["links"], **feed["inputs"]}.get(name) if feed else None
    if feed is None or source is None or state_before(source, feed["running"]) != "heard":
        return UNKNOWN_PATIENCE_S
    wanted = INTERVALS * interval(source, float(feed["running"]))
    return max(MIN_PATIENCE_S, min(MAX_PATIENCE_S, wanted))


def speaks_rarely(feed: Mapping[str, Any], name: str) -> bool:
    """Tell whether a source spoke so rarely before that its silence in a proof shows nothing."""
    source = {**feed["links"], **feed["inputs"]}.get(name)
    return source is not None and INTERVALS * interval(source, feed["running"]) > MAX_PATIENCE_S


def state_after(first: Mapping[str, Any] | None, last: Mapping[str, Any]) -> LinkState:
    """Tell how a source was between two states of the feed.

    Counters that went back were begun again by a feed that was restarted in between.
    """
    if not last.get("present", True):
        return "absent"
    if _gain(first, last, "sentences") > 0:
        return "heard"
    return "garbled" if _gain(first, last, "bytes") >= MIN_GARBLED_BYTES else "silent"


def _gain(first: Mapping[str, Any] | None, last: Mapping[str, Any], key: str) -> int:
    before = int(first.get(key, 0)) if first else 0
    now = int(last.get(key, 0))
    return now - before if now >= before else now


def explain_garbled(before: int | None, now: int) -> str:
    """Say which baud rate is right for a source that was heard at one, and is garbled at another.

    The result is empty when the baud rate is not the reason, or is not known.
    """
    if before in (None, now):
        return ""
    return f"it was heard at {before} baud, and is garbled at {now}: set its link to baud: {before}"


_GARBLED = "garbled (bytes come, and no valid sentence)"
_WRONG = (
    f"it is {_GARBLED}: the baud rate or the polarity is wrong, or two instruments talk at once"
)
_LOST = "it was heard before this change, and is {} now"
_SAME = "it is {}, and was {} before this change: nothing could be shown of it"

#: How a source's test ends, by its state before the change and now. None: it was not there
#: before, or its state is not known.
_VERDICTS: Mapping[tuple[LinkState | None, LinkState], tuple[Ending, str]] = {
    ("heard", "heard"): ("passed", ""),
    ("heard", "garbled"): ("failed", _LOST.format(_GARBLED)),
    ("heard", "silent"): ("failed", _LOST.format("silent")),
    ("heard", "absent"): ("failed", _LOST.format("absent")),
    **{
        (before, "heard"): ("noted", f"it was {before} before this change, which fixed it")
        for before in ("garbled", "silent", "absent")
    },
    **{
        (before, now): ("noted", _SAME.format(now, before))
        for before in ("silent", "absent")
        for now in ("silent", "absent")
    },
    ("silent", "garbled"): ("failed", _WRONG),
    ("absent", "garbled"): ("failed", _WRONG),
    ("garbled", "garbled"): ("noted", f"it is {_GARBLED}, as it was before this change"),
    ("garbled", "silent"): ("noted", _SAME.format("silent", "garbled")),
    ("garbled", "absent"): ("noted", _SAME.format("absent", "garbled")),
    (None, "heard"): ("passed", ""),
    (None, "garbled"): ("failed", _WRONG),
    (None, "silent"): ("noted", "it is silent: nothing could be shown of it"),
    (None, "absent"): ("noted", "it is absent: nothing could be shown of it"),
}


def judge(
    before: LinkState | None, after: LinkState, *, on_trial: bool, rare: bool = False
) -> Verdict:
    """Judge a source. `before` is None for a new source, and where nothing is known.

    Without a trial an absent source fails. `rare` says that its silence shows nothing.
    """
    if after == "absent" and not on_trial:
        return Verdict("failed", "boat-feed has no port or interface open for it")
    if rare and (before, after) == ("heard", "silent"):
        return Verdict("noted", "it speaks too rarely for a proof to hear it")
    return Verdict(*_VERDICTS[before, after])


def judge_missing_adapter(link: str, before: Mapping[str, LinkState] | None) -> Verdict:
    """Judge a link whose adapter is not there.

    `before` is how the links were before a change, or None without a trial, and where it is not
    known. An adapter needs no instrument that is switched on: one that was there has to stay.
    """
    reason = f"/dev/boat/{link} is not there"
    if before is None or before.get(link, "absent") != "absent":
        return Verdict("failed", reason)
    return Verdict("noted", f"{reason}, nor was it before this change")
