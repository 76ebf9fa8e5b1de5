# SPDX-License-Identifier: GPL-3.0-or-later
"""Call boat-settings on a booted boat, with new settings in an archive."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.settings.cli import main
from tests.support.settings.boat import NEW, OLD, Boat, pack

DATA, DIGEST = pack(NEW)
HOME = pack(OLD)[1]


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Return the archive of the settings NEW."""
    path = tmp_path / "new.tar"
    path.write_bytes(DATA)
    return path


def call(
    boat: Boat, *arguments: object, capfd: pytest.CaptureFixture[str]
) -> tuple[int, dict[str, Any]]:
    """Return the exit status and the JSON of a command."""
    words = ["--root", str(boat.paths.root), *map(str, arguments)]
    status = main(words, boat.again().system)
    return status, json.loads(capfd.readouterr().out)


def tried(archive: Path, owner: str = "ann") -> tuple[object, ...]:
    """Return the words that put the settings of `archive` on trial."""
    return ("trial", archive, "--sha256", DIGEST, "--seconds", "60", "--owner", owner)
