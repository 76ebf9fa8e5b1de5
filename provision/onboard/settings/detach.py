# SPDX-License-Identifier: GPL-3.0-or-later
"""Run work that goes on when the connection that ordered it breaks.

Reloading the network, the firewall or sshd may end the session that asked for it, with a
hang-up signal, a closed pipe, or nothing at all.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import traceback
from collections.abc import Callable
from typing import IO


def run_detached(work: Callable[[], int]) -> int:
    """Run `work` in a session of its own and return its exit status.

    What it prints is held in memory, and passed on at its end to the caller if that still runs.
    A negative status is the signal that ended it.
    """
    output, errors = os.memfd_create("output"), os.memfd_create("errors")
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid == 0:
        _child(work, output, errors)
    _, status = os.waitpid(pid, 0)
    _pass_on(output, sys.stdout)
    _pass_on(errors, sys.stderr)
    return os.waitstatus_to_exitcode(status)


def _child(work: Callable[[], int], output: int, errors: int) -> None:
    code = 2
    try:
        os.setsid()
        for number in (signal.SIGHUP, signal.SIGPIPE, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)
        nothing = os.open(os.devnull, os.O_RDONLY)
        for source, target in ((nothing, 0), (output, 1), (errors, 2)):
            os.dup2(source, target)
        code = work()
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:
        os.write(2, traceback.format_exc().encode())
    finally:
        os._exit(code)


def _pass_on(held: int, stream: IO[str]) -> None:
    with os.fdopen(held, "r", encoding="utf-8", errors="replace") as file:
        file.seek(0)
        shutil.copyfileobj(file, stream)
    stream.flush()
