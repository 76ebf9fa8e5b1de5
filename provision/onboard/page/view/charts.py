# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell where charts are offered, and how the last copy from a stick is getting on or has ended."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.view.sources import Issue
from provision.onboard.page.view.text import clean

#: Seconds without news of a copy that runs, after which it counts as cut off.
CUT_OFF_S = 60.0

#: Seconds for which what went wrong with a stick stands among what people should know at once.
NEWS_S = 3600.0

_AGAIN = "Push the stick in again: what was copied before is whole."

_ENDED = {
    "empty": (
        "The stick has no folder named charts: nothing was copied.",
        "Put the charts into a folder named charts at the top of the stick.",
    ),
    "broken": ("The stick was pulled out, or cannot be read.", _AGAIN),
    "stopped": ("The copy of charts was cut off.", _AGAIN),
    "failing": (
        "The card takes no more charts: it is full or failing.",
        "Look what the page says about the card, and tell the operator.",
    ),
}

_REFUSED = {
    "too-many-files": (
        "The stick has too many files: its charts were not copied.",
        "Use a stick with nothing but charts in its folder charts.",
    ),
    "too-slow": ("The stick is too slow.", "Use another stick. What was copied before is whole."),
    "no-card": (
        "The boat has no place for charts: its card cannot be written.",
        "Look what the page says about the card, and tell the operator.",
    ),
    "not-readable": (
        "The stick cannot be read: nothing was copied.",
        "Use a stick that a laptop has formatted as FAT32, exFAT or ext4.",
    ),
}


def describe_charts(
    config: PageConfig, state: Mapping[str, Any] | None
) -> tuple[dict[str, Any] | None, list[Issue]]:
    """Return plain data of charts, and what is wrong. None for a boat that has no charts."""
    if config.charts is None:
        return None, []
    text, action = _say(state)
    told: Mapping[str, Any] = state or {}
    news = action and told["age"] < NEWS_S
    issues = [Issue("notice", text, action)] if news else []
    share = told["bytes"] / told["of_bytes"] if told.get("of_bytes") else None
    running = _is_running(state)
    return {
        "address": f"http://{config.charts}/",
        "text": text,
        "action": action,
        "running": running,
        "share": min(1.0, share) if share is not None and running else None,
        "left_out": _left_out(told),
    }, issues


def _is_running(state: Mapping[str, Any] | None) -> bool:
    return bool(state and state["phase"] in ("looking", "copying") and state["age"] < CUT_OFF_S)


def _say(state: Mapping[str, Any] | None) -> tuple[str, str]:
    """Return a sentence, and what to do about it with one's hands, if anything."""
    if state is None:
        return "No stick was put in since the computer was switched on.", ""
    phase = state["phase"]
    if _is_running(state):
        return _say_running(state), ""
    if phase == "done":
        return _say_done(state), ""
    if phase == "refused" and state["reason"] == "no-room":
        return (
            f"The charts on the stick do not fit: {_size(state['needed'])} are missing.",
            "Put fewer charts on the stick, or let the operator raise the boat's cap for charts.",
        )
    if phase == "refused":
        return _REFUSED.get(state["reason"], _REFUSED["not-readable"])
    return _ENDED.get(phase, _ENDED["stopped"])


def _say_running(state: Mapping[str, Any]) -> str:
    if state["phase"] == "looking":
        return "A stick was put in: the boat is looking for charts."
    done, of = _size(state["bytes"]), _size(state["of_bytes"])
    return f"Copying charts: {state['files']} of {state['of_files']} files, {done} of {of}."


def _say_done(state: Mapping[str, Any]) -> str:
    count = state["files"]
    new = f"{count} new or changed file{'s' if count != 1 else ''}" if count else "nothing new"
    left = f" {state['left_out']} were left out." if state["left_out"] else ""
    return f"The stick is copied, with {new}. It can be pulled out.{left}"


def _left_out(state: Mapping[str, Any]) -> list[str]:
    return [f"{clean(name, 80)}: {clean(reason)}" for name, reason in state.get("examples", [])]


def _size(count: float) -> str:
    return f"{count / 10**9:.1f} GB" if count >= 10**9 else f"{count / 10**6:.1f} MB"
