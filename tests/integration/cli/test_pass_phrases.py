# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --show and --set on a terminal."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.profile.secrets import store, vault
from tests.support.command import Call, on_a_terminal
from tests.support.profiles import OWN_PASS_PHRASE, change


@pytest.fixture
def club(call: Call, boats: Path) -> Path:
    """Give a folder whose dunlin has its secrets, and a tablet with a pass-phrase of its own."""
    change(boats / "dunlin.yml", OWN_PASS_PHRASE)
    assert call("keys", "dunlin", "--boats", boats).status == 0
    return boats


def kept(club: Path) -> store.Secrets:
    return store.read(club / "dunlin.yml", vault.read_password(club))


def test_a_terminal_is_shown_what_people_type_and_no_key(club: Path) -> None:
    status, shown = on_a_terminal("keys", "dunlin", "--show", "--boats", club)
    made = kept(club)
    assert status == 0, shown
    assert f"  pass_phrase: {made.pass_phrase}\r\n" in shown
    assert f"  chart-table (its own): {made.own_pass_phrases['chart-table']}\r\n" in shown
    assert 'Wi-Fi "Dunlin"' in shown
    assert "PRIVATE KEY" not in shown and "ssh-ed25519" not in shown


def test_a_terminal_is_asked_twice_and_shows_nothing(club: Path) -> None:
    words = ("keys", "dunlin", "--set", "pass_phrase", "--boats", club)
    status, shown = on_a_terminal(*words, types=("of seven seas", "of seven seas"))
    assert status == 0, shown
    assert "seven" not in shown
    assert kept(club).pass_phrase == "of seven seas"
    status, shown = on_a_terminal(*words, types=("of eight seas", "of nine seas"))
    assert status == 2
    assert "differ" in shown
    status, shown = on_a_terminal(*words, types=("short",))
    assert status == 2
    assert "8 to 63" in shown and "again" not in shown
    assert kept(club).pass_phrase == "of seven seas"
