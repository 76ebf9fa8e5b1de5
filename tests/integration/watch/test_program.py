# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-watch as systemd starts it, beside a feed that tells what the test says."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import socketserver
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.watch import __main__ as program
from provision.onboard.watch.memory.files import list_files, read_files
from tests.support.page.boat import HDG, heard, state

LINKS = {
    "gnss": {"kind": "link", "talks": {"RMC": 1.0}},
    "depth-log": {"kind": "link", "talks": {"DPT": 2.0}},
}

#: The daemon takes a sample a minute. These tests give it a clock that runs faster.
FAST = """
import asyncio, sys, types
from provision.onboard.watch import __main__ as program, daemon
waits = {{"sleep": lambda seconds: asyncio.sleep(seconds / {speed})}}
daemon.asyncio = types.SimpleNamespace(**{{**vars(asyncio), **waits}})
begun = daemon.time.clock_gettime(daemon.time.CLOCK_BOOTTIME)
real = daemon.elapsed
daemon.elapsed = lambda: real() + (real() - begun) * ({speed} - 1)
sys.exit(program.main(sys.argv[1:]))
"""


class Feed:
    """Answers on a UNIX socket with a state, as the feed does."""

    def __init__(self, path: Path) -> None:
        self.told: Any = state()
        outer = self

        class Answer(socketserver.BaseRequestHandler):
            def handle(self) -> None:
                self.request.sendall(json.dumps(outer.told).encode() + b"\n")

        path.unlink(missing_ok=True)
        self._server = socketserver.ThreadingUnixStreamServer(str(path), Answer)
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


def _drain(channel: socket.socket) -> None:
    """Read what the program tells systemd, which would else block once the socket is full."""
    with suppress(OSError):
        while channel.recv(100):
            pass


@dataclass
class Boat:
    """A folder with all that one boat-watch needs, and the running program."""

    folder: Path
    store: bool = True
    speed: float = 1.0

    @property
    def socket(self) -> Path:
        return self.folder / "run/history.sock"

    @contextmanager
    def running(self) -> Iterator[subprocess.Popen[bytes]]:
        config: dict[str, Any] = {"links": LINKS, "supply_alarm": None}
        if self.store:
            (self.folder / "kept").mkdir(exist_ok=True)
            config["store"] = {"folder": str(self.folder / "kept"), "cap": 2**20}
        (self.folder / "watch.json").write_text(json.dumps(config))
        code = FAST.format(speed=self.speed)
        command = [sys.executable, "-P", "-c", code]
        command += ["--config", str(self.folder / "watch.json"), "--socket", str(self.socket)]
        command += ["--feed", str(self.folder / "feed.sock")]
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as told:
            path = self.folder / "notify.sock"
            path.unlink(missing_ok=True)
            told.bind(str(path))
            told.settimeout(30)
            environment = {
                "PYTHONPATH": str(Path(program.__file__).parents[3]),
                "PATH": "/usr/bin:/bin",
                "NOTIFY_SOCKET": str(path),
                "MALLOC_ARENA_MAX": "1",
            }
            with subprocess.Popen(command, env=environment) as process:
                try:
                    assert told.recv(100) == b"READY=1"
                    threading.Thread(target=_drain, args=(told,), daemon=True).start()
                    yield process
                finally:
                    process.terminate()
                    try:
                        process.wait(20)
                    except subprocess.TimeoutExpired:
                        process.kill()
                        raise

    def ask(self) -> dict[str, Any]:
        with socket.socket(socket.AF_UNIX) as asking:
            asking.settimeout(20)
            asking.connect(str(self.socket))
            pieces = []
            while piece := asking.recv(65536):
                pieces.append(piece)
        found: dict[str, Any] = json.loads(b"".join(pieces))
        return found

    def until(self, true: Any, seconds: float = 30) -> dict[str, Any]:
        end = time.monotonic() + seconds
        while not true(told := self.ask()):
            assert time.monotonic() < end, told
            time.sleep(0.05)
        return told


@pytest.fixture
def feed(tmp_path: Path) -> Iterator[Feed]:
    made = Feed(tmp_path / "feed.sock")
    yield made
    made.close()


def test_it_samples_at_once_and_answers(tmp_path: Path, feed: Feed) -> None:
    feed.told = state({"depth-log": heard(HDG, age=90.0, load=0.0)})
    boat = Boat(tmp_path)
    with boat.running():
        told = boat.ask()
    assert told["format"] == 1 and told["sampled"] < 20 and told["kept"] == "card"
    assert told["day"]["whole"]["minutes"] == 1
    links = told["day"]["whole"]["links"]
    assert links["gnss"] == {"heard": 1, "garbled": 0, "silent": 0, "absent": 0}
    assert links["depth-log"]["silent"] == 1
    assert told["day"]["whole"]["least"]["memory"] > 0


def test_only_its_user_and_group_may_ask(tmp_path: Path, feed: Feed) -> None:
    boat = Boat(tmp_path)
    with boat.running():
        assert boat.socket.stat().st_mode & 0o777 == 0o660


def test_the_command_prints_what_the_socket_tells(
    tmp_path: Path, feed: Feed, capsys: pytest.CaptureFixture[str]
) -> None:
    boat = Boat(tmp_path)
    with boat.running():
        assert program.main(["--history", "--socket", str(boat.socket)]) == 0
        whole = json.loads(capsys.readouterr().out)
        assert program.main(["--concerns", "--socket", str(boat.socket)]) == 0
        short = json.loads(capsys.readouterr().out)
    assert {"day", "month"} <= whole.keys()
    assert short.keys() == {"format", "sampled", "concerns"}
    boat.socket.unlink(missing_ok=True)
    assert program.main(["--history", "--socket", str(boat.socket)]) == 2
    assert "no boat-watch answers" in capsys.readouterr().err


