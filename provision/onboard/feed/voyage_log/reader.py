# SPDX-License-Identifier: GPL-3.0-or-later
"""Write and read the gzip members of a voyage log's files, which can be checked one by one.

A member (RFC 1952) carries an extra field `VL`, which general tools skip: the length of the
whole member in bytes, and the CRC-32 of the header up to there, both of four octets with the
lowest first. A reader goes from member to member by the lengths. It leaves out a damaged member
alone, and looks for the next header. The members of earlier versions have no such field. A
reader finds them by the ten octets that all of them begin with.
"""

from __future__ import annotations

import errno
import os
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from typing import NamedTuple

from provision.onboard.feed.nmea0183 import tag_block

#: RFC 1952: magic, deflate, FEXTRA, no time, no flags, system unknown. An extra field of 12
#: octets with a subfield VL of 8.
_FIXED = b"\x1f\x8b\x08\x04" + bytes(4) + b"\x00\xff" + struct.pack("<H2sH", 12, b"VL", 8)
_HEADER = len(_FIXED) + 8
_TRAILER = 8

#: Either kind of header, and the members that zlib itself wrote for earlier versions.
_START = re.compile(re.escape(_FIXED) + rb"|\x1f\x8b\x08\x00\x00\x00\x00\x00[\x00\x02\x04]\x03")

#: Bytes of a whole file, of one member's text, and of one message: a day with five hundred
#: sentences a second, five minutes at a megabit a second and more, and a hundred sentences.
MAX_FILE_BYTES = 2**29
MAX_TEXT_BYTES = 2**26
MAX_MESSAGE_BYTES = 8192

#: Digits of a time in milliseconds: until the year 5138, and 317 years after a start.
MAX_WALL_DIGITS = 14
MAX_MONOTONIC_DIGITS = 13

#: Zeros at the end of a file from which on they count as never written.
UNWRITTEN_BYTES = 16

_GZIP = 16 + zlib.MAX_WBITS


def compressor(level: int) -> zlib._Compress:
    """Return a compressor for the body of a member."""
    return zlib.compressobj(level, zlib.DEFLATED, -zlib.MAX_WBITS)


def member(body: bytes, crc: int, size: int) -> bytes:
    """Return a whole member. A `compressor` made `body` from `size` bytes with this CRC-32."""
    length = _HEADER + len(body) + _TRAILER
    header = _FIXED + struct.pack("<I", length)
    header += struct.pack("<I", zlib.crc32(header))
    return header + body + struct.pack("<II", crc, size & 0xFFFFFFFF)


class Logged(NamedTuple):
    """Holds one line of the voyage log."""

    wall: float
    """Seconds since 1970, by the system clock at that time."""
    monotonic: float
    """Seconds of that boot's monotonic clock."""
    origin: str
    raw: bytes
    """The sentence with its CR LF. Of a multi-part message, all lines."""


def read(path: str, on_damage: Callable[[int], None] = lambda _: None) -> Iterator[Logged]:
    """Yield the lines of one file of the log that are as they were written.

    Leaves out a damaged member, calls `on_damage` with its bytes, and goes on behind it. Of a
    member that a power cut tore, at the end of the file, reads what is there. OSError when the file
    cannot be read, or is larger than `MAX_FILE_BYTES`.
    """
    with open(path, "rb") as file:
        if os.fstat(file.fileno()).st_size > MAX_FILE_BYTES:
            raise OSError(errno.EFBIG, os.strerror(errno.EFBIG), path)
        data = file.read()
    for text, torn in _walk(data, on_damage, MAX_TEXT_BYTES):
        if torn:
            # The last line may be cut off, and so may be the parts of the message before it.
            lines = text.split(b"\n")[:-1]
            yield from list(_entries(lines, strict=True))[:-1]
        else:
            yield from _entries(text.split(b"\n"))


def members(data: bytes, *, most: int) -> Iterator[bytes]:
    """Yield the texts of the whole members in a file's bytes, each of `most` bytes at most."""
    return (text for text, torn in _walk(data, lambda _: None, most) if not torn)


def _walk(data: bytes, on_damage: Callable[[int], None], most: int) -> Iterator[tuple[bytes, bool]]:
    """Yield the text of each member that can be read, and whether it is torn."""
    at = 0
    while at < len(data):
        text, torn, after = _take(data, at, most)
        if text is None:
            on_damage(after - at)
        else:
            yield text, torn
        at = after


def _take(data: bytes, at: int, most: int) -> tuple[bytes | None, bool, int]:
    """Return the text of the member at `at`, whether it is torn, and where to go on.

    A damaged member has no text.
    """
    length = _length(data, at)
    end = at + length if length else len(data)
    piece = data[at:end]
    text, used = _unpack(piece, most)
    if used and (not length or used == length):
        return text, False, at + used
    after = _next(data, at, end if length else 0)
    # Zeros at the end are blocks that the kernel had not written. They unpack to anything.
    written = piece.rstrip(b"\0")
    ends_early = end > len(data) if length else bool(text) and not used
    if after < len(data) or not (ends_early or len(piece) - len(written) >= UNWRITTEN_BYTES):
        return None, False, after
    return _unpack(written, most)[0], True, after


def _unpack(piece: bytes, most: int) -> tuple[bytes, int]:
    """Return the text of a member and its octets. 0 octets when it has no end.

    A member has no text if its CRC-32 or length is wrong, if its octets are not deflate's, or if
    they become more than `most`.
    """
    unpacker = zlib.decompressobj(_GZIP)
    try:
        text = unpacker.decompress(piece, most)
    except zlib.error:
        return b"", 0
    if unpacker.unconsumed_tail:
        return b"", 0
    return text, len(piece) - len(unpacker.unused_data) if unpacker.eof else 0


def _length(data: bytes, at: int) -> int:
    """Return the length that the member at `at` gives itself. 0 without a valid length."""
    header = data[at : at + _HEADER]
    if len(header) < _HEADER or not header.startswith(_FIXED):
        return 0
    length, crc = struct.unpack("<II", header[-8:])
    right = zlib.crc32(header[:-4]) == crc and length >= _HEADER + _TRAILER
    return length if right else 0


def _next(data: bytes, at: int, known: int) -> int:
    """Return where the member after the one at `at` begins. That one ends at `known` if not 0."""
    if known and (known == len(data) or _START.match(data, known)):
        return known
    found = _START.search(data, at + 1)
    return found.start() if found else len(data)


def _entries(lines: list[bytes], *, strict: bool = False) -> Iterator[Logged]:
    """Yield the entries in `lines`. With `strict`, stop at the first wrong TAG block."""
    entry: Logged | None = None
    for line in lines:
        if line.startswith(b"\\"):
            if entry is not None:
                yield entry
            entry = _entry(line)
        elif entry is not None and line:
            whole = len(entry.raw) + len(line) < MAX_MESSAGE_BYTES
            entry = entry._replace(raw=entry.raw + line + b"\n") if whole else None
        if strict and entry is None:
            return
    if entry is not None:
        yield entry


def _entry(line: bytes) -> Logged | None:
    """Read a line with a TAG block. None when the block is not one of the log's."""
    block, _, sentence = line[1:].partition(b"\\")
    tag = tag_block.parse(block)
    wall, monotonic, origin = (tag.get(code) or "" for code in "crs") if tag else ("", "", "")
    if not (wall.isdecimal() and monotonic.isdecimal() and origin and sentence):
        return None
    if len(wall) > MAX_WALL_DIGITS or len(monotonic) > MAX_MONOTONIC_DIGITS:
        return None
    return Logged(int(wall) / 1000, int(monotonic) / 1000, origin, sentence + b"\n")
