# SPDX-License-Identifier: GPL-3.0-or-later
"""The private folder of a push: nothing of it stays, however the push ends."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from provision.push import workspace as module
from provision.push.workspace import workspace, write_private

KILLED = """
import os, signal
from provision.push.workspace import workspace, write_private
with workspace() as folder:
    write_private(folder / "secret", "secret")
    print(folder, flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""

#: A command that lasts.
LASTS = """
import sys, time
from provision.cli import main
from provision.cli.common import app
from provision.push.workspace import workspace
@app.command()
def last():
    with workspace() as folder:
        print(folder, flush=True)
        time.sleep(60)
sys.argv = ["provision", "last"]
main()
"""


@pytest.fixture
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Let the system offer RAM in a folder, however long its name is."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setattr("provision.push.workspace.MAX_FOLDER_BYTES", 1000)
    return tmp_path


def test_it_is_private_and_gone_at_the_end(runtime: Path) -> None:
    with workspace() as folder:
        assert folder.parent == runtime
        assert folder.stat().st_mode & 0o777 == 0o700
        assert write_private(folder / "a", "b").stat().st_mode & 0o777 == 0o600
    assert list(runtime.iterdir()) == []


def test_a_killed_push_leaves_it_to_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("XDG_RUNTIME_DIR", raising=False)
    done = subprocess.run(
        [sys.executable, "-c", KILLED], capture_output=True, text=True, check=False
    )
    left = Path(done.stdout.strip())
    assert (left / "secret").exists()
    with workspace() as folder:
        assert folder.parent == left.parent
        assert not left.exists()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_command_that_is_ended_leaves_nothing(number: signal.Signals) -> None:
    """A closed terminal ends the command, too."""
    command = subprocess.Popen([sys.executable, "-c", LASTS], stdout=subprocess.PIPE, text=True)
    assert command.stdout is not None
    folder = Path(command.stdout.readline().strip())
    assert folder.is_dir()
    command.send_signal(number)
    assert command.wait(10) == 128 + number
    assert not folder.exists()


def test_a_new_one_is_not_taken_for_a_killed_pushs(
    runtime: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another push may sweep in the moment before it is held."""
    make, made = tempfile.mkdtemp, list[str]()

    def swept_at_once(**how: str) -> str:
        made.append(make(**how))
        if len(made) == 1:
            module._sweep(runtime)
        return made[-1]

    monkeypatch.setattr(tempfile, "mkdtemp", swept_at_once)
    with workspace() as folder:
        assert folder.is_dir()
    assert len(made) == 2


def test_another_push_that_runs_is_left_alone(runtime: Path) -> None:
    with workspace() as one, workspace():
        assert one.is_dir()


def test_what_systemd_offers_a_user_is_not_too_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that no secret is written to a disk; a boat's name may have 16 letters."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/run/user/1000")
    monkeypatch.setattr("os.access", lambda *_: True)
    assert module._parents()[0] == Path("/run/user/1000")
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert module._parents()[0] == Path(module.SHARED_MEMORY)


def test_a_path_too_long_for_sockets_is_not_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deep = tmp_path / ("x" * 100)
    deep.mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(deep))
    with workspace() as folder:
        assert folder.parent != deep
