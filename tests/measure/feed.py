# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure boat-feed: how much it can carry, how late it is, and what it costs.

    python -m tests.measure.feed

All figures come from one run on one machine. Inputs are pseudo-terminals, clients TCP
connections on the loopback; the feed runs as its own process.
"""

from __future__ import annotations

import json
import os
import selectors
import socket
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.state_query import ask
from tests.measure.figures import Amount, Ratio

ROOT = Path(__file__).parents[2]

#: A boat's worst case: so many links, all full at 38400 baud, ten bits a character (IEC 61162-2).
LINKS, BAUD = 10, 38400
WORST = LINKS * BAUD // 10

#: Tablets and laptops that read along.
CLIENTS = 20

#: Megabytes that the throughput run carries in.
MEGABYTES = 8

#: Seconds of the latency run.
SECONDS = 20

TICKS = os.sysconf("SC_CLK_TCK")


def sentence(link: int, number: int) -> bytes:
    """Return a sentence of a usual length (about 64 characters) that is like no other."""
    return frame(f"$GPGGA,{link:02d},{number:07d},5057.970,N,00146.110,E,1,08,0.9,45.4,M")


@dataclass
class Wires:
    """Pseudo-terminals: we hold the far ends."""

    far: list[int]
    near: list[int]

    @property
    def devices(self) -> list[str]:
        return [os.ttyname(near) for near in self.near]

    def close(self) -> None:
        for wire in self.far + self.near:
            os.close(wire)


def wires(count: int) -> Wires:
    far, near = [], []
    for _ in range(count):
        a, b = os.openpty()
        tty.setraw(b)
        os.set_blocking(a, False)
        far.append(a)
        near.append(b)
    return Wires(far, near)


def free_port() -> int:
    with socket.socket() as channel:
        channel.bind(("127.0.0.1", 0))
        return int(channel.getsockname()[1])


def processor_time(pid: int) -> float:
    """Return the seconds of user and system time that a process has used (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


@contextmanager
def running(settings: dict[str, Any]) -> Iterator[tuple[int, Path]]:
    """Give a feed with these settings as a process; its id, and its state socket."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "feed.json"
        state = Path(folder) / "state.sock"
        path.write_text(json.dumps({**settings, "state": {"socket": str(state)}}))
        process = subprocess.Popen(
            [sys.executable, "-m", "provision.onboard.feed", "--config", str(path)],
            cwd=ROOT,
            stderr=subprocess.DEVNULL,
        )
        try:
            while not state.exists():
                time.sleep(0.02)
            time.sleep(0.3)
            yield process.pid, state
        finally:
            process.terminate()
            process.wait()


@contextmanager
def feed(devices: list[str], port: int) -> Iterator[tuple[int, Path]]:
    """Give a running feed with these links; its process id, and its state socket."""
    links = {f"link-{n}": {"device": device, "baud": BAUD} for n, device in enumerate(devices)}
    # What is measured is the feed, not how fast the clients read.
    tcp = {"port": port, "address": "127.0.0.1", "per_address": 100, "queue": 2**24}
    with running({"links": links, "outputs": {"tcp": tcp}}) as process:
        yield process


def all_there(state: Path, clients: int) -> None:
    """Wait until the feed has taken so many connections."""
    while len(ask(str(state))["outputs"]["tcp"]["clients"]) < clients:
        time.sleep(0.05)


def readers(port: int, clients: int, expected: int) -> subprocess.Popen[str]:
    """Another process with `clients` connections; it prints how many bytes each got, when the
    last of them has `expected` bytes, and the time."""
    code = """
import selectors, socket, sys, time
port, clients, expected = map(int, sys.argv[1:])
chooser = selectors.DefaultSelector()
got = {}
for number in range(clients):
    channel = socket.create_connection(("127.0.0.1", port))
    channel.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
    channel.setblocking(False)
    chooser.register(channel, selectors.EVENT_READ, number)
    got[number] = 0
print("ready", flush=True)
buffer = bytearray(1 << 20)
last = time.monotonic()
while min(got.values()) < expected and time.monotonic() - last < 5:
    for key, _ in chooser.select(1):
        try:
            size = key.fileobj.recv_into(buffer)
        except BlockingIOError:
            continue
        if size == 0:
            chooser.unregister(key.fileobj)
            continue
        got[key.data] += size
        last = time.monotonic()
print(last, *got.values(), flush=True)
"""
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(port), str(clients), str(expected)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None and process.stdout.readline() == "ready\n"
    return process


def pour(far: list[int], streams: list[bytes]) -> None:
    """Write all streams as fast as they are taken."""
    chooser = selectors.DefaultSelector()
    left = dict(zip(far, map(memoryview, streams), strict=True))
    for wire in far:
        chooser.register(wire, selectors.EVENT_WRITE)
    while left:
        for key, _ in chooser.select(1):
            wire = key.fd
            try:
                written = os.write(wire, left[wire][:4096])
            except BlockingIOError:
                continue
            left[wire] = left[wire][written:]
            if not left[wire]:
                chooser.unregister(wire)
                del left[wire]


@dataclass(frozen=True)
class Carried:
    """Holds the result of one throughput run."""

    sentences_per_second: float
    lost: int
    processor_per_megabyte: float
    """Seconds for each megabyte delivered to each client."""


def throughput(inputs: int, clients: int, megabytes: float) -> Carried:
    count = int(megabytes * 1e6) // (inputs * len(sentence(0, 0)))
    streams = [b"".join(sentence(link, n) for n in range(count)) for link in range(inputs)]
    total = sum(map(len, streams))
    line, port = wires(inputs), free_port()
    with feed(line.devices, port) as (pid, state):
        reading = readers(port, clients, total)
        all_there(state, clients)
        before, begin = processor_time(pid), time.monotonic()
        pour(line.far, streams)
        answer, _ = reading.communicate()
        spent = processor_time(pid) - before
    line.close()
    end, *got = answer.split()
    lost = sum(total - int(size) for size in got) // len(sentence(0, 0))
    delivered = sum(map(int, got))
    return Carried(inputs * count / (float(end) - begin), lost, spent / (delivered / 1e6))


@contextmanager
def copier(device: str, port: int) -> Iterator[int]:
    """socat from one pty to one TCP client; its process id."""
    source, client = f"{device},raw,echo=0", f"TCP-LISTEN:{port},bind=127.0.0.1,reuseaddr"
    process = subprocess.Popen(["socat", "-u", source, client])
    try:
        time.sleep(0.5)
        yield process.pid
    finally:
        process.terminate()
        process.wait()


def copying(megabytes: float) -> float:
    """Processor seconds for each megabyte that socat copies from one pty to one TCP client."""
    count = int(megabytes * 1e6) // len(sentence(0, 0))
    stream = b"".join(sentence(0, n) for n in range(count))
    line, port = wires(1), free_port()
    with copier(line.devices[0], port) as pid:
        reading = readers(port, 1, len(stream))
        before = processor_time(pid)
        pour(line.far, [stream])
        reading.communicate()
        spent = processor_time(pid) - before
    line.close()
    return spent / (len(stream) / 1e6)


def paced(far: list[int], seconds: float) -> int:
    """Write to each wire at the pace of its baud rate, a sentence at a time; bytes written."""
    size = len(sentence(0, 0))
    step = size * 10 / BAUD
    begin = time.monotonic()
    due = [begin + step * link / len(far) for link in range(len(far))]
    number = 0
    while min(due) < begin + seconds:
        link = min(range(len(far)), key=due.__getitem__)
        time.sleep(max(0.0, due[link] - time.monotonic()))
        os.write(far[link], sentence(link, number))
        number += 1
        due[link] += step
    return number * size


def paced_costs(seconds: float) -> tuple[float, float]:
    """Processor seconds for each megabyte delivered to each client at the true pace: the feed
    with all links and clients, and socat with one of each."""
    line, port = wires(LINKS), free_port()
    with feed(line.devices, port) as (pid, state):
        reading = readers(port, CLIENTS, 2**62)
        all_there(state, CLIENTS)
        before = processor_time(pid)
        size = paced(line.far, seconds)
        ours = (processor_time(pid) - before) / (size * CLIENTS / 1e6)
        reading.terminate()
        reading.communicate()
    line.close()
    line, port = wires(1), free_port()
    with copier(line.devices[0], port) as pid:
        reading = readers(port, 1, 2**62)
        before = processor_time(pid)
        size = paced(line.far, seconds)
        theirs = (processor_time(pid) - before) / (size / 1e6)
        reading.terminate()
        reading.communicate()
    line.close()
    return ours, theirs


def latencies(seconds: float) -> list[float]:
    """Measure the seconds from the last byte in to the first byte out at the worst-case load."""
    line, port = wires(LINKS), free_port()
    found: list[float] = []
    with feed(line.devices, port) as (_, state):
        # The other clients are there too, but do not share the clock's process.
        others = readers(port, CLIENTS - 1, 2**62)
        channel = socket.create_connection(("127.0.0.1", port))
        channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        channel.setblocking(False)
        all_there(state, CLIENTS)
        chooser = selectors.DefaultSelector()
        chooser.register(channel, selectors.EVENT_READ)
        size = len(sentence(0, 0))
        # Each link starts a sentence when the one before has left the wire; they are staggered.
        step = size * 10 / BAUD
        begin = time.monotonic() + 0.2
        due = [begin + step * link / LINKS for link in range(LINKS)]
        number = 0
        waiting: dict[bytes, float] = {}
        rest = b""
        while time.monotonic() < begin + seconds:
            link = min(range(LINKS), key=due.__getitem__)
            pause = due[link] - time.monotonic()
            # What has come is read first, even when we are late ourselves: that is no latency
            # of the feed's.
            if chooser.select(max(0.0, pause)):
                data = channel.recv(65536)
                now = time.monotonic()
                *lines, rest = (rest + data).split(b"\r\n")
                for text in lines:
                    found.append(now - waiting.pop(text))
                continue
            if pause > 0:
                continue
            text = sentence(link, number)
            number += 1
            waiting[text[:-2]] = time.monotonic()
            os.write(line.far[link], text)
            due[link] += step
        channel.close()
        others.terminate()
        others.communicate()
    line.close()
    return sorted(found)


def main() -> None:
    carried = throughput(LINKS, CLIENTS, MEGABYTES)
    worst = WORST / len(sentence(0, 0))
    delays = latencies(SECONDS)
    socat = copying(MEGABYTES)
    ours, theirs = paced_costs(SECONDS)
    figures: list[Ratio | Amount] = [
        Ratio(
            "a boat's worst case / what the feed carries without loss, in sentences a second",
            worst,
            carried.sentences_per_second,
            1 / 20,
            "/s",
        ),
        Amount("sentences lost at that load", carried.lost, 0, "sentences"),
        Amount("latency at worst-case load, median", 1000 * delays[len(delays) // 2], 1, "ms"),
        Amount("latency, 99th percentile", 1000 * delays[len(delays) * 99 // 100], 5, "ms"),
        Ratio(
            "processor time per megabyte delivered / socat's for one client",
            carried.processor_per_megabyte,
            socat,
            3,
            "s",
        ),
        Ratio("the same at the links' true pace", ours, theirs, 3, "s"),
    ]
    for figure in figures:
        print(figure.line())


if __name__ == "__main__":
    main()
