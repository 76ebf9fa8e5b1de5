# SPDX-License-Identifier: GPL-3.0-or-later
"""The control socket of a held bench, whoever comes to it and however they leave."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from provision.bench.hold.control import MAX_COMMAND_BYTES, send_command, serve
from provision.errors import UserError


class Bench:
    """Obeys, and notes what it was told; `slow` takes a moment."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.received: list[list[str]] = []
        self.wrong = ""
        self.error: UserError | None = None
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(str(path))
        self._server.listen()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        with self._server:
            try:
                serve(self._server, self.obey, self.look)
            except UserError as error:
                self.error = error

    def obey(self, words: list[str]) -> str:
        self.received.append(words)
        if words == ["slow"]:
            time.sleep(0.1)
        return "ok" if words and words[0].isascii() else "error: no such command"

    def look(self) -> None:
        if self.wrong:
            raise UserError(self.wrong)

    @property
    def runs(self) -> bool:
        return self._thread.is_alive()

    def ends(self) -> bool:
        self._thread.join(5)
        return not self._thread.is_alive()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path / "control")
    yield bench
    if bench.runs:
        send_command(bench.path, "quit")
    assert bench.ends()


@pytest.fixture
def connect(bench: Bench) -> Iterator[Callable[[], socket.socket]]:
    """Makes connections; nobody waits for long on them."""
    made: list[socket.socket] = []

    def one() -> socket.socket:
        client = socket.socket(socket.AF_UNIX)
        made.append(client)
        client.settimeout(5)
        client.connect(str(bench.path))
        return client

    yield one
    for client in made:
        client.close()


Connect = Callable[[], socket.socket]


def test_one_answer_a_line(bench: Bench, connect: Connect) -> None:
    client = connect()
    client.sendall(b"unplug gnss\n\xff\xfe\n\nplug gnss\n")
    with client.makefile("rb") as stream:
        said = [stream.readline() for _ in range(4)]
    assert said == [b"ok\n", b"error: no such command\n", b"error: no such command\n", b"ok\n"]
    assert bench.received[0] == ["unplug", "gnss"]


def test_a_silent_client_keeps_no_other_waiting(bench: Bench, connect: Connect) -> None:
    connect().sendall(b"unplug")
    assert send_command(bench.path, "plug gnss") == "ok"


def test_a_client_that_leaves_early_ends_nothing(bench: Bench, connect: Connect) -> None:
    client = connect()
    client.sendall(b"slow\nslow\nunplug gnss\n")
    client.close()
    assert send_command(bench.path, "plug gnss") == "ok"
    assert bench.received == [["slow"], ["slow"], ["unplug", "gnss"], ["plug", "gnss"]]


@pytest.mark.parametrize("last", [b"quit\n", b"quit"])
def test_quit_ends_it_whether_the_answer_is_awaited_or_not(
    bench: Bench, connect: Connect, last: bytes
) -> None:
    client = connect()
    client.sendall(b"slow\n" + last)
    client.close()
    assert bench.ends()


def test_quit_is_answered(bench: Bench) -> None:
    assert send_command(bench.path, "quit") == "ok"
    assert bench.ends()


def test_a_line_without_end_is_refused(bench: Bench, connect: Connect) -> None:
    client = connect()
    client.sendall(b"x" * (MAX_COMMAND_BYTES + 1))
    with client.makefile("rb") as stream:
        assert stream.read() == b"error: no such command\n"
    assert send_command(bench.path, "plug gnss") == "ok"


def test_it_ends_with_what_it_controls(bench: Bench, connect: Connect) -> None:
    client = connect()
    client.sendall(b"plug gnss\n")
    assert client.recv(10) == b"ok\n"
    bench.wrong = "the emulator ended"
    assert bench.ends()
    assert bench.error is not None
    assert client.recv(1) == b""
