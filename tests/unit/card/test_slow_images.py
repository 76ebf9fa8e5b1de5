# SPDX-License-Identifier: GPL-3.0-or-later
"""An image that is never done being read is refused after a while."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from provision.card.layout import filesystems
from provision.errors import UserError


@pytest.fixture
def mcopy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a program that takes the place of mtools' own."""
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    program = tmp_path / "mcopy"
    program.touch(0o755)
    return program


def test_a_file_that_never_comes_is_waited_for_no_longer(
    mcopy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(filesystems, "READ_TIMEOUT_S", 0.5)
    mcopy.write_text("#!/bin/sh\nexec sleep 30\n")
    start = time.monotonic()
    with pytest.raises(UserError, match=r"was not read in 0\.5 s"):
        filesystems.read_fat("image@@0", "boat.json")
    assert time.monotonic() - start < 20


@pytest.mark.parametrize("where", ["", " >&2"])
def test_a_file_without_end_is_read_no_further(mcopy: Path, where: str) -> None:
    mcopy.write_text(f"#!/bin/sh\nexec cat /dev/zero{where}\n")
    with pytest.raises(UserError, match="has more than 4096 bytes"):
        filesystems.read_fat("image@@0", "boat.json", 4096)
