# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell a ring from a repeater: a sentence withheld from a ring does not come back.

A ring brings back what we sent, and only that. A repeater says it again whatever we do. One
repeat shows neither. So the feed withholds a few sentences that look like echoes. If one of them
comes again although all its sent copies have come back, it is a repeater's. If none does, the
origin is in a ring, and the ring's delay is then known.

A fix that comes late looks like an echo. Where no fixes are, a sentence that comes again and
again after the same time does. Of such sentences only one is withheld at a time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from provision.onboard.feed.policy.recent import MAX_SENTENCE_AGE_S, Passed

#: Different late fixes, and different sentences that come regularly, before one is withheld.
LATE, REGULAR = 3, 8

#: Withheld sentences that did not come again, until an origin counts as a ring.
TESTS = 3

#: Sentences that are withheld at one time, at most.
MAX_TESTS = 8

#: Seconds that an origin counts as a ring, beyond twice the delay. Then it is tested again.
RING_S = 120.0

#: Seconds without tests after a withheld sentence came again: at first, and at most.
PAUSE_S, MAX_PAUSE_S = 5.0, 600.0

#: Copies that a ring that splits may bring back. More copies are a repeater's.
MAX_COPIES = 3

#: Seconds beyond which an instrument hardly repeats itself: several are withheld at a time.
SLOW_S = 3.0

#: Delays remembered of an origin, and seconds for which a delay makes steering suspect.
MAX_DELAYS, SUSPECT_S = 8, 10.0


@dataclass(slots=True)
class _Test:
    """Describes one sentence that is withheld."""

    due: float
    delays: tuple[float, float]
    """Seconds since it was sent last, and since it was sent first."""
    passes: int
    again: int = 0
    """Times that it came although all its sent copies had come back."""

    @property
    def copies(self) -> int:
        """Return how often each copy that was sent came back."""
        return 1 + round(self.again / self.passes)


def span(now: float, least: float, most: float) -> tuple[float, float]:
    """Return when the copy that comes back now, `least` to `most` s late, was sent: from, to."""
    return now - 1.1 * most - 0.1, now - 0.9 * least + 0.1


class RingTest:
    """Finds out whether an origin is in a ring, by sentences of one kind."""

    def __init__(self, needed: int) -> None:
        """Take `needed`: so many sentences must look like echoes before one is withheld."""
        self._needed = needed
        self._noted: dict[bytes, float] = {}
        self._tests: dict[bytes, _Test] = {}
        self._failed: deque[_Test] = deque(maxlen=MAX_DELAYS)
        """Tests whose sentences did not come again."""
        self._until = self._paused_until = 0.0
        self._pause = PAUSE_S

    def note(self, raw: bytes, now: float, most: int = TESTS) -> bool:
        """Note a sentence that looks like an echo, and report whether to withhold it."""
        noted = self._noted
        if raw not in noted:
            noted[raw] = now
            if len(noted) > self._needed:
                del noted[next(iter(noted))]
        if len(noted) < self._needed or now < self._paused_until or len(self._tests) >= most:
            return False
        return now - next(iter(noted.values())) <= MAX_SENTENCE_AGE_S

    def withhold(self, raw: bytes, passed: Passed, sent_at: float, now: float) -> None:
        """Start a test with a sentence that is not passed on."""
        if now >= self._paused_until and len(self._tests) < MAX_TESTS:
            delays = now - passed.last, now - sent_at
            due = now + 1.5 * max(delays) + 0.5
            self._tests.setdefault(raw, _Test(due, delays, passed.passes, passed.echoes))

    def decide(self, now: float) -> None:
        """Decide the tests that are over."""
        if not self._tests and not self._failed:
            return
        while (
            self._failed and now >= self._until and now - self._failed[0].due > MAX_SENTENCE_AGE_S
        ):
            self._failed.popleft()
        for raw, test in list(self._tests.items()):
            if now >= test.due:
                del self._tests[raw]
                self._failed.append(test)
                if len(self._failed) >= TESTS:
                    self._until = now + RING_S + 2 * max(test.delays)

    def tests(self, raw: bytes) -> bool:
        """Report whether a sentence is withheld."""
        return raw in self._tests

    def comes_again(self, raw: bytes, now: float, *, splits: bool) -> bool:
        """Report whether a withheld sentence that comes again is a repeater's.

        A ring that `splits` may bring it more than once.
        """
        test = self._tests.get(raw)
        if test is None:
            return False
        test.again += 1
        if splits and test.copies <= MAX_COPIES:
            return False
        for noted in (self._tests, self._noted, self._failed):
            noted.clear()
        self._until, self._paused_until = 0.0, now + self._pause
        self._pause = min(2 * self._pause, MAX_PAUSE_S)
        return True

    def goes_on(self, delay: float, now: float) -> None:
        """Note that the ring still exists."""
        if now < self._until:
            self._until = max(self._until, now + RING_S + 2 * delay)

    def is_open(self, now: float) -> bool:
        """Report whether a test runs, or a ring is known."""
        return bool(self._tests) or now < self._until

    def copies(self, now: float) -> int:
        """Return how often a ring brings back what was sent once. 1 where no ring is known."""
        return max((test.copies for test in self._failed), default=1) if now < self._until else 1

    def span(self, now: float) -> tuple[float, float] | None:
        """Return when the copy that comes back now was sent: from, to. None without a ring."""
        if now >= self._until:
            return None
        delays = [delay for test in self._failed for delay in test.delays]
        return span(now, min(delays), max(delays))


class Ring:
    """Holds what is known of one origin: whether it brings back what we send, and how late."""

    def __init__(self) -> None:
        self.fixes = RingTest(LATE)
        self.others = RingTest(REGULAR)
        self._suspect: deque[tuple[float, float]] = deque(maxlen=MAX_DELAYS)
        self._flood = 0.0, 0.0
        """The least and the greatest delay of a ring that shows by a flood."""
        self._flood_until = 0.0

    def comes_back(self, delay: float, now: float) -> None:
        """Note that a sentence with a time of day came so long after it was sent."""
        self._suspect.append((now, delay))

    def floods(self, now: float) -> None:
        """Note a sentence that comes more often than an instrument says it.

        Together with fixes that come back, this shows a ring.
        """
        delays = [delay for at, delay in self._suspect if now - at <= SUSPECT_S]
        if delays and now >= self._flood_until:
            self._flood, self._flood_until = (min(delays), max(delays)), now + RING_S

    def decide(self, now: float) -> None:
        """Decide the tests that are over."""
        self.fixes.decide(now)
        self.others.decide(now)

    def is_open(self, now: float) -> bool:
        """Report whether every pass of a sentence is worth remembering."""
        known = self.fixes.is_open(now) or self.others.is_open(now)
        return known or now < self._flood_until

    def copies(self, now: float) -> int:
        """Return how often a ring brings back what was sent once. 1 where no ring is known."""
        return max(self.fixes.copies(now), self.others.copies(now))

    def spans(self, now: float, *, steers: bool) -> Iterator[tuple[float, float]]:
        """Yield when the copy that comes back now was sent: from, to. Empty without a ring.

        Steering gets no benefit of the doubt: any other sentence that comes back makes it suspect.
        """
        for trial in (self.fixes, self.others):
            found = trial.span(now)
            if found is not None:
                yield found
        if now < self._flood_until:
            yield span(now, *self._flood)
        if steers:
            for at, delay in self._suspect:
                if now - at <= SUSPECT_S:
                    yield span(now, delay, delay)
