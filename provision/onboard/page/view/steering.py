# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell who steers the autopilot, and who may."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.view.text import clean, listed


def describe_steering(config: PageConfig, state: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return a sentence about who steers, one about who may, and plain data of both.

    `text` is empty where no link of the boat can be steered.
    """
    pilots = [name for name, source in config.sources.items() if source.listens]
    named = config.steering
    link = named.link if named else next(iter(pilots), "")
    told = state["steering"] if state else {}
    steers = clean(told.get("controller") or "") or None
    return {
        "link": clean(link),
        "text": _who(clean(link), steers, known=state is not None),
        "steers": steers,
        "since": told.get("since"),
        "last_heard": told.get("last_heard"),
        "may": [clean(name) for name in named.senders] if named else [],
        "rule": _rule(config),
        "sentences": list(named.sentences) if named else [],
        "refused": told.get("refused", 0),
        "tablets": {clean(name): clean(how) for name, how in told.get("tablets", {}).items()},
    }


def _who(link: str, steers: str | None, *, known: bool) -> str:
    if not link:
        return ""
    if not known:
        return f"Who steers {link} is not known: the feed does not answer."
    return f"{steers} steers {link}." if steers else f"No device steers {link}."


def _rule(config: PageConfig) -> str:
    if config.steering is None:
        return "No device on the boat's network may steer."
    names = [clean(name) for name in config.steering.senders]
    return f"Only {listed(names)} may steer, one at a time. Know how to disengage it by hand."
