# SPDX-License-Identifier: GPL-3.0-or-later
"""Route every sentence from every origin to every sink that wants it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple, Protocol

from provision.onboard.feed.nmea0183.sentence import Sentence, steers
from provision.onboard.feed.policy.loop_guard import Echoes
from provision.onboard.feed.policy.source_priority import Beliefs
from provision.onboard.feed.policy.stalls import STALE, Stalls
from provision.onboard.feed.report.fault_log import Teller

#: Routes remembered. A sender that keeps changing its address must not fill memory.
ROUTES = 4096


class Sink(Protocol):
    """Receives sentences."""

    @property
    def name(self) -> str:
        """Return the sink's name in logged faults."""

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        """Report whether sentences of this kind go here at all. Asked once for each kind."""

    def put(self, sentence: Sentence) -> None:
        """Take one sentence without waiting."""


#: Reports for an origin, a talker and a formatter whether the sink may hear it at all.
Hears = Callable[[str, str, str], bool]


class _Group(NamedTuple):
    """Holds sinks that believe the same sources, of what they may hear."""

    beliefs: Beliefs | None
    hears: Hears
    sinks: list[Sink]


class _Route(NamedTuple):
    taps: tuple[Sink, ...]
    groups: tuple[tuple[Beliefs | None, tuple[Sink, ...]], ...]
    kind: str | None


class Hub:
    """Routes sentences. A route is looked up once for each origin, talker and formatter."""

    def __init__(
        self, echoes: Echoes, beliefs: Beliefs | None, stalls: Stalls, teller: Teller
    ) -> None:
        self.stalls = stalls
        """Tells the readers of the hub how long their sentences may have waited."""
        self._teller = teller
        self._echoes = echoes
        self._beliefs = beliefs
        self._taps: list[Sink] = []
        self._groups = [_Group(beliefs, lambda *_: True, [])]
        self._routes: dict[tuple[str, str, str], _Route] = {}

    def add(self, sink: Sink) -> None:
        """Add a sink that gets only the believed sources."""
        self._groups[-1].sinks.append(sink)
        self._routes.clear()

    def add_apart(self, sink: Sink, hears: Hears, beliefs: Beliefs) -> None:
        """Add a sink with beliefs of its own: a source that it may not hear silences no other."""
        self._groups.insert(len(self._groups) - 1, _Group(beliefs, hears, [sink]))
        self._routes.clear()

    def tap(self, sink: Sink) -> None:
        """Add a sink that gets every sentence heard."""
        self._taps.append(sink)
        self._routes.clear()

    def publish(self, sentences: Iterable[Sentence]) -> None:
        """Hand each sentence to the sinks that want it, unless it is an echo of ours."""
        routes, returns = self._routes, self._echoes.returns
        for heard in sentences:
            sentence = heard
            try:
                if returns(sentence):
                    continue
            except Exception as error:
                # Rather deliver twice than not at all.
                self._teller.fault("echoes", f"on {sentence.formatter}", error)
            if sentence.waited > STALE and steers(sentence.talker, sentence.formatter):
                said = f"{sentence.formatter} only logged: it may be {sentence.waited:.1f} s old"
                self._teller.warn(sentence.origin, "stale", said)
                sentence = sentence._replace(stored=True)
            key = (sentence.origin, sentence.talker, sentence.formatter)
            route = routes.get(key)
            if route is None:
                route = self._route(key)
            for sink in route.taps:
                self._put(sink, sentence)
            if sentence.stored:
                # It steers, and the programs behind the other sinks could not see its age.
                continue
            for beliefs, sinks in route.groups:
                if self._believes(beliefs, route.kind, sentence):
                    for sink in sinks:
                        self._put(sink, sentence)

    def _put(self, sink: Sink, sentence: Sentence) -> None:
        """Hand over one sentence. A fault of this sink stops no other."""
        try:
            sink.put(sentence)
        except Exception as error:
            self._teller.fault(sink.name, f"on {sentence.formatter}", error)

    def _believes(self, beliefs: Beliefs | None, kind: str | None, sentence: Sentence) -> bool:
        """Report whether the source is believed. If that fails, all sources are."""
        if kind is None or beliefs is None:
            return True
        try:
            return beliefs.passes(kind, sentence)
        except Exception as error:
            self._teller.fault(beliefs.name, f"on {sentence.formatter}", error)
            return True

    def _route(self, key: tuple[str, str, str]) -> _Route:
        if len(self._routes) >= ROUTES:
            self._routes.clear()
        faults = sum(self._teller.faults.values())
        route = _Route(
            tuple(sink for sink in self._taps if self._wants(sink, key)),
            tuple(
                (group.beliefs, tuple(sink for sink in group.sinks if self._wants(sink, key)))
                for group in self._groups
                if self._hears(group, key)
            ),
            self._kind(key[2]),
        )
        if sum(self._teller.faults.values()) == faults:
            # Else ask the sink that failed again next time.
            self._routes[key] = route
        return route

    def _wants(self, sink: Sink, key: tuple[str, str, str]) -> bool:
        """Ask a sink whether it wants the kind. A sink that fails gets nothing."""
        try:
            return sink.wants(*key)
        except Exception as error:
            self._teller.fault(sink.name, f"on {key[2]}", error)
            return False

    def _hears(self, group: _Group, key: tuple[str, str, str]) -> bool:
        """Report whether a group may hear the kind. If that fails, it may not."""
        try:
            return group.hears(*key)
        except Exception as error:
            self._teller.fault(", ".join(s.name for s in group.sinks), f"on {key[2]}", error)
            return False

    def _kind(self, formatter: str) -> str | None:
        try:
            return self._beliefs.kind(formatter) if self._beliefs else None
        except Exception as error:
            self._teller.fault("beliefs", f"on {formatter}", error)
            return None
