# SPDX-License-Identifier: GPL-3.0-or-later
"""The program as the boat runs it."""

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.onboard.feed import daemon
from provision.onboard.feed.__main__ import main
from provision.onboard.feed.config.parse import parse
from provision.onboard.feed.daemon import Feed
from tests.support.feed.rig import GLL, Bench, Tablet, port_of, until

ROOT = Path(__file__).parents[3]


def free_port() -> int:
    with socket.socket() as channel:
        channel.bind(("127.0.0.1", 0))
        return int(channel.getsockname()[1])


@contextmanager
def program(config: Path, **environment: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "provision.onboard.feed", "--config", str(config)],
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait(10)


@pytest.fixture
def config(bench: Bench) -> Path:
    bench.link("gnss")
    bench.settings["outputs"]["tcp"]["port"] = free_port()
    path = bench.folder / "feed.json"
    path.write_text(json.dumps(bench.settings))
    return path


def test_it_tells_systemd_feeds_tells_its_state_and_ends(bench: Bench, config: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(bench.folder / "notify"))
        systemd.settimeout(10)
        environment = {
            "NOTIFY_SOCKET": str(bench.folder / "notify"),
            "WATCHDOG_USEC": "200000",
            "JOURNAL_STREAM": "8:1",
        }
        with program(config, **environment) as process:
            assert systemd.recv(100) == b"READY=1"
            begin = time.monotonic()
            assert [systemd.recv(100) for _ in range(4)] == [b"WATCHDOG=1"] * 4
            assert 0.25 < time.monotonic() - begin < 2
            tablet = Tablet(bench.settings["outputs"]["tcp"]["port"])
            asking = [sys.executable, "-m", "provision.onboard.feed", "--state", "--socket"]
            deadline = time.monotonic() + 10
            while not tablet.look() and time.monotonic() < deadline:
                bench.instruments["gnss"].say(GLL)
                time.sleep(0.05)
            told = json.loads(
                subprocess.run(
                    [*asking, bench.settings["state"]["socket"]],
                    cwd=ROOT,
                    capture_output=True,
                    check=True,
                ).stdout
            )
            assert told["links"]["gnss"]["sentences"] >= 1
            tablet.close()
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 0
            assert process.stderr is not None
            assert process.stderr.read().startswith("<6>gnss: ")


def test_it_carries_no_tls_and_is_small(bench: Bench, config: Path) -> None:
    with program(config) as process:
        deadline = time.monotonic() + 10
        while not Path(bench.settings["state"]["socket"]).exists():
            assert time.monotonic() < deadline
            time.sleep(0.02)
        maps = Path(f"/proc/{process.pid}/maps").read_text()
        status = Path(f"/proc/{process.pid}/status").read_text()
    assert "libssl" not in maps
    resident = int(status.split("VmRSS:")[1].split()[0])
    assert resident < 30 * 1024


def test_bad_usage_and_bad_configuration(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--bogus"]) == 2
    assert main(["file"]) == 2
    assert main(["--config", str(tmp_path / "none")]) == 2
    assert main(["--state", "--socket", str(tmp_path / "none")]) == 2
    assert "Traceback" not in capsys.readouterr().err
    assert main(["--help"]) == 0
    assert "--config FILE" in capsys.readouterr().out


def test_a_taken_port_ends_it_with_status_1(config: Path, bench: Bench) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", bench.settings["outputs"]["tcp"]["port"]))
        other.listen()
        with program(config) as process:
            assert process.wait(10) == 1
            assert process.stderr is not None
            said = process.stderr.read()
    assert "in use" in said and "Traceback" not in said


def test_only_the_standard_library_and_itself_are_imported() -> None:
    names = subprocess.run(
        [
            *(sys.executable, "-S", "-c"),
            "import sys; sys.path.insert(0, '.'); import provision.onboard.feed.daemon, "
            "provision.onboard.feed.__main__; print(*sys.modules)",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    allowed = set(sys.stdlib_module_names) | {"provision", "__main__", "serial"}
    assert {name.split(".")[0] for name in names} <= allowed
    ours = {name for name in names if name.startswith("provision.")}
    assert all((name + ".").startswith("provision.onboard.") for name in ours)


def test_a_fault_of_our_own_is_named_once_and_the_feed_goes_on(
    bench: Bench, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        broken = feed.router.publish
        monkeypatch.setattr(feed.links[0]._ingest, "_deliver", lambda _: 1 // 0)
        for _ in range(5):
            gnss.say(GLL)
            await asyncio.sleep(0.01)
        monkeypatch.setattr(feed.links[0]._ingest, "_deliver", broken)
        gnss.say(GLL)
        await until(lambda: tablet.look() == GLL)
        tablet.close()

    bench.run(play)
    assert caplog.text.count("ZeroDivisionError") == 1


def test_a_fault_in_the_background_ends_it(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon, "WATCH_S", 0.01)
    monkeypatch.setattr(daemon.SteeringGate, "watch", lambda *_: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        asyncio.run(daemon.run(parse(bench.settings)))
