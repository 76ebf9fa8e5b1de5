# SPDX-License-Identifier: GPL-3.0-or-later
"""What a boat sends is bounded: in bytes, lines and time. What is no message breaks the stream."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from provision.survey.remote import session as module
from provision.survey.remote.session import (
    MAX_LINE_BYTES,
    MAX_LINES,
    MAX_STREAM_BYTES,
    Broken,
    Session,
)


class Boat:
    """The far end of a session."""

    def __init__(self) -> None:
        near, self.channel = socket.socketpair()
        self.session = Session(near, start=3.0, patience=2.0)

    def send(self, data: bytes) -> None:
        """Send from a thread of its own: a laptop that has heard enough does not read on."""

        def work() -> None:
            try:
                self.channel.sendall(data)
            except OSError:
                return

        threading.Thread(target=work, daemon=True).start()

    def broken(self) -> str:
        """Why the stream broke, once all messages before it are read."""
        with pytest.raises(Broken) as error:
            while True:
                self.session.receive(10)
        return str(error.value)


@pytest.fixture
def boat(monkeypatch: pytest.MonkeyPatch) -> Iterator[Boat]:
    monkeypatch.setattr(module, "LOOK_S", 0.05)
    boat = Boat()
    yield boat
    boat.session.close()
    boat.channel.close()


def test_messages_come_in_order_however_they_are_cut(boat: Boat) -> None:
    for piece in (b'{"kind": "pl', b'an"}\n{"kind"', b': "end"}\n'):
        boat.send(piece)
        time.sleep(0.05)
    assert [boat.session.receive(5), boat.session.receive(5)] == [{"kind": "plan"}, {"kind": "end"}]


def test_signs_of_life_are_sent_and_passed_over(
    boat: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "BEAT_S", 0.1)
    for _ in range(5):
        boat.send(b'{"kind": "alive"}\n')
        time.sleep(0.1)
    boat.send(b'{"kind": "end"}\n')
    assert boat.session.receive(5) == {"kind": "end"}
    boat.session.send({"pause": []})
    boat.channel.settimeout(2)
    heard = b""
    while b"pause" not in heard:
        heard += boat.channel.recv(1024)
    assert set(heard.splitlines()) == {b"", b'{"pause": []}'}


@pytest.mark.parametrize(
    ("flood", "reason"),
    [
        (b"{" + b"x" * (MAX_LINE_BYTES + 1), "a line of more than 256 KiB"),
        (b"{" + b"x" * (MAX_LINE_BYTES + 1) + b"\n", "a line of more than 256 KiB"),
        ((b" " * 999 + b"\n") * (MAX_STREAM_BYTES // 1000 + 1000), "more than 4 MiB"),
        (b"\n" * (MAX_LINES + 2), f"more than {MAX_LINES} lines"),
        (b'{"kind": "alive"}\n' * (MAX_LINES + 2), f"more than {MAX_LINES} lines"),
    ],
    ids=["endless line", "long line", "many bytes", "empty lines", "signs of life"],
)
def test_a_flood_ends_the_stream(boat: Boat, flood: bytes, reason: str) -> None:
    boat.send(flood)
    assert reason in boat.broken()
    # The reason stays.
    assert reason in boat.broken()


@pytest.mark.parametrize(
    "line",
    [
        b'{"kind": ',
        b'{"kind": NaN}',
        b'{"a": ' * 2000,
        b'{"kind": "\xff"}',
        b'{"kind": "\\ud800"}',
        b"{" * 100_000,
    ],
    ids=["cut off", "no number", "deep", "no text", "half a character", "deeper"],
)
def test_what_is_no_message_is_refused(boat: Boat, line: bytes) -> None:
    boat.send(line + b"\n")
    assert boat.broken() == "it sent what is no message"


def test_a_boat_that_says_nothing_is_gone(boat: Boat) -> None:
    begun = time.monotonic()
    assert boat.broken() == "nothing came for 3 s"
    assert 3 < time.monotonic() - begun < 5


def test_a_boat_that_falls_silent_is_gone_sooner(boat: Boat) -> None:
    boat.send(b'{"kind": "alive"}\n')
    begun = time.monotonic()
    assert boat.broken() == "nothing came for 2 s"
    assert 2 < time.monotonic() - begun < 3


def test_a_boat_that_only_lives_does_not_hold_the_laptop(boat: Boat) -> None:
    boat.send(b'{"kind": "alive"}\n')
    with pytest.raises(Broken, match="does not end in time"):
        boat.session.receive(0.2)


def test_what_python_complains_of_is_the_reason(boat: Boat) -> None:
    boat.send(b"sh: 1: exec: /usr/bin/python3: not found\n")
    time.sleep(0.2)
    boat.channel.close()
    assert boat.broken() == "it ended aboard: sh: 1: exec: /usr/bin/python3: not found"


def test_long_complaints_are_cut(boat: Boat) -> None:
    boat.send(b"complaint\n" * 10_000 + b"last\n")
    time.sleep(0.3)
    assert len(boat.session._complaint) <= module.MAX_COMPLAINT_BYTES
    boat.channel.close()
    assert boat.broken() == "it ended aboard: last"


def test_closing_ends_the_program_and_the_thread(boat: Boat) -> None:
    boat.session.close()
    boat.channel.settimeout(2)
    assert boat.channel.recv(1024) == b""
    assert not boat.session._thread.is_alive()
    with pytest.raises(Broken, match="the connection broke"):
        boat.session.send({"pause": []})
