# SPDX-License-Identifier: GPL-3.0-or-later
"""Recover sentences from a line with inverted polarity, from their first character on.

A receiver of an inverted line is out of step at first: it takes any falling edge for a start bit.
Each character of text occupies ten bits of the line: a 1 (the start bit), seven inverted bits of
the character, a 1 (the high bit), a 0 (the stop bit). The receiver tells the bits that it sampled,
and skips ones only until a start bit, so that few characters fit what it told. `recover` follows
all of them, and keeps those that end as a sentence with a right checksum.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from typing import NamedTuple

from provision.onboard.feed.nmea0183.checksum import checksum

#: The bits of a character on the line: the first and the ninth are 1, the tenth is 0.
BITS = 10
ONES, ZERO = (0, 8), 9

#: So many possible texts with the same number of bits are followed.
MAX_PATHS = 64

#: The most bytes that are looked at: some sentences, read by a receiver out of step.
MAX_BYTES = 600

#: Fewer bytes hold no sentence.
MIN_BYTES = 8

_SENTENCE = re.compile(
    rb"[$!]((?:[A-Z]{5}|P[A-Z0-9]{3,})(?:,[\x20-\x29\x2b-\x7e]*)?)\*([0-9A-F]{2})\r"
)

#: How unlikely a character is in a field.
_COSTS = {
    **dict.fromkeys(range(0x20, 0x7F), 2),
    **dict.fromkeys(b"BCDFGHIJKLMOPQRSTUVXYZ*", 1),
    **dict.fromkeys(b"0123456789.,ANEW", 0),
}

_DELIMITERS, _HEX = b"$!", b"0123456789ABCDEF"
_CAPITALS, _DIGITS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ", b"0123456789"

#: Characters from the delimiter to the end of the address.
ADDRESS_CHARS = 6


def _cost(text: bytes, character: int) -> int | None:
    """Return how unlikely a character is behind `text`. None when no sentence has it there."""
    if not text:
        return 0 if character in _DELIMITERS else None
    checked = text.rfind(b"*")
    if checked > 0:
        follows = (_HEX, _HEX, b"\r", b"")[min(len(text) - checked - 1, 3)]
        return 0 if character in follows else None
    if character in _DELIMITERS:
        return None
    proprietary = text[1:2] == b"P"
    if len(text) < (4 if proprietary else ADDRESS_CHARS):
        named = _CAPITALS + _DIGITS if proprietary else _CAPITALS
        return 0 if character in named else None
    if len(text) == ADDRESS_CHARS and not proprietary and character not in b",*":
        return None
    return _COSTS.get(character)


class _Path(NamedTuple):
    """Hold one text that fits, and the bits of its last character that are known so far."""

    cost: int
    text: bytes
    bits: tuple[int, ...]

    def add(self, bit: int) -> _Path | None:
        """Return the path with one more bit of the line. None when no text has it there."""
        index = len(self.bits)
        if (index in ONES and not bit) or (index == ZERO and bit):
            return None
        if index < ZERO:
            return self._replace(bits=(*self.bits, bit))
        character = sum((1 - value) << number for number, value in enumerate(self.bits[1:8]))
        if character == ord("\n") and not self.text:
            # It ends the sentence before.
            return _Path(self.cost, b"", ())
        cost = _cost(self.text, character)
        if cost is None:
            return None
        return _Path(self.cost + cost, self.text + bytes((character,)), ())


def _follow(path: _Path, bits: tuple[int, ...]) -> _Path | None:
    for bit in bits:
        following = path.add(bit)
        if following is None:
            return None
        path = following
    return path


def _next_starts(path: _Path, waits: bool) -> Iterator[_Path]:
    """Yield each way from the end of the eight data bits to the next start bit, included.

    `waits` says what the receiver does after a wrong stop bit: it waits for a falling edge, or
    takes the stop bit for a start bit.
    """
    low = path.add(0)
    if low is not None:
        if not waits:
            yield low
        else:
            zeros: _Path | None = low
            while zeros is not None and len(zeros.bits) and len(zeros.bits) < BITS:
                yield from _after_ones(zeros)
                zeros = zeros.add(0)
            if zeros is not None and not zeros.bits:
                yield from _after_ones(zeros)
    yield from _after_ones(path)


def _after_ones(path: _Path) -> Iterator[_Path]:
    """Yield the path after one or more ones and a zero."""
    ones = path.add(1)
    while ones is not None:
        zero = ones.add(0)
        if zero is not None:
            yield zero
        ones = ones.add(1)


def _likeliest(paths: list[_Path]) -> list[_Path]:
    """Return the likeliest paths with each number of bits."""
    by_bits = defaultdict(set)
    for path in paths:
        by_bits[len(path.bits)].add(path)
    return [
        path
        for some in by_bits.values()
        for path in sorted(some, key=lambda one: one.cost / (len(one.text) + 1))[:MAX_PATHS]
    ]


def recover(data: bytes, waits: bool) -> list[bytes]:
    """Return the sentences that an inverted line carries after a pause, each up to its CR.

    `data` are the bytes from the first after the pause. `waits` is as in `_next_starts`.
    """
    # The line was low, so that the first falling edge ends the ones at its beginning.
    found, paths = [], [*_after_ones(_Path(0, b"", ()))]
    for byte in data[:MAX_BYTES]:
        read = tuple(byte >> number & 1 for number in range(8))
        following = [
            start
            for path in paths
            if (end := _follow(path, read)) is not None
            for start in _next_starts(end, waits)
        ]
        paths = _likeliest(following)
        ended = next((path for path in paths if _is_sentence(path.text)), None)
        if ended:
            found.append(ended.text)
            paths = [ended._replace(cost=0, text=b"")]
        if not paths:
            break
    return found


def _is_sentence(text: bytes) -> bool:
    match = _SENTENCE.fullmatch(text)
    return match is not None and checksum(match[1]) == int(match[2], 16)
