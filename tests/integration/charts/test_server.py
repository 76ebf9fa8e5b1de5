# SPDX-License-Identifier: GPL-3.0-or-later
"""Programs that list and fetch charts, and clients that mean no good."""

from __future__ import annotations

import asyncio
import hashlib
import os
import re
import socket
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from provision.onboard.charts.config import ChartsConfig
from provision.onboard.charts.serve.server import MAX_PER_ADDRESS, Server
from provision.onboard.web import connection

MIB = 2**20


class Client:
    """Asks a running server."""

    def __init__(self, server: Server, port: int) -> None:
        self.server = server
        self.port = port

    async def say(self, request: bytes) -> bytes:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        writer.write(request)
        try:
            return await asyncio.wait_for(reader.read(-1), 20)
        except ConnectionError:
            return b""
        finally:
            writer.close()

    async def get(
        self, path: str, method: str = "GET", host: str = "tern:8080", **fields: str
    ) -> tuple[int, dict[str, str], bytes]:
        """Return status, header fields and body. `fields` are more header fields."""
        lines = [f"{method} {path} HTTP/1.1", f"Host: {host}"]
        lines += [f"{name.replace('_', '-')}: {value}" for name, value in fields.items()]
        answer = await self.say("\r\n".join([*lines, "", ""]).encode())
        head, _, body = answer.partition(b"\r\n\r\n")
        first, *rest = head.decode().split("\r\n")
        found = dict(line.split(": ", 1) for line in rest)
        return int(first.split()[1]), {name.lower(): v for name, v in found.items()}, body


Play = Callable[[Client], Coroutine[Any, Any, None]]
Serve = Callable[[Play], None]


@pytest.fixture
def charts(tmp_path: Path) -> Path:
    """Give a folder of charts with some files, links and an unfinished copy."""
    folder = tmp_path / "charts"
    (folder / "coast").mkdir(parents=True)
    (folder / ".new").mkdir()
    (folder / ".new/file").write_bytes(b"half")
    (folder / "coast/NO 5 <b>.kap").write_bytes(b"0123456789")
    (folder / "big.mbtiles").write_bytes(os.urandom(5 * MIB + 1))
    (tmp_path / "secret").write_bytes(b"secret")
    (folder / "link").symlink_to(tmp_path / "secret")
    (folder / "up").symlink_to(tmp_path)
    os.mkfifo(folder / "pipe")
    return folder


@pytest.fixture
def serve(charts: Path) -> Serve:
    """Run a play beside a server."""

    def begin(play: Play) -> None:
        async def run() -> None:
            with socket.socket() as listening:
                listening.bind(("127.0.0.1", 0))
                server = Server(ChartsConfig(str(charts), 0, 0, ("tern:8080", "10.47.1.1:8080")))
                running = await server.start(listening)
                await play(Client(server, listening.getsockname()[1]))
                running.close()

        asyncio.run(run())

    return begin


async def until(true: Callable[[], bool], seconds: float = 10) -> None:
    async with asyncio.timeout(seconds):
        while not true():
            await asyncio.sleep(0.02)


def test_each_listed_file_is_fetched_whole(serve: Serve, charts: Path) -> None:
    async def play(client: Client) -> None:
        found = {}
        folders = ["/"]
        for folder in folders:
            status, head, body = await client.get(folder)
            assert status == 200 and head["content-type"].startswith("text/html")
            for link in re.findall(r'href="\./([^"]*)"', body.decode()):
                path = f"{folder}{link}"
                if path.endswith("/"):
                    folders.append(path)
                else:
                    found[unquote(path)] = (await client.get(path))[2]
        wanted = ("big.mbtiles", "coast/NO 5 <b>.kap")
        assert found == {f"/{name}": (charts / name).read_bytes() for name in wanted}

    serve(play)


def test_a_fetch_that_broke_off_goes_on_by_a_range(serve: Serve, charts: Path) -> None:
    whole = (charts / "big.mbtiles").read_bytes()

    async def play(client: Client) -> None:
        status, head, first = await client.get("/big.mbtiles", range="bytes=0-999999")
        assert status == 206
        assert head["content-range"] == f"bytes 0-999999/{len(whole)}"
        fields = {"range": "bytes=1000000-", "if_range": head["etag"]}
        status, head, rest = await client.get("/big.mbtiles", **fields)
        assert status == 206 and first + rest == whole
        assert head["accept-ranges"] == "bytes"
        status, head, body = await client.get("/big.mbtiles", range="bytes=99999999-")
        assert (status, head["content-range"], body) == (416, f"bytes */{len(whole)}", b"")

    serve(play)


