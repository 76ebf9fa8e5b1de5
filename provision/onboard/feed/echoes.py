# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops through outside devices, noticed by the same sentence coming back, and broken.

A sentence just heard from one origin that comes again from another, to which we may have
sent it, is dropped. An origin that we do not send it to is suspected when nearly all that
it says are others' sentences: somebody outside feeds it with ours.
"""

from __future__ import annotations

from collections.abc import Mapping

from provision.onboard.feed.sentence import ENCAPSULATED, Sentence
from provision.onboard.feed.teller import Teller

#: Seconds within which a sentence may come back.
WINDOW = 3.0

#: A moving average over about so many sentences of one origin.
OVER = 20

#: Sentences remembered at most.
MOST = 20000

#: Above the first share of others' sentences an origin is a loop, below the second no more.
LOOP, NONE = 0.8, 0.4


class Echoes:
    """Remembers what was heard lately, and from where."""

    def __init__(self, sent: Mapping[str, frozenset[str]], teller: Teller) -> None:
        """`sent` says which formatters each link may bring back; origins that it does not
        name, which are on the network, may bring back any."""
        self._sent = sent
        self._teller = teller
        self._recent: dict[bytes, tuple[str, float]] = {}
        self._share: dict[str, float] = {}
        self._loops: set[str] = set()
        self.dropped = 0

    def returns(self, sentence: Sentence) -> bool:
        """Whether this sentence is one of ours that has come back; then it must go nowhere."""
        recent, now, origin = self._recent, sentence.heard, sentence.origin
        first = recent.get(sentence.raw)
        echo = first is not None and first[0] != origin and now - first[1] <= WINDOW
        sent = self._sent.get(origin)
        if sent is None or sentence.formatter in sent:
            if echo:
                self._drop(origin, first[0] if first else "")
                return True
        elif sentence.formatter not in ENCAPSULATED:
            self._suspect(origin, echo)
        if echo and origin in self._loops:
            self._drop(origin, first[0] if first else "")
            return True
        if not echo:
            recent.pop(sentence.raw, None)
            recent[sentence.raw] = (origin, now)
            self._forget(now)
        return False

    def _suspect(self, origin: str, echo: bool) -> None:
        share = self._share.get(origin, 0.0)
        share += (echo - share) / OVER
        self._share[origin] = share
        if share > LOOP:
            self._loops.add(origin)
        elif share < NONE:
            self._loops.discard(origin)

    def _drop(self, origin: str, first: str) -> None:
        self.dropped += 1
        self._teller.warn(
            origin, "loop", f"sentences of {first} come back through it; they are dropped"
        )

    def _forget(self, now: float) -> None:
        # The oldest come first; a few at a time keep up with one that is added.
        for _ in range(3):
            oldest = next(iter(self._recent))
            if now - self._recent[oldest][1] <= WINDOW and len(self._recent) <= MOST:
                return
            del self._recent[oldest]
