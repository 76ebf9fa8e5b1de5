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
from provision.push.ansible.inventory import HALT_FILE
from provision.push.deployment import Deployment
from provision.push.options import PushOptions

Event = dict[str, Any]

#: Ansible looks for results a thousand times a second by default, and at every boat each time.
ANSIBLE_CONFIG = "[defaults]\ninternal_poll_interval = 0.01\n"

#: Characters of one event. What a boat sends is bounded before it becomes part of one.
MAX_EVENT_CHARS = 2**23

#: Seconds that a playbook gets to end after SIGTERM.
END_TIMEOUT_S = 10

#: Called with each event of the playbook as it comes; see callbacks/boat_events.py.
Listener = Callable[[Event], None]


@dataclass
class HostEvents:
    """Hold the playbook's events about one boat. Times are in seconds of the monotonic clock."""

    started: float
    ended: float
    steps: dict[str, float] = field(default_factory=dict)
    failures: list[Event] = field(default_factory=list)
    stats: dict[str, Any] = field(default_factory=dict)

    def add(self, event: Event) -> None:
        """Add one event."""
        self.ended = time.monotonic()
        if event["event"] == "step":
            self.steps[event["step"]] = self.ended
        elif event["event"] == "stats":
            self.stats |= event["data"]
        elif event["event"] in ("failed", "unreachable"):
            self.failures.append(event | {"at": self.ended})


def run_and_collect(
    deployments: Sequence[Deployment], folder: Path, options: PushOptions, listener: Listener | None
) -> dict[str, HostEvents]:
    """Run the playbook, and collect its events by boat."""
    start = time.monotonic()
    events_of = {boat.name: HostEvents(start, start) for boat in deployments}
    with closing(run_playbook(folder, options)) as events:
        for event in events:
            if "boat" in event:
                events_of[event["boat"]].add(event)
            if listener is not None:
                listener(event)
    return events_of


def run_playbook(folder: Path, options: PushOptions) -> Generator[Event, None, None]:
    """Run `roles/push.yml` over the inventory in `folder`, and yield its events as they come.

    Raise UserError when Ansible failed before its first event. Closing the generator ends it.
    """
    command = [
        *(sys.executable, "-P", "-m", "ansible", "playbook"),
        *("--inventory", str(folder / "inventory.json"), "--forks", str(options.at_once)),
        *(["--check"] if options.dry_run else []),
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
        has_events = False
        assert process.stdout is not None
        try:
            for line in lines(process.stdout):
                with suppress(ValueError):
                    event = read_json(line)
                    has_events = True
                    yield event
        except BaseException:
            _stop(process)
            raise
        if process.wait() != 0 and not has_events:
            errors.seek(0)
            output = errors.read(MAX_EVENT_CHARS).strip()[-2000:]
            raise UserError(
                f"ansible-playbook could not run: {output}",
                hint="nothing was changed; see that the installation is whole: tools/install",
            )


def lines(stream: IO[str]) -> Iterator[str]:
    """Yield the lines of a stream as they come, but none longer than `MAX_EVENT_CHARS`."""
    at_line_start = True
    while chunk := stream.readline(MAX_EVENT_CHARS):
        ends = chunk.endswith("\n") or len(chunk) < MAX_EVENT_CHARS
        if at_line_start and ends:
            yield chunk
        at_line_start = ends


def _stop(process: subprocess.Popen[str]) -> None:
    """End a playbook with its workers.

    Ansible itself would forget a worker that it has only just started. SIGSTOP keeps it from
    starting another meanwhile.
    """
    process.send_signal(signal.SIGSTOP)
    for children in Path(f"/proc/{process.pid}/task").glob("*/children"):
        with suppress(OSError):
            for worker in children.read_text().split():
                os.kill(int(worker), signal.SIGTERM)
    process.terminate()
    process.send_signal(signal.SIGCONT)
    try:
        process.wait(END_TIMEOUT_S)
    except subprocess.TimeoutExpired:
        process.kill()


def environment(folder: Path, stop_after: int) -> dict[str, str]:
    """Build the environment of Ansible for this run, without the user's own settings of it."""
    kept = {name: text for name, text in os.environ.items() if not name.startswith("ANSIBLE_")}
    return kept | {
        "PATH": search_path(),
        "LC_ALL": "C.UTF-8",
        "ANSIBLE_CONFIG": str(folder / "ansible.cfg"),
        "ANSIBLE_HOME": str(folder / "ansible"),
        "ANSIBLE_LOCAL_TEMP": str(folder / "ansible" / "tmp"),
        "ANSIBLE_STDOUT_CALLBACK": "boat_events",
        "ANSIBLE_CALLBACK_PLUGINS": str(Path(__file__).parent / "callbacks"),
        "BOAT_HALT": str(folder / HALT_FILE),
        "BOAT_STOP_AFTER": str(stop_after),
        # What runs on this machine leaves no file in the user's home.
        "ANSIBLE_PIPELINING": "true",
        "ANSIBLE_REMOTE_TMP": str(folder / "ansible" / "tmp"),
        "ANSIBLE_RETRY_FILES_ENABLED": "false",
        "ANSIBLE_NOCOLOR": "true",
    }
