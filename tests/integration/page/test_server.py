# SPDX-License-Identifier: GPL-3.0-or-later
"""The page's answers, and clients that mean no good."""

from __future__ import annotations

import asyncio
import json
import socket
import time
from typing import Any

import pytest

from provision.onboard.page.web import live, server
from provision.onboard.page.web.server import MAX_CONNECTIONS, MAX_PER_ADDRESS
from provision.onboard.web import connection
from tests.support.page.boat import page_config, state
from tests.support.page.server import Served, open_events, read_event, serve
from tests.support.watch.past import remembered

PATHS = (
    *("/", "/page.css", "/page.js", "/icon.svg", "/plain"),
    *("/state.json", "/history.json", "/wifi.svg"),
)


async def until(true: Any, seconds: float = 10) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        await asyncio.sleep(0.02)


def test_each_path_answers_and_the_whole_page_is_small() -> None:
    async def play(served: Served) -> None:
        size = 0
        for path in PATHS:
            status, body = await served.get(path)
            assert status == 200 and body, path
            size += len(body)
            assert await served.get(path, "HEAD") == (200, b"")
        assert size < 100_000
        assert (await served.get("/etc/passwd"))[0] == 404
        assert (await served.get("/../page/config.py"))[0] == 404
        assert (await served.get("/page.svg"))[0] == 404

    serve(play, remember=remembered)


def test_the_history_is_shown_but_not_sent_with_every_event() -> None:
    asked: list[None] = []

    async def remember() -> dict[str, Any]:
        asked.append(None)
        return await remembered()

    async def play(served: Served) -> None:
        reader, writer = await open_events(served.port)
        assert "history" not in await read_event(reader)
        assert asked == []
        whole = json.loads((await served.get("/state.json"))[1])["history"]
        alone = json.loads((await served.get("/history.json"))[1])
        assert whole == alone
        plain = (await served.get("/plain"))[1].decode()
        for period in whole["periods"]:
            assert period["name"] in plain
            for plot in period["plots"]:
                assert plot["text"] in plain and f'd="{plot["drawn"]}"' in plain
        assert len(asked) == 1
        writer.close()

    serve(play, remember=remember)


def test_a_slow_boat_watch_holds_no_event_up() -> None:
    async def remember() -> None:
        await asyncio.sleep(4)

    async def play(served: Served) -> None:
        reader, writer = await open_events(served.port)
        slow = asyncio.create_task(served.get("/history.json"))
        start = time.monotonic()
        for _ in range(3):
            await read_event(reader)
        assert time.monotonic() - start < 3.5 and not slow.done()
        assert (await slow)[0] == 200
        writer.close()

    serve(play, remember=remember)


def test_without_boat_watch_the_page_goes_on() -> None:
    async def play(served: Served) -> None:
        found = json.loads((await served.get("/state.json"))[1])
        assert found["live"] and found["history"]["periods"] == []
        assert "What the boat remembers is not known." in (await served.get("/plain"))[1].decode()

    serve(play)


def test_the_page_fetches_nothing_from_elsewhere() -> None:
    async def play(served: Served) -> None:
        for path in ("/", "/page.css", "/page.js", "/plain"):
            body = (await served.get(path))[1].decode()
            # The name space of SVG is a name, and the boat's own address is text to read.
            body = body.replace("http://www.w3.org/2000/svg", "")
            body = body.replace("http://10.47.1.1/", "")
            assert "//" not in body.replace("// ", ""), path
            assert "<script>" not in body and "style=" not in body and "innerHTML" not in body

    serve(play)


def test_state_and_plain_show_the_same_view() -> None:
    async def play(served: Served) -> None:
        found = json.loads((await served.get("/state.json"))[1])
        assert found["format"] == 1 and found["boat"] == "tern" and found["live"]
        plain = (await served.get("/plain"))[1].decode()
        for value in found["values"]:
            assert value["name"] in plain and "".join(value["text"][:1]) in plain
        assert "not for navigation" in plain and found["verdict"]["text"] in plain

    serve(play)


def test_markup_in_names_is_text() -> None:
    async def play(served: Served) -> None:
        plain = (await served.get("/plain"))[1].decode()
        assert "<b>tern" not in plain and "&lt;b&gt;tern" in plain

    serve(play, config=page_config(boat="<b>tern"))


def test_other_methods_and_hosts_are_refused() -> None:
    async def play(served: Served) -> None:
        assert (await served.get("/", "POST"))[0] == 405
        assert (await served.get("/state.json", host="evil.example"))[0] == 421
        preflight = await served.say(
            b"OPTIONS /state.json HTTP/1.1\r\nHost: tern\r\nOrigin: http://evil.example\r\n"
            b"Access-Control-Request-Method: PUT\r\n\r\n"
        )
        assert preflight.startswith(b"HTTP/1.1 405 ") and b"Access-Control" not in preflight
        assert served.asked == []

    serve(play)


