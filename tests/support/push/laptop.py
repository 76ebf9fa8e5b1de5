# SPDX-License-Identifier: GPL-3.0-or-later
"""The laptop ashore: pushes from namespaces of its own, so that it can vanish at once.

Its network has the boats' own addresses and nothing else; each leads through a relay. What
runs in there ends with it, with no word to anybody, when it is killed.
"""

from __future__ import annotations

import json
import queue
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from provision.commands import environment, find, run
from provision.push.options import PushOptions
from provision.push.push import push
from provision.render import File, OpenBoat, Settings
from provision.render.archive import MANIFEST_PATH, build_settings
from provision.ssh.endpoint import SSH_PORT, Endpoint
from tests.support.boats import Club
from tests.support.push.lossy_link import LossyLink

#: Seconds in which something must be heard from a push.
EVENT_TIMEOUT_S = 240


@dataclass(frozen=True)
class Job:
    """Describes one push. `at` is the address where the boat is looked for first.

    `files` are settings that no profile leads to (path -> content), `damaged` says that the
    archive is not what its digest says.
    """

    boats: str
    boat: str
    at: str
    timer: int = 30
    prove: bool = False
    damaged: bool = False
    files: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Faulty(OpenBoat):
    """Stands for a boat whose settings come out wrong."""

    files: Mapping[str, str]
    damaged: bool

    def render(self) -> Settings:
        """Return the boat's settings with the faults in them."""
        settings = super().render()
        if self.files:
            entries = {p: entry for p, entry in settings.files.items() if p != MANIFEST_PATH}
            for path, text in self.files.items():
                old = entries[path]
                assert isinstance(old, File)
                entries[path] = replace(old, content=text.encode())
            about = {
                key: value
                for key, value in settings.manifest.items()
                if key not in ("format", "files")
            }
            settings = build_settings(entries, about)
        if self.damaged:
            middle = len(settings.archive) // 2
            pieces = settings.archive[:middle], b"?", settings.archive[middle + 1 :]
            settings = replace(settings, archive=b"".join(pieces))
        return settings


class Running:
    """Follows a push that runs on the laptop."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self._events: queue.Queue[dict[str, Any] | None] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._events.put(json.loads(line))
        self._events.put(None)

    def _next(self) -> dict[str, Any]:
        event = self._events.get(timeout=EVENT_TIMEOUT_S)
        if event is None:
            assert self._process.stderr is not None
            raise AssertionError(f"the push ended: {self._process.stderr.read()[-2000:]}")
        return event

    def wait_for(self, step: str) -> None:
        """Wait until a step begins."""
        while self._next() not in [{"event": "step", "step": step}]:
            pass

    def result(self) -> dict[str, Any]:
        """Return how it ended; see PushResult."""
        while True:
            event = self._next()
            if event["event"] == "result":
                self._process.wait()
                return event

    def kill(self) -> None:
        """SIGKILL for all of the laptop at once."""
        self._process.kill()
        self._process.wait()


@dataclass(frozen=True)
class Laptop:
    """Holds the relays by which the laptop reaches boats, by address."""

    links: dict[str, LossyLink]

    def start(self, job: Job) -> Running:
        """Begin a push."""
        links = {address: str(relay.path) for address, relay in self.links.items()}
        namespaces = ["--map-root-user", "--net", "--pid", "--fork", "--mount-proc"]
        # With unshare everything in there dies too: its child is process 1 of the others.
        command = [find("unshare"), *namespaces, "--kill-child=KILL", sys.executable]
        # And it goes with the tests.
        command = [find("setpriv"), "--pdeathsig", "KILL", "--", *command]
        return Running(
            subprocess.Popen(
                [*command, "-m", __name__, json.dumps(links), json.dumps(asdict(job))],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                env=environment(),
                cwd=Path(__file__).parents[3],
            )
        )

    def push(self, job: Job) -> dict[str, Any]:
        """Push from the beginning to the end."""
        return self.start(job).result()


def _network(links: Mapping[str, str]) -> None:
    """Have the boats' addresses here, each with an SSH port that leads to its relay."""
    run("ip", "link", "set", "lo", "up")
    for address, path in links.items():
        run("ip", "address", "add", f"{address}/32", "dev", "lo")
        server = socket.create_server((address, SSH_PORT))
        threading.Thread(target=_serve, args=(server, path), daemon=True).start()


def _serve(server: socket.socket, path: str) -> None:
    while True:
        near, _ = server.accept()
        far = socket.socket(socket.AF_UNIX)
        far.connect(path)
        for source, target in ((near, far), (far, near)):
            threading.Thread(target=_pump, args=(source, target), daemon=True).start()


def _pump(source: socket.socket, target: socket.socket) -> None:
    try:
        while data := source.recv(65536):
            target.sendall(data)
    except OSError:
        pass
    finally:
        for one in (source, target):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


def _say(event: Mapping[str, Any]) -> None:
    print(json.dumps(event), flush=True)


def _tell(event: Mapping[str, Any]) -> None:
    if event["event"] == "step":
        _say({"event": "step", "step": event["step"]})


def main() -> None:
    """Push in the laptop's namespaces, and report on standard output."""
    _network(json.loads(sys.argv[1]))
    job = Job(**json.loads(sys.argv[2]))
    open_boat = Club(Path(job.boats)).open_boat(job.boat)
    faulty = Faulty(open_boat.boat, open_boat.secrets, job.files, job.damaged)
    options = PushOptions(at={job.boat: Endpoint(job.at)}, timer=job.timer, prove=job.prove)
    (result,) = push([faulty], options, _tell)
    _say({"event": "result", **result.as_json()})


if __name__ == "__main__":
    main()
