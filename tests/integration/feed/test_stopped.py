# SPDX-License-Identifier: GPL-3.0-or-later
"""The real daemon, stopped as a machine without processor time stops it (SIGSTOP)."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.state_query import ask
from tests.support.feed.rig import Instrument

#: Seconds of the stop, of which the sender speaks only in the first.
STOP_S = 2.5

#: Seconds that it takes at most until a sentence that was read has left.
SETTLE_S = 0.5

#: Seconds after the daemon's start, or a stop, in which what steers is only logged.
HOLD_S = 1.1


def apb(number: int) -> bytes:
    return frame(f"$GPAPB,A,A,0.{number:02d},L,N,V,V,011,M,DEST,011,M,011,M")


def hdg(number: int) -> bytes:
    return frame(f"$HCHDG,{number}.0,,,7.1,W")


class Daemon:
    """boat-feed with a pilot that can be steered from everywhere, in a process of its own."""

    def __init__(self, folder: Path, way: str) -> None:
        self.plotter, self.pilot = Instrument(folder / "plotter"), Instrument(folder / "pilot")
        with socket.socket() as tcp, socket.socket(type=socket.SOCK_DGRAM) as udp:
            for probe in (tcp, udp):
                probe.bind(("127.0.0.1", 0))
            self.listen, self.udp = tcp.getsockname()[1], udp.getsockname()[1]
        self.state = folder / "state.sock"
        sender = {"link": "plotter"} if way == "link" else {"address": "127.0.0.1"}
        settings = {
            "links": {
                "plotter": {"device": str(self.plotter.device), "talks": {"APB": 10}},
                "pilot": {
                    "device": str(self.pilot.device),
                    "baud": 38400,
                    "listens": {"APB": 10, "HDG": 10},
                    "listens_to": ["compass"],
                },
            },
            "inputs": {
                "bridge": {"listen": self.listen, "address": "127.0.0.1", "talks": {"APB": 10}},
                "compass": {"udp": self.udp, "address": "127.0.0.1", "talks": {"HDG": 10}},
            },
            "outputs": {"tcp": {"port": 0, "address": "127.0.0.1"}},
            "steering": {"link": "pilot", "sentences": ["APB"], "from": {"helm": sender}},
            "state": {"socket": str(self.state)},
        }
        (folder / "feed.json").write_text(json.dumps(settings))
        command = [sys.executable, "-m", "provision.onboard.feed"]
        self.process = subprocess.Popen([*command, "--config", str(folder / "feed.json")])
        self._until(self._runs)
        self.tcp = ask(str(self.state))["outputs"]["tcp"]["port"]

    def _runs(self) -> bool:
        try:
            links = ask(str(self.state))["links"]
        except ConfigError:
            return False
        return bool(links["plotter"]["present"] and links["pilot"]["present"])

    def _until(self, condition: Callable[[], object], seconds: float = 30.0) -> None:
        end = time.monotonic() + seconds
        while not condition():
            assert time.monotonic() < end and self.process.poll() is None
            time.sleep(0.02)

    def heard(self, seconds: float) -> list[bytes]:
        """Return what the pilot is sent within so many seconds."""
        said = b""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            said += self.pilot.heard()
            time.sleep(0.02)
        return said.splitlines(keepends=True)

    def hears(self, sentence: bytes) -> None:
        """Wait until the pilot has been sent this sentence; fail if it is sent another first."""
        said = b""

        def has_come() -> bool:
            nonlocal said
            said += self.pilot.heard()
            return len(said) >= len(sentence)

        self._until(has_come)
        assert said == sentence

    def close(self) -> None:
        self.process.send_signal(signal.SIGCONT)
        self.process.terminate()
        assert self.process.wait(10) == 0
        self.plotter.unplug()
        self.pilot.unplug()


@pytest.fixture
def daemon(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, request.getfixturevalue("way"))
    yield daemon
    daemon.close()


@pytest.mark.parametrize("way", ["link", "tablet", "listen", "udp"])
def test_what_was_said_while_the_daemon_was_stopped_does_not_move_the_pilot(
    daemon: Daemon, way: str
) -> None:
    """Over each way in. A datagram never steers, but a pilot follows a heading, too."""
    make = hdg if way == "udp" else apb
    with socket.socket(type=socket.SOCK_DGRAM if way == "udp" else socket.SOCK_STREAM) as channel:
        if way != "link":
            ports = {"tablet": daemon.tcp, "listen": daemon.listen, "udp": daemon.udp}
            channel.connect(("127.0.0.1", ports[way]))

        def say(data: bytes) -> None:
            if way == "link":
                daemon.plotter.say(data)
            else:
                channel.send(data)

        time.sleep(HOLD_S)
        say(make(1))
        daemon.hears(make(1))
        os.kill(daemon.process.pid, signal.SIGSTOP)
        for number in range(2, 12):
            say(make(number))
            time.sleep(0.1)
        time.sleep(STOP_S - 1.0)
        os.kill(daemon.process.pid, signal.SIGCONT)
        assert daemon.heard(HOLD_S + SETTLE_S) == []
        say(make(12))
        daemon.hears(make(12))
