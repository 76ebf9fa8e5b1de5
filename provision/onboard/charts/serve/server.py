# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve charts to programs on the boat's network, and bound what each of them can use."""

from __future__ import annotations

import asyncio
import os
import stat
from contextlib import suppress

from provision.onboard.charts.beneath import FILE_FLAGS, FOLDER_FLAGS, open_beneath
from provision.onboard.charts.config import ChartsConfig
from provision.onboard.charts.serve.file import PIECE_BYTES, send_file, write_piece
from provision.onboard.charts.serve.find import split
from provision.onboard.charts.serve.folder import make_list
from provision.onboard.web.connection import linger, read_head, send
from provision.onboard.web.http import Refused, Request, make_head, parse_request
from provision.onboard.web.server import BoundedServer, passed_socket

#: Connections at once: in all, and from one address. A program opens some for one map.
MAX_CONNECTIONS, MAX_PER_ADDRESS = 48, 12


class Server(BoundedServer):
    """Answers the clients of one listening socket."""

    def __init__(self, config: ChartsConfig) -> None:
        super().__init__(MAX_CONNECTIONS, MAX_PER_ADDRESS)
        self._config = config
        self._hosts = frozenset(config.hosts)

    async def converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer with a file or the list of a folder."""
        try:
            request = parse_request(await read_head(reader), self._hosts)
            with suppress(FileNotFoundError, NotADirectoryError, PermissionError):
                await self._answer(reader, writer, request)
                return
            raise Refused(404)
        except Refused as refusal:
            text = f"{refusal.status} {refusal}\n".encode()
            await send(reader, writer, make_head(refusal.status, "text/plain", len(text)) + text)

    async def _answer(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: Request
    ) -> None:
        names = split(request.path)
        if names is None:
            raise Refused(404)
        *folders, last = names
        opened = _open(self._config.folder, [name for name in names if name], folder=not last)
        try:
            # Else the end of an answer would wait for ever for a reader that does not read.
            writer.transport.set_write_buffer_limits(0)
            if stat.S_ISDIR(os.fstat(opened).st_mode):
                answer = _list(opened, folders, request, ended=not last)
                for start in range(0, len(answer), PIECE_BYTES):
                    await write_piece(writer, answer[start : start + PIECE_BYTES])
            else:
                await send_file(writer, opened, last, request)
            await linger(reader, writer)
        finally:
            os.close(opened)


def _open(top: str, names: list[str], *, folder: bool) -> int:
    """Return a descriptor of a folder or regular file. FileNotFoundError for all else."""
    root = os.open(top, FOLDER_FLAGS)
    try:
        if not names:
            return os.dup(root)
        try:
            opened = open_beneath(root, "/".join(names), FOLDER_FLAGS if folder else FILE_FLAGS)
        except OSError:
            raise FileNotFoundError from None
    finally:
        os.close(root)
    mode = os.fstat(opened).st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        os.close(opened)
        raise FileNotFoundError
    return opened


def _list(folder: int, names: list[str], request: Request, *, ended: bool) -> bytes:
    """Return the list of a folder, or where it is when its path does not end with a slash."""
    if not ended:
        return make_head(301, "text/plain", 0, [("Location", f"{request.path}/")])
    body = make_list(folder, names)
    head = make_head(200, "text/html; charset=utf-8", len(body))
    return head if request.head_only else head + body


async def run(config: ChartsConfig) -> None:
    """Serve on the one socket that systemd has passed on, until it is idle. ValueError without."""
    await Server(config).serve_until_idle(passed_socket("boat-charts.socket"))
