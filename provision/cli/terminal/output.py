# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell a standard output that cannot be written from other files that cannot."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from typing import Any, TextIO


class OutputError(Exception):
    """Standard output cannot be written; `reason` is the system's."""

    def __init__(self, error: OSError) -> None:
        super().__init__(str(error))
        self.reason = os.strerror(error.errno) if error.errno else str(error)


class _WatchedOutput:
    """Pass all on to a stream, and raise OutputError where it cannot be written."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write a text, and return its length."""
        with _translated():
            return self._stream.write(text)

    def flush(self) -> None:
        """Write out what is kept back."""
        with _translated():
            self._stream.flush()


@contextlib.contextmanager
def _translated() -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        raise OutputError(error) from error


@contextlib.contextmanager
def watched_output() -> Iterator[None]:
    """Raise OutputError in the block, and at its end, when standard output cannot be written."""
    stream: TextIO | None = sys.stdout
    if stream is None:  # closed before the command began
        yield
        return
    sys.stdout = _WatchedOutput(stream)
    try:
        yield
        sys.stdout.flush()
    finally:
        sys.stdout = stream


def drop_output() -> None:
    """Send what is left of the result nowhere: it would fail again when Python ends."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