def test_parts_of_two_editions_are_never_joined(serve: Serve, charts: Path) -> None:
    """After a chart was replaced the whole new one is sent, and not the rest of it."""

    async def play(client: Client) -> None:
        head = (await client.get("/big.mbtiles", range="bytes=0-9"))[1]
        (charts / "next").write_bytes(b"another edition")
        (charts / "next").replace(charts / "big.mbtiles")
        fields = {"range": "bytes=5-", "if_range": head["etag"]}
        status, _, body = await client.get("/big.mbtiles", **fields)
        assert (status, body) == (200, b"another edition")

    serve(play)


def test_a_chart_that_is_replaced_while_it_is_fetched_is_the_old_one(
    serve: Serve, charts: Path
) -> None:
    wanted = hashlib.sha256((charts / "big.mbtiles").read_bytes()).digest()

    async def play(client: Client) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", client.port)
        writer.write(b"GET /big.mbtiles HTTP/1.1\r\nHost: tern:8080\r\n\r\n")
        head = await reader.readuntil(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 200 ")
        (charts / "next").write_bytes(b"another edition")
        (charts / "next").replace(charts / "big.mbtiles")
        assert hashlib.sha256(await reader.read(-1)).digest() == wanted
        writer.close()

    serve(play)


def test_no_path_and_no_link_leads_out(serve: Serve) -> None:
    async def play(client: Client) -> None:
        paths = (
            *("/link", "/up/", "/up/secret", "/pipe", "/.new/", "/.new/file", "/none", "/none/"),
            *("/../secret", "/%2e%2e/secret", "/coast/../../secret", "//etc/passwd", "/coast%2f"),
            *("/big.mbtiles/", "/big.mbtiles/x", "/up%2fsecret", "/..%5csecret"),
        )
        for path in paths:
            status, _, body = await client.get(path)
            assert status == 404 and b"secret" not in body and b"half" not in body, path
        body = (await client.get("/"))[2]
        assert not any(name in body for name in (b"link", b"pipe", b"up", b".new"))

    serve(play)


def test_what_is_sent_does_no_harm_in_a_browser(serve: Serve) -> None:
    async def play(client: Client) -> None:
        for path in ("/", "/big.mbtiles", "/coast/"):
            head = (await client.get(path, "HEAD"))[1]
            assert head["x-content-type-options"] == "nosniff"
            assert "default-src 'none'" in head["content-security-policy"]
        status, head, body = await client.get("/coast/NO%205%20%3Cb%3E.kap", "HEAD")
        assert (status, body, head["content-length"]) == (200, b"", "10")
        assert head["content-type"] == "application/octet-stream"
        assert head["content-disposition"].startswith("attachment;")
        assert b"<b>" not in (await client.get("/coast/"))[2]

    serve(play)


def test_only_reading_for_this_boat_is_answered(serve: Serve) -> None:
    async def play(client: Client) -> None:
        for method in ("POST", "PUT", "DELETE", "MKCOL", "PROPFIND", "OPTIONS"):
            assert (await client.get("/big.mbtiles", method))[0] == 405
        for host in ("evil.example", "tern:80", "10.47.1.2:8080"):
            assert (await client.get("/", host=host))[0] == 421
        assert (await client.get("/", host="10.47.1.1:8080"))[0] == 200
        status, head, _ = await client.get("/coast")
        assert (status, head["location"]) == (301, "/coast/")

    serve(play)


def test_one_client_cannot_take_all_connections(serve: Serve) -> None:
    async def play(client: Client) -> None:
        half = [await asyncio.open_connection("127.0.0.1", client.port) for _ in range(60)]
        await until(lambda: client.server.connections == MAX_PER_ADDRESS)
        reader, other = await asyncio.open_connection(
            "127.0.0.1", client.port, local_addr=("127.0.0.2", 0)
        )
        other.write(b"GET / HTTP/1.1\r\nHost: tern:8080\r\n\r\n")
        assert (await reader.readline()).startswith(b"HTTP/1.1 200")
        other.close()
        for _, writer in half:
            writer.close()
        await until(lambda: client.server.connections == 0)

    serve(play)


def test_a_client_that_does_not_read_is_cut_off(
    serve: Serve, charts: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "ANSWER_TIMEOUT_S", 0.3)
    with (charts / "big.mbtiles").open("wb") as file:
        file.truncate(64 * MIB)

    async def play(client: Client) -> None:
        with socket.socket() as deaf:
            deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            deaf.connect(("127.0.0.1", client.port))
            deaf.sendall(b"GET /big.mbtiles HTTP/1.1\r\nHost: tern:8080\r\n\r\n")
            await until(lambda: client.server.connections == 1)
            await until(lambda: client.server.connections == 0)

    serve(play)


def test_without_a_card_it_answers_that_there_is_nothing(serve: Serve, charts: Path) -> None:
    charts.rename(charts.with_name("gone"))

    async def play(client: Client) -> None:
        assert (await client.get("/"))[0] == 404

    serve(play)
