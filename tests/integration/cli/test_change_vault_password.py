# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --change-vault-password on a terminal."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.profile.secrets import store, vault
from tests.support.command import Call, on_a_terminal


@pytest.fixture
def club(call: Call, boats: Path) -> Path:
    """Give a folder whose boats have their secrets."""
    assert call("keys", "--all", "--boats", boats).status == 0
    return boats


def test_a_terminal_is_asked_twice(club: Path) -> None:
    words = ("keys", "--change-vault-password", "--boats", club)
    status, shown = on_a_terminal(*words, types=("of seven seas", "of eight seas"))
    assert (status, "differ" in shown) == (2, True)
    status, shown = on_a_terminal(*words, types=("of seven seas", "of seven seas"))
    assert status == 0, shown
    assert "seven" not in shown
    assert vault.read_password(club) == b"of seven seas"
    store.read(club / "dunlin.yml", b"of seven seas")
