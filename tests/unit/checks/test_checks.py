# SPDX-License-Identifier: GPL-3.0-or-later
"""Nothing is found in good boats, and accepted warnings are left out."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from provision import checks
from provision.checks.network import regdb
from provision.paths import shipped
from provision.profile import load
from tests.unit.checks.radio_rules import EUROPE
from tests.unit.checks.tern import adapters, boat, found, links


@pytest.fixture(autouse=True)
def table(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(regdb, "read_installed", lambda: regdb.parse(EUROPE))


def test_nothing_is_found_in_the_demo_club(tmp_path: Path) -> None:
    shutil.copytree(shipped("boats"), tmp_path / "boats")
    assert checks.check(load.read_all(load.list_profiles(tmp_path / "boats"))) == []


def test_an_accepted_warning_is_left_out(tmp_path: Path) -> None:
    more = 'card: {size: 8 GB}\naccepted: {card-size: "the only one in the drawer"}\naccess:'
    assert found(boat(tmp_path, ("access:", more))) == []


def test_an_error_cannot_be_accepted_and_a_stale_entry_is_reported(tmp_path: Path) -> None:
    tern = boat(
        tmp_path,
        links(*adapters(4)),
        ("access:", "accepted: {usb-ports: never mind, card-size: old}\naccess:"),
    )
    assert found(tern) == [
        ("error", "usb-ports"),
        ("warning", "accepted"),
        ("warning", "accepted"),
    ]