def test_feed_gone_and_back_again(tmp_path: Path, feed: Feed) -> None:
    boat = Boat(tmp_path, speed=60.0)
    with boat.running():
        feed.told = "nonsense"
        boat.until(lambda told: told["day"]["whole"]["sums"]["deaf"] > 0)
        feed.told = state(running=0.0)
        boat.until(lambda told: told["day"]["whole"]["sums"]["restarts"] > 0)


def test_what_was_kept_comes_back_after_a_start(tmp_path: Path, feed: Feed) -> None:
    boat = Boat(tmp_path, speed=1200.0)
    with boat.running() as process:
        # An hour of the boat is three seconds here: its end is written by itself.
        before = boat.until(lambda told: told["day"]["whole"]["minutes"] > 70)
        process.terminate()
        assert process.wait(20) == 0
    blocks = list(read_files(str(tmp_path / "kept"), 2**20))
    assert len(blocks) >= 3, "one at the start, one of the hour, one at the end"
    assert sum(block.there.count(b"1") for block in blocks) >= 71
    with Boat(tmp_path).running():
        after = boat.ask()
    assert after["day"]["whole"]["minutes"] + after["month"]["whole"]["minutes"] >= 70
    assert before["kept"] == after["kept"] == "card"


def test_killed_it_loses_what_was_not_written_and_nothing_else(tmp_path: Path, feed: Feed) -> None:
    boat = Boat(tmp_path)
    with boat.running() as process:
        end = time.monotonic() + 20
        while not list(read_files(str(tmp_path / "kept"), 2**20)):
            assert time.monotonic() < end
            time.sleep(0.05)
        process.send_signal(signal.SIGKILL)
    (name,) = list_files(str(tmp_path / "kept"))
    torn = tmp_path / "kept" / name
    torn.write_bytes(torn.read_bytes() + torn.read_bytes()[:40])
    with boat.running() as process:
        assert boat.ask()["day"]["whole"]["starts"] == 1
        process.terminate()
        process.wait(20)
    assert list_files(str(tmp_path / "kept"))[0] == name
    assert len(list_files(str(tmp_path / "kept"))) == 2, "a torn file is not continued"


def test_without_a_log_nothing_is_written(tmp_path: Path, feed: Feed) -> None:
    boat = Boat(tmp_path, store=False)
    with boat.running():
        assert boat.ask()["kept"] == "memory"
    assert not (tmp_path / "kept").exists()


def test_a_card_that_is_gone_is_a_concern(tmp_path: Path, feed: Feed) -> None:
    boat = Boat(tmp_path, speed=600.0)
    with boat.running():
        boat.until(lambda told: told["kept"] == "card" and list_files(str(tmp_path / "kept")))
        shutil.rmtree(tmp_path / "kept")
        boat.until(lambda told: told["kept"] == "failing")
        told = boat.until(lambda told: told["concerns"])
        assert "card-history" in {one["key"] for one in told["concerns"]}
        (tmp_path / "kept").mkdir()
        boat.until(lambda told: told["kept"] == "card")


def test_half_open_and_silent_clients_hold_nothing_up(tmp_path: Path, feed: Feed) -> None:
    boat = Boat(tmp_path)
    with boat.running():
        deaf = []
        for _ in range(100):
            channel = socket.socket(socket.AF_UNIX)
            channel.connect(str(boat.socket))
            deaf.append(channel)
        assert boat.ask()["sampled"] is not None
        for channel in deaf:
            channel.close()


def test_memory_stays_below_the_units_limit(tmp_path: Path, feed: Feed) -> None:
    """Thirty days of twelve links, loaded from the card, beside a hundred questions."""
    from provision.onboard.watch.memory.block import write_block  # noqa: PLC0415
    from provision.onboard.watch.memory.files import Files, pack  # noqa: PLC0415
    from tests.support.watch.past import NOON, history, sample  # noqa: PLC0415

    (tmp_path / "kept").mkdir()
    made, run = history(), Files(str(tmp_path / "kept"), 2**21)
    made.present.offset = NOON - 31 * 86400
    names = [f"instrument-{number}" for number in range(12)]
    LINKS_BEFORE = dict(LINKS)
    LINKS.update({name: {"kind": "link", "talks": {"MWV": 1.0}} for name in names})
    try:
        for hour in range(30 * 24):
            for minute in range(60):
                links = dict.fromkeys(names, "h")
                made.add(hour * 3600 + minute * 60, sample(links, celsius=40 + minute % 9))
            run.append(pack(write_block(made.present, made.hours[-1], 0, 60)))
        boat = Boat(tmp_path)
        with boat.running() as process:
            for _ in range(100):
                told = boat.ask()
            status = Path(f"/proc/{process.pid}/status").read_text()
        assert told["month"]["whole"]["minutes"] > 0 or told["day"]["whole"]["minutes"] > 0
        resident = next(line for line in status.splitlines() if line.startswith("VmHWM:"))
        assert int(resident.split()[1]) < 48 * 1024, resident
    finally:
        LINKS.clear()
        LINKS.update(LINKS_BEFORE)


def test_wrong_use_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert program.main(["--odd"]) == 2
    assert program.main(["odd"]) == 2
    assert program.main(["--help"]) == 0
    assert "boat-watch --history" in capsys.readouterr().out
    assert program.main(["--config", str(tmp_path / "none")]) == 1
    (tmp_path / "watch.json").write_text('{"links": 3}')
    assert program.main(["--config", str(tmp_path / "watch.json")]) == 1
