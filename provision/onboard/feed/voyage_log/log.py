# SPDX-License-Identifier: GPL-3.0-or-later
"""Log every sentence heard, time-stamped, in daily compressed files.

Each line is a sentence behind a TAG block: c is UNIX time in milliseconds by the system
clock, r milliseconds of the monotonic clock (which a fix cannot step), s the origin.

    \\c:1795616691250,r:83120,s:gnss*4E\\$GPGLL,5057.970,N,00146.110,E,142451,A*27

A start begins a new file, and so does midnight (UTC). A clock that jumps does neither: the file
gets the right day into its name and is continued. files.py says how files are named and which of
them may go. reader.py says how they are made: of gzip members (RFC 1952), each written in one
piece, so that `zcat` reads them.

Twenty sentences a second come to 18 MB and 288 writes a day (measured with simulated
instruments, a member every 300 s). A power cut loses the member that was being gathered
(`interval` seconds, 300 by default) and what the kernel had not yet written (30 s
old, looked for every 5 s, committed within 5 s: Linux and ext4 as they are set up by default):
340 s at most. What was written before stays readable.

A worn card may take seconds for a write, or never finish it. A separate thread waits for it,
never the feed.
"""

from __future__ import annotations

import asyncio
import os
import time
import zlib
from contextlib import suppress
from threading import Thread
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.voyage_log.files import (
    MAX_MEMBER_BYTES,
    MIN_FREE_BYTES,
    beyond,
    day_of,
    files,
    new_name,
    renamed,
)
from provision.onboard.feed.voyage_log.reader import compressor, member

#: Bytes of text handed to the compressor at once: small, so that it never holds up the feed.
COMPRESS_BYTES = 8192

#: Seconds to wait at the end for the last write.
LAST_WRITE_TIMEOUT_S = 5.0

#: Compression level: a slow computer's time against a card's wear (common practice).
GZIP_LEVEL = 6


