# SPDX-License-Identifier: GPL-3.0-or-later
"""The voyage log: everything heard, time-stamped, in daily compressed files.

Each line is a sentence behind a TAG block: c is UNIX time in milliseconds by the system
clock, r milliseconds of the monotonic clock (which a fix cannot step), s the origin.

    \\c:1795616691250,r:83120,s:gnss*4E\\$GPGLL,5057.970,N,00146.110,E,142451,A*27

A file is named by its UTC day and a number that grows with each start: 2026-11-25-001.gz.
It is a row of gzip members (RFC 1952), each written in one piece; `zcat` reads it.
Twenty sentences a second come to 18 MB and 288 writes a day (measured with simulated
instruments, a member every 300 s). A power cut loses the member that was being gathered
(`interval` seconds, 300 unless told otherwise) and what the kernel had not yet written (30 s
old, looked for every 5 s, committed within 5 s: Linux and ext4 as they are set up by default):
340 s at most. What stood there before stays readable.

A card that is worn may take seconds for a write, or never come back from it; a thread of its
own waits for it, never the feed.
"""

from __future__ import annotations

import asyncio
import os
import re
import time
import zlib
from collections.abc import Iterator
from contextlib import suppress
from threading import Thread
from typing import Any, NamedTuple

from provision.onboard.feed import models, tags
from provision.onboard.feed.sentence import Sentence
from provision.onboard.feed.teller import Teller

#: Text is handed to the compressor in pieces of this size, so that it never holds up the feed.
PIECE = 8192

#: A member is written at the latest when it has grown to so many bytes, compressed.
MEMBER = 256 * 1024

#: The log leaves so many bytes of the file system free.
SPARE = 64 * 2**20

#: Seconds that the last of the log is waited for at the end.
GRACE = 5.0

#: Compression level: a slow computer's time against a card's wear (common practice).
LEVEL = 6

_GZIP = 16 + zlib.MAX_WBITS
_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})-(\d{3,})\.gz")


class VoyageLog:
    """Gathers what is heard, and writes it in large pieces."""

    def __init__(self, log: models.Log, teller: Teller) -> None:
        self._log = log
        self._teller = teller
        self._loop = asyncio.get_running_loop()
        self._text: list[bytes] = []
        self._size = 0
        self._compressor = zlib.compressobj(LEVEL, zlib.DEFLATED, _GZIP)
        self._member: list[bytes] = []
        self._compressed = 0
        self._timer: asyncio.TimerHandle | None = None
        self._writer: Thread | None = None
        self._name = ""
        self._day = ""
        self.sentences = self.written = self.writes = self.lost = 0

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return True

    def put(self, sentence: Sentence) -> None:
        wall = time.time() - (self._loop.time() - sentence.heard)
        tag = tags.build(
            ("c", str(int(wall * 1000))),
            ("r", str(int(sentence.heard * 1000))),
            ("s", sentence.origin),
        )
        self._text.append(tag + sentence.raw)
        self._size += len(tag) + len(sentence.raw)
        self.sentences += 1
        if self._timer is None:
            self._timer = self._loop.call_later(self._log.interval, self.write)
        if self._size >= PIECE:
            self._compress()
            if self._compressed >= MEMBER:
                self.write()

    def _compress(self) -> None:
        piece = self._compressor.compress(b"".join(self._text))
        self._text.clear()
        self._size = 0
        if piece:
            self._member.append(piece)
            self._compressed += len(piece)

    def write(self) -> None:
        """Have what has been gathered written, as one gzip member."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._compress()
        self._member.append(self._compressor.flush())
        member = b"".join(self._member)
        self._member.clear()
        self._compressed = 0
        self._compressor = zlib.compressobj(LEVEL, zlib.DEFLATED, _GZIP)
        if self._writer is not None and self._writer.is_alive():
            self._wrote(0, "the last write has not ended yet")
            return
        # A daemon: at the end nobody waits for a card that never answers.
        self._writer = Thread(target=self._write_aside, args=(member,), daemon=True)
        self._writer.start()

    def _write_aside(self, member: bytes) -> None:
        try:
            self._append(member)
            fault = ""
        except OSError as error:
            fault = error.strerror or str(error)
        # The loop may have ended meanwhile.
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._wrote, len(member), fault)

    def _wrote(self, size: int, fault: str) -> None:
        if fault:
            self.lost += 1
            self._teller.warn("voyage log", "write", f"{self._log.folder}: {fault}")
        else:
            self.written += size
            self.writes += 1
            self._teller.mended("voyage log", "write", "written again")

    def _append(self, member: bytes) -> None:
        folder = self._log.folder
        os.makedirs(folder, exist_ok=True)
        day = time.strftime("%Y-%m-%d", time.gmtime())
        if day != self._day:
            self._day, self._name = day, next_name(folder, day)
        self._make_room(len(member))
        path = os.path.join(folder, self._name)
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)
        size = os.fstat(file).st_size
        try:
            if os.write(file, member) < len(member):
                # Half a member would spoil all that follows it.
                os.ftruncate(file, size)
                raise OSError(28, "no room")
        finally:
            os.close(file)

    def _make_room(self, coming: int) -> None:
        """Remove the oldest files until days, cap and free space are kept."""
        folder = self._log.folder
        names = files(folder)
        sizes = {name: os.stat(os.path.join(folder, name)).st_size for name in names}
        oldest_day = time.strftime("%Y-%m-%d", time.gmtime(time.time() - self._log.days * 86400))
        while names:
            system = os.statvfs(folder)
            free = system.f_bavail * system.f_frsize
            too_much = sum(sizes[name] for name in names) + coming > self._log.cap
            if not (too_much or free - coming < SPARE or names[0][:10] < oldest_day):
                return
            if names[0] == self._name:
                # The file of the day alone is too much.
                raise OSError(28, "no room for the voyage log")
            os.unlink(os.path.join(folder, names.pop(0)))

    def close(self) -> None:
        """Write what is left, if the card takes it."""
        self._wait()
        if self._text or self._member or self._timer is not None:
            self.write()
            self._wait()

    def _wait(self) -> None:
        if self._writer is not None:
            self._writer.join(GRACE)

    def as_json(self) -> dict[str, Any]:
        """What has been logged, for the state."""
        return {
            "file": self._name or None,
            "sentences": self.sentences,
            "written": self.written,
            "writes": self.writes,
            "lost": self.lost,
        }


def files(folder: str) -> list[str]:
    """The names of the log's files, oldest first."""
    return sorted(name for name in os.listdir(folder) if _NAME.fullmatch(name))


