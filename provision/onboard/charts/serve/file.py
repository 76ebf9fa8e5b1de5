# SPDX-License-Identifier: GPL-3.0-or-later
"""Send a file, or a range of it, piece by piece. What is replaced meanwhile goes on as it was."""

from __future__ import annotations

import asyncio
import os
from urllib.parse import quote

from provision.onboard.charts.serve.ranges import NotThere, read_range
from provision.onboard.web import connection
from provision.onboard.web.http import Request, make_head

#: Bytes that are sent at once.
PIECE_BYTES = 2**17

_KIND = "application/octet-stream"


async def send_file(writer: asyncio.StreamWriter, file: int, name: str, request: Request) -> None:
    """Answer with the file that `file` is a descriptor of. OSError when it is not taken."""
    about = os.fstat(file)
    size, tag = about.st_size, f'"{about.st_size:x}-{about.st_mtime_ns:x}-{about.st_ino:x}"'
    more = [
        ("Accept-Ranges", "bytes"),
        ("ETag", tag),
        # No browser shows what may be anything.
        ("Content-Disposition", f"attachment; filename*=UTF-8''{quote(name, safe='')}"),
    ]
    asked = request.headers.get("range", "")
    # A part of another state of the file would not fit the parts that the program has.
    if request.headers.get("if-range", tag) != tag:
        asked = ""
    try:
        part = read_range(asked, size)
    except NotThere:
        head = make_head(416, _KIND, 0, [*more, ("Content-Range", f"bytes */{size}")])
        await write_piece(writer, head)
        return
    start, end = part or (0, size)
    if part:
        more.append(("Content-Range", f"bytes {start}-{end - 1}/{size}"))
    await write_piece(writer, make_head(206 if part else 200, _KIND, end - start, more))
    if not request.head_only:
        await _send(writer, file, start, end)


async def _send(writer: asyncio.StreamWriter, file: int, start: int, end: int) -> None:
    while start < end:
        piece = os.pread(file, min(PIECE_BYTES, end - start), start)
        if not piece:
            raise ConnectionAbortedError("the file has become shorter")
        await write_piece(writer, piece)
        start += len(piece)


async def write_piece(writer: asyncio.StreamWriter, piece: bytes) -> None:
    """Write, and wait until the kernel has it. TimeoutError when the reader takes nothing."""
    async with asyncio.timeout(connection.ANSWER_TIMEOUT_S):
        writer.write(piece)
        await writer.drain()
