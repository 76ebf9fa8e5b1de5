# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs that are killed between any two of their system calls.

A kill is an exception that is none of the program's: nothing is called after it, and what
`finally` does then, a process's end does too.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.support.settings.boat import Recorder

#: What changes something, or makes it last.
CALLS = (
    *("open", "write", "pwrite", "fsync", "fchmod", "chmod", "truncate", "ftruncate"),
    *("replace", "rename", "link", "symlink", "unlink", "mkdir", "rmdir"),
)


class Killed(BaseException):
    """Ends the run."""


def killed_at(step: int, work: Callable[[], object]) -> bool:
    """Run `work` as far as before its system call number `step`, from 0.

    Of a write, half is still done. False when `work` ended before it came to that.
    """
    left = [step]

    def counted(name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            left[0] -= 1
            if left[0] == -1 and name == "write":
                real(arguments[0], bytes(arguments[1])[: len(arguments[1]) // 2])
            if left[0] < 0:
                raise Killed
            return real(*arguments, **options)

        return call

    with pytest.MonkeyPatch.context() as patch:
        for name in CALLS:
            patch.setattr(os, name, counted(name, getattr(os, name)))
        patch.setattr(Recorder, "call", counted("call", Recorder.call))
        try:
            work()
        except Killed:
            return True
    return False


def every_kill(work: Callable[[int], Callable[[], object]]) -> Iterator[int]:
    """Kill `work(step)` at each of its steps in turn, yielding the step after each kill.

    `work` prepares one run and returns it; the last run is not killed.
    """
    step = 0
    while killed_at(step, work(step)):
        yield step
        step += 1


def failing_at(
    number: int, error: int, *, once: bool = False
) -> tuple[dict[str, Callable[..., Any]], list[int]]:
    """Calls on the card of which the one with that number fails, and without `once` all later
    ones."""
    count = [0]

    def failing(real: Callable[..., Any], name: str) -> Callable[..., Any]:
        def call(target: Any, *rest: Any, **more: Any) -> Any:
            path = os.readlink(f"/proc/self/fd/{target}") if isinstance(target, int) else target
            writes = name != "open" or rest[0] & os.O_CREAT
            if writes and "/data/settings" in str(path):
                count[0] += 1
                if count[0] == number + 1 or (count[0] > number and not once):
                    raise OSError(error, os.strerror(error), str(path))
            return real(target, *rest, **more)

        return call

    names = ("open", "write", "fsync", "replace", "unlink")
    return {name: failing(getattr(os, name), name) for name in names}, count
