# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-page as systemd starts it, beside a real feed on pseudo-terminals."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import Any

from provision.bench.qemu.ports import hold_port, port_of
from provision.onboard.feed.daemon import Feed
from provision.onboard.page import __main__ as program
from tests.support.feed.rig import Bench, bench
from tests.support.page.boat import DPT, HDG, RMC, line, page_json

__all__ = ["bench"]


@contextmanager
def page(folder: Path, feed: str) -> Iterator[int]:
    """Start the program at the first connection, as boat-page.socket does."""
    config = folder / "page.json"
    config.write_text(json.dumps(page_json()))
    with hold_port() as held:
        port = port_of(held)
    command = ["systemd-socket-activate", f"--listen=127.0.0.1:{port}", "--"]
    command += [sys.executable, "-P", "-m", "provision.onboard.page"]
    command += ["--config", str(config), "--feed", feed]
    with subprocess.Popen(
        [*command[:2], "--setenv=PYTHONPATH", *command[2:]],
        env={"PYTHONPATH": str(Path(program.__file__).parents[3]), "PATH": "/usr/bin:/bin"},
        stderr=subprocess.DEVNULL,
    ) as running:
        try:
            yield port
        finally:
            running.terminate()


def get(port: int, path: str) -> bytes:
    """The body of a path's answer, once the program has started."""
    end = time.monotonic() + 20
    while True:
        asking = HTTPConnection("127.0.0.1", port, timeout=5)
        try:
            asking.request("GET", path, headers={"Host": "tern"})
            return asking.getresponse().read()
        except (OSError, HTTPException):
            assert time.monotonic() < end
            time.sleep(0.1)
        finally:
            asking.close()


def test_what_the_instruments_say_is_on_the_page_and_a_pulled_plug_within_two_seconds(
    bench: Bench, tmp_path: Path
) -> None:
    talks = {"gnss": {"RMC": 1.0}, "depth-log": {"DPT": 2.0, "MTW": 0.1}, "autopilot": {"HDG": 10}}
    terminals = {name: bench.link(name, baud=4800, talks=said) for name, said in talks.items()}

    async def read(port: int) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(await asyncio.to_thread(get, port, "/state.json"))
        return found

    async def play(feed: Feed) -> None:
        for name, body in (("gnss", RMC), ("depth-log", DPT), ("autopilot", HDG)):
            terminals[name].say(f"{line(body)}\r\n".encode())
        with page(tmp_path, bench.settings["state"]["socket"]) as port:
            found = await read(port)
            values = {value["key"]: value for value in found["values"]}
            assert values["position"]["text"][0].startswith("50°57.970")
            assert values["depth-below-keel"]["text"] == ["11.6"]
            assert values["heading"]["text"] == ["253°"]
            assert {value["source"] for value in values.values()} >= set(terminals)
            terminals["depth-log"].unplug()
            start = time.monotonic()
            while "depth-log is unplugged." not in {i["text"] for i in found["issues"]}:
                assert time.monotonic() - start < 2
                found = await read(port)

    bench.run(play)


def test_without_a_socket_it_says_what_is_needed(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "provision.onboard.page", "--config", str(tmp_path / "none")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1 and "boat-page.socket" in done.stderr
