# SPDX-License-Identifier: GPL-3.0-or-later
"""Paths on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

from provision import paths
from provision.cli import cards, profiles


@pytest.mark.parametrize(
    "command",
    [profiles.init, profiles.keys, profiles.check, profiles.render, cards.card, cards.write],
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
