# SPDX-License-Identifier: GPL-3.0-or-later
"""Read files that may be damaged or hostile, within bounds of time and size."""

from __future__ import annotations

import errno
import json
import os
import stat
from pathlib import Path
from typing import Any, NoReturn

#: Bytes of a JSON document. A manifest has some ten kilobytes.
MAX_JSON_BYTES = 2**20

#: Depth of nested lists and objects. A manifest has four.
MAX_JSON_DEPTH = 32


def read_file(file: Path, limit: int) -> bytes:
    """Return the bytes of a regular file.

    Raises OSError for anything else (opening a pipe would wait for its writer, and a device
    may never end), and for more than `limit` bytes.
    """
    descriptor = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as stream:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise OSError(errno.EINVAL, "not a regular file", str(file))
        data = stream.read(limit + 1) if found.st_size <= limit else None
    if data is None or len(data) > limit:
        raise OSError(errno.EFBIG, f"more than {limit} bytes", str(file))
    return data


def parse_json(data: bytes) -> Any:
    """Read a JSON document. ValueError when it is not JSON, too large, or nested too deep."""
    if len(data) > MAX_JSON_BYTES:
        raise ValueError(f"more than {MAX_JSON_BYTES} bytes")
    try:
        document = json.loads(data.decode(), parse_constant=_refuse)
    except RecursionError:
        raise ValueError("nested too deep") from None
    level = [document]
    for _ in range(MAX_JSON_DEPTH):
        inside = [part for part in level if isinstance(part, list | dict)]
        level = [
            item for part in inside for item in (part.values() if isinstance(part, dict) else part)
        ]
        if not level:
            return document
    raise ValueError("nested too deep")


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is not JSON")  # RFC 8259, section 6
