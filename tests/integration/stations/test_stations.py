# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-stations reports of a tablet what hostapd reports, and nothing else."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.feed.config import models
from provision.onboard.stations import hostapd as control
from provision.onboard.stations import server
from provision.onboard.stations.hostapd import Hostapd, HostapdError
from provision.onboard.stations.server import Server
from tests.support.feed.hostapd_double import IN_HANDSHAKE, HostapdDouble

MAC = "02:00:00:12:34:56"
Ask = Callable[[str], dict[str, Any]]


@contextmanager
def serving(folder: Path) -> Iterator[Ask]:
    """boat-stations at work in a thread; asks it about a hardware address."""
    stations = Server(str(folder / "socket"), str(folder / "wlan0"))
    running = True

    def work() -> None:
        while running:
            stations.step(0.05)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    client = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    client.settimeout(5)
    client.connect(str(folder / "socket"))

    def ask(mac: str) -> dict[str, Any]:
        client.send(mac.encode())
        told: dict[str, Any] = json.loads(client.recv(1024))
        assert told.pop("mac") == mac
        return told

    try:
        yield ask
    finally:
        running = False
        thread.join()
        stations.close()
        client.close()


def test_feed_and_stations_mean_the_same_socket() -> None:
    assert models.STATIONS_SOCKET == server.SOCKET


def test_a_tablet_by_its_own_pass_phrase_by_the_boats_and_away(
    tmp_path: Path, hostapd: HostapdDouble
) -> None:
    with serving(tmp_path) as ask:
        assert ask(MAC)["joined"] is False
        hostapd.join(MAC, "chart-table")
        assert (ask(MAC)["joined"], ask(MAC)["keyid"]) == (True, "chart-table")
        hostapd.join(MAC)
        assert (ask(MAC)["joined"], ask(MAC)["keyid"]) == (True, "")
        del hostapd.stations[MAC]
        assert (ask(MAC)["joined"], ask(MAC)["keyid"]) == (False, "")


def test_a_station_in_its_handshake_has_proven_nothing(
    tmp_path: Path, hostapd: HostapdDouble
) -> None:
    hostapd.stations[MAC] = (IN_HANDSHAKE, "chart-table")
    with serving(tmp_path) as ask:
        told = ask(MAC)
    assert (told["joined"], told["keyid"]) == (False, "")


@pytest.mark.parametrize(
    "event",
    [
        f"AP-STA-CONNECTED {MAC} keyid=chart-table",
        f"AP-STA-DISCONNECTED {MAC}",
        # All that comes when a station associates again and proves another pass-phrase.
        f"EAPOL-4WAY-HS-COMPLETED {MAC}",
    ],
)
def test_what_changes_a_station_is_dated(
    tmp_path: Path, hostapd: HostapdDouble, event: str
) -> None:
    hostapd.join(MAC, "chart-table")
    with serving(tmp_path) as ask:
        first = ask(MAC)["since"]
        assert ask(MAC)["since"] == first <= time.monotonic()
        before = time.monotonic()
        hostapd.event(event.replace(MAC, "02:00:00:00:00:99"))
        hostapd.event("CTRL-EVENT-EAP-STARTED " + MAC)
        assert ask(MAC)["since"] == first
        hostapd.event(event)
        assert before <= ask(MAC)["since"] <= time.monotonic()


def test_a_flood_of_stations_is_forgotten_on_the_safe_side(
    tmp_path: Path, hostapd: HostapdDouble, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control, "MAX_CHANGES", 4)
    asked = Hostapd(str(tmp_path / "wlan0"))
    try:
        hostapd.join(MAC, "chart-table")
        first = asked.query_station(MAC).since
        for number in range(5):
            hostapd.join(f"02:00:00:00:00:{number:02x}")
        assert asked.query_station(MAC).since > first
        assert len(asked._changes) <= 4
    finally:
        asked.close()


def test_hostapd_away_and_back(tmp_path: Path, hostapd: HostapdDouble) -> None:
    hostapd.join(MAC, "chart-table")
    with serving(tmp_path) as ask:
        first = ask(MAC)
        hostapd.stop()
        told = ask(MAC)
        assert "hostapd does not answer" in told["error"] and "joined" not in told
        hostapd.start()
        again = ask(MAC)
    assert again["keyid"] == "chart-table"
    # What happened meanwhile is not known: what began before does not count any more.
    assert again["since"] > first["since"]


def test_a_hostapd_that_hangs_is_no_answer_and_a_late_one_is_not_the_next(
    tmp_path: Path, hostapd: HostapdDouble, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control, "ANSWER_TIMEOUT_S", 0.1)
    hostapd.join(MAC, "chart-table")
    asked = Hostapd(str(tmp_path / "wlan0"))
    try:
        hostapd.silent = True
        with pytest.raises(HostapdError, match="does not answer"):
            asked.query_station(MAC)
    finally:
        asked.close()
    with serving(tmp_path) as ask:
        assert "error" in ask(MAC)
        hostapd.silent = False
        assert ask(MAC)["keyid"] == "chart-table"


def test_other_questions_are_not_answered(tmp_path: Path, hostapd: HostapdDouble) -> None:
    """The narrow way: no command of a client reaches hostapd."""
    with serving(tmp_path), socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as client:
        client.settimeout(5)
        client.connect(str(tmp_path / "socket"))
        client.send(b"DISABLE")
        assert client.recv(64) == b""
        with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as another:
            another.settimeout(5)
            another.connect(str(tmp_path / "socket"))
            another.send(f"{MAC} x".encode())
            assert another.recv(64) == b""
    assert set(hostapd.asked) <= {"ATTACH"}


def test_a_person_can_ask_too(tmp_path: Path, hostapd: HostapdDouble) -> None:
    hostapd.join(MAC, "chart-table")
    with serving(tmp_path):
        assert json.loads(server.ask(MAC.upper(), str(tmp_path / "socket")))["joined"] is True
    command = ["-m", "provision.onboard.stations", "--socket", str(tmp_path / "none"), "--ask", MAC]
    done = subprocess.run([sys.executable, *command], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert "boat-stations does not answer" in done.stderr
