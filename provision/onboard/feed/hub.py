# SPDX-License-Identifier: GPL-3.0-or-later
"""The hub: every sentence from every origin to every sink that wants it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from provision.onboard.feed.sentence import Sentence

#: Routes remembered; a sender of ever new addresses must not eat memory.
ROUTES = 4096


class Sink(Protocol):
    """Where sentences go."""

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        """Whether such sentences go here at all; asked once for each kind."""

    def put(self, sentence: Sentence) -> None:
        """Take one sentence; must not wait."""


class Hub:
    """Routes sentences; a route is looked up once for each origin, talker and formatter."""

    def __init__(self) -> None:
        self._sinks: list[Sink] = []
        self._routes: dict[tuple[str, str, str], tuple[Sink, ...]] = {}

    def add(self, sink: Sink) -> None:
        self._sinks.append(sink)
        self._routes.clear()

    def publish(self, sentences: Iterable[Sentence]) -> None:
        """Hand each sentence to the sinks that want it."""
        routes = self._routes
        for sentence in sentences:
            key = (sentence.origin, sentence.talker, sentence.formatter)
            sinks = routes.get(key)
            if sinks is None:
                if len(routes) >= ROUTES:
                    routes.clear()
                sinks = routes[key] = tuple(sink for sink in self._sinks if sink.wants(*key))
            for sink in sinks:
                sink.put(sentence)
