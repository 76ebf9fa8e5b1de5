# SPDX-License-Identifier: GPL-3.0-or-later
"""A folder of charts, a stick, and the copy from the one to the other."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.charts.config import ChartsConfig
from provision.onboard.charts.keep.copy import copy_stick
from provision.onboard.charts.keep.put import UNFINISHED
from provision.onboard.charts.state import State, StateFile

#: A time with an even second, as FAT has.
LONG_AGO = 1_600_000_000


@dataclass
class Rig:
    """Holds a boat that has charts, and a stick."""

    folder: Path
    config: ChartsConfig

    @property
    def stick(self) -> Path:
        return self.folder / "stick"

    @property
    def kept(self) -> Path:
        return self.folder / "kept"

    @property
    def state_file(self) -> Path:
        return self.folder / "state.json"

    def add(self, path: str, content: bytes = b"chart", *, changed: int = LONG_AGO) -> Path:
        """Put a file into the stick's folder of charts."""
        file = self.stick / "charts" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
        os.utime(file, (changed, changed))
        return file

    def copy(self, **changes: Any) -> State:
        """Copy the stick, with changes to the configuration."""
        config = replace(self.config, **changes)
        return copy_stick(str(self.stick), config, StateFile(str(self.state_file)))

    def told(self) -> dict[str, Any]:
        """Return what the state's file says."""
        found: dict[str, Any] = json.loads(self.state_file.read_text())
        return found

    def aboard(self) -> dict[str, bytes]:
        """Return the content of the boat's charts by their path."""
        files = (file for file in self.kept.rglob("*") if file.is_file())
        found = {str(file.relative_to(self.kept)): file.read_bytes() for file in files}
        return {path: data for path, data in found.items() if not path.startswith(UNFINISHED)}


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    """Give an empty boat and an empty stick."""
    kept = tmp_path / "kept"
    config = ChartsConfig(str(kept), 2**30, 0, ("tern:8080",))
    made = Rig(tmp_path, config)
    kept.mkdir()
    (made.stick / "charts").mkdir(parents=True)
    return made