def next_name(folder: str, day: str) -> str:
    """The next file's name for a day; a file whose end may be torn is never gone on with."""
    numbers = [int(m[2]) for name in files(folder) if (m := _NAME.fullmatch(name)) and m[1] == day]
    return f"{day}-{max(numbers, default=0) + 1:03d}.gz"


class Logged(NamedTuple):
    """One line of the voyage log."""

    wall: float
    """Seconds since 1970, by the system clock of then."""
    monotonic: float
    """Seconds of that boot's monotonic clock."""
    origin: str
    raw: bytes
    """The sentence with its CR LF; of a multi-part message all lines."""


def read(path: str) -> Iterator[Logged]:
    """The lines of one file of the log, up to where a power cut may have torn it."""
    with open(path, "rb") as file:
        data = file.read()
    rest = b""
    while data:
        unpacker = zlib.decompressobj(_GZIP)
        try:
            text = unpacker.decompress(data)
        except zlib.error:
            break
        torn = not unpacker.eof
        data = unpacker.unused_data
        *lines, rest = (rest + text).split(b"\n")
        yield from _entries(lines)
        if torn:
            return
    yield from _entries([rest])


def _entries(lines: list[bytes]) -> Iterator[Logged]:
    entry: Logged | None = None
    for line in lines:
        if line.startswith(b"\\"):
            if entry is not None:
                yield entry
            entry = _entry(line)
        elif entry is not None and line:
            entry = entry._replace(raw=entry.raw + line + b"\n")
    if entry is not None:
        yield entry


def _entry(line: bytes) -> Logged | None:
    """What a line with a TAG block says; None when it is none of ours."""
    block, _, sentence = line[1:].partition(b"\\")
    tag = tags.parse(block)
    wall, monotonic, origin = (tag.get(code) or "" for code in "crs") if tag else ("", "", "")
    if not (wall.isdecimal() and monotonic.isdecimal() and origin and sentence):
        return None
    return Logged(int(wall) / 1000, int(monotonic) / 1000, origin, sentence + b"\n")
