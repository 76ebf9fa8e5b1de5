# SPDX-License-Identifier: GPL-3.0-or-later
"""Read which bytes of a file a request asks for (RFC 9110, section 14)."""

from __future__ import annotations

import re

#: One range: a program that asks for several at once gets the whole file, as the RFC allows.
_RANGE = re.compile(r"bytes=([0-9]{0,18})-([0-9]{0,18})", re.IGNORECASE)


class NotThere(Exception):
    """Says that no byte of a range is in the file."""


def read_range(text: str, size: int) -> tuple[int, int] | None:
    """Return the first byte and the one after the last, or None for the whole file.

    NotThere when the range begins behind the end.

    >>> read_range("bytes=2-3", 10), read_range("bytes=7-", 10), read_range("bytes=-4", 10)
    ((2, 4), (7, 10), (6, 10))
    """
    match = _RANGE.fullmatch(text)
    if match is None or not any(match.groups()):
        return None
    first, last = match.groups()
    if not first:
        start, end = max(0, size - int(last)), size
    else:
        start, end = int(first), min(size, int(last) + 1) if last else size
        if last and int(last) < start:
            return None
    if start >= end:
        raise NotThere
    return start, end
