# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure what ten tablets with the boat's page cost the feed and the page.

    python -m tests.measure.tablets [--minutes 60]

A feed carries ten links of a sailing boat, and a client measures how late its sentences are. In
every other half minute ten tablets have the page open, each with its own event stream. The page's
memory is its resident set after the first tablets and at the end.
"""

from __future__ import annotations

import argparse
import json
import os
import selectors
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from provision.onboard.feed.state_query import ask
from tests.measure.feed import ROOT, Wires, feed, free_port, sentence, wires
from tests.measure.figures import Amount
from tests.support.page.boat import page_json

TABLETS, LINKS = 10, 10

#: Sentences a second of all links together, as of a boat with a compass of ten a second.
RATE = 30

#: Seconds with tablets, and without, in turn.
BLOCK_S = 30.0

EVENTS = b"GET /events HTTP/1.1\r\nHost: tern\r\n\r\n"


@contextmanager
def page(folder: Path, state: Path) -> Iterator[tuple[int, int]]:
    """Give a running page: its process id and its port."""
    config = folder / "page.json"
    config.write_text(json.dumps(page_json()))
    port = free_port()
    command = [sys.executable, "-P", "-m", "provision.onboard.page", "--config", str(config)]
    with subprocess.Popen(
        [
            *("systemd-socket-activate", "--setenv=PYTHONPATH", f"--listen=127.0.0.1:{port}", "--"),
            *(*command, "--feed", str(state)),
        ],
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "MALLOC_ARENA_MAX": "1"},
        stderr=subprocess.DEVNULL,
    ) as running:
        try:
            time.sleep(1)
            with socket.create_connection(("127.0.0.1", port), 10) as first:
                first.sendall(EVENTS)
                first.recv(1)
            # systemd-socket-activate becomes the program when somebody connects.
            yield running.pid, port
        finally:
            running.terminate()


def resident(pid: int) -> float:
    """Return the resident memory of a process in MiB (proc(5))."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024


def latencies(line: Wires, client: socket.socket, seconds: float, number: int) -> list[float]:
    """Send sentences at their pace, and return how many seconds late each comes."""
    chooser = selectors.DefaultSelector()
    chooser.register(client, selectors.EVENT_READ)
    found, waiting, rest = [], {}, b""
    due, end = time.monotonic(), time.monotonic() + seconds
    while time.monotonic() < end or waiting:
        pause = due - time.monotonic()
        if chooser.select(max(0.0, pause)):
            data, now = client.recv(65536), time.monotonic()
            *lines, rest = (rest + data).split(b"\r\n")
            found += [now - waiting.pop(text) for text in lines]
        elif time.monotonic() < end:
            text = sentence(number % LINKS, number)
            waiting[text[:-2]] = time.monotonic()
            os.write(line.far[number % LINKS], text)
            number += 1
            due += 1 / RATE
        elif time.monotonic() > end + 5:
            raise RuntimeError(f"{len(waiting)} sentences are lost")
    return found


@contextmanager
def tablets(port: int) -> Iterator[list[socket.socket]]:
    """Have ten tablets look at the page, and read what comes."""
    with ExitStack() as stack:
        opened = []
        for _ in range(TABLETS):
            one = stack.enter_context(socket.create_connection(("127.0.0.1", port), 10))
            one.sendall(EVENTS)
            opened.append(one)
        yield opened


def drain(opened: list[socket.socket]) -> int:
    """Read all that has come to the tablets. Return the events."""
    events = 0
    for one in opened:
        one.setblocking(False)
        try:
            while data := one.recv(2**20):
                events += data.count(b"data: ")
        except BlockingIOError:
            continue
    return events


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=6)
    blocks = round(parser.parse_args().minutes * 60 / BLOCK_S / 2)
    line, port = wires(LINKS), free_port()
    without: list[float] = []
    with_tablets: list[float] = []
    events, number = 0, 0
    with (
        tempfile.TemporaryDirectory() as folder,
        feed(line.devices, port) as (_, state),
        page(Path(folder), state) as (pid, page_port),
        socket.create_connection(("127.0.0.1", port)) as client,
    ):
        while not ask(str(state))["outputs"]["tcp"]["clients"]:
            time.sleep(0.05)
        first = 0.0
        for _ in range(blocks):
            without += latencies(line, client, BLOCK_S, number)
            number += round(RATE * BLOCK_S) + RATE
            with tablets(page_port) as opened:
                for _ in range(round(BLOCK_S)):
                    with_tablets += latencies(line, client, 1.0, number)
                    number += 2 * RATE
                    events += drain(opened)
            first = first or resident(pid)
        grown = resident(pid) - first
    line.close()
    if events < blocks * TABLETS * (BLOCK_S - 5):
        raise RuntimeError(f"the tablets got {events} events only")
    later = 1000 * (statistics.median(with_tablets) - statistics.median(without))
    what = f"{TABLETS} tablets with the page, {2 * blocks * BLOCK_S / 60:.0f} min"
    print(Amount(f"{what}: the feed's median latency grows by", later, 1.0, "ms").line())
    print(Amount(f"{what}: the page's memory grows by", grown, 1.0, "MiB").line())
    print(Amount(f"{what}: the page's memory", first + grown, 32, "MiB").line())


if __name__ == "__main__":
    main()
