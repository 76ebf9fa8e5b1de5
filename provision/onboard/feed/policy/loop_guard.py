# SPDX-License-Identifier: GPL-3.0-or-later
"""Drop echoes: sentences that come back because we sent them.

One sentence alone cannot show whether it is an echo. These facts show it:
- Another speaker sent it a moment ago, and we may have sent it to this speaker.
- It has a time of day that is over: its first speaker has sent another time since, or it was
  first heard longer ago than a receiver repeats one fix.
- Its origin is in a ring (see rings.py), and we sent it as long ago as the ring takes. A ring
  brings back each sentence once. As many are dropped as were sent, so that an instrument in the
  ring that repeats itself is heard as often as it speaks.

A sentence is compared only with what equally or more trusted speakers have sent. A sender on the
network therefore cannot silence an instrument on a wire, or an input that a link listens to, by
sending its sentences first. Steering from the network is compared with everything: losing it is
better than sending it round.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from provision.onboard.feed.nmea0183.sentence import CLIENT_PREFIX, Sentence, steers
from provision.onboard.feed.policy.recent import Passed, Recent, time_of
from provision.onboard.feed.policy.rings import SLOW_S, TESTS, Ring
from provision.onboard.feed.report.fault_log import FaultLog

#: Seconds within which what one speaker has sent is another speaker's echo.
ECHO_WINDOW_S = 3.0

#: Seconds for which a receiver may repeat one fix. Times of whole seconds are sent for one.
STALE_FIX_S = 2.0

#: Seconds between two checks of all origins.
CHECK_INTERVAL_S = 0.25

#: Repeats in a row after the same time before a sentence looks like an echo.
ECHO_REPEATS = 2

#: Times a second that an instrument hardly says the same sentence more often than.
MAX_REPEATS_A_SECOND = 12

#: Seconds after which a sentence that an instrument repeats all the time is not tested any more.
SETTLED_S = 10.0

#: The reason for dropping a sentence, in words.
ECHO = "come back through it; they are dropped"
TEST = "seem to come back through it; a few are withheld to find out"

#: Trust in a speaker: an input, an input that a link listens to, a wire.
INPUT, NAMED, WIRE = range(3)


def speaker(sentence: Sentence) -> str:
    """Return who sent it. A client of ours that reconnects comes from another port."""
    if sentence.origin.startswith(CLIENT_PREFIX):
        return CLIENT_PREFIX + sentence.sender
    return f"{sentence.origin} {sentence.sender}" if sentence.sender else sentence.origin


class LoopGuard:
    """Remembers what was passed on lately, and who sent it."""

    def __init__(
        self,
        sent: Mapping[str, frozenset[str]],
        fault_log: FaultLog,
        named: Collection[str] = (),
    ) -> None:
        """Set what each origin may bring back.

        `sent` maps each link to the formatters that it may bring back. Origins that it does not
        name are on the network, and may bring back any. `named` are the inputs that a link
        listens to.
        """
        self._sent = sent
        self._fault_log = fault_log
        self._named = frozenset(named)
        trusts = {INPUT, WIRE, *([NAMED] if self._named else [])}
        self._recent = {trust: Recent() for trust in sorted(trusts)}
        self._rings: dict[str, Ring] = {}
        self._look_at = 0.0
        self._open = False
        self.dropped = 0

    def returns(self, sentence: Sentence) -> bool:
        """Report whether this sentence is an echo of ours: it must go nowhere."""
        origin, name, time = sentence.origin, speaker(sentence), time_of(sentence)
        trust = self._trust(sentence)
        against = trust
        if trust < WIRE and steers(sentence.talker, sentence.formatter):
            against = INPUT
        recent = self._recent[against]
        passed = recent.find(sentence)
        if passed is not None:
            reason = self._reason(sentence, name, time, passed, recent)
            if reason:
                self.dropped += 1
                message = f"sentences of {passed.first_speaker} {reason}"
                self._fault_log.warn(origin, "test" if reason == TEST else "loop", message)
                return True
        if sentence.heard >= self._look_at:
            self._look(sentence.heard)
        every = self._open or bool(time)
        for least, memory in self._recent.items():
            if least <= trust:
                found = passed if memory is recent else memory.find(sentence)
                memory.note(sentence, name, time, found, every=every)
        return False

    def _look(self, now: float) -> None:
        """Check whether any origin is in a ring or is being tested: then every pass counts."""
        self._look_at = now + CHECK_INTERVAL_S
        self._open = any(ring.is_open(now) for ring in self._rings.values())

    def _trust(self, sentence: Sentence) -> int:
        if sentence.origin in self._sent:
            return WIRE
        return NAMED if sentence.origin in self._named else INPUT

    def _reason(
        self, sentence: Sentence, name: str, time: str, passed: Passed, recent: Recent
    ) -> str:
        """Return why a repeated sentence goes nowhere, or an empty text if it goes on."""
        now = sentence.heard
        sent = self._sent.get(sentence.origin)
        may_return = sent is None or sentence.formatter in sent
        # The first speaker may say it again.
        from_another = name not in (passed.speaker, passed.first_speaker)
        ring = self._ring(sentence, name)
        ring.decide(now)
        late = bool(time) and (
            now - passed.first > STALE_FIX_S or recent.is_overtaken(passed, sentence, time)
        )
        surely_old = may_return and (sent is None or from_another)
        if late and self._withholds(sentence, passed, ring, surely_old):
            return ECHO if surely_old else TEST
        if may_return and from_another and now - passed.last <= ECHO_WINDOW_S:
            if time:
                ring.comes_back(passed.delay(passed.echoes, now), now)
                passed.echoes += 1
            return ECHO
        if passed.count > MAX_REPEATS_A_SECOND:
            ring.floods(now)
        steering = steers(sentence.talker, sentence.formatter)
        for since, until in ring.spans(now, steers=steering):
            sent_at = passed.take_back(sentence.origin, since, until, ring.copies(now))
            if sent_at is not None:
                if time and passed.first_speaker != name:
                    ring.fixes.goes_on(now - sent_at, now)
                return ECHO
        if late:
            # Echo or not: what follows does not answer anything sent before.
            passed.take_back(sentence.origin, 0.0, now)
        if not time and not steering and self._tests(sentence, name, passed, ring):
            return TEST
        return ""

    def _withholds(self, sentence: Sentence, passed: Passed, ring: Ring, surely_old: bool) -> bool:
        """Report whether a late fix goes nowhere: it is surely old, or it serves as a test."""
        raw, now = sentence.raw, sentence.heard
        ring.comes_back(now - passed.last, now)
        worth = ring.fixes.note(raw, now)
        if not passed.is_outstanding(sentence.origin):
            # A wire is the end of one way alone.
            splits = sentence.origin not in self._sent
            tested = ring.fixes.tests(raw)
            return (tested and not ring.fixes.comes_again(raw, now, splits=splits)) or surely_old
        if not (worth or surely_old):
            return False
        sent_at = passed.take_back(sentence.origin, 0.0, now)
        if sent_at is not None:
            ring.fixes.withhold(raw, passed, sent_at, now)
        return True

    def _tests(self, sentence: Sentence, name: str, passed: Passed, ring: Ring) -> bool:
        """Report whether a sentence that comes again regularly is withheld for a test."""
        raw, now = sentence.raw, sentence.heard
        if ring.others.tests(raw) and not passed.is_outstanding(sentence.origin):
            passed.repeated = ring.others.comes_again(raw, now, splits=False)
        interval = now - passed.last
        settled = now - passed.first > SETTLED_S + 2 * ECHO_REPEATS * interval
        if passed.turns < ECHO_REPEATS or passed.speaker != name or passed.repeated or settled:
            return False
        if not ring.others.note(raw, now, 1 if interval <= SLOW_S else TESTS):
            return False
        ring.others.withhold(raw, passed, passed.last, now)
        passed.sent = []
        return True

    def _ring(self, sentence: Sentence, name: str) -> Ring:
        # A client that reconnects comes from another port.
        key = name if sentence.origin.startswith(CLIENT_PREFIX) else sentence.origin
        ring = self._rings.get(key)
        if ring is None:
            ring = self._rings[key] = Ring()
        return ring
