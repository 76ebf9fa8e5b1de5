# SPDX-License-Identifier: GPL-3.0-or-later
"""Route every sentence from every origin to every sink that wants it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import NamedTuple, Protocol

from provision.onboard.feed.nmea0183.sentence import CLIENT_PREFIX, Sentence, steers
from provision.onboard.feed.policy.loop_guard import LoopGuard
from provision.onboard.feed.policy.source_priority import SourcePriority
from provision.onboard.feed.policy.stalls import Stalls
from provision.onboard.feed.policy.steering_age import MAX_STEERING_AGE_S
from provision.onboard.feed.report.fault_log import FaultLog

#: Routes remembered. A sender that keeps changing its address must not fill memory.
MAX_ROUTES = 4096


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

    priority: SourcePriority | None
    hears: Hears
    sinks: list[Sink]


class _Route(NamedTuple):
    taps: tuple[Sink, ...]
    groups: tuple[tuple[SourcePriority | None, tuple[Sink, ...]], ...]
    kind: str | None


class Router:
    """Routes sentences. A route is looked up once for each origin, talker and formatter."""

    def __init__(
        self,
        loop_guard: LoopGuard,
        priority: SourcePriority | None,
        stalls: Stalls,
        fault_log: FaultLog,
    ) -> None:
        self.stalls = stalls
        """Tells the readers of sentences how long their sentences may have waited."""
        self._fault_log = fault_log
        self._loop_guard = loop_guard
        self._priority = priority
        self._taps: list[Sink] = []
        self._groups = [_Group(priority, lambda *_: True, [])]
        self._routes: dict[tuple[str, str, str], _Route] = {}
        self.withheld: Counter[str] = Counter()
        """How many steering sentences of each source were only logged, because they may be old.
        All clients of the feed's own port count as one source, tcp."""

    def add(self, sink: Sink) -> None:
        """Add a sink that gets only the believed sources."""
        self._groups[-1].sinks.append(sink)
        self._routes.clear()

    def add_apart(self, sink: Sink, hears: Hears, priority: SourcePriority) -> None:
        """Add a sink with beliefs of its own: a source that it may not hear silences no other."""
        self._groups.insert(len(self._groups) - 1, _Group(priority, hears, [sink]))
        self._routes.clear()

    def tap(self, sink: Sink) -> None:
        """Add a sink that gets every sentence heard."""
        self._taps.append(sink)
        self._routes.clear()

    def publish(self, sentences: Iterable[Sentence]) -> None:
        """Hand each sentence to the sinks that want it, unless it is an echo of ours."""
        routes, returns = self._routes, self._loop_guard.returns
        for heard in sentences:
            sentence = heard
            try:
                if returns(sentence):
                    continue
            except Exception as error:
                # Rather deliver twice than not at all.
                self._fault_log.fault("echoes", f"on {sentence.formatter}", error)
            if sentence.waited > MAX_STEERING_AGE_S and steers(sentence.talker, sentence.formatter):
                message = f"{sentence.formatter} only logged: it may be {sentence.waited:.1f} s old"
                self._fault_log.warn(sentence.origin, "stale", message)
                sentence = sentence._replace(stored=True)
            key = (sentence.origin, sentence.talker, sentence.formatter)
            route = routes.get(key)
            if route is None:
                route = self._route(key)
            for sink in route.taps:
                self._put(sink, sentence)
            if sentence.stored:
                # It steers, and the programs behind the other sinks could not see its age.
                is_client = sentence.origin.startswith(CLIENT_PREFIX)
                self.withheld["tcp" if is_client else sentence.origin] += 1
                continue
            for priority, sinks in route.groups:
                if self._believes(priority, route.kind, sentence):
                    for sink in sinks:
                        self._put(sink, sentence)

    def _put(self, sink: Sink, sentence: Sentence) -> None:
        """Hand over one sentence. A fault of this sink stops no other."""
        try:
            sink.put(sentence)
        except Exception as error:
            self._fault_log.fault(sink.name, f"on {sentence.formatter}", error)

    def _believes(
        self, priority: SourcePriority | None, kind: str | None, sentence: Sentence
    ) -> bool:
        """Report whether the source is believed. If that fails, all sources are."""
        if kind is None or priority is None:
            return True
        try:
            return priority.passes(kind, sentence)
        except Exception as error:
            self._fault_log.fault(priority.name, f"on {sentence.formatter}", error)
            return True

    def _route(self, key: tuple[str, str, str]) -> _Route:
        if len(self._routes) >= MAX_ROUTES:
            self._routes.clear()
        faults = sum(self._fault_log.faults.values())
        route = _Route(
            tuple(sink for sink in self._taps if self._wants(sink, key)),
            tuple(
                (group.priority, tuple(sink for sink in group.sinks if self._wants(sink, key)))
                for group in self._groups
                if self._hears(group, key)
            ),
            self._kind(key[2]),
        )
        if sum(self._fault_log.faults.values()) == faults:
            # Else ask the sink that failed again next time.
            self._routes[key] = route
        return route

    def _wants(self, sink: Sink, key: tuple[str, str, str]) -> bool:
        """Ask a sink whether it wants the kind. A sink that fails gets nothing."""
        try:
            return sink.wants(*key)
        except Exception as error:
            self._fault_log.fault(sink.name, f"on {key[2]}", error)
            return False

    def _hears(self, group: _Group, key: tuple[str, str, str]) -> bool:
        """Report whether a group may hear the kind. If that fails, it may not."""
        try:
            return group.hears(*key)
        except Exception as error:
            self._fault_log.fault(", ".join(s.name for s in group.sinks), f"on {key[2]}", error)
            return False

    def _kind(self, formatter: str) -> str | None:
        try:
            return self._priority.kind(formatter) if self._priority else None
        except Exception as error:
            self._fault_log.fault("beliefs", f"on {formatter}", error)
            return None
