# SPDX-License-Identifier: GPL-3.0-or-later
"""Remember for a minute what was passed on, by whom, and when it may come back."""

from __future__ import annotations

from dataclasses import dataclass

from provision.onboard.feed.nmea0183.sentence import Sentence

#: Seconds for which a sentence is remembered.
MAX_SENTENCE_AGE_S = 60.0

#: Sentences remembered at most, in each of two generations.
MAX_SENTENCES = 10000

#: Passes of one sentence remembered at most, and speakers whose newest time is remembered.
MAX_PASSES, MAX_SPEAKERS = 2048, 512

#: Seconds by which two receivers behind one sender may differ in how late they say the time.
OVERTAKEN_S = 0.2

#: Index of the time of day in the sentences that have it, from 0 (IEC 61162-1; GBS, GRS, GST,
#: BWC and BWR from memory).
TIME_FIELD = {
    **dict.fromkeys(("GGA", "GNS", "RMC", "ZDA", "GBS", "GRS", "GST", "BWC", "BWR"), 0),
    "GLL": 4,
}


def time_of(sentence: Sentence) -> str:
    """Return the time of day in a sentence, or an empty text without one.

    >>> from provision.onboard.feed.nmea0183.sentence import make
    >>> time_of(make("$GPGLL,5057.970,N,00146.110,E,142451,A", origin="gnss", heard=0.0))
    '142451'
    """
    index = TIME_FIELD.get(sentence.formatter)
    if index is None:
        return ""
    fields = sentence.fields
    return fields[index] if index < len(fields) else ""


@dataclass(slots=True)
class Passed:
    """Records one sentence that was passed on, in seconds of the monotonic clock."""

    first: float
    first_speaker: str
    last: float
    speaker: str
    """The speaker that sent it last."""
    passes: int = 1
    interval: float = 0.0
    """Seconds between the last two times that one speaker sent it."""
    turns: int = 0
    """Times in a row that this speaker sent it again after the same interval."""
    repeated: bool = False
    """True if it came again when it was withheld."""
    echoes: int = 0
    """Times that it came from another speaker before it was late."""
    since: float = 0.0
    count: int = 0
    """Passes since `since`, for a second at most."""
    sent: list[float] | None = None
    """When it was passed on. None means the last time alone."""
    back: dict[str, dict[float, int]] | None = None
    """How often each copy that was sent came back, by the origin that brought it back."""

    def is_outstanding(self, origin: str) -> bool:
        """Report whether `origin` has not brought back all copies that were sent."""
        back = (self.back or {}).get(origin, {})
        return any(at not in back for at in self._sent())

    def delay(self, echoes: int, now: float) -> float:
        """Return how long ago the copy was sent that comes back behind `echoes` other copies."""
        sent = self._sent()
        return now - sent[min(echoes, len(sent) - 1)] if sent else now - self.last

    def take_back(self, origin: str, since: float, until: float, copies: int = 1) -> float | None:
        """Return when the copy that `origin` brings back now was sent, between two moments."""
        if self.back is None:
            self.back = {}
        back = self.back.setdefault(origin, {})
        for at in self._sent():
            if since <= at <= until and back.get(at, 0) < copies:
                back[at] = back.get(at, 0) + 1
                return at
        return None

    def says(self, speaker: str, now: float, *, every: bool) -> None:
        """Count one more pass. Forget earlier passes unless `every` pass counts."""
        self.passes += 1
        if now - self.since > 1.0:
            self.since, self.count = now, 0
        self.count += 1
        if every:
            sent = self._sent()
            sent.append(now)
            while len(sent) > MAX_PASSES or sent[0] < now - MAX_SENTENCE_AGE_S:
                old = sent.pop(0)
                for back in (self.back or {}).values():
                    back.pop(old, None)
        else:
            self.sent = self.back = None
        interval = now - self.last
        same = abs(interval - self.interval) <= 0.05 + 0.1 * interval
        self.turns = self.turns + 1 if same and speaker == self.speaker else 0
        self.interval = interval
        self.last, self.speaker = now, speaker

    def _sent(self) -> list[float]:
        if self.sent is None:
            self.sent = [self.last]
        return self.sent


class Recent:
    """Holds the sentences of the last minute, by their text."""

    def __init__(self) -> None:
        # Two generations: forgetting a whole generation is cheaper than one sentence at a time.
        self._recent: dict[bytes, Passed] = {}
        self._older: dict[bytes, Passed] = {}
        self._turned = 0.0
        self._newest: dict[tuple[str, str, str], tuple[str, float]] = {}

    def __len__(self) -> int:
        return len(self._recent) + len(self._older)

    def find(self, sentence: Sentence) -> Passed | None:
        """Return what is remembered of a sentence with this text."""
        raw, now = sentence.raw, sentence.heard
        if now - self._turned > MAX_SENTENCE_AGE_S or len(self._recent) >= MAX_SENTENCES:
            self._older, self._recent, self._turned = self._recent, {}, now
        passed = self._recent.get(raw)
        if passed is None:
            passed = self._older.get(raw)
            if passed is None:
                return None
            self._recent[raw] = passed
        return passed if now - passed.last <= MAX_SENTENCE_AGE_S else None

    def note(
        self, sentence: Sentence, speaker: str, time: str, passed: Passed | None, *, every: bool
    ) -> None:
        """Remember that a sentence is passed on: `every` time, or the last alone.

        `passed` is what was found of it.
        """
        now = sentence.heard
        if passed is not None:
            passed.says(speaker, now, every=every)
            return
        self._recent[sentence.raw] = Passed(now, speaker, now, speaker)
        if time:
            self._note_time(sentence, speaker, time)

    def _note_time(self, sentence: Sentence, speaker: str, time: str) -> None:
        key = speaker, sentence.talker, sentence.formatter
        if key not in self._newest and len(self._newest) >= MAX_SPEAKERS:
            # A sender that keeps changing its address must not fill memory.
            del self._newest[next(iter(self._newest))]
        self._newest[key] = time, sentence.heard

    def is_overtaken(self, passed: Passed, sentence: Sentence, time: str) -> bool:
        """Report whether its first speaker has sent another time of day since."""
        key = passed.first_speaker, sentence.talker, sentence.formatter
        newest, at = self._newest.get(key, (time, passed.first))
        return newest != time and at > passed.first and sentence.heard - at >= OVERTAKEN_S
