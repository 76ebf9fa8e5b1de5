# SPDX-License-Identifier: GPL-3.0-or-later
"""`write` as people call it: from an image to a card, and what is left beside the profile."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from provision.card.base.base import Base
from provision.card.device.direct_io import DirectTarget
from provision.card.image.assemble import assemble
from provision.card.layout import digests
from provision.card.layout.partitions import Layout
from provision.profile import load
from provision.profile.secrets import store, vault
from provision.render import render
from tests.support.command import Call
from tests.support.small_base import BOARD

BOAT = "kittiwake"


@pytest.fixture
def image(call: Call, boats: Path, small: Base, tmp_path: Path) -> Path:
    call("keys", BOAT, "--boats", boats)
    boat = load.read(boats / f"{BOAT}.yml")
    secrets = store.read(boat.file, vault.read_password(boats))
    out = tmp_path / f"{BOAT}.img"
    assemble(BOARD, render(boat, secrets), small, out)
    return out


@pytest.fixture
def target(tmp_path: Path) -> Path:
    """Give a card that takes no room."""
    path = tmp_path / "card"
    with path.open("wb") as file:
        file.truncate(2 * 10**9)
    return path


def test_a_good_card_is_recorded_beside_the_profile(
    call: Call, boats: Path, image: Path, target: Path
) -> None:
    said = call("write", image, target, "--yes", "--json", "--boats", boats)
    assert said.status == 0
    assert said.result["written"] < said.result["size"] / 20
    [card] = json.loads((boats / f"{BOAT}.cards.json").read_text())
    record = digests.read_record(image, expected=True)
    assert record is not None
    assert card["image"] == record.digest
    assert card["root"] == Layout(BOARD.table, card["settings"]).base.partuuid
    assert card["size"] == 2 * 10**9
    assert card["laptop"] and card["written"].startswith("20")
    call("write", image, target, "--yes", "--json", "--boats", boats)
    assert len(json.loads((boats / f"{BOAT}.cards.json").read_text())) == 2


def test_a_bad_card_is_not_recorded(
    call: Call, boats: Path, image: Path, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The data partition's part of the card loses a bit at reading."""
    real = DirectTarget.read
    at = Layout(BOARD.table, "x").data.offset

    def read(self: DirectTarget, buffer: bytearray, length: int, offset: int) -> int:
        got = real(self, buffer, length, offset)  # type: ignore[arg-type]
        if offset <= at < offset + length:
            buffer[at - offset] ^= 4
        return got

    monkeypatch.setattr(DirectTarget, "read", read)
    said = call("write", image, target, "--yes", "--json", "--boats", boats)
    assert said.status == 2
    [error] = said.result["errors"]
    where = f"the first difference is at byte {at}; bad are bytes {at} to {at + 4095}, in partition"
    assert f"{where} data;" in error["message"]
    assert not (boats / f"{BOAT}.cards.json").exists()


def test_a_record_that_is_damaged_spoils_no_card(
    call: Call, boats: Path, image: Path, target: Path
) -> None:
    (boats / f"{BOAT}.cards.json").write_text("my own notes")
    said = call("write", image, target, "--yes", "--boats", boats)
    assert said.status == 0
    assert "the card is written, and was not recorded" in " ".join(said.err.split())
    assert (boats / f"{BOAT}.cards.json").read_text() == "my own notes"


def test_without_the_boats_folder_nothing_is_recorded(
    call: Call, image: Path, target: Path, tmp_path: Path
) -> None:
    said = call("write", image, target, "--yes", "--boats", tmp_path / "none")
    assert said.status == 0
    assert not [*tmp_path.glob("**/*.cards.json")][1:]
    assert "MB (of 1482 MB) written" in said.out
