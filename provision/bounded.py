# SPDX-License-Identifier: GPL-3.0-or-later
"""Run a program whose output comes from somebody else, and take no more of it than is asked for."""

from __future__ import annotations

import os
import selectors
import subprocess
import time
from collections.abc import Sequence
from typing import Any, NamedTuple

#: Bytes of a boat's status, with its manifest; a boat with forty links sends a fifth of it.
MAX_STATUS_BYTES = 2**20

#: Bytes of an archive of a boat's files; settings have a tenth of it.
MAX_ARCHIVE_BYTES = 2**23

#: Bytes of a boat's answers to all that a proof asks; a boat with forty links sends a tenth of it.
MAX_ANSWERS_BYTES = 2**22

#: Bytes that a program says on standard error.
MAX_ERROR_BYTES = 2**16

_CHUNK = 2**16


class TooMuch(Exception):
    """A program was ended because it sent more than the limit that the message names."""


class Output(NamedTuple):
    """Holds what a program printed, and its exit status."""

    status: int
    stdout: bytes
    stderr: bytes

    @property
    def text(self) -> str:
        """Standard output as text."""
        return self.stdout.decode(errors="replace")

    @property
    def errors(self) -> str:
        """Standard error as text, without blanks around it."""
        return self.stderr.decode(errors="replace").strip()


def collect(
    command: Sequence[str],
    *,
    limit: int,
    errors: int = MAX_ERROR_BYTES,
    timeout: float | None = None,
    given: bytes | None = b"",
) -> Output:
    """Run a program until it ends, on `given` as standard input, or on this process's for None.

    The program is killed when it prints more than `limit` bytes (TooMuch), or more than
    `errors` on standard error, or when it takes longer than `timeout` seconds
    (subprocess.TimeoutExpired).
    """
    deadline = None if timeout is None else time.monotonic() + timeout
    with open(os.memfd_create("given"), "r+b") as source:
        source.write(given or b"")
        source.seek(0)
        process = subprocess.Popen(
            command,
            stdin=None if given is None else source,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
        )
    assert process.stdout is not None
    assert process.stderr is not None
    with process.stdout, process.stderr, selectors.DefaultSelector() as selector:
        taken = {process.stdout.fileno(): bytearray(), process.stderr.fileno(): bytearray()}
        limits = dict(zip(taken, (limit, errors), strict=True))
        try:
            for stream in taken:
                selector.register(stream, selectors.EVENT_READ)
            while selector.get_map():
                for ready, _ in selector.select(_left(command, timeout, deadline)):
                    piece = os.read(ready.fd, _CHUNK)
                    if not piece:
                        selector.unregister(ready.fd)
                    taken[ready.fd] += piece
                    if len(taken[ready.fd]) > limits[ready.fd]:
                        raise TooMuch(f"it sent more than {format_size(limits[ready.fd])}")
            status = process.wait(_left(command, timeout, deadline))
        except BaseException:
            process.kill()
            process.wait()
            raise
    output, errors_printed = taken.values()
    return Output(status, bytes(output), bytes(errors_printed))


def _left(command: Sequence[str], timeout: float | None, deadline: float | None) -> float | None:
    """Return the seconds until the deadline. Raise subprocess.TimeoutExpired when it is over."""
    if timeout is None or deadline is None:
        return None
    left = deadline - time.monotonic()
    if left <= 0:
        raise subprocess.TimeoutExpired(command, timeout)
    return left


def format_size(size: int) -> str:
    """Write a limit in words: 1 MiB, 64 KiB."""
    return f"{size >> 20} MiB" if size >= 2**20 else f"{size >> 10} KiB"


def read_json(text: str | bytes) -> Any:
    """Read a JSON text. ValueError for a text that cannot be read and written again.

    So it is with one that is nested too deep, names no finite number, or has half a character.
    """
    # Imported here: bounded_ssh, which Ansible starts for each task, reads no JSON.
    import json  # noqa: PLC0415

    try:
        found = json.loads(text)
        json.dumps(found, ensure_ascii=False, allow_nan=False).encode()
    except RecursionError:
        raise ValueError("it is nested too deep") from None
    return found
