# SPDX-License-Identifier: GPL-3.0-or-later
"""The interface of an NMEA 2000 link: it comes, goes, and gets the frames that we ask for."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from provision.commands import run
from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea2000 import pgn
from provision.onboard.feed.sources.can import EXTENDED, FRAME, REMOTE
from tests.support.feed.can_groups import DEPTH, can_frame
from tests.support.feed.rig import Bench, until


def test_an_interface_that_is_not_there_is_waited_for(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.settings["links"]["backbone"] = {"can": "none0"}

    async def play(feed: Feed) -> None:
        await asyncio.sleep(0.05)
        assert not feed.state()["links"]["backbone"]["present"]
        assert feed.cans[0]._retry.waits

    bench.run(play)
    assert caplog.text.count("none0") == 1


class Interfaces:
    """SocketCAN as the kernel does it, without one: sockets that are bound to an interface get
    the frames of it that pass their filter, and an error when it goes down (Linux,
    Documentation/networking/can.rst)."""

    def __init__(self) -> None:
        self.up = False
        self.sockets: list[CanSocket] = []

    def socket(self, family: int, kind: int, protocol: int) -> CanSocket:
        assert (family, kind, protocol) == (socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        made = CanSocket(self)
        self.sockets.append(made)
        return made

    def say(self, *frames: bytes) -> None:
        for listening in self.sockets:
            for one in frames:
                listening.hear(one)

    def go_down(self) -> None:
        self.up = False
        for listening in self.sockets:
            listening.fault = errno.ENETDOWN
            listening.far.close()


class CanSocket:
    """Stands for a CAN socket, over a socket pair that an event loop can wait for."""

    def __init__(self, interfaces: Interfaces) -> None:
        self.interfaces = interfaces
        self.near, self.far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.filters: list[tuple[int, int]] = [(0, 0)]
        self.fault = 0
        self.address: tuple[str, ...] = ()
        self.setblocking, self.fileno = self.near.setblocking, self.near.fileno

    def setsockopt(self, level: int, option: int, value: bytes) -> None:
        assert (level, option) == (socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER)
        self.filters = [(wanted, mask) for wanted, mask in struct.iter_unpack("=II", value)]

    def bind(self, address: tuple[str]) -> None:
        # An interface that is there, but down, can be bound to; the error waits in the socket.
        self.address = address
        self.fault = 0 if self.interfaces.up else errno.ENETDOWN

    def getsockopt(self, level: int, option: int) -> int:
        assert (level, option) == (socket.SOL_SOCKET, socket.SO_ERROR)
        fault, self.fault = self.fault, 0
        return fault

    def hear(self, frame: bytes) -> None:
        (identifier,) = struct.unpack_from("=I", frame)
        wanted = any(identifier & mask == want & mask for want, mask in self.filters)
        if wanted and self.address and self.near.fileno() >= 0:
            self.far.send(frame)

    def recv(self, size: int) -> bytes:
        if self.fault:
            fault, self.fault = self.fault, 0
            raise OSError(fault, os.strerror(fault))
        return self.near.recv(size)

    def close(self) -> None:
        self.near.close()
        self.far.close()


@pytest.fixture
def interfaces(monkeypatch: pytest.MonkeyPatch) -> Iterator[Interfaces]:
    found = Interfaces()

    class Module:
        """Stands for the socket module, and passes all but CAN sockets on to the true one."""

        def __getattr__(self, name: str) -> Any:
            return found.socket if name == "socket" else getattr(socket, name)

    monkeypatch.setattr("provision.onboard.feed.sources.can.socket", Module())
    monkeypatch.setattr("provision.onboard.feed.sources.can.RETRY_S", (0.01, 0.02))
    yield found
    for one in found.sockets:
        one.close()


def test_an_interface_that_is_down_is_named_once_and_waited_for(
    bench: Bench, caplog: pytest.LogCaptureFixture, interfaces: Interfaces
) -> None:
    caplog.set_level("INFO")
    bench.settings["links"]["backbone"] = {"can": "can0"}

    async def play(feed: Feed) -> None:
        (can,) = feed.cans
        await until(lambda: len(interfaces.sockets) > 5)
        assert not can.as_json()["present"]
        assert "open again" not in caplog.text
        interfaces.up = True
        await until(lambda: can.as_json()["present"])
        interfaces.say(can_frame(128267, DEPTH))
        await until(lambda: can.as_json()["sentences"] == 1)
        interfaces.go_down()
        await until(lambda: not can.as_json()["present"])
        interfaces.up = True
        await until(lambda: can.as_json()["present"])
        interfaces.say(can_frame(128267, DEPTH))
        await until(lambda: can.as_json()["frames"] == 2)
        # Of those that it let go of, none is left open.
        assert sum(one.near.fileno() >= 0 for one in interfaces.sockets) == 1

    bench.run(play)
    assert {one.address for one in interfaces.sockets} == {("can0",)}
    assert caplog.text.count("Network is down") == 2
    assert caplog.text.count("open again") == 2


@pytest.mark.parametrize("group", sorted(pgn.GROUPS))
def test_frames_of_our_groups_pass_the_filter_and_no_others(
    bench: Bench, interfaces: Interfaces, group: int
) -> None:
    """From whatever device and at whatever priority (ISO 11783-3)."""
    interfaces.up = True
    bench.settings["links"]["backbone"] = {"can": "can0"}

    async def play(feed: Feed) -> None:
        (listening,) = interfaces.sockets
        heard = []
        listening.hear = lambda frame: heard.append(passes(listening, frame))  # type: ignore[method-assign]
        for priority in range(8):
            for source in (0, 3, 253):
                identifier = priority << 26 | group << 8 | source
                interfaces.say(FRAME.pack(identifier | EXTENDED, 8, b""))
        assert heard == [True] * 24
        heard.clear()
        other = 2 << 26 | group << 8 | 3
        for identifier in (
            other,
            other | EXTENDED | REMOTE,
            other + 0x100 * 700 | EXTENDED,
            group & 0x7FF,
        ):
            interfaces.say(FRAME.pack(identifier, 8, b""))
        assert heard == [False] * 4

    bench.run(play)


def passes(listening: CanSocket, frame: bytes) -> bool:
    """Report whether the kernel would hand this frame to the socket."""
    (identifier,) = struct.unpack_from("=I", frame)
    return any(identifier & mask == want & mask for want, mask in listening.filters)


def in_a_namespace(*command: str) -> list[str]:
    """Return the command line that runs `command` as root of a network of its own."""
    return ["unshare", "--user", "--map-root-user", "--net", *command]


def kernel_has_vcan() -> bool:
    make = in_a_namespace("ip", "link", "add", "vcan0", "type", "vcan")
    return run(*make, check=False).returncode == 0


#: What is run there: the feed on vcan0, which comes up, speaks, goes down and comes up again.
ON_VCAN = """
import asyncio, socket, subprocess, sys
from provision.onboard.feed import config
from provision.onboard.feed.daemon import Feed

