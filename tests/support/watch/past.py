# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat's history, made up minute by minute."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provision.onboard.watch.answer.answer import make_answer
from provision.onboard.watch.facts.sample import Sample
from provision.onboard.watch.memory.boots import Boot
from provision.onboard.watch.memory.history import History

#: A time of day, in seconds since 1970.
NOON = 1_795_694_400.0

FIGURES = {
    "celsius": 45,
    "memory": 600,
    "overlay": 3,
    "data": 12,
    "errors": 0,
    "readonly": 0,
    "written": 8,
    "low": 0,
    "slowed": 0,
    "restarts": 0,
    "deaf": 0,
}


def sample(links: Mapping[str, str] | None = None, **figures: int | None) -> Sample:
    """A quiet minute of a boat with two links, with other figures laid over its own."""
    usual = {"gnss": "h", "depth-log": "h"}
    return Sample({**FIGURES, **figures}, usual if links is None else links)


def history(minutes: int = 0, *, sure: bool = True, lost_power: bool | None = False) -> History:
    """A history of so many quiet minutes since the start."""
    made = History(Boot("now", NOON, sure=sure, lost_power=lost_power))
    for minute in range(minutes):
        made.add(minute * 60 + 30, sample())
    return made


def answer(made: History, minutes: int, kept: str = "card") -> dict[str, Any]:
    """What the socket tells so many minutes after the start."""
    return make_answer(made, minutes * 60.0, sampled=minutes * 60.0 - 30, kept=kept)


async def remembered() -> dict[str, Any]:
    """What a boat of twelve links remembers of three days that had everything in them."""
    made = history()
    for minute in range(3 * 1440):
        links = {f"link-{n}": "hhhhhgsa"[(minute // (n + 5)) % 8] for n in range(12)}
        figures = {"low": int(minute % 50 == 0), "celsius": 40 + minute % 30}
        made.add(minute * 60 + 30, sample(links, **figures, written=minute % 700))
    return answer(made, 3 * 1440)
