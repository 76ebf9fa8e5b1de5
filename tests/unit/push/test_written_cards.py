# SPDX-License-Identifier: GPL-3.0-or-later
"""The record of written cards, and which of them a boat runs on."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from provision.errors import UserError
from provision.push.records.written_cards import (
    MAX_CARDS,
    CardRecord,
    add_card,
    find_running,
    read_cards,
    record_path,
)

CARD = CardRecord(
    written="2026-11-27T22:15:04+0000",
    image="1" * 64,
    settings="2" * 64,
    base="991bc47c7ed1604f",
    root="5d1f3a77-02",
    version="0.2.0",
    device="Card Reader",
    size=32 * 10**9,
    serial="27504853443847bd",
    laptop="chart-table",
)
OTHER = replace(CARD, serial="", written="2026-01-02T10:00:00+0000")


def command_line(root: str) -> str:
    return f"root=PARTUUID={root} ro rootfstype=squashfs boat.boot={root[:-1]}1 quiet\n"


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    return tmp_path / "kittiwake.yml"


def test_the_latest_card_is_the_first(profile: Path) -> None:
    assert read_cards(profile) == []
    add_card(profile, OTHER)
    add_card(profile, CARD)
    assert read_cards(profile) == [CARD, OTHER]
    assert record_path(profile).name == "kittiwake.cards.json"
    assert json.loads(record_path(profile).read_text()) == [asdict(CARD), asdict(OTHER)]


def test_old_cards_are_left_out(profile: Path) -> None:
    for number in range(MAX_CARDS + 2):
        add_card(profile, replace(CARD, size=number))
    assert [card.size for card in read_cards(profile)] == list(range(MAX_CARDS + 1, 1, -1))


@pytest.mark.skipif(os.geteuid() != 0, reason="not root: the owner cannot be another")
def test_the_record_belongs_to_the_folders_owner(profile: Path) -> None:
    os.chown(profile.parent, 1234, 1234)
    add_card(profile, CARD)
    status = record_path(profile).stat()
    assert (status.st_uid, status.st_mode & 0o777) == (1234, 0o644)


@pytest.mark.parametrize(
    "text",
    [
        *("", "{}x", "[7]", "[" * 100_000, '[{"written": "x"}]', " " * 2**19),
        json.dumps([asdict(CARD) | {"laptop": 7}]),
        json.dumps([asdict(CARD) | {"laptop": "x" * 1000}]),
        json.dumps([asdict(CARD) | {"size": "large"}]),
    ],
)
def test_a_damaged_record_is_named_and_stays(profile: Path, text: str) -> None:
    record_path(profile).write_text(text)
    with pytest.raises(UserError, match="is no record of written cards") as caught:
        add_card(profile, CARD)
    assert caught.value.location and caught.value.location.file == record_path(profile)
    assert record_path(profile).read_text() == text


@pytest.mark.parametrize(
    ("said", "found"),
    [
        (command_line(CARD.root), CARD),
        (command_line("ffffffff-02"), None),
        ("", None),
        (f"boat.boot={CARD.root} ro\n", None),
    ],
)
def test_the_identifier_of_the_base_partition_names_the_card(
    said: str, found: CardRecord | None
) -> None:
    assert find_running([CARD, OTHER], said) == found


def test_of_two_cards_from_one_image_the_register_names_the_one() -> None:
    first, second = replace(CARD, serial="a" * 32), replace(CARD, serial="b" * 32)
    for card in (first, second):
        said = f"{command_line(CARD.root)}{card.serial}\n"
        assert find_running([first, second, OTHER], said) == card
    assert find_running([first, second], command_line(CARD.root)) == first


def test_a_register_of_another_card_in_the_boat_says_nothing() -> None:
    """A board may have memory of its own beside the slot."""
    said = f"{command_line('ffffffff-02')}{CARD.serial}\n"
    assert find_running([CARD], said) is None
