# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep the last sentence of each formatter that a link or input brought, for the state."""

from __future__ import annotations

from collections.abc import Iterable

from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS, STEERS, Sentence
from provision.onboard.feed.nmea0183.validity import DATA

#: Formatters whose last sentence is kept: those with data that people look at.
KEPT = frozenset(DATA) | STEERS

#: Formatters kept of one link or input. The state of a boat must stay small.
MAX_KEPT = 24

#: The references of MWV: relative to the bow, and true. Instruments send both in turn.
_REFERENCES = {b"R": "MWV R", b"T": "MWV T"}


class LastSentences:
    """Holds the last sentences of one link or input, by formatter (MWV: and by reference)."""

    def __init__(self) -> None:
        self._last: dict[str, Sentence] = {}

    def keep(self, sentences: Iterable[Sentence]) -> None:
        """Take sentences that have just come."""
        last = self._last
        for sentence in sentences:
            key = sentence.formatter
            if key in last:
                last[key] = sentence
            elif key == "MWV":
                self._keep_wind(sentence)
            elif key in KEPT and len(last) < MAX_KEPT:
                last[key] = sentence

    def _keep_wind(self, sentence: Sentence) -> None:
        fields = sentence.raw.split(b",", 3)
        key = _REFERENCES.get(fields[2]) if len(fields) > 2 else None
        if key is not None and (key in self._last or len(self._last) < MAX_KEPT):
            self._last[key] = sentence

    def as_json(self, now: float) -> dict[str, tuple[float, str]]:
        """Return by formatter how many seconds ago the last sentence came, and the sentence.

        A sentence that may have waited in an adapter for hours, or that is longer than 82
        characters, is left out.
        """
        return {
            key: (round(now - sentence.heard, 2), sentence.raw.decode("ascii").rstrip())
            for key, sentence in self._last.items()
            if not sentence.stored and len(sentence.raw) <= MAX_SENTENCE_CHARS
        }