class VoyageLog:
    """Gathers what is heard, and writes it in large pieces."""

    def __init__(self, log: models.LogOptions, fault_log: FaultLog) -> None:
        self._log = log
        self._fault_log = fault_log
        self.name = "voyage log"
        self._loop = asyncio.get_running_loop()
        self._text: list[bytes] = []
        self._size = 0
        self._begin_member()
        self._timer: asyncio.TimerHandle | None = None
        self._writer: Thread | None = None
        self._writing = False
        self._name = ""
        # Added to `elapsed`, gives seconds since 1970, as of the last write.
        self._offset = 0.0
        self.sentences = self.written = self.writes = self.lost = 0

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return True

    def put(self, sentence: Sentence) -> None:
        wall = time.time() - (self._loop.time() - sentence.heard)
        tag = tag_block.build(
            ("c", str(int(wall * 1000))),
            ("r", str(int(sentence.heard * 1000))),
            ("s", sentence.origin),
        )
        self._text.append(tag + sentence.raw)
        self._size += len(tag) + len(sentence.raw)
        self.sentences += 1
        if self._timer is None:
            self._timer = self._loop.call_later(
                self._log.interval, self._fault_log.guarded(self.name, self.write)
            )
        if self._size >= COMPRESS_BYTES:
            self._compress()
            if self._compressed >= MAX_MEMBER_BYTES:
                self.write()

    def _begin_member(self) -> None:
        self._compressor = compressor(GZIP_LEVEL)
        self._body: list[bytes] = []
        self._compressed = self._crc = self._length = 0

    def _compress(self) -> None:
        text = b"".join(self._text)
        self._crc = zlib.crc32(text, self._crc)
        self._length += len(text)
        piece = self._compressor.compress(text)
        self._text.clear()
        self._size = 0
        if piece:
            self._body.append(piece)
            self._compressed += len(piece)

    def write(self) -> None:
        """Start to write what has been gathered, as one gzip member."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._compress()
        self._body.append(self._compressor.flush())
        made = member(b"".join(self._body), self._crc, self._length)
        self._begin_member()
        if self._writing:
            self._lost("the last write has not ended yet")
            return
        # A daemon: the feed can end without waiting for a card that never answers.
        writer = Thread(target=self._write_aside, args=(made,), daemon=True)
        try:
            writer.start()
        except RuntimeError as error:
            self._lost(str(error))
            return
        # Not `is_alive()`: a thread lives on for a moment after it has reported its end.
        self._writer, self._writing = writer, True

    def _write_aside(self, made: bytes) -> None:
        fault = ""
        try:
            self._append(made)
        except OSError as error:
            fault = error.strerror or str(error)
        except Exception as error:
            # The log goes on with the next write.
            fault = repr(error)
        # The loop may have ended meanwhile.
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._wrote, len(made), fault)

    def _wrote(self, size: int, fault: str) -> None:
        self._writing = False
        if fault:
            self._lost(fault)
        else:
            self.written += size
            self.writes += 1
            self._fault_log.cleared("voyage log", "write", "written again")

    def _lost(self, fault: str) -> None:
        self.lost += 1
        self._fault_log.warn("voyage log", "write", f"{self._log.folder}: {fault}")

    def _append(self, made: bytes) -> None:
        folder = self._log.folder
        os.makedirs(folder, exist_ok=True)
        self._choose_file(time.time(), elapsed())
        self._make_room(len(made))
        path = os.path.join(folder, self._name)
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)
        size = os.fstat(file).st_size
        try:
            if os.write(file, made) < len(made):
                # Half a member would spoil all that follows it.
                os.ftruncate(file, size)
                raise OSError(28, "no room")
        finally:
            os.close(file)

    def _choose_file(self, wall: float, passed: float) -> None:
        """Start a file at the start and at midnight, and only then remove files beyond the limit.

        The clock does not decide what is removed. Neither its day now nor the day of the new file
        is counted.
        """
        folder, day = self._log.folder, utc_day(wall)
        if not self._name or utc_day(passed + self._offset) != day_of(self._name):
            names = files(folder)
            self._name = new_name(folder, day)
            self._offset = wall - passed
            for name in beyond(names, self._log.days):
                os.unlink(os.path.join(folder, name))
        elif day != day_of(self._name):
            # The clock has jumped. The file stays the same under another name.
            name = renamed(self._name, day)
            with suppress(FileNotFoundError):
                os.rename(os.path.join(folder, self._name), os.path.join(folder, name))
            self._name = name
        self._offset = wall - passed

    def _make_room(self, coming: int) -> None:
        """Remove the oldest files until the cap and the free space are kept."""
        folder = self._log.folder
        names = files(folder)
        sizes = {name: os.stat(os.path.join(folder, name)).st_size for name in names}
        while names:
            system = os.statvfs(folder)
            free = system.f_bavail * system.f_frsize
            too_much = sum(sizes[name] for name in names) + coming > self._log.cap
            if not (too_much or free - coming < MIN_FREE_BYTES):
                return
            if names[0] == self._name:
                # The file that is being written is too much by itself.
                raise OSError(28, "no room for the voyage log")
            os.unlink(os.path.join(folder, names.pop(0)))

    def close(self) -> None:
        """Write what is left, if the card takes it."""
        self._wait()
        if self._text or self._body or self._timer is not None:
            self.write()
            self._wait()

    def _wait(self) -> None:
        if self._writer is not None:
            self._writer.join(LAST_WRITE_TIMEOUT_S)
            # The thread's report waits for a loop that does not run meanwhile.
            self._writing = self._writer.is_alive()

    def as_json(self) -> dict[str, Any]:
        """Return what has been logged, for the state."""
        return {
            "file": self._name or None,
            "sentences": self.sentences,
            "written": self.written,
            "writes": self.writes,
            "lost": self.lost,
        }


def utc_day(moment: float) -> str:
    """Return the day of a moment in seconds since 1970, as YYYY-MM-DD."""
    return time.strftime("%Y-%m-%d", time.gmtime(moment))


def elapsed() -> float:
    """Return the seconds since the computer started, sleep included. No fix steps them."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)
