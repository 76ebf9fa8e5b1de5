# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide which links are right about the time, where several may tell it.

Nothing in a sentence shows whether a receiver is wrong. Another receiver that gives the same
time shows that it is right, and so does the boat's clock as it was right before. How long a
receiver has given the same time shows that something has changed when another receiver gives
another time, and no more than that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

#: Sentences in a row that must agree before a link is heeded.
MIN_AGREEING_SENTENCES = 3

#: Seconds that two sentences may differ against the monotonic clock and still agree.
TOLERANCE_S = 1.0

#: Seconds by which two links may differ only through a delay in sending the time.
LATENCY_S = 5.0

#: Seconds that a fix is good for. A link that was good so recently keeps the others out.
FIX_HOLDS_S = 10.0

#: Seconds that a link waits, while other named links are silent, before it is heeded.
ALONE_S = 60.0

#: Seconds that two links agreed, after which the clock decides between two that differ, and
#: seconds that a single link was not contradicted.
TRUSTED_S, TRUSTED_ALONE_S = 60.0, 3600.0

#: Seconds for which a clock set by a single link decides against another link. A receiver
#: that has just been switched on is right by then (the almanac with the leap seconds takes 12.5
#: minutes, IS-GPS-200).
CONTEST_S = 3600.0


@dataclass(slots=True)
class Run:
    """Follows the time of one link, as the difference from the monotonic clock in seconds.

    `agreeing` counts its sentences in a row that agree with it. `since` is when the first of
    them came and `heard` when the last did.
    """

    difference: float
    agreeing: int
    since: float
    heard: float

    def add(self, difference: float, heard: float) -> None:
        """Take the next sentence: it continues the run, or starts another."""
        self.heard = heard
        if abs(difference - self.difference) <= TOLERANCE_S:
            # Follow the drift of the monotonic clock slowly.
            self.difference += (difference - self.difference) / 16
            self.agreeing += 1
        else:
            self.difference, self.agreeing, self.since = difference, 1, heard


class Agreement:
    """Keeps a run of each link, and how far the clock can be trusted."""

    def __init__(self, links: Sequence[str]) -> None:
        """Take `links`, the links that may tell the time, in their order."""
        self._links = links
        self.runs: dict[str, Run] = {}
        self.reference: float | None = None
        """The time last given, as the difference from the monotonic clock in seconds."""
        self._agreed = self._alone = self._contested = 0.0
        self._last = 0.0
        self._is_sure = False
        self._doubted_at: float | None = None

    def hear(self, origin: str, difference: float, heard: float) -> Run:
        """Take the time that a link gives, and return its run."""
        run = self.runs.setdefault(origin, Run(difference, 0, heard, heard))
        run.add(difference, heard)
        return run

    def steady(self, now: float) -> list[str]:
        """Name the links that give the time now and agree with themselves, in their order."""
        return [
            link
            for link in self._links
            if self._is_fresh(link, now) and self.runs[link].agreeing >= MIN_AGREEING_SENTENCES
        ]

    def _is_fresh(self, link: str, now: float) -> bool:
        return link in self.runs and now - self.runs[link].heard < FIX_HOLDS_S

    def right(self, steady: list[str], now: float) -> list[str]:
        """Name the links of `steady` that are right: all of them, or none where nothing decides."""
        passed, self._last = min(now - self._last, FIX_HOLDS_S), now
        groups = [[other for other in steady if self._agree(link, other)] for link in steady]
        if all(len(group) == len(steady) for group in groups):
            self._credit(steady, passed)
            return steady
        right = self._decide(steady, groups, passed)
        if not right:
            self.doubt(now)
        return right

    def _decide(self, steady: list[str], groups: list[list[str]], passed: float) -> list[str]:
        if self._agreed >= TRUSTED_S:
            return self._near_reference(steady)
        majority = max(groups, key=len)
        if 2 * len(majority) > len(steady):
            self._credit(majority, passed)
            return majority
        self._contested += passed
        if self._alone >= TRUSTED_ALONE_S and self._contested < CONTEST_S:
            return self._near_reference(steady)
        return []

    def _credit(self, links: list[str], passed: float) -> None:
        """Trust the clock more, if it was set by these links."""
        if links != self._near_reference(links):
            return
        if len(links) > 1:
            self._agreed += passed
        else:
            self._alone += passed
            self._contested = max(0.0, self._contested - passed)

    def _agree(self, link: str, other: str) -> bool:
        return abs(self.runs[other].difference - self.runs[link].difference) <= LATENCY_S

    def _near_reference(self, links: list[str]) -> list[str]:
        reference = self.reference
        return [
            link
            for link in links
            if reference is not None and abs(self.runs[link].difference - reference) <= LATENCY_S
        ]

    def doubt(self, now: float) -> None:
        """Reset the trust in the clock: links differ, or a link has jumped."""
        self._agreed = self._alone = self._contested = 0.0
        self._is_sure, self._doubted_at = False, now

    def take(self, difference: float) -> None:
        """Take the difference of the time that is given from now on as the reference."""
        self.reference, self._is_sure = difference, True

    def is_backed(self, origin: str, system: float, now: float) -> bool:
        """Report whether anything but the link itself supports the time that it gives.

        Another link supports it, or the clock as it was set since the last doubt. At first the
        system's own clock does too (`system`, its difference from the monotonic clock), set by a
        clock chip or from before the feed was restarted. Without support a minute must pass, in
        which the other links had time to contradict.
        """
        run, is_near = self.runs[origin], bool(self._near_reference([origin]))
        if len(self._links) == 1 or (self._is_sure and is_near):
            return True
        if self.reference is not None and not is_near:
            # It must stay for a minute anyhow before a jump is believed.
            return True
        if any(self._agree(origin, link) for link in self.steady(now) if link != origin):
            return True
        is_first = self.reference is None and self._doubted_at is None
        if is_first and abs(run.difference - system) <= LATENCY_S:
            return True
        begun = run.since if self._doubted_at is None else max(run.since, self._doubted_at)
        return now - begun >= ALONE_S

    def goes_on(self, origin: str) -> bool:
        """Report whether a link that starts again gives the known time, or jumps away from it."""
        if self.reference is None:
            return False
        return self._is_sure or not self._near_reference([origin])

    def differences(self, now: float) -> dict[str, float]:
        """Return the seconds by which each link that is heard differs from the first of them."""
        fresh = [link for link in self._links if self._is_fresh(link, now)]
        return {
            link: round(self.runs[link].difference - self.runs[fresh[0]].difference, 1)
            for link in fresh
        }
