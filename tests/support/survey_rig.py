# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat's real feed and the survey's program beside it, in processes of their own."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Thread
from typing import Any

from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.state_query import ask
from provision.survey.remote.boat import session_over
from provision.survey.remote.bundle import COMMAND
from provision.survey.remote.session import Session
from tests.support.feed.rig import Instrument, Tablet, numbered


def wait_until(condition: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait until something is so; fail when it is not so in time."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "not in time"
        time.sleep(0.02)


@dataclass
class RunningFeed:
    """A feed whose configuration is in `folder`."""

    folder: Path
    process: subprocess.Popen[bytes]

    @property
    def places(self) -> dict[str, str]:
        """Where the survey's program finds what is in /etc, /sys and /run aboard."""
        (self.folder / "sys/class/tty").mkdir(parents=True, exist_ok=True)
        return {
            "config": str(self.folder / "feed.json"),
            "sys": str(self.folder / "sys"),
            "trial": str(self.folder / "trial.json"),
        }

    def state(self) -> dict[str, Any]:
        return ask(str(self.folder / "state.sock"))

    def link(self, name: str) -> dict[str, Any]:
        """What the feed tells of a link."""
        return dict(self.state()["links"][name])

    def has(self, name: str) -> bool:
        """Whether the feed has a link's port open."""
        return bool(self.link(name)["present"])

    def tablet(self) -> Tablet:
        return Tablet(self.state()["outputs"]["tcp"]["port"])


@contextmanager
def running_feed(folder: Path, links: dict[str, Any], **keys: Any) -> Iterator[RunningFeed]:
    """Run boat-feed with these links until the block ends."""
    settings = {
        "links": links,
        "outputs": {"tcp": {"port": 0, "address": "127.0.0.1"}},
        "state": {"socket": str(folder / "state.sock"), "pause": str(folder / "pause.sock")},
        **keys,
    }
    (folder / "feed.json").write_text(json.dumps(settings))
    command = [sys.executable, "-m", "provision.onboard.feed"]
    with subprocess.Popen([*command, "--config", str(folder / "feed.json")]) as process:
        feed = RunningFeed(folder, process)

        def runs() -> bool:
            assert process.poll() is None
            try:
                told = feed.state()["links"]
            except ConfigError:
                return False
            there = [name for name, link in links.items() if Path(link["device"]).exists()]
            return all(told[name]["present"] for name in there)

        try:
            wait_until(runs)
            yield feed
        finally:
            process.terminate()


class Talking:
    """An instrument that numbers its sentences."""

    def __init__(self, device: Path, pause: float = 0.05) -> None:
        self.instrument, self.said = Instrument(device), 0
        self._stop, self._pause = Event(), pause
        self._thread = Thread(target=self._talk, daemon=True)

    def __enter__(self) -> Talking:
        self._thread.start()
        return self

    def _talk(self) -> None:
        while not self._stop.wait(self._pause):
            self.instrument.say(numbered(self.said))
            self.said += 1

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def missing(self, tablet: Tablet, first: int) -> list[int]:
        """The numbers from `first` on that a tablet has not been sent. Call it after the end."""
        wait_until(lambda: numbered(self.said - 1) in tablet.look())
        lines = set(tablet.seen.splitlines(keepends=True))
        return [number for number in range(first, self.said) if numbered(number) not in lines]


@dataclass
class Aboard:
    """The survey's program, as sshd would start it."""

    process: subprocess.Popen[bytes]
    wire: socket.socket
    session: Session


@contextmanager
def aboard(places: dict[str, str], *devices: str) -> Iterator[Aboard]:
    """Run the program with a session to it until the block ends."""
    near, far = socket.socketpair()
    # As aboard: Debian's python3, and nothing of the environment.
    empty: dict[str, str] = {}
    end = far.fileno()
    process = subprocess.Popen(["sh", "-c", COMMAND], stdin=end, stdout=end, env=empty, cwd="/")
    far.close()
    try:
        with session_over(near, devices, places) as session:
            yield Aboard(process, near, session)
    finally:
        process.kill()
        process.wait()
