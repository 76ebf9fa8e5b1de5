# SPDX-License-Identifier: GPL-3.0-or-later
"""A booted boat with a few settings."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from tests.support.settings.boat import OLD, RAM, Boat, pack


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Give a folder in RAM, as most of a boat's files are: thousands of small ones are written."""
    with TemporaryDirectory(dir=RAM) as folder:
        yield Path(folder)


@pytest.fixture
def boat(tmp_path: Path) -> Boat:
    """Give a boat that runs its kept settings, OLD."""
    return Boat.booted(tmp_path / "boat", *pack(OLD))
