# SPDX-License-Identifier: GPL-3.0-or-later
"""An hour of sailing at twenty times the pace, with everything coming and going.

    python -m tests.measure.feed_soak [--minutes 3]

Healthy links and clients must lose nothing; flaky adapters are pulled out and put back,
clients stall, vanish and come back, and so do instruments on the network. Memory and
descriptors of the feed are watched, memory from the first sixth of the time on. Exit status 1
when an aim is missed.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import socket
import struct
import sys
import tempfile
import tty
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.state_query import ask
from tests.measure.feed import free_port, running
from tests.measure.figures import Amount

#: How much faster than life.
PACE = 20

#: Sentences a second in life, of each link that stays and of each that comes and goes.
STEADY = {"gnss": 3, "depth-log": 3, "compass": 10}
FLAKY = {"ais": 5, "wind": 2, "plotter": 1}

#: Memory may grow by so much after the first sixth of the time, in MiB.
GROWTH = 2


class Wire:
    """Stands for an adapter: a pseudo-terminal under a name that can be pulled out."""

    def __init__(self, device: Path) -> None:
        self.device = device
        self.far: int | None = None
        self.plug()

    def plug(self) -> None:
        far, near = os.openpty()
        tty.setraw(near)
        self.device.symlink_to(os.ttyname(near))
        os.close(near)
        os.set_blocking(far, False)
        self.far = far

    def unplug(self) -> None:
        self.device.unlink()
        if self.far is not None:
            os.close(self.far)
        self.far = None

    def say(self, data: bytes) -> None:
        if self.far is not None:
            with suppress(BlockingIOError):
                os.write(self.far, data)


class Reader:
    """Stands for a healthy tablet, and notes what it sees of each steady link, in order."""

    def __init__(self) -> None:
        self.next = dict.fromkeys(STEADY, 0)
        self.lost = 0

    async def read(self, port: int) -> None:
        reader, _ = await asyncio.open_connection("127.0.0.1", port)
        while line := await reader.readline():
            fields = line.decode().split(",")
            if fields[0] == "$SDTXT" and fields[1] in self.next:
                number = int(fields[2])
                self.lost += number - self.next[fields[1]]
                self.next[fields[1]] = number + 1


async def talk(name: str, wire: Wire, rate: float, said: dict[str, int]) -> None:
    """Numbered sentences, with some noise between them."""
    loop = asyncio.get_running_loop()
    due = loop.time()
    while True:
        number = said[name]
        said[name] = number + 1
        noise = b"\xff\x00$GPG" if random.random() < 0.02 else b""
        wire.say(noise + frame(f"$SDTXT,{name},{number},{'x' * 30}"))
        due += 1 / (rate * PACE)
        await asyncio.sleep(max(0.0, due - loop.time()))


async def shake(wire: Wire) -> None:
    """Pull the adapter out and put it back, again and again."""
    while True:
        await asyncio.sleep(random.uniform(0.5, 4))
        wire.unplug()
        await asyncio.sleep(random.uniform(0.05, 1.5))
        wire.plug()


async def stall(port: int) -> None:
    """Play a tablet that falls asleep, and in the end leaves, vanishes or wakes up."""
    while True:
        with socket.socket() as channel, suppress(OSError):
            channel.setblocking(False)
            # Little room on its side, so that its sleep is felt.
            channel.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            await asyncio.get_running_loop().sock_connect(channel, ("127.0.0.1", port))
            await asyncio.sleep(random.uniform(0.1, 30))
            leave(channel)


def leave(channel: socket.socket) -> None:
    """Close it; half of the time with a reset, as from somebody who was gone and is back."""
    if random.random() < 0.5:
        channel.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    channel.close()


async def chatter(channel: socket.socket) -> None:
    """Play an instrument on the network: some sentences, half of one, and it is gone."""
    loop = asyncio.get_running_loop()
    try:
        for number in range(random.randrange(60)):
            await loop.sock_sendall(channel, frame(f"$YXXDR,C,{number},C,NET"))
            await asyncio.sleep(0.02)
        await loop.sock_sendall(channel, b"$YXXDR,C")
    finally:
        leave(channel)


async def bring(port: int) -> None:
    """Connect to an input, again and again."""
    while True:
        with socket.socket() as channel, suppress(OSError):
            channel.setblocking(False)
            await asyncio.get_running_loop().sock_connect(channel, ("127.0.0.1", port))
            await chatter(channel)
        await asyncio.sleep(0.1)


async def serve(port: int) -> None:
    """Be the server of an input, again and again; now and then there is none."""
    while True:
        with socket.socket() as listening:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(("127.0.0.1", port))
            listening.listen()
            listening.setblocking(False)
            with suppress(OSError):
                async with asyncio.timeout(random.uniform(0.5, 8)):
                    channel, _ = await asyncio.get_running_loop().sock_accept(listening)
                    channel.setblocking(False)
                    await chatter(channel)
        await asyncio.sleep(random.uniform(0, 1))


def memory(pid: int) -> int:
    """Resident memory in KiB (proc(5))."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0])


