# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats in folders, each behind an sshd of its own on loopback."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.unit.push.loopback import CANARY, RigBoat, boats_below, free_port, on_loopback

__all__ = ["CANARY", "RigBoat", "free_port", "here", "rig"]


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[pytest.MonkeyPatch]:
    """Log in as whoever runs the tests, and look for boats on loopback only."""
    with on_loopback(tmp_path_factory.mktemp("state")) as patch:
        yield patch


@pytest.fixture(scope="module")
def rig(
    tmp_path_factory: pytest.TempPathFactory, here: pytest.MonkeyPatch
) -> Iterator[Callable[..., RigBoat]]:
    """Makes boats by name, see `boats_below`."""
    with boats_below(tmp_path_factory.mktemp("rig"), here) as make:
        yield make
