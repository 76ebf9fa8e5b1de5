# SPDX-License-Identifier: GPL-3.0-or-later
"""The suite's client of the feed waits for each sentence, and says why it got none."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from provision.verify.job import Job
from tests.boat import test_feed as feed_aboard

#: The worked example of a GLL sentence printed in many receivers' manuals.
GLL = b"$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n"
VTG = b"$GPVTG,089.0,T,,,15.2,N,,*7F\r\n"

GNSS: dict[str, Any] = {"present": True, "rates": {"GLL": 1.0, "VTG": 1.0}, "rates_over": 9.0}

STATE: dict[str, Any] = {"links": {"gnss": GNSS}, "inputs": {}, "believed": {}}


@pytest.fixture
def reports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[object], Path]]:
    """Has the feed's state socket report what the test wants."""
    file, path = tmp_path / "state.json", tmp_path / "state.sock"
    monkeypatch.setattr(feed_aboard, "STATE_SOCKET", str(path))
    with closing(socket.socket(socket.AF_UNIX)) as server:
        server.bind(str(path))
        server.listen()

        def answer() -> None:
            while True:
                try:
                    asking, _ = server.accept()
                except OSError:
                    return
                with asking:
                    asking.sendall(file.read_bytes())

        thread = threading.Thread(target=answer, daemon=True)

        def put(state: object) -> Path:
            file.write_text(json.dumps(state))
            thread.start()
            return file

        yield put
        server.shutdown(socket.SHUT_RDWR)
        thread.join(10)


@pytest.fixture
def port() -> Iterator[Callable[[Callable[[socket.socket], None]], int]]:
    """Makes a feed of a function that serves the one client; the port it listens on."""
    ended: list[threading.Event] = []
    with closing(socket.create_server(("127.0.0.1", 0))) as server:

        def serve(talk: Callable[[socket.socket], None]) -> int:
            ended.append(accepted := threading.Event())

            def accept() -> None:
                try:
                    client, _ = server.accept()
                except OSError:
                    return
                finally:
                    accepted.set()
                with client:
                    talk(client)

            threading.Thread(target=accept, daemon=True).start()
            return int(server.getsockname()[1])

        yield serve
        # A thread that still waits for a client would go on with the descriptor's next owner.
        server.shutdown(socket.SHUT_RDWR)
        assert all(accepted.wait(10) for accepted in ended)


def client(port: int, **changes: Any) -> dict[str, Any]:
    """Run the program as the suite has it run aboard, with the command the suite makes."""
    links = {"gnss": {"adapter": {}, "talks": {"GLL": 1, "VTG": 1}, "takes": None}}
    profile = {
        "network": {"address": "127.0.0.1/8"},
        "links": links,
        "feed": {"tcp": port, "gives": {}},
        "inputs": {},
    }
    job = Job("kittiwake", "root", "", "amd64", profile, {}, "")
    _, *words, given = feed_aboard.commands(job)["client"]
    usual = {"seconds": 10, "settle": 10, "patience": {"gnss": 0}}
    given = json.dumps(json.loads(given) | usual | changes)
    done = subprocess.run(
        [sys.executable, *words, given], capture_output=True, text=True, check=True
    )
    result: dict[str, Any] = json.loads(done.stdout)
    return result


def test_a_sentence_that_comes_late_is_waited_for(reports: Any, port: Any) -> None:
    """A sentence sent once a second may take five seconds on a busy machine."""
    reports(STATE)

    def slow(client: socket.socket) -> None:
        client.sendall(GLL)
        time.sleep(4.5)
        client.sendall(VTG)
        time.sleep(60)

    result = client(port(slow))
    assert (result["lines"], result["error"]) == (
        [GLL.decode().strip(), VTG.decode().strip()],
        "",
    )
    assert 4 < result["seconds"] < 9


def test_it_ends_when_everything_has_come(reports: Any, port: Any) -> None:
    reports(STATE)

    def brisk(client: socket.socket) -> None:
        client.sendall(GLL + VTG + b"$GPGLL,half")
        time.sleep(60)

    start = time.monotonic()
    result = client(port(brisk))
    assert time.monotonic() - start < 5
    assert len(result["lines"]) == 2
    assert result["expected"] == {"gnss": ["GLL", "VTG"]}


def test_what_is_missing_is_missing_in_the_end(reports: Any, port: Any) -> None:
    reports(STATE)

    def half(client: socket.socket) -> None:
        client.sendall(GLL * 2)
        time.sleep(60)

    result = client(port(half), seconds=1)
    assert (len(result["lines"]), result["error"]) == (2, "")


def test_nothing_at_all_and_no_connection_are_told_apart(reports: Any, port: Any) -> None:
    reports(STATE)
    assert "in time" in client(port(lambda client: time.sleep(60)), seconds=1)["error"]
    assert client(port(lambda client: None))["error"] == "the feed closed the connection"
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        free = server.getsockname()[1]
    assert client(free)["error"].startswith("cannot connect")


def told(file: Path, **gnss: Any) -> None:
    """Have the feed report something else of the receiver from now on."""
    new = file.with_suffix(".new")
    new.write_text(json.dumps(STATE | {"links": {"gnss": GNSS | gnss}}))
    new.replace(file)


def brisk(client: socket.socket) -> None:
    client.sendall(GLL + VTG)


def test_rates_of_a_port_that_was_opened_late_are_waited_for(reports: Any, port: Any) -> None:
    file = reports(STATE)
    told(file, rates_over=1.0, sentences=0)
    threading.Timer(1.0, lambda: told(file, rates_over=1.0, sentences=2)).start()
    threading.Timer(2.5, lambda: told(file, rates_over=9.0, sentences=4)).start()
    result = client(port(brisk), patience={"gnss": 20})
    assert result["state"]["links"]["gnss"]["rates_over"] == 9.0
    assert result["first"]["links"]["gnss"]["sentences"] == 0


def test_a_source_is_waited_for_and_not_beyond_its_patience(reports: Any, port: Any) -> None:
    told(reports(STATE), sentences=7)
    start = time.monotonic()
    result = client(port(brisk), patience={"gnss": 2})
    assert 2 < time.monotonic() - start < 8
    assert result["state"] == result["first"]


def test_a_feed_that_begins_to_count_again_is_heard(reports: Any, port: Any) -> None:
    file = reports(STATE)
    told(file, sentences=700)
    threading.Timer(1.5, lambda: told(file, sentences=1)).start()
    start = time.monotonic()
    assert client(port(brisk), patience={"gnss": 30})["state"]["links"]["gnss"]["sentences"] == 1
    assert time.monotonic() - start < 10


def test_a_feed_that_does_not_report_is_said(reports: Any, port: Any) -> None:
    reports([])
    result = client(port(lambda client: None), settle=0)
    assert (result["state"], result["error"]) == (None, "the feed reports no state")
