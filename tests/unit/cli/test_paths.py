# SPDX-License-Identifier: GPL-3.0-or-later
"""Paths on the command line."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

from provision import paths
from provision.cli import cards, init, keys, profiles, write
from provision.errors import UserError
from provision.paths import cache


@pytest.mark.parametrize(
    "command",
    [init.init, keys.keys, profiles.check, profiles.render, cards.card, write.write],
)
def test_what_cannot_be_read_is_left_to_the_command_to_tell(command: Callable[..., None]) -> None:
    """Without a hint Typer would say of a card that an ordinary user may not read it."""
    hints = get_type_hints(command, include_extras=True)
    found = {
        name: how.__metadata__[0]
        for name, how in hints.items()
        if Path in (kind := get_args(how)[:1]) or Path in get_args(*kind or [None])
    }
    assert found
    assert [name for name, how in found.items() if how.readable] == []


@pytest.mark.parametrize(
    ("file", "called"),
    [
        ("boats/tern.yml", "tern"),
        ("/srv/club/tern.yml", "/srv/club/tern.yml"),
        ("our boats/tern.yml", "'our boats/tern.yml'"),
        ("tern.yml", "tern.yml"),
    ],
)
def test_a_hint_names_a_boat_so_that_the_command_finds_it(file: str, called: str) -> None:
    assert paths.argument(Path(file)) == called


def test_the_cache_is_private_whatever_the_umask(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cache's files go into cards: other users could put a base of their own there."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "a" / "b"))
    before = os.umask(0)
    try:
        made = cache()
    finally:
        os.umask(before)
    for folder in (made, made.parent, made.parent.parent):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    made.chmod(0o777)
    with pytest.raises(UserError, match="other users can write") as caught:
        cache()
    assert "chmod -R go-w" in caught.value.hint
    made.chmod(0o755)
    assert cache() == made
