# SPDX-License-Identifier: GPL-3.0-or-later
"""Collect what shows that one baud rate is the right one: sentences and frames with checksums."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.sentence import MAX_LONG_SENTENCE_CHARS, Sentence
from provision.survey.inverted import MAX_BYTES, MIN_BYTES, recover
from provision.survey.shape import upright

#: So many sentences, or so many of different formatters, make a baud rate certain.
MIN_SENTENCES, MIN_FORMATTERS = 3, 2

#: So many ends of sentences on an inverted line, or frames of a binary protocol, do so too.
MIN_TAILS = MIN_FRAMES = 3

#: Seconds without a byte that end what a talker says at once.
PAUSE_S = 0.1

#: The end of a sentence. On an inverted line its beginning is lost after each pause.
_TAIL = re.compile(rb"[\x20-\x29\x2b-\x7e]{4,}\*[0-9A-F]{2}\r\n")

#: A line that would be a sentence if it had a checksum.
_BARE = re.compile(rb"[$!][A-Z0-9]{5},[\x20-\x29\x2b-\x7e]{4,}\r?\n")

#: The frame of the binary protocol of many GNSS receivers: two synchronisation bytes, two bytes
#: of class and message, the payload's length (little-endian), the payload, Fletcher's checksum.
SYNC, _HEAD_BYTES, _SUM_BYTES, _MAX_PAYLOAD_BYTES = b"\xb5\x62", 6, 2, 1024


@dataclass
class _Buffered:
    """Keep the end of a stream that may be the beginning of a match."""

    tail: bytes = b""

    def count(self, data: bytes, cut: Callable[[bytes], tuple[int, int]], longest: int) -> int:
        """Return what `cut` counts in the stream. It also returns how many bytes are done with."""
        found, done = cut(self.tail + data)
        self.tail = (self.tail + data)[done:][-longest:]
        return found


def _cut_lines(pattern: re.Pattern[bytes]) -> Callable[[bytes], tuple[int, int]]:
    def cut(data: bytes) -> tuple[int, int]:
        matches = list(pattern.finditer(data))
        return len(matches), matches[-1].end() if matches else 0

    return cut


def _fletcher(data: bytes) -> bytes:
    """Return the 8-bit Fletcher checksum (RFC 1145), modulo 256."""
    low = high = 0
    for byte in data:
        low = (low + byte) & 0xFF
        high = (high + low) & 0xFF
    return bytes((low, high))


def _cut_frames(data: bytes) -> tuple[int, int]:
    found, done = 0, 0
    while (start := data.find(SYNC, done)) >= 0:
        head = data[start : start + _HEAD_BYTES]
        size = int.from_bytes(head[4:6], "little")
        end = start + _HEAD_BYTES + size + _SUM_BYTES
        if len(head) < _HEAD_BYTES or (size <= _MAX_PAYLOAD_BYTES and end > len(data)):
            return found, start
        if (
            size <= _MAX_PAYLOAD_BYTES
            and _fletcher(data[start + 2 : end - 2]) == data[end - 2 : end]
        ):
            found, done = found + 1, end
        else:
            done = start + 1
    return found, max(done, len(data) - 1)


@dataclass
class Evidence:
    """Hold what came at one baud rate, in all times that the port listened at it."""

    heard: int = 0
    """Bytes."""
    sentences: list[Sentence] = field(default_factory=list)
    tails: int = 0
    """Ends of sentences when each bit is inverted."""
    frames: int = 0
    """Frames of a binary protocol."""
    bare: int = 0
    """Lines that look like sentences, with a checksum or without."""

    def __post_init__(self) -> None:
        self._in_step: list[Sentence] = []
        self._recovered: list[Sentence] = []
        self._framers = Framer("survey", long=True), Framer("survey", long=True)
        self.resume(0.0)

    def resume(self, now: float) -> None:
        """Expect the middle of a line: the port listens at this baud rate again, from `now` on."""
        self._last = now
        for framer in self._framers:
            framer.reset()
        self._pause: bytes | None = None
        self._tails, self._frames, self._bare = _Buffered(), _Buffered(), _Buffered()

    def hear(self, data: bytes, now: float) -> None:
        """Add bytes that were read at `now`, in seconds of any clock."""
        turned, longest = upright(data), MAX_LONG_SENTENCE_CHARS
        self.heard += len(data)
        self.sentences += self._framers[0].feed(data, now)
        self._in_step += self._framers[1].feed(turned, now)
        self._recover(data, now)
        self.tails += self._tails.count(turned, _cut_lines(_TAIL), longest)
        self.bare += self._bare.count(data, _cut_lines(_BARE), longest)
        self.frames += self._frames.count(data, _cut_frames, 2 * _MAX_PAYLOAD_BYTES)

    def pause(self, now: float) -> None:
        """Take that nothing came until `now`. Not every adapter tells that a line is low."""
        if self._pause and now - self._last >= PAUSE_S:
            self._try(b"", now)

    def _recover(self, data: bytes, now: float) -> None:
        """Look for the sentence that an inverted line begins with after each pause.

        The idle line is low, which a receiver tells as a byte of zeros.
        """
        if data and now - self._last >= PAUSE_S:
            self._pause = b""
        self._last = now
        *ended, last = data.split(b"\0")
        for piece in ended:
            self._try(piece, now)
            self._pause = b""
        if self._pause is not None:
            self._pause += last
            if len(self._pause) >= MAX_BYTES:
                self._try(b"", now)

    def _try(self, piece: bytes, now: float) -> None:
        begun, self._pause = (self._pause or b"") + piece, None
        if len(begun) < MIN_BYTES or self.sentences:
            return
        for waits in (True, False):
            if lines := recover(begun, waits):
                self._recovered += Framer("survey", long=True).feed(b"".join(lines), now)
                return

    @property
    def inverted(self) -> list[Sentence]:
        """Sentences that are whole when each bit is inverted."""
        # Most of those that came in step were recovered, too.
        return max(self._in_step, self._recovered, key=len)

    @property
    def any(self) -> bool:
        """Report whether anything speaks for this baud rate that no wrong one gives."""
        return bool(self.sentences or self.inverted or self.tails or self.frames)

    @property
    def certain(self) -> bool:
        """Report whether this baud rate alone explains what came at it."""
        return (
            _enough(self.sentences)
            or _enough(self.inverted)
            or self.tails >= MIN_TAILS
            or self.frames >= MIN_FRAMES
        )

    @property
    def is_inverted(self) -> bool:
        """Report whether what speaks for this baud rate is inverted."""
        return not self.sentences and not self.frames and bool(self.inverted or self.tails)


def _enough(sentences: list[Sentence]) -> bool:
    formatters = {sentence.formatter for sentence in sentences}
    return len(sentences) >= MIN_SENTENCES or len(formatters) >= MIN_FORMATTERS
