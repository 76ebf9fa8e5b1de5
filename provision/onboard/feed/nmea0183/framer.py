# SPDX-License-Identifier: GPL-3.0-or-later
"""Cut sentences out of a stream of bytes, which stay bytes until the checksum passes.

A sentence runs from the last start delimiter of a line to the line's end, if its characters
are printable, its checksum is right and it is not too long. A delimiter inside a line starts
a new sentence, because '$' and '!' are reserved (IEC 61162-1). CR, LF or both end a line.
Everything else is dropped and counted by its kind.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.checksum import checksum
from provision.onboard.feed.nmea0183.sentence import (
    MAX_LONG_SENTENCE_CHARS,
    MAX_SENTENCE_CHARS,
    Sentence,
    split_address,
    steers,
)

#: A line longer than any sentence with its TAG block is given up before its end comes.
MAX_HELD_BYTES = 2 * MAX_LONG_SENTENCE_CHARS

#: This many bytes without a sentence, a quarter of them no text, look like a wrong baud rate.
STRANGE_BYTES = 256

_CHECKED = re.compile(rb"[$!]([A-Z0-9]{3,}(?:,[\x20-\x7e]*)?)\*([0-9A-Fa-f]{2})")
_BARE = re.compile(rb"[$!]([A-Z0-9]{3,},[\x20-\x29\x2b-\x7e]*)")
_TEXT = bytes(range(0x20, 0x7F)) + b"\t\r\n"


@dataclass(slots=True)
class Errors:
    """Counts what was dropped, by kind."""

    checksum: int = 0
    """Lines with a start delimiter whose checksum is wrong or missing."""
    noise: int = 0
    """Runs of bytes that belong to no sentence."""
    length: int = 0
    """Lines longer than a sentence may be."""
    baud: int = 0
    """Stretches of bytes that look like a wrong baud rate."""
    tag: int = 0
    """TAG blocks with a wrong checksum or form."""

    def total(self) -> int:
        return self.checksum + self.noise + self.length + self.baud + self.tag

    def as_json(self) -> dict[str, int]:
        return {kind: getattr(self, kind) for kind in self.__slots__}


def _harmless(line: bytes) -> re.Match[bytes] | None:
    """Match a line without a checksum, unless it steers: a pilot never steers on trust."""
    match = _BARE.fullmatch(line)
    if match is None or steers(*split_address(match[1].split(b",", 1)[0])):
        return None
    return match


class Framer:
    """Finds the sentences in one stream of bytes, which comes in pieces of any size."""

    def __init__(
        self,
        origin: str,
        *,
        unchecked: bool = False,
        long: bool = False,
        sender: str = "",
        from_start: bool = False,
    ) -> None:
        """Set what the stream may hold.

        `unchecked` allows sentences without a checksum (the framer adds it), except sentences
        that steer. `long` allows sentences longer than 82 characters. `from_start` says that
        the stream does not begin in the middle of a line, so that faults in the first line
        count.
        """
        self.errors = Errors()
        """May be replaced by another framer's, to count both together."""
        self.sender = sender
        self.connected = 0.0
        """When the stream's connection began, in monotonic seconds."""
        self._origin = origin
        self._unchecked = unchecked
        self._length = MAX_LONG_SENTENCE_CHARS if long else MAX_SENTENCE_CHARS
        self._tail = b""
        self._tail_since = 0.0
        self._opening = not from_start
        self._skipping = False
        self._strange = 0
        self._unheard = 0

    def reset(self) -> None:
        """Forget the half line and expect another: the stream was broken off."""
        self._tail = b""
        self._opening = True
        self._skipping = False

    def feed(self, data: bytes, heard: float, since: float | None = None) -> list[Sentence]:
        """Return the sentences that `data`, read at `heard` (monotonic seconds), completes.

        `data` may have waited. None of it came before `since`.
        """
        sentences: list[Sentence] = []
        since = heard if since is None else min(since, heard)
        lines = (self._tail + data).replace(b"\r", b"\n").split(b"\n")
        begun = self._tail_since if self._tail else since
        tail = lines.pop()
        rest = len(tail)
        if lines:
            rest += sum(map(len, lines)) + len(lines)
            for line in lines:
                rest -= len(line) + 1
                if line:
                    sentence = self._line(line, heard, rest, heard - begun)
                    if sentence is not None:
                        sentences.append(sentence)
                elif self._skipping:
                    self._skipping = False
                self._opening = False
                begun = since
        self._tail_since = begun
        self._tail = tail if len(tail) <= MAX_HELD_BYTES else self._give_up(tail)
        return sentences

    def _line(self, line: bytes, heard: float, rest: int, waited: float) -> Sentence | None:
        start = max(line.rfind(b"$"), line.rfind(b"!"))
        tag = None
        if start:
            if start < 0:
                # A TAG block may stand on a line of its own.
                alone = line[:1] == line[-1:] == b"\\" and tag_block.parse(line[1:-1]) is not None
                if not (self._skipping or self._opening or alone):
                    self.errors.noise += 1
                self._skipping = False
                self._count_strange(line)
                return None
            tag = self._before(line[:start])
            line = line[start:]
        self._skipping = False
        if len(line) + 2 > self._length:
            if not self._opening:
                self.errors.length += 1
            self._count_strange(line)
            return None
        match = _CHECKED.fullmatch(line)
        if match is not None and checksum(match[1]) == int(match[2], 16):
            raw = line[:-2] + match[2].upper() + b"\r\n"
        elif match is None and self._unchecked and (match := _harmless(line)):
            raw = b"%b*%02X\r\n" % (line, checksum(match[1]))
        else:
            if not self._opening:
                if line.translate(None, _TEXT):
                    self.errors.noise += 1
                else:
                    self.errors.checksum += 1
            self._count_strange(line)
            return None
        self._strange = self._unheard = 0
        talker, formatter = split_address(match[1].split(b",", 1)[0])
        return Sentence(
            *(raw, talker, formatter, self._origin, heard, rest, tag),
            sender=self.sender,
            connected=self.connected,
            waited=waited,
        )

    def _before(self, prefix: bytes) -> tag_block.Tag | None:
        """Return the TAG block at the end of `prefix`, the text before a start delimiter."""
        tag = None
        if prefix.endswith(b"\\"):
            begin = prefix.rfind(b"\\", 0, -1)
            if begin >= 0:
                tag = tag_block.parse(prefix[begin + 1 : -1])
                if tag is None:
                    self.errors.tag += 1
                prefix = prefix[:begin]
        if prefix and not (self._opening or self._skipping):
            self.errors.noise += 1
            self._count_strange(prefix)
        return tag

    def _give_up(self, tail: bytes) -> bytes:
        """Shorten a line longer than any sentence. Its next delimiter starts a new sentence."""
        start = max(tail.rfind(b"$"), tail.rfind(b"!"))
        if start > 0 and len(tail) - start <= self._length:
            return tail[max(0, start - tag_block.MAX_TAG_BLOCK_CHARS) :]
        if start >= 0:
            self.errors.length += 1
        else:
            self.errors.noise += 1
        self._count_strange(tail)
        self._skipping = True
        # A TAG block may have begun.
        block = tail.rfind(b"\\")
        return (
            tail[block:]
            if start < 0 and 0 <= len(tail) - block <= tag_block.MAX_TAG_BLOCK_CHARS
            else b""
        )

    def _count_strange(self, dropped: bytes) -> None:
        self._unheard += len(dropped)
        self._strange += len(dropped.translate(None, _TEXT))
        if self._unheard >= STRANGE_BYTES:
            if self._strange * 4 >= self._unheard:
                self.errors.baud += 1
            self._strange = self._unheard = 0
