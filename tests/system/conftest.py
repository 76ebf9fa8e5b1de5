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

from provision.errors import UserError
from tests.support.boats import Club, Virtual, club

#: Seconds that a boat gets to come back by itself after its kernel failed.
COME_BACK = 120

__all__ = ["club"]

pytest_plugins = ["tests.system.order", "tests.system.reporting"]


@pytest.fixture(scope="module")
def kittiwake(club: Club) -> Iterator[Virtual]:
    """Give a running x86-64 boat that the tests of one file share."""
    with club.launch("kittiwake") as boat:
        yield boat


@pytest.fixture
def launch(club: Club) -> Iterator[Callable[..., Virtual]]:
    """Start boats that end with the test."""
    with ExitStack() as running:

        def start_one(name: str, card: Path | None = None) -> Virtual:
            return running.enter_context(club.launch(name, card))

        yield start_one


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> None:
    """Have all boats answer before a test is run once more, whatever befell them."""
    if getattr(item, "execution_count", 1) > 1:
        for boat in getattr(item, "funcargs", {}).values():
            if isinstance(boat, Virtual):
                _bring_back(boat)


def _bring_back(boat: Virtual) -> None:
    boat.hang_up()
    try:
        boat.bench.wait_for_ssh(COME_BACK)
    except UserError:
        boat.power_cycle()
