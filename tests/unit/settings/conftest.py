# SPDX-License-Identifier: GPL-3.0-or-later
"""A booted boat with a few settings."""

from __future__ import annotations

from pathlib import Path

import pytest
from settings_boat import OLD, Boat, pack


@pytest.fixture
def boat(tmp_path: Path) -> Boat:
    """On its kept settings, OLD."""
    return Boat.booted(tmp_path / "boat", *pack(OLD))
