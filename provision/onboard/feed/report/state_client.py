# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask a program aboard for its state, without waiting long for it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Collection
from typing import Any

#: Seconds that an answer may take. The page says within two seconds that the feed is gone.
ANSWER_TIMEOUT_S = 0.8

#: Octets of an answer. The state of a boat with forty links is a tenth of it.
MAX_ANSWER_BYTES = 2**21


async def ask_feed(path: str) -> dict[str, Any] | None:
    """Return the state of the feed whose socket is at `path`. None when it does not answer."""
    return await ask(path, ("links", "inputs", "steering"))


async def ask(
    path: str, objects: Collection[str], timeout_s: float = ANSWER_TIMEOUT_S
) -> dict[str, Any] | None:
    """Return the object that the socket at `path` tells. None without an answer in time.

    None also for an answer in which one of the keys `objects` has no object.
    """
    try:
        async with asyncio.timeout(timeout_s):
            reader, writer = await asyncio.open_unix_connection(path)
            try:
                text = await _read(reader)
            finally:
                writer.close()
        state = json.loads(text)
    except (OSError, ValueError, RecursionError):
        return None
    whole = isinstance(state, dict) and all(isinstance(state.get(key), dict) for key in objects)
    return state if whole else None


async def _read(reader: asyncio.StreamReader) -> bytes:
    """Read to the end. ValueError when the answer is too long."""
    pieces, size = [], 0
    while piece := await reader.read(65536):
        pieces.append(piece)
        size += len(piece)
        if size > MAX_ANSWER_BYTES:
            raise ValueError("too long")
    return b"".join(pieces)
