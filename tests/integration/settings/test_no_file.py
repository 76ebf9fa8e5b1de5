# SPDX-License-Identifier: GPL-3.0-or-later
"""An entry on the card that is not a file stops no process of boat-settings."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from provision.onboard.settings.errors import Exit
from tests.support.settings.boat import NEW, OLD, Boat, pack

DATA, DIGEST = pack(NEW)


@pytest.mark.parametrize("kind", ["pipe", "folder", "endless", "deep"])
@pytest.mark.parametrize(
    "name", ["kept", "previous", "staged.json", "last-return.json", f"{pack(OLD)[1]}.tar"]
)
def test_what_is_no_file_on_the_card_stops_nothing(boat: Boat, name: str, kind: str) -> None:
    path = boat.paths.store / name
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "endless":
        path.symlink_to("/dev/zero")
    else:
        path.write_bytes(b"[" * 100_000)
    boat.paths.settings.unlink()
    words = ["--root", boat.paths.root, "status", "--json"]
    command = [sys.executable, "-m", "provision.onboard.settings", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    whole = name not in ("kept", f"{pack(OLD)[1]}.tar")
    assert json.loads(done.stdout)["kept_whole"] is whole


def test_a_pipe_given_as_the_archive(boat: Boat, tmp_path: Path) -> None:
    os.mkfifo(pipe := tmp_path / "pipe")
    words = ["trial", pipe, "--sha256", DIGEST, "--seconds", 60, "--owner", "ann"]
    command = ["-m", "provision.onboard.settings", "--root", boat.paths.root, *words]
    done = subprocess.run(
        [sys.executable, *map(str, command)],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == Exit.UNABLE
    assert "not a regular file" in done.stderr
