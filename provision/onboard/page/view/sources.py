# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell of each link and input how it is, in plain data and in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from provision.onboard.feed.source_status import status_of
from provision.onboard.page.facts.config import PageConfig, Source
from provision.onboard.page.view.text import clean


@dataclass(frozen=True)
class Issue:
    """Names something that people aboard should know. `level` is notice or trouble."""

    level: str
    text: str
    action: str = ""
    since: float | None = None
    """Seconds."""
    about: str = ""
    """The source that is not heard, if it is about one."""

    def as_json(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "level": self.level,
            "text": self.text,
            "action": self.action,
            "since": self.since,
        }


def issue_of(name: str, source: Source, status: str, last: float | None) -> Issue | None:
    """Return what is wrong with a source, and what to do about it by hand. None if all is well."""
    said = _WORDS.get((source.kind, status)) or _WORDS.get(("", status))
    if said is None:
        return None
    level, text, action = said
    named = {"name": name, "plug": clean(source.plug, 160), "baud": source.baud}
    return Issue(level, text.format(**named), action.format(**named), last, name)


_ABSENT_NETWORK = "Look whether the instruments' network has power, then at {plug}."

#: Level, sentence and action by kind and status of a source. Any kind where the kind is empty.
_WORDS = {
    ("", "paused"): (
        "notice",
        "A survey has borrowed the line of {name} for a moment.",
        "Wait until the survey has ended.",
    ),
    ("", "absent"): ("trouble", "{name} is unplugged.", "Push in {plug}."),
    ("", "garbled"): (
        "trouble",
        "{name} sends what cannot be read.",
        "Look whether the instrument is set to {baud} baud, then whether two wires are swapped.",
    ),
    ("", "silent"): (
        "trouble",
        "{name} is silent.",
        "Look whether the instrument has power, then at its wires to {plug}.",
    ),
    ("network", "absent"): ("trouble", "{name} is not there.", _ABSENT_NETWORK),
    ("network", "silent"): ("trouble", "{name} is silent.", _ABSENT_NETWORK),
    ("input", "absent"): ("notice", "{name} is silent.", "Look whether {plug} is switched on."),
    ("input", "silent"): ("notice", "{name} is silent.", "Look whether {plug} is switched on."),
    ("input", "garbled"): ("notice", "{name} is silent.", "Look whether {plug} is switched on."),
}


def describe_sources(
    config: PageConfig, state: Mapping[str, Any] | None
) -> tuple[list[dict[str, Any]], list[Issue]]:
    """Return plain data of all links and inputs, and what is wrong with them.

    Without a state of the feed nothing is known of any source, and nothing is wrong with one.
    """
    rows, issues = [], []
    for name, source in config.sources.items():
        heard = _find(state, name)
        status = status_of(source, heard, state["running"]) if state is not None else "unknown"
        shown = clean(name)
        rows.append(_describe(shown, source, status, heard or {}))
        if state is not None:
            issue = issue_of(shown, source, status, (heard or {}).get("last_heard"))
            issues += [issue] if issue else []
    return rows, issues


def _find(state: Mapping[str, Any] | None, name: str) -> Mapping[str, Any] | None:
    if state is None:
        return None
    found: Mapping[str, Any] | None = {**state["links"], **state["inputs"]}.get(name)
    return found


def _describe(name: str, source: Source, status: str, heard: Mapping[str, Any]) -> dict[str, Any]:
    rates = heard.get("rates", {})
    formatters = [*source.talks, *(f for f in rates if f not in source.talks and rates[f])]
    return {
        "name": name,
        "kind": source.kind,
        "status": status,
        "last_heard": heard.get("last_heard"),
        "minute": heard.get("minute", []),
        "rates": [
            {"formatter": f, "heard": rates.get(f, 0), "wanted": source.talks.get(f)}
            for f in formatters
        ],
        "listens": sorted(source.listens),
        "baud": source.baud,
        "load": heard.get("load"),
        "errors": sum(heard.get("errors", {}).values()),
        "plug": clean(source.plug, 160),
    }
