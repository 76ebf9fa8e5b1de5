# SPDX-License-Identifier: GPL-3.0-or-later
"""After a card was lost: what its successor holds, and which image `write` takes."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.card.base.base import Base
from provision.card.device import block_devices
from provision.card.device import write as writing
from provision.card.device.write import WrittenCard
from provision.card.image.assemble import assemble
from provision.card.image.host_key import read_host_key
from provision.errors import UserError
from provision.profile import load
from provision.profile.secrets import stolen, store, vault
from provision.profile.secrets.store import Secrets, derive_psk, host_public_key
from provision.render import render
from tests.support.command import Call
from tests.support.profiles import contents
from tests.support.small_base import BOARD

BOAT = "kittiwake"

Build = Callable[[str], Path]


@pytest.fixture
def build(boats: Path, small: Base, tmp_path: Path) -> Build:
    """Builds the boat's card as its secrets stand."""

    def build(name: str) -> Path:
        boat = load.read(boats / f"{BOAT}.yml")
        image = tmp_path / name
        assemble(BOARD, render(boat, opened(boats)), small, image)
        return image

    return build


@pytest.fixture
def target(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a card that takes every image without being written to."""
    monkeypatch.setattr(block_devices, "find_objection", lambda card, image: None)
    monkeypatch.setattr(writing, "write_card", lambda *_, **__: WrittenCard(1, 1, "tried", 1, 1))
    path = tmp_path / "card"
    path.write_bytes(bytes(8192))
    return path


def opened(boats: Path) -> Secrets:
    return store.read(boats / f"{BOAT}.yml", vault.read_password(boats))


def waits(boats: Path) -> bool:
    """Report whether pushes to the boat are held back."""
    record = stolen.read_record(boats / f"{BOAT}.yml")
    return record is not None and not record.new_card


def test_the_new_card_holds_no_former_secret_anywhere(
    call: Call, boats: Path, build: Build
) -> None:
    """No former secret is in its kept settings, in those that it was built with, or beside them."""
    call("keys", BOAT, "--boats", boats)
    call("keys", BOAT, "--rotate", "host_key", "--boats", boats)
    old, ssid = opened(boats), load.read(boats / f"{BOAT}.yml").profile.network.access_point.ssid
    needles = [
        *old.host_key.splitlines()[2:-1],
        *(derive_psk(old.pass_phrase, ssid), host_public_key(old).split()[1]),
        *(key.split()[1] for key in old.former_host_keys),
    ]
    before = build("before.img").read_bytes()
    assert all(before.count(needle.encode()) == 2 for needle in needles[:2])
    assert call("keys", BOAT, "--stolen", "--yes", "--boats", boats).status == 0
    after = build("after.img").read_bytes()
    assert not [needle for needle in needles if needle.encode() in after]
    assert opened(boats).former_host_keys == ()


def test_writing_the_new_card_lets_pushes_out_again(
    call: Call, boats: Path, build: Build, target: Path
) -> None:
    call("keys", BOAT, "--boats", boats)
    call("keys", BOAT, "--stolen", "--yes", "--boats", boats)
    image = build("new.img")
    assert read_host_key(image) == host_public_key(opened(boats))
    assert waits(boats)
    said = call("write", image, target, "--yes", "--boats", boats)
    assert (said.status, waits(boats)) == (0, False)
    assert "pushes go out to it again" in said.err
    again = call("write", image, target, "--yes", "--boats", boats)
    assert again.status == 0 and "pushes go out" not in again.err


def test_a_card_that_could_not_be_read_back_does_not(
    call: Call, boats: Path, build: Build, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(*_: object, **__: object) -> None:
        raise UserError("does not hold what was written to it")

    call("keys", BOAT, "--boats", boats)
    call("keys", BOAT, "--stolen", "--yes", "--boats", boats)
    monkeypatch.setattr(writing, "write_card", unreadable)
    said = call("write", build("new.img"), target, "--yes", "--boats", boats)
    assert (said.status, waits(boats)) == (2, True)


def test_an_image_from_before_is_not_written(
    call: Call, boats: Path, build: Build, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The image is refused before and after a new card was written."""
    call("keys", BOAT, "--boats", boats)
    old = build("old.img")
    call("keys", BOAT, "--rotate", "host_key", "--boats", boats)
    rotated = build("rotated.img")
    call("keys", BOAT, "--stolen", "--yes", "--boats", boats)
    call("keys", BOAT, "--stolen", "--yes", "--boats", boats)
    new = build("new.img")
    for done in (False, True):
        with monkeypatch.context() as patch:
            patch.setattr(writing, "write_card", None)
            for image in (old, rotated):
                said = call("write", image, target, "--yes", "--boats", boats, "--json")
                assert said.status == 2
                (error,) = said.result["errors"]
                assert "built before a card of kittiwake was lost or stolen" in error["message"]
        assert waits(boats) is not done
        assert call("write", new, target, "--yes", "--boats", boats).status == 0
        assert not waits(boats)


def test_the_record_stays_readable_and_its_owners(
    call: Call, boats: Path, build: Build, target: Path
) -> None:
    """The record keeps its owner when root writes the card."""
    call("keys", BOAT, "--boats", boats)
    call("keys", BOAT, "--stolen", "--yes", "--boats", boats)
    record = stolen.record_path(boats / f"{BOAT}.yml")
    if os.geteuid() == 0:
        os.chown(boats, 1234, 1234)
    call("write", build("new.img"), target, "--yes", "--boats", boats)
    status = record.stat()
    assert (status.st_uid, status.st_mode & 0o777) == (boats.stat().st_uid, 0o644)
    assert b"PRIVATE" not in record.read_bytes()


@pytest.mark.parametrize(
    "text",
    [
        *("", "[]", "{", '{"since": 1, "host_keys": [], "new_card": ""}', "[" * 10**5),
        '{"since": "2026-11-27", "host_keys": ["ssh-ed25519 x"], "new_card": ""}',
        '{"since": "2026-11-27", "host_keys": "none", "new_card": ""}',
        '{"since": "2026-11-27", "host_keys": [7], "new_card": ""}',
        '{"since": "2026-11-27\\u001b[2J", "host_keys": [], "new_card": ""}',
        '{"since": "2026-11-27", "host_keys": [], "new_card": "yes"}',
    ],
)
def test_a_damaged_record_is_no_leave_to_go_on(call: Call, boats: Path, text: str) -> None:
    call("keys", BOAT, "--boats", boats)
    stolen.record_path(boats / f"{BOAT}.yml").write_text(text)
    said = call("push", BOAT, "--boats", boats)
    assert said.status == 2
    assert "is no record of a lost card" in said.err and "--stolen" in said.err
    assert call("keys", BOAT, "--stolen", "--yes", "--boats", boats).status == 0
    assert waits(boats)


@pytest.mark.parametrize("words", [("--all",), (BOAT, "--rotate", "host_key")])
def test_what_does_not_go_with_it(call: Call, boats: Path, words: tuple[str, ...]) -> None:
    call("keys", BOAT, "--boats", boats)
    before = contents(boats)
    said = call("keys", *words, "--stolen", "--yes", "--boats", boats)
    assert said.status == 2 and "--stolen" in said.err
    assert contents(boats) == before


def test_it_says_what_to_do_next(call: Call, boats: Path) -> None:
    call("keys", BOAT, "--boats", boats)
    said = call("keys", BOAT, "--stolen", "--yes", "--boats", boats)
    assert "made pass_phrase, host_key" in said.out
    assert "provision card" in said.err and "provision write kittiwake.img DEVICE" in said.err