def link(*state):
    subprocess.run(["ip", "link", *state], check=True)

async def until(condition):
    async with asyncio.timeout(10):
        while not condition():
            await asyncio.sleep(0.01)

async def play():
    link("add", "vcan0", "type", "vcan")
    feed = Feed(config.parse({"links": {"backbone": {"can": "vcan0"}},
                             "state": {"socket": sys.argv[1]}}))
    await feed.start()
    (can,) = feed.cans
    network = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    await asyncio.sleep(0.1)
    assert not can.as_json()["present"]
    for times in (1, 2):
        link("set", "vcan0", "up")
        await until(lambda: can.as_json()["present"])
        if times == 1:
            network.bind(("vcan0",))
        # What its going down has left, too.
        network.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        network.send(bytes.fromhex("{frame}"))
        await until(lambda: can.as_json()["frames"] == times)
        link("set", "vcan0", "down")
        await until(lambda: not can.as_json()["present"])
    assert can.as_json()["sentences"] >= 1
    feed.stop()

asyncio.run(play())
"""


@pytest.mark.skipif(not kernel_has_vcan(), reason="this kernel has no virtual CAN interfaces")
def test_over_a_virtual_interface(tmp_path: Path) -> None:
    frame = can_frame(128267, DEPTH).hex()
    script = ON_VCAN.replace("{frame}", frame)
    done = run(*in_a_namespace(sys.executable, "-c", script, str(tmp_path / "state")), check=False)
    assert done.returncode == 0, done.stderr
