# SPDX-License-Identifier: GPL-3.0-or-later
"""Run one command at a time, by a lock that names its holder and that `return` can break."""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import struct
from collections.abc import Iterator

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths

#: Seconds that one run waits for another that is at work.
LOCK_TIMEOUT_S = 5.0

#: Seconds that `return` gives the command at work. A trial's time is up. A slow card may still
#: be taking what is kept. Another rollback does the same work.
ROLLBACK_LOCK_TIMEOUTS_S = {"trial": 0.0, "keep": 40.0, "return": 30.0}

#: struct flock on 64-bit Linux: type, whence, start, length, process.
_FLOCK = "hhqqi"


@contextlib.contextmanager
def hold_lock(
    aboard: Paths, system: System, command: str, *, force: bool = False
) -> Iterator[None]:
    """Hold the lock: no other run changes anything meanwhile.

    With `force`, a run that holds the lock too long is killed. The rollback that follows puts
    right what that run left half done. Otherwise SettingsError names the command at work.
    """
    aboard.run.mkdir(mode=0o755, parents=True, exist_ok=True)
    descriptor = os.open(aboard.lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        _, other = _read_holder(descriptor)
        timeout_s = ROLLBACK_LOCK_TIMEOUTS_S.get(other, LOCK_TIMEOUT_S) if force else LOCK_TIMEOUT_S
        if not _acquire(descriptor, system, timeout_s):
            if not force:
                pid, other = _read_holder(descriptor)
                message = f"boat-settings {other} is at work (process {pid})"
                raise SettingsError("busy", message, status=Exit.BUSY)
            _end_holder(descriptor)
            if not _acquire(descriptor, system, 2 * LOCK_TIMEOUT_S):
                raise SettingsError("busy", "another boat-settings cannot be stopped")
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, command.encode(), 0)
        yield
    finally:
        os.close(descriptor)


def command_at_work(aboard: Paths) -> str | None:
    """Return the command that another process is running, or None."""
    try:
        descriptor = os.open(aboard.lock, os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        pid, command = _read_holder(descriptor)
    finally:
        os.close(descriptor)
    return command if pid else None


def _acquire(descriptor: int, system: System, timeout_s: float) -> bool:
    until = system.monotonic() + timeout_s
    while True:
        try:
            fcntl.lockf(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except (BlockingIOError, PermissionError):
            if system.monotonic() >= until:
                return False
            system.sleep(0.1)
        else:
            return True


def _read_holder(descriptor: int) -> tuple[int, str]:
    """Return the process that holds the lock, 0 without one, and the last command that held it."""
    asked = struct.pack(_FLOCK, fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)
    kind, _, _, _, pid = struct.unpack(_FLOCK, fcntl.fcntl(descriptor, fcntl.F_GETLK, asked))
    command = os.pread(descriptor, 100, 0).decode("ascii", "replace")
    return (0 if kind == fcntl.F_UNLCK else pid), command or "?"


def _end_holder(descriptor: int) -> None:
    """Kill the run that holds the lock, with the programs that it waits for."""
    pid, _ = _read_holder(descriptor)
    if pid > 1:
        for kill in (os.killpg, os.kill):
            with contextlib.suppress(ProcessLookupError, PermissionError):
                kill(pid, signal.SIGKILL)
