# SPDX-License-Identifier: GPL-3.0-or-later
"""Run the playbook over boats, and collect what it reports about each."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from provision.bounded import read_json
from provision.commands import search_path
from provision.errors import UserError
from provision.paths import shipped
from provision.push.inventory import HALT, Wanted
from provision.push.options import PushOptions

Event = dict[str, Any]

#: Ansible looks for results a thousand times a second by default, and at every boat each time.
CONFIG = "[defaults]\ninternal_poll_interval = 0.01\n"

#: Characters of one event; what a boat says in it is bounded before, and is written as JSON.
MAX_EVENT_CHARS = 2**23

#: Seconds that a playbook gets to end when it is told to.
PATIENCE = 10

#: Called with each event of the playbook as it comes; see callbacks/boat_events.py.
Listener = Callable[[Event], None]


@dataclass
class Story:
    """What the playbook told about one boat; times are on the monotonic clock, in seconds."""

    started: float
    ended: float
    stages: dict[str, float] = field(default_factory=dict)
    failures: list[Event] = field(default_factory=list)
    said: dict[str, Any] = field(default_factory=dict)

    def add(self, event: Event) -> None:
        """Take one event in."""
        self.ended = time.monotonic()
        if event["event"] == "stage":
            self.stages[event["stage"]] = self.ended
        elif event["event"] == "said":
            self.said |= event["data"]
        elif event["event"] in ("failed", "unreachable"):
            self.failures.append(event | {"at": self.ended})


def tell(
    wanted: Sequence[Wanted], folder: Path, options: PushOptions, listener: Listener | None
) -> dict[str, Story]:
    """Run the playbook, and gather what it told about each boat."""
    start = time.monotonic()
    stories = {boat.reach.boat: Story(start, start) for boat in wanted}
    with closing(play(folder, options)) as events:
        for event in events:
            if "boat" in event:
                stories[event["boat"]].add(event)
            if listener is not None:
                listener(event)
    return stories


def play(folder: Path, options: PushOptions) -> Generator[Event, None, None]:
    """Run `roles/push.yml` over the inventory in `folder`; yields its events as they come.

    UserError when it ended badly without a single one. Whoever stops listening ends it.
    """
    command = [
        *(sys.executable, "-P", "-m", "ansible", "playbook"),
        *("--inventory", str(folder / "inventory.json"), "--forks", str(options.at_once)),
        *(["--check"] if options.check else []),
        str(shipped("roles") / "push.yml"),
    ]
    with (
        open(folder / "ansible.err", "w+", encoding="utf-8", errors="replace") as errors,
        subprocess.Popen(
            command,
            env=environment(folder, options.stop_after),
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            errors="replace",
        ) as process,
    ):
        begun = False
        assert process.stdout is not None
        try:
            for line in lines(process.stdout):
                with suppress(ValueError):
                    event = read_json(line)
                    begun = True
                    yield event
        except BaseException:
            _end(process)
            raise
        if process.wait() != 0 and not begun:
            errors.seek(0)
            told = errors.read(MAX_EVENT_CHARS).strip()[-2000:]
            raise UserError(f"ansible-playbook could not run: {told}")


def lines(stream: IO[str]) -> Iterator[str]:
    """The lines of a stream as they come, without those of more than `MAX_EVENT_CHARS`."""
    whole = True
    while piece := stream.readline(MAX_EVENT_CHARS):
        ends = piece.endswith("\n") or len(piece) < MAX_EVENT_CHARS
        if whole and ends:
            yield piece
        whole = ends


def _end(process: subprocess.Popen[str]) -> None:
    """End a playbook that nobody listens to any more, with its workers.

    By itself it forgets a worker that has only just begun; held, it begins with no other.
    """
    process.send_signal(signal.SIGSTOP)
    for children in Path(f"/proc/{process.pid}/task").glob("*/children"):
        with suppress(OSError):
            for worker in children.read_text().split():
                os.kill(int(worker), signal.SIGTERM)
    process.terminate()
    process.send_signal(signal.SIGCONT)
    try:
        process.wait(PATIENCE)
    except subprocess.TimeoutExpired:
        process.kill()


def environment(folder: Path, stop_after: int) -> dict[str, str]:
    """Ansible's own settings for this run; the user's do not reach it."""
    kept = {name: text for name, text in os.environ.items() if not name.startswith("ANSIBLE_")}
    return kept | {
        "PATH": search_path(),
        "LC_ALL": "C.UTF-8",
        "ANSIBLE_CONFIG": str(folder / "ansible.cfg"),
        "ANSIBLE_HOME": str(folder / "ansible"),
        "ANSIBLE_LOCAL_TEMP": str(folder / "ansible" / "tmp"),
        "ANSIBLE_STDOUT_CALLBACK": "boat_events",
        "ANSIBLE_CALLBACK_PLUGINS": str(Path(__file__).parent / "callbacks"),
        "BOAT_HALT": str(folder / HALT),
        "BOAT_STOP_AFTER": str(stop_after),
        # What runs on this machine leaves no file in the user's home.
        "ANSIBLE_PIPELINING": "true",
        "ANSIBLE_REMOTE_TMP": str(folder / "ansible" / "tmp"),
        "ANSIBLE_RETRY_FILES_ENABLED": "false",
        "ANSIBLE_NOCOLOR": "true",
    }
