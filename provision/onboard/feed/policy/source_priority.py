# SPDX-License-Identifier: GPL-3.0-or-later
"""Choose the source to believe for each kind of data, by the profile's order of preference.

When the believed source falls silent, the next in order takes over. A preferred source that was
lost is believed again after it has been steady for a while. A sentence without valid data
(a void fix, an empty depth) counts as silence: `validity` has the table. Kinds without an order,
and AIS targets, all pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.onboard.feed.nmea0183.validity import MUTE, says_something
from provision.onboard.feed.report.fault_log import log


@dataclass(slots=True)
class _Heard:
    """Records when a source last gave valid data of a kind, and since when without a gap."""

    last: float
    since: float
    lost: bool = False


class _Choice:
    """Chooses the source that is believed for one kind."""

    def __init__(self, kind: str, order: tuple[str, ...], prefer: models.PreferOptions) -> None:
        self.kind = kind
        self.source: str | None = None
        self.since = 0.0
        self._order = order
        self._prefer = prefer
        self._heard: dict[str, _Heard] = {}
        self._latest: dict[str, tuple[str, float, float]] = {}
        """The last source of each formatter, when, and seconds since the sentence before."""

    def _rank(self, origin: str) -> int:
        """Rank sources that the order does not name behind all that it names."""
        return self._order.index(origin) if origin in self._order else len(self._order)

    def passes(self, sentence: Sentence) -> bool:
        origin, now = sentence.origin, sentence.heard
        says = says_something(sentence)
        if says:
            self._note(origin, now)
            if self.source != origin and self._takes_over(origin, now):
                log.warning(
                    "%s: %s is believed now, before it %s", self.kind, origin, self.source or "none"
                )
                self.source, self.since = origin, now
        # Before any source had data: empty sentences show at least that something is there.
        if self.source not in (None, origin):
            return False
        return not (says or sentence.formatter in MUTE) or self._is_news(sentence)

    def _is_news(self, sentence: Sentence) -> bool:
        """Report whether no earlier source has given the same data a moment ago."""
        origin, now = sentence.origin, sentence.heard
        by, last, interval = self._latest.get(sentence.formatter, (origin, now, 0.0))
        if by != origin and now - last < interval / 2:
            return False
        # The silence of a source, or between two sources, is no interval of either.
        gap = now - last
        if by == origin and 0 < gap <= self._prefer.silence:
            interval = gap
        self._latest[sentence.formatter] = (origin, now, interval)
        return True

    def _note(self, origin: str, now: float) -> None:
        heard = self._heard.get(origin)
        if heard is None:
            self._heard[origin] = _Heard(now, now)
            return
        if now - heard.last > self._prefer.silence:
            heard.since, heard.lost = now, True
        heard.last = now

    def _takes_over(self, origin: str, now: float) -> bool:
        if self.source is None:
            return True
        if now - self._heard[self.source].last > self._prefer.silence:
            return self._best_alive(origin, now)
        heard = self._heard[origin]
        steady = not heard.lost or now - heard.since >= self._prefer.steady
        return self._rank(origin) < self._rank(self.source) and steady

    def _best_alive(self, origin: str, now: float) -> bool:
        """Report whether no source before this one in the order has been heard lately."""
        return not any(
            self._rank(other) < self._rank(origin) and now - heard.last <= self._prefer.silence
            for other, heard in self._heard.items()
        )


class SourcePriority:
    """Passes the believed source's sentences, and sentences of kinds without an order."""

    def __init__(self, prefer: models.PreferOptions, whose: str = "") -> None:
        """Take `whose`, the text before the kind of data in log lines."""
        self.name = f"{whose}beliefs"
        self._choices = {
            kind: _Choice(f"{whose}{kind}", order, prefer) for kind, order in prefer.order.items()
        }

    def kind(self, formatter: str) -> str | None:
        """Return the kind of a sentence, if there is an order for it."""
        kind = KIND_OF.get(formatter)
        return kind if kind in self._choices else None

    def passes(self, kind: str, sentence: Sentence) -> bool:
        return self._choices[kind].passes(sentence)

    def as_json(self, now: float) -> dict[str, Any]:
        """Return the source that is believed for each kind, and for how many seconds."""
        return {
            kind: {
                "source": choice.source,
                "since": round(now - choice.since, 1) if choice.source else None,
            }
            for kind, choice in self._choices.items()
        }
