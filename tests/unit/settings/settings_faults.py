# SPDX-License-Identifier: GPL-3.0-or-later
"""Processes that are killed between any two of their system calls."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import Any, NoReturn

from settings_boat import Recorder

#: What changes something, or makes it last.
CALLS = (
    *("open", "write", "pwrite", "fsync", "fchmod", "chmod", "truncate", "ftruncate"),
    *("replace", "rename", "link", "symlink", "unlink", "mkdir", "rmdir"),
)

KILLED = 9


def killed_at(step: int, work: Callable[[], object]) -> bool:
    """Run `work` in a process that is gone before its system call number `step`, from 0.

    Of a write, half is still done. False when `work` ended before it came to that.
    """
    pid = os.fork()
    if pid == 0:
        _run(step, work)
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    assert status in (0, KILLED), f"the process ended with {status}"
    return status == KILLED


def every_kill(work: Callable[[int], Callable[[], object]]) -> Iterator[int]:
    """Kill `work(step)` at each of its steps in turn, yielding the step after each kill.

    `work` is called in this process to prepare one run.
    """
    step = 0
    while killed_at(step, work(step)):
        yield step
        step += 1


def _run(step: int, work: Callable[[], object]) -> NoReturn:
    left = [step]

    def counted(name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            if left[0] == 0:
                if name == "write":
                    real(arguments[0], bytes(arguments[1])[: len(arguments[1]) // 2])
                os._exit(KILLED)
            left[0] -= 1
            return real(*arguments, **options)

        return call

    code = 1
    try:
        for name in CALLS:
            setattr(os, name, counted(name, getattr(os, name)))
        Recorder.call = counted("call", Recorder.call)  # type: ignore[method-assign]
        work()
        code = 0
    finally:
        os._exit(code)
