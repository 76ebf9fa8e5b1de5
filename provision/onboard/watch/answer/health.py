# SPDX-License-Identifier: GPL-3.0-or-later
"""Say what somebody should look at, by what the last day was like, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from provision.onboard.watch.answer.words import minutes_of

#: Limits of the last day. Common processors of such boards slow down from 80 degrees Celsius on:
#: from memory. All others are choices of ours: MiB free, percent taken, MiB written, restarts of
#: the feed beyond those of some pushes, starts after a power cut.
HOT_CELSIUS, LOW_MEMORY_MIB = 78, 64
FULL_OVERLAY, FULL_DATA = 80, 95
MUCH_WRITTEN_MIB, MANY_RESTARTS, MANY_CUTS = 2048, 10, 3

#: Minutes with a sample from which on silence is judged, and the share of them, in percent, that a
#: link may be missing from while any other is heard.
MIN_JUDGED_MINUTES, MISSED_PERCENT = 60, 10

_NEW_CARD = "make a new card before the next trip"

Concern = dict[str, str]


def find_concerns(day: Mapping[str, Any], kept: str) -> list[Concern]:
    """Return the concerns of the last day: key, text, and action."""
    whole = day["whole"]
    found = [*_supply(whole), *_card(whole, kept), *_computer(whole), *_feed(whole)]
    return [
        {"key": key, "text": text, "action": action}
        for key, text, action in [*found, *_links(whole)]
    ]


_Found = Iterator[tuple[str, str, str]]


def _supply(whole: Mapping[str, Any]) -> _Found:
    if low := whole["sums"].get("low"):
        yield (
            "supply",
            f"its supply was too low in {minutes_of(low)} of the last day",
            "charge the battery; look at plugs, cable and fuse of the supply for a loose contact",
        )
    if (whole["power_cuts"] or 0) >= MANY_CUTS:
        yield (
            "power-cuts",
            f"its power was cut {whole['power_cuts']} times in the last day",
            "look for a loose plug, a worn fuse holder or a flat battery",
        )


def _card(whole: Mapping[str, Any], kept: str) -> _Found:
    most, written = whole["most"], whole["sums"].get("written", 0) // 1024
    if most.get("errors"):
        count = f"{most['errors']} error{'s' if most['errors'] > 1 else ''}"
        yield "card-errors", f"the file system of its data has {count}", _NEW_CARD
    if most.get("readonly"):
        yield "card-readonly", "its data partition took no writes in the last day", _NEW_CARD
    elif kept == "failing":
        action = f"look at its journal: journalctl -u boat-watch; if the card fails, {_NEW_CARD}"
        yield "card-history", "its history cannot be written to the card", action
    if most.get("data", 0) >= FULL_DATA:
        action = "copy the voyage log, then write a smaller log.cap into the profile"
        yield "card-full", f"its data partition is {most['data']} % full", action
    if written >= MUCH_WRITTEN_MIB:
        action = "find out what writes (journalctl, iostat): writing wears the card out"
        yield "card-writes", f"{written} MiB were written to its card in the last day", action


def _computer(whole: Mapping[str, Any]) -> _Found:
    most, least = whole["most"], whole["least"]
    slowed = whole["sums"].get("slowed", 0)
    if slowed or most.get("celsius", 0) >= HOT_CELSIUS:
        slow = f", and was slowed down for {minutes_of(slowed)}" if slowed else ""
        hot = f"up to {most['celsius']} °C hot" if "celsius" in most else "too hot"
        yield "heat", f"its computer was {hot}{slow}", "give it air and shade"
    if least.get("memory", LOW_MEMORY_MIB) < LOW_MEMORY_MIB:
        action = "switch it off and on; if it comes back, tell the operator which programs run"
        yield "memory", f"its memory was nearly full: {least['memory']} MiB left", action
    if most.get("overlay", 0) >= FULL_OVERLAY:
        action = "switch it off and on, which empties it; look what was written by hand"
        yield "overlay", f"its overlay in RAM was {most['overlay']} % full", action


def _feed(whole: Mapping[str, Any]) -> _Found:
    restarts = whole["sums"].get("restarts", 0)
    if restarts >= MANY_RESTARTS:
        action = "unless pushes did it, read its journal: journalctl -u boat-feed"
        yield "feed", f"its feed was restarted {restarts} times in the last day", action


def _links(whole: Mapping[str, Any]) -> _Found:
    """Name links that are missing while others are heard. With all off, the boat lies still."""
    heard = max((counts["heard"] for counts in whole["links"].values()), default=0)
    if heard < MIN_JUDGED_MINUTES:
        return
    for name, counts in whole["links"].items():
        missed = {state: counts[state] for state in ("garbled", "silent", "absent")}
        gone = heard - counts["heard"]
        worst = max(missed, key=lambda state: missed[state])
        if missed[worst] and gone * 100 > heard * MISSED_PERCENT:
            text = f"its link {name} was not heard for {minutes_of(gone)} in which others were"
            yield f"link-{worst}", text, _ACTIONS[worst]


_ACTIONS = {
    "garbled": "compare its baud rate with the instrument's, then look for exchanged wires",
    "silent": "look whether the instrument has power, then at its wires",
    "absent": "push its adapter in, and look for a loose plug",
}
