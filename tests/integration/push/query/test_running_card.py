# SPDX-License-Identifier: GPL-3.0-or-later
"""A fleet tells which of its recorded cards a boat runs on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provision.push import status as push_status
from provision.push.records.written_cards import CardRecord, add_card, record_path
from provision.push.status import BoatStatus, fleet_status
from tests.support.push.loopback import RigBoat

CARD = CardRecord(
    *("2026-11-27T22:15:04+0000", "1" * 64, "2" * 64, "991b", "5d1f3a77-02", "0.2.0", "Reader"),
    size=32 * 10**9,
    serial="",
    laptop="chart-table",
)


@pytest.fixture
def boat(rig: Callable[..., RigBoat]) -> RigBoat:
    made = rig("carded")
    record_path(made.file).unlink(missing_ok=True)
    return made


def ask(boat: RigBoat) -> BoatStatus:
    (status,) = fleet_status([boat.open_boat], {boat.open_boat.name: boat.endpoint})
    return status


def test_a_boat_says_how_its_kernel_was_started(
    boat: RigBoat, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The boat runs on this computer's kernel, to which the record is made to fit."""
    said: list[str] = []

    def find(cards: list[CardRecord], text: str) -> CardRecord:
        said.append(text)
        return cards[0]

    monkeypatch.setattr(push_status, "find_running", find)
    add_card(boat.file, CARD)
    status = ask(boat)
    assert Path("/proc/cmdline").read_text().strip() in said[0]
    assert status.card == CARD
    assert status.up_to_date
    assert status.links is not None
    assert status.as_json()["card"] == vars(CARD)


def test_its_card_is_known_by_that(boat: RigBoat, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = push_status.collect

    def collect(command: list[str], **options: Any) -> Any:
        done = asked(command, **options)
        *rest, _, history = done.text.split(push_status.SEPARATOR)
        text = "\x1e".join([*rest, f"root=PARTUUID={CARD.root} ro\n", history])
        return done._replace(stdout=text.encode())

    monkeypatch.setattr(push_status, "collect", collect)
    assert ask(boat).card is None
    add_card(boat.file, CARD)
    assert ask(boat).card == CARD
    record_path(boat.file).write_text("damaged")
    status = ask(boat)
    assert status.card is None and status.up_to_date
