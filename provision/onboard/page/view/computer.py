# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell how the boat's computer is: supply, heat, memory, card, settings and clock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.facts.health import Health
from provision.onboard.page.view.sources import Issue
from provision.onboard.page.view.text import clean, duration, listed

#: Degrees Celsius. Common processors of such boards slow down from 80 on: from memory.
HOT_CELSIUS = 78.0

#: Bytes of memory and of the card below which a notice is due.
LOW_MEMORY, LOW_CARD = 64 * 2**20, 64 * 2**20

#: Seconds after which a link that told the time no longer keeps the clock sure.
CLOCK_SURE_S = 120.0


class _Line(NamedTuple):
    name: str
    text: str
    issue: Issue | None = None


def describe_computer(
    config: PageConfig, state: Mapping[str, Any] | None, health: Health
) -> tuple[list[dict[str, str]], list[Issue]]:
    """Return lines of name, text and level (ok or notice), and the issues of those that have one.

    What the computer does not tell has no line.
    """
    lines = [*_supply(health), *_card(health), *_settings(health), *_clock(state)]
    shown = [
        {"name": name, "text": text, "level": issue.level if issue else "ok"}
        for name, text, issue in lines
    ]
    return shown, [issue for _, _, issue in lines if issue]


def _supply(health: Health) -> Iterator[_Line]:
    if health.undervoltage is not None:
        low = Issue(
            "notice",
            "The computer's supply has been too low.",
            "Charge the battery. Look at plugs and cable of the supply for a loose contact.",
        )
        if health.undervoltage:
            yield _Line("Supply", "has been too low since the start", low)
        else:
            yield _Line("Supply", "has been enough since the start")
    if health.celsius is not None:
        hot = Issue("notice", "The computer is hot.", "Give it air and shade.")
        text = f"{health.celsius:.0f} °C"
        yield _Line("Temperature", text, hot if health.celsius >= HOT_CELSIUS else None)
    if health.memory_available is not None:
        free = health.memory_available
        low = Issue("notice", "The computer's memory is nearly full.", "Switch it off and on.")
        yield _Line("Memory", f"{_size(free)} free", low if free < LOW_MEMORY else None)


def _card(health: Health) -> Iterator[_Line]:
    if health.card_writable is None:
        return
    if not health.card_writable or health.card_errors:
        failing = Issue(
            "notice",
            "The card is failing.",
            "The boat goes on without it. Make a new card before the next switching off.",
        )
        count = f"has {health.card_errors} errors" if health.card_errors else "takes no writes"
        yield _Line("Card", count, failing)
        return
    free = health.card_free or 0
    full = Issue("notice", "The card is nearly full.", "Copy the voyage log, then shorten it.")
    yield _Line("Card", f"{_size(free)} free, no errors", full if free < LOW_CARD else None)


def _settings(health: Health) -> Iterator[_Line]:
    if health.on_trial:
        trial = Issue(
            "notice",
            "New settings are on trial.",
            "They roll back by themselves unless the operator keeps them.",
        )
        yield _Line("Settings", "on trial, and roll back by themselves", trial)
    elif health.degraded:
        other = Issue(
            "notice",
            "The boat started with other settings than its own.",
            "It works. Tell the operator before the next trip.",
        )
        yield _Line("Settings", f"not the kept ones: {clean(health.reason, 160)}", other)
    elif health.degraded is not None:
        yield _Line("Settings", "the kept ones")


def _clock(state: Mapping[str, Any] | None) -> Iterator[_Line]:
    if state is None:
        return
    clock = state.get("clock")
    if clock is None:
        yield _Line("Clock", "no instrument sets it: it may be wrong")
        return
    good: Mapping[str, float] = clock.get("good", {})
    sure = sorted(link for link, ago in good.items() if ago < CLOCK_SURE_S)
    if sure:
        yield _Line("Clock", f"right, by {listed([clean(link) for link in sure])}")
        return
    last = min(good.values(), default=None)
    when = "since the start" if last is None else f"for {duration(last)}"
    yield _Line("Clock", f"not sure: no receiver has told the time {when}")


def _size(count: int) -> str:
    return f"{count / 10**9:.1f} GB" if count >= 10**9 else f"{count / 10**6:.0f} MB"
