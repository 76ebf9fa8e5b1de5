# SPDX-License-Identifier: GPL-3.0-or-later
"""A survey gets a link's port for as long as its connection lasts, and never for longer."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
import subprocess
import sys
import termios
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.net.serial_port import close_port, open_port
from provision.onboard.feed.sources import pause_socket
from tests.support.feed.rig import APB, Bench, Tablet, numbered, port_of, until

#: A client that is killed while it holds a link.
HOLDER = """
import socket, sys, time
channel = socket.socket(socket.AF_UNIX)
channel.connect(sys.argv[1])
channel.send(b"gnss\\n")
print(channel.recv(1024).decode(), flush=True)
time.sleep(60)
"""


@pytest.fixture
def path(bench: Bench) -> str:
    """Give the socket at which a link of the bench's feed can be paused."""
    path = str(bench.folder / "pause.sock")
    bench.settings["state"]["pause"] = path
    return path


class Client:
    """Asks for one link over a connection."""

    def __init__(self, path: str, name: str) -> None:
        self.channel = socket.socket(socket.AF_UNIX)
        self.channel.connect(path)
        self.channel.send(name.encode() + b"\n")
        self.channel.setblocking(False)

    async def answer(self) -> dict[str, Any]:
        async with asyncio.timeout(5):
            said = await asyncio.get_running_loop().sock_recv(self.channel, 1024)
        return dict(json.loads(said))

    async def ended(self) -> None:
        async with asyncio.timeout(5):
            assert await asyncio.get_running_loop().sock_recv(self.channel, 1024) == b""


def test_a_link_is_paused_while_the_connection_lasts_and_no_other_is(
    bench: Bench, path: str
) -> None:
    gnss, depth = bench.link("gnss", baud=38400), bench.link("depth", baud=4800)

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        client = Client(path, "gnss")
        assert await client.answer() == {"paused": "gnss", "device": str(gnss.device)}
        assert feed.state()["links"]["gnss"]["paused"] is True
        assert feed.state()["links"]["gnss"]["present"] is False
        # The port is the survey's: at any baud rate, and no byte goes to the feed.
        port = open_port(str(gnss.device), 9600)
        for number in range(20):
            depth.say(numbered(number))
            gnss.say(numbered(1000 + number))
            await asyncio.sleep(0.02)
            assert os.read(port, 1024) == numbered(1000 + number)
        close_port(port)
        await until(lambda: numbered(19) in tablet.look())
        assert all(numbered(number) in tablet.seen for number in range(20))
        client.channel.close()
        await until(lambda: feed.state()["links"]["gnss"]["present"])
        assert gnss.speed() == termios.B38400
        gnss.say(numbered(2000))
        await until(lambda: numbered(2000) in tablet.look())
        assert numbered(1000) not in tablet.seen
        assert feed.state()["links"]["gnss"]["paused"] is False

    bench.run(play)
    assert not Path(path).exists()


def test_a_survey_that_is_killed_gives_the_link_back(bench: Bench, path: str) -> None:
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        with subprocess.Popen(
            [sys.executable, "-c", HOLDER, path], stdout=subprocess.PIPE, text=True
        ) as holder:
            assert holder.stdout is not None
            assert "paused" in await asyncio.to_thread(holder.stdout.readline)
            assert not feed.state()["links"]["gnss"]["present"]
            holder.kill()
            await until(lambda: feed.state()["links"]["gnss"]["present"], 1)
        assert gnss.speed() == termios.B4800

    bench.run(play)


def test_a_survey_that_hangs_loses_the_link(
    bench: Bench, path: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The survey may have left the port open, too."""
    caplog.set_level("INFO")
    monkeypatch.setattr(pause_socket, "MAX_PAUSE_S", 0.2)
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        client = Client(path, "gnss")
        await client.answer()
        left_open = os.open(gnss.device, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        await until(lambda: feed.state()["links"]["gnss"]["present"], 1)
        await client.ended()
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        gnss.say(numbered(1))
        await until(lambda: numbered(1) in tablet.look())
        os.close(left_open)

    bench.run(play)
    assert "gnss: paused: a survey listens on its port" in caplog.text
    assert "gnss: its port is the feed's again" in caplog.text


def test_a_listener_is_sent_nothing_meanwhile_and_nothing_old_later(
    bench: Bench, path: str
) -> None:
    gnss, display = bench.link("gnss"), bench.link("display", listens={"DPT": 1000})

    async def play(feed: Feed) -> None:
        client = Client(path, "display")
        await client.answer()
        gnss.say(numbered(1))
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 1)
        client.channel.close()
        await until(lambda: feed.state()["links"]["display"]["present"])
        gnss.say(numbered(2))
        await until(lambda: feed.state()["outputs"]["listeners"]["display"]["sent"] == 1)
        await asyncio.sleep(0.1)
        assert display.heard() == numbered(2)

    bench.run(play)


def test_what_is_refused_pauses_nothing(
    bench: Bench, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pause_socket, "NAME_TIMEOUT_S", 0.1)
    for name in ("gnss", "depth"):
        bench.link(name)

    async def play(feed: Feed) -> None:
        assert stat.S_IMODE(os.stat(path).st_mode) == 0o600
        assert await Client(path, "sonar").answer() == {"error": "there is no serial link sonar"}
        await Client(path, "x" * 1000).ended()
        nameless = socket.socket(socket.AF_UNIX)
        nameless.connect(path)
        nameless.setblocking(False)
        async with asyncio.timeout(2):
            assert await asyncio.get_running_loop().sock_recv(nameless, 1) == b""
        first = Client(path, "gnss")
        await first.answer()
        assert await Client(path, "depth").answer() == {"error": "gnss is paused already"}
        first.channel.close()
        await until(lambda: feed.state()["links"]["gnss"]["present"])
        monkeypatch.setattr(pause_socket, "_user", lambda _: 12345)
        assert await Client(path, "depth").answer() == {"error": "only root may pause a link"}
        assert feed.state()["links"]["depth"]["present"]

    bench.run(play)


def test_a_feed_that_ends_meanwhile_leaves_the_port_alone(bench: Bench, path: str) -> None:
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        client = Client(path, "gnss")
        await client.answer()
        feed.links[0].close()
        client.channel.close()
        await asyncio.sleep(0.1)
        close_port(open_port(str(gnss.device), 9600))
        assert feed.links[0].port is None

    bench.run(play)


def test_without_the_key_there_is_no_socket(bench: Bench) -> None:
    bench.link("gnss")

    async def play(feed: Feed) -> None:
        assert feed.pause_socket is None
        assert [entry.name for entry in bench.folder.glob("*.sock")] == ["state.sock"]

    bench.run(play)


def test_steering_resumes_with_the_pilot(bench: Bench, path: str) -> None:
    """A pilot that was paused is steered as before, by what comes from then on."""
    plotter = bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", listens={"APB": 1000})
    bench.settings["steering"] = {
        "link": "pilot",
        "sentences": ["APB"],
        "from": {"plotter": {"link": "plotter"}},
    }

    async def play(feed: Feed) -> None:
        client = Client(path, "pilot")
        await client.answer()
        plotter.say(APB)
        await until(lambda: feed.state()["links"]["plotter"]["sentences"] == 1)
        client.channel.close()
        await until(lambda: feed.state()["links"]["pilot"]["present"])
        assert pilot.heard() == b""
        plotter.say(APB)
        await until(lambda: feed.state()["outputs"]["listeners"]["pilot"]["sent"] == 1)
        await asyncio.sleep(0.1)
        assert pilot.heard() == APB

    bench.run(play)
