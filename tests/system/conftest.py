# SPDX-License-Identifier: GPL-3.0-or-later
"""Virtual boats for the system tests: a club of its own, cards, and running benches.

These tests boot the boats' own cards in the emulator. A boat that a whole file works with
is started once (`kittiwake`); a test that breaks its card takes one of its own (`launch`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from provision.profile.start import start
from tests.system.boats import Club, Virtual

pytest_plugins = ["tests.system.reporting"]


@pytest.fixture(scope="session")
def club(tmp_path_factory: pytest.TempPathFactory) -> Club:
    """The example club in a folder of its own, with secrets for every boat."""
    folder = tmp_path_factory.mktemp("club") / "boats"
    start(folder)
    return Club(folder)


@pytest.fixture(scope="module")
def kittiwake(club: Club) -> Iterator[Virtual]:
    """A running x86-64 boat that the tests of one file share."""
    with club.launch("kittiwake") as boat:
        yield boat


@pytest.fixture
def launch(club: Club) -> Iterator[Callable[..., Virtual]]:
    """Start boats that end with the test."""
    with ExitStack() as running:

        def start_one(name: str, card: Path | None = None) -> Virtual:
            return running.enter_context(club.launch(name, card))

        yield start_one
