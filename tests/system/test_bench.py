# SPDX-License-Identifier: GPL-3.0-or-later
"""A held bench, by somebody who has nothing of it but the command and what that prints."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from provision.bench.hold.client import find_held
from provision.bench.hold.control import send_command
from provision.bench.simulation.sentences import sentence
from tests.support.boats import Club
from tests.system.faults.fault import until


@contextmanager
def hold(club: Club, folder: Path) -> Iterator[tuple[subprocess.Popen[str], dict[str, Any]]]:
    """Hold a bench of kittiwake without instruments, its files in `folder`; yield its output."""
    words = ["--boats", club.folder, "--hold", "--json", "--instruments", "none"]
    with subprocess.Popen(
        [sys.executable, "-m", "provision", "bench", club.card("kittiwake"), *words],
        env={**os.environ, "TMPDIR": str(folder)},
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            text = ""
            for line in process.stdout:
                text += line
                if line == "}\n":
                    break
            yield process, json.loads(text)
        finally:
            process.kill()


@contextmanager
def playing(where: dict[str, Any], link: str) -> Iterator[Callable[[], bool]]:
    """Plays an instrument; gives what says a sentence, and whether a client of the feed gets it."""
    feed = (where["feed"]["host"], where["feed"]["port"])
    with socket.socket(socket.AF_UNIX) as wire, socket.create_connection(feed, 20) as client:
        wire.connect(where["links"][link])
        client.settimeout(2)
        numbers = count()

        def heard() -> bool:
            said = sentence("GPTXT", ["01", "01", "01", f"{next(numbers)}"])
            wire.sendall(said)
            with suppress(TimeoutError):
                while line := client.recv(4096):
                    if said in line:
                        return True
            return False

        yield heard


def banner(where: dict[str, Any]) -> bytes:
    """Return what the boat says to who comes by SSH; nothing when it does not answer."""
    try:
        with socket.create_connection((where["ssh"]["host"], where["ssh"]["port"]), 20) as stream:
            return stream.recv(4)
    except OSError:
        return b""


@pytest.fixture
def folder() -> Iterator[Path]:
    """pytest's own may have too long a name for sockets."""
    with tempfile.TemporaryDirectory(prefix="held-") as name:
        yield Path(name)


def test_a_held_bench(club: Club, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A user plays an instrument, pulls an adapter or the plug, puts them back, and leaves."""
    with hold(club, folder) as (process, where):
        monkeypatch.setattr(tempfile, "tempdir", str(folder))
        assert find_held() == where, "a replay finds it by itself"
        assert (where["boat"], where["ssh"]["user"]) == ("kittiwake", "root")
        assert where["links"].keys() == {"gnss", "depth-log", "ais", "autopilot"}
        assert where["tablet"]["address"].startswith("10.47.1.")
        assert where["tablet"]["heard"] == []
        assert banner(where) == b"SSH-"
        console, command = Path(where["console"]), Path(where["control"])
        with playing(where, "gnss") as heard:
            until(heard, "the sentence")
            assert send_command(command, "unplug gnss") == "ok"
            assert not heard()
            assert send_command(command, "plug gnss") == "ok"
            until(heard, "the sentence again")
        assert send_command(command, "power-cut") == "ok"
        assert banner(where) == b""
        assert send_command(command, "plug gnss") == "error: the boat has no power"
        printed = console.stat().st_size
        assert send_command(command, "power-on") == "ok"
        assert banner(where) == b"SSH-"
        assert console.stat().st_size > printed
        with playing(where, "ais") as heard:
            until(heard, "the sentence after the start")
        assert send_command(command, "quit") == "ok"
        assert process.wait(20) == 0
        assert list(folder.iterdir()) == []
        with pytest.raises(OSError):
            socket.create_connection((where["ssh"]["host"], where["ssh"]["port"]), 5)


def test_a_bench_that_is_ended_while_it_starts(club: Club, folder: Path) -> None:
    """The bench leaves neither a process nor a file."""
    card = club.card("kittiwake")
    with subprocess.Popen(
        [sys.executable, "-m", "provision", "bench", card, "--boats", club.folder],
        env={**os.environ, "TMPDIR": str(folder)},
        stdout=subprocess.DEVNULL,
        start_new_session=True,
    ) as process:
        until(lambda: any(folder.glob("bench-*/tablet")), "the emulator")
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 128 + signal.SIGTERM
    assert list(folder.iterdir()) == []
    found = subprocess.run(["pgrep", "-f", str(folder)], capture_output=True, check=False)
    assert found.stdout == b""
