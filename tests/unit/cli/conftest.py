# SPDX-License-Identifier: GPL-3.0-or-later
"""The `provision` command, called in this process."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from provision.cli import main
from provision.profile.start import start


@dataclass(frozen=True)
class Said:
    """How a command ended, and what it wrote."""

    status: int
    out: str
    err: str

    @property
    def result(self) -> Any:
        """What it wrote as JSON."""
        return json.loads(self.out)


Call = Callable[..., Said]


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """Calls the command with these words."""

    def ended(*words: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["provision", *map(str, words)])
        with pytest.raises(SystemExit) as exit:
            main()
        said = capsys.readouterr()
        code = exit.value.code
        assert code is None or isinstance(code, int)
        return Said(code or 0, said.out, said.err)

    return ended


@pytest.fixture
def boats(tmp_path: Path) -> Path:
    """A folder of boats as `init` makes it."""
    folder = tmp_path / "the club's boats"
    start(folder)
    return folder
