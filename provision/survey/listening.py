# SPDX-License-Identifier: GPL-3.0-or-later
"""Listen on serial ports side by side, at the baud rates that a search asks for. Never send."""

from __future__ import annotations

import errno
import fcntl
import os
import select
import stat
import termios
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import Protocol

from provision.survey.adapters import Adapter
from provision.survey.report import PortReport, failed, report
from provision.survey.search import LIMIT_S, Search
from provision.survey.shape import BAUD_RATES

#: Seconds between two looks at the clock.
LOOK_S = 0.05

#: Bytes that are read at once: a second at 115200 baud.
READ_BYTES = 12 * 1024

#: Reasons of the system, in words.
REASONS = {
    errno.EACCES: "no permission: join the group that owns it, or use sudo",
    errno.EPERM: "no permission: join the group that owns it, or use sudo",
    errno.EBUSY: "another program has it open",
    errno.EWOULDBLOCK: "another program has it open",
    errno.ENOTTY: "it is no serial port",
    errno.EIO: "its adapter was unplugged",
    errno.ENODEV: "its adapter was unplugged",
    errno.ENXIO: "its adapter was unplugged",
}

Show = Callable[[Adapter, str], None]
"""Shows what is known of a port so far, in a few words. Called from several threads."""


class Stop(Protocol):
    """Tells when to stop listening, such as a threading.Event."""

    def is_set(self) -> bool:
        """Report whether to stop."""


@contextmanager
def open_to_read(device: str, *, lock: bool = True) -> Iterator[int]:
    """Open a port for reading alone, raw and without echo, which it stays.

    OSError when it is absent, taken, or no serial port. Without `lock` another program may open
    it meanwhile: a port that the feed has lent is locked by the feed's own word.
    """
    if not stat.S_ISCHR(Path(device).stat().st_mode):
        raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))
    port = os.open(device, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        if lock:
            # The lock is the one that a feed on this computer would take.
            fcntl.flock(port, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # At once: a port that nothing has set up before echoes what it receives to the talker.
        set_baud(port, BAUD_RATES[0])
        termios.tcflush(port, termios.TCOFLUSH)
        yield port
    except termios.error as error:
        raise OSError(*error.args) from error
    finally:
        os.close(port)


def set_baud(port: int, baud: int) -> None:
    """Receive raw at a baud rate, without echo, and drop what came before."""
    speed = getattr(termios, f"B{baud}")
    control = termios.CS8 | termios.CREAD | termios.CLOCAL
    characters = termios.tcgetattr(port)[6]
    characters[termios.VMIN], characters[termios.VTIME] = 1, 0
    termios.tcsetattr(port, termios.TCSANOW, [0, 0, control, 0, speed, speed, characters])
    termios.tcflush(port, termios.TCIFLUSH)


def read_port(port: int) -> bytes:
    """Wait for `LOOK_S` at most, and return what came. OSError when the adapter is gone."""
    readable, _, _ = select.select([port], [], [], LOOK_S)
    if not readable:
        return b""
    try:
        data = os.read(port, READ_BYTES)
    except BlockingIOError:
        # What made it readable was flushed in between, as when a baud rate changes.
        return b""
    if not data:
        raise OSError(errno.EIO, os.strerror(errno.EIO))
    return data


def listen(
    device: str, limit: float, stop: Stop, show: Callable[[Search], None], *, lock: bool = True
) -> Search:
    """Listen on one port until its baud rate is certain and its sentences are measured.

    `limit` is in seconds. `stop` ends it early. `show` is called after each change. `lock` is as
    in `open_to_read`.
    """
    with open_to_read(device, lock=lock) as port:
        search = Search(time.monotonic(), limit)
        baud = None
        while not (search.done or stop.is_set()):
            if search.baud != baud:
                baud = search.baud
                set_baud(port, baud)
                show(search)
            data = read_port(port)
            certain = search.found is not None
            search.hear(data, time.monotonic())
            if certain != (search.found is not None):
                show(search)
        return search


def survey_port(
    adapter: Adapter, show: Show, stop: Stop, limit: float = LIMIT_S, *, lock: bool = True
) -> PortReport:
    """Listen on one port, and report on it. `limit` is in seconds, `lock` as in `open_to_read`."""

    def progress(search: Search) -> None:
        certain = search.found is not None
        show(adapter, f"{search.baud} baud" if certain else f"trying {search.baud} baud")

    try:
        search = listen(adapter.device, limit, stop, progress, lock=lock)
    except OSError as error:
        code = error.errno or 0
        return failed(adapter, REASONS.get(code, os.strerror(code)))
    return report(adapter, search)


def survey(
    adapters: Sequence[Adapter], show: Show, stop: Event, limit: float = LIMIT_S
) -> list[PortReport]:
    """Listen on all ports at once, and report on each in the order of `adapters`.

    `limit` is in seconds. `stop` ends it early, and is set when this is interrupted.
    """
    reports = {}
    with ThreadPoolExecutor(max_workers=max(len(adapters), 1)) as pool:
        futures = {
            pool.submit(survey_port, adapter, show, stop, limit): adapter for adapter in adapters
        }
        try:
            for future in as_completed(futures):
                adapter = futures[future]
                reports[adapter.device] = future.result()
                show(adapter, reports[adapter.device].summary)
        except BaseException:
            # An interrupted command does not wait until its ports are done.
            stop.set()
            raise
    return [reports[adapter.device] for adapter in adapters]