def test_a_form_of_a_megabyte_is_refused_and_not_kept() -> None:
    async def play(served: Served) -> None:
        form = b"POST / HTTP/1.1\r\nHost: tern\r\nContent-Length: 1000000\r\n\r\n" + bytes(10**6)
        assert (await served.say(form)).startswith(b"HTTP/1.1 405 ")
        head = b"GET / HTTP/1.1\r\nHost: tern\r\nX: " + b"x" * 10**6
        # The answer may be lost where the kernel resets the connection.
        assert (await served.say(head))[:13] in (b"HTTP/1.1 431 ", b"")
        assert (await served.get("/"))[0] == 200
        await until(lambda: served.server.connections == 0)

    serve(play)


def test_events_come_once_a_second_and_the_feed_is_asked_once_for_all() -> None:
    async def play(served: Served) -> None:
        streams = [await open_events(served.port) for _ in range(10)]
        start = time.monotonic()
        for _ in range(4):
            for reader, _ in streams:
                await read_event(reader)
        assert 1.5 < time.monotonic() - start < 6
        assert len(served.asked) <= 6
        for _, writer in streams:
            writer.close()
        await until(lambda: not served.live.readers)
        before = len(served.asked)
        await asyncio.sleep(1.5)
        assert len(served.asked) == before

    serve(play)


def test_half_sent_requests_end_and_leave_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "REQUEST_TIMEOUT_S", 0.5)
    monkeypatch.setattr(server, "MAX_PER_ADDRESS", 1000)

    async def play(served: Served) -> None:
        half = [await asyncio.open_connection("127.0.0.1", served.port) for _ in range(200)]
        for _, writer in half:
            writer.write(b"GET / HTTP/1.1\r\nHost: te")
        await asyncio.sleep(0.2)
        assert served.server.connections <= MAX_CONNECTIONS
        await until(lambda: served.server.connections == 0)
        assert (await served.get("/"))[0] == 200
        for _, writer in half:
            writer.close()

    serve(play)


def test_one_address_cannot_take_all_connections() -> None:
    async def play(served: Served) -> None:
        many = [await open_events(served.port) for _ in range(1000)]
        await until(lambda: served.server.connections == MAX_PER_ADDRESS)
        assert len(served.live.readers) <= MAX_PER_ADDRESS
        reader, other = await asyncio.open_connection(
            "127.0.0.1", served.port, local_addr=("127.0.0.2", 0)
        )
        other.write(b"GET / HTTP/1.1\r\nHost: tern\r\n\r\n")
        assert (await reader.readline()).startswith(b"HTTP/1.1 200")
        other.close()
        for _, writer in many:
            writer.close()
        await until(lambda: served.server.connections == 0)

    serve(play)


def test_a_reader_of_events_that_does_not_read_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "EVENT_S", 0.005)

    async def play(served: Served) -> None:
        reader, writer = await open_events(served.port)
        with socket.socket() as deaf:
            deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            deaf.connect(("127.0.0.1", served.port))
            deaf.sendall(b"GET /events HTTP/1.1\r\nHost: tern\r\n\r\n")
            await until(lambda: len(served.live.readers) == 2)

            async def read_on() -> None:
                while True:
                    await read_event(reader)

            well = asyncio.create_task(read_on())
            await until(lambda: len(served.live.readers) == 1, 30)
            assert not well.done()
            well.cancel()
        writer.close()
        await until(lambda: served.server.connections == 0)

    serve(play)


def test_a_reader_that_takes_no_answer_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "ANSWER_TIMEOUT_S", 0.3)

    async def play(served: Served) -> None:
        with socket.socket() as deaf:
            deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            deaf.connect(("127.0.0.1", served.port))
            deaf.sendall(b"GET /wifi.svg HTTP/1.1\r\nHost: tern\r\n\r\n")
            await until(lambda: served.server.connections == 1)
            await until(lambda: served.server.connections == 0)

    serve(play, config=page_config(codes={"wifi": "x" * 10**6}))


def test_a_feed_that_is_gone_is_told_within_two_seconds() -> None:
    gone: list[None] = []

    async def ask() -> dict[str, Any] | None:
        return None if gone else state()

    async def play(served: Served) -> None:
        reader, writer = await open_events(served.port)
        assert (await read_event(reader))["live"]
        gone.append(None)
        start = time.monotonic()
        while (await read_event(reader))["live"]:
            pass
        assert time.monotonic() - start < 2
        writer.close()

    serve(play, ask=ask)