def settings(
    folder: Path, port: int, served: int, brought: int
) -> tuple[dict[str, Wire], dict[str, Any]]:
    wires = {name: Wire(folder / name) for name in STEADY | FLAKY}
    links: dict[str, Any] = {
        name: {"device": str(wire.device), "baud": 115200, "talks": {"TXT": 1}}
        for name, wire in wires.items()
    }
    links["plotter"]["listens"] = {"TXT": 50}
    return wires, {
        "links": links,
        "inputs": {
            "server": {"tcp": f"127.0.0.1:{served}"},
            "bringer": {"listen": brought, "address": "127.0.0.1"},
        },
        "outputs": {
            "tcp": {"port": port, "address": "127.0.0.1", "per_address": 64, "patience": 8},
            "udp": [{"address": "127.255.255.255", "port": free_port()}],
            "multicast": {"interface": "127.0.0.1"},
        },
        "prefer": {"order": {"position": ["gnss", "ais"]}},
        "log": {"folder": str(folder / "log"), "interval": 5, "cap": 2**20},
    }


@dataclass(frozen=True)
class Soaked:
    """Holds the result of a soak."""

    sentences: int
    """Said by all instruments."""
    opened: int
    """How often adapters that come and go were opened."""
    dropped: int
    """Sentences that clients which slept did not get."""
    lost: int
    """Sentences of healthy links that healthy clients did not get."""
    growth: int
    """KiB of resident memory."""
    descriptors: int
    """How many more of them were open at the end than at the beginning."""


async def soak(minutes: float) -> Soaked:
    port, served, brought = free_port(), free_port(), free_port()
    said = dict.fromkeys(STEADY | FLAKY, 0)
    with tempfile.TemporaryDirectory() as name:
        wires, told = settings(Path(name), port, served, brought)
        with running(told) as (pid, state):
            readers = [Reader() for _ in range(4)]
            tasks = [asyncio.create_task(reader.read(port)) for reader in readers]
            await asyncio.sleep(0.5)
            descriptors = len(os.listdir(f"/proc/{pid}/fd"))
            tasks += [
                asyncio.create_task(talk(name, wires[name], rate, said))
                for name, rate in (STEADY | FLAKY).items()
            ]
            tasks += [asyncio.create_task(shake(wires[name])) for name in FLAKY]
            tasks += [asyncio.create_task(stall(port)) for _ in range(6)]
            tasks += [asyncio.create_task(serve(served)), asyncio.create_task(bring(brought))]
            await asyncio.sleep(minutes * 10)
            early = memory(pid)
            await asyncio.sleep(minutes * 50)
            late = memory(pid)
            for task in tasks[len(readers) :]:
                task.cancel()
            for flaky in FLAKY:
                if wires[flaky].far is None:
                    wires[flaky].plug()
            await asyncio.sleep(6)
            left = len(os.listdir(f"/proc/{pid}/fd"))
            counted = await asyncio.to_thread(ask, str(state))
            for task in tasks:
                task.cancel()
    lost = sum(
        reader.lost + said[link] - reader.next[link] for reader in readers for link in STEADY
    )
    return Soaked(
        sentences=sum(said.values()),
        opened=sum(counted["links"][name]["opened"] for name in FLAKY),
        dropped=counted["outputs"]["tcp"]["dropped"],
        lost=lost,
        growth=late - early,
        descriptors=left - descriptors,
    )


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--minutes", type=float, default=3.0, help="how long it takes")
    minutes = options.parse_args().minutes
    soaked = asyncio.run(soak(minutes))
    print(
        f"{minutes * PACE:.0f} minutes of sailing: {soaked.sentences} sentences said, adapters "
        f"opened {soaked.opened} times, {soaked.dropped} sentences not sent to clients asleep",
        file=sys.stderr,
    )
    figures = [
        Amount(
            f"memory that the feed grew by in {minutes * PACE * 5 / 6:.0f} minutes of sailing",
            soaked.growth / 1024,
            GROWTH,
            "MiB",
        ),
        Amount("descriptors that it leaked in them", soaked.descriptors, 0, "descriptors"),
        Amount("sentences lost on the way from and to the healthy", soaked.lost, 0, "sentences"),
    ]
    for figure in figures:
        print(figure.line())
    return 0 if all(figure.amount <= figure.aim for figure in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
