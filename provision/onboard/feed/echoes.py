# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops through outside devices, noticed by the same sentence coming back, and broken.

A sentence just heard from one origin that comes again from another, to which we may have
sent it, is dropped. An origin that we do not send it to is suspected when nearly all that
it says are others' sentences: somebody outside feeds it with ours.

What an origin on the network says may also come back to it on ways of its own, by another
address or through two devices. A fix that comes twice with the same time of day betrays that;
for a while, then, no sentence of that origin passes twice.
"""

from __future__ import annotations

from collections.abc import Mapping

from provision.onboard.feed.clients import CLIENT
from provision.onboard.feed.sentence import ENCAPSULATED, Sentence
from provision.onboard.feed.teller import Teller

#: Seconds within which a sentence may come back.
WINDOW = 3.0

#: A moving average over about so many sentences of one origin.
OVER = 20

#: Sentences remembered at most, in each of two generations.
MOST = 10000

#: Where the time of day stands in sentences that have it, counted from 0 (IEC 61162-1).
TIME = {"GGA": 0, "GNS": 0, "RMC": 0, "ZDA": 0, "GLL": 4}

#: Seconds for which an origin is held to be in a ring after a fix of its own came back.
RING = 10.0

#: Above the first share of others' sentences an origin is a loop, below the second no more.
LOOP, NONE = 0.8, 0.4


def speaker(sentence: Sentence) -> str:
    """Who said it; a client of ours that comes again comes by another port."""
    return CLIENT + sentence.sender if sentence.origin.startswith(CLIENT) else sentence.origin


class Echoes:
    """Remembers what was heard lately, and from where."""

    def __init__(self, sent: Mapping[str, frozenset[str]], teller: Teller) -> None:
        """`sent` says which formatters each link may bring back; origins that it does not
        name, which are on the network, may bring back any."""
        self._sent = sent
        self._teller = teller
        # Two generations: to forget one as a whole is cheaper than one sentence at a time.
        self._recent: dict[bytes, tuple[str, float]] = {}
        self._older: dict[bytes, tuple[str, float]] = {}
        self._turned = 0.0
        self._share: dict[str, float] = {}
        self._loops: set[str] = set()
        self._rings: dict[str, float] = {}
        self.dropped = 0

    def returns(self, sentence: Sentence) -> bool:
        """Whether this sentence is one of ours that has come back; then it must go nowhere."""
        now, origin = sentence.heard, speaker(sentence)
        if now - self._turned > WINDOW or len(self._recent) >= MOST:
            self._older, self._recent, self._turned = self._recent, {}, now
        first = self._recent.get(sentence.raw) or self._older.get(sentence.raw)
        echo = first is not None and first[0] != origin and now - first[1] <= WINDOW
        sent = self._sent.get(origin)
        if sent is None or sentence.formatter in sent:
            if echo or (sent is None and first is not None and self._rings_back(sentence, first)):
                self._drop(origin, first[0] if first else "")
                return True
        elif sentence.formatter not in ENCAPSULATED:
            self._suspect(origin, echo)
        if echo and origin in self._loops:
            self._drop(origin, first[0] if first else "")
            return True
        if not echo:
            self._recent[sentence.raw] = (origin, now)
        return False

    def _rings_back(self, sentence: Sentence, first: tuple[str, float]) -> bool:
        """Whether this is an origin's own sentence that has come back to it."""
        now, origin = sentence.heard, speaker(sentence)
        if first[0] != origin or now - first[1] > WINDOW:
            return False
        place = TIME.get(sentence.formatter)
        if place is not None and any(sentence.fields[place : place + 1]):
            # Clients that steer are origins too, and say no fixes.
            self._rings[origin] = now
        return now - self._rings.get(origin, -RING) < RING

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
