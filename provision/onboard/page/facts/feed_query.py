# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask the feed for its state, without waiting long for it."""

from __future__ import annotations

import asyncio
import json
from typing import Any

#: Seconds that an answer may take. The page says within two seconds that the feed is gone.
ANSWER_TIMEOUT_S = 0.8

#: Octets of an answer. The state of a boat with forty links is a tenth of it.
MAX_ANSWER_BYTES = 2**21


async def ask(path: str) -> dict[str, Any] | None:
    """Return the state of the feed whose socket is at `path`. None when it does not answer."""
    try:
        async with asyncio.timeout(ANSWER_TIMEOUT_S):
            reader, writer = await asyncio.open_unix_connection(path)
            try:
                text = await _read(reader)
            finally:
                writer.close()
        state = json.loads(text)
    except (OSError, ValueError, RecursionError):
        return None
    whole = isinstance(state, dict) and all(
        isinstance(state.get(key), dict) for key in ("links", "inputs", "steering")
    )
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
