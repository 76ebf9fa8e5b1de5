# SPDX-License-Identifier: GPL-3.0-or-later
"""Each thing that a rebuild takes is found, or named as missing with what to do."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from provision.backup.store import Store
from provision.card.base.base import Base, write_digests
from provision.profile.scaffold import create_club
from provision.push.records.written_cards import CardRecord, add_card
from provision.ready import Item, look_at, rebuild
from provision.render import OpenBoat
from tests.support.boats import Club

NOW = time.time()
DAY = 86400


@pytest.fixture
def boat(tmp_path: Path) -> OpenBoat:
    create_club(tmp_path / "boats")
    return Club(tmp_path / "boats").open_boat("kittiwake")


@pytest.fixture
def base(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Base:
    """Give a base in the cache, of two files."""
    folder = tmp_path / "base"
    folder.mkdir()
    for name in ("base.squashfs", "boot.fat"):
        (folder / name).write_bytes(name.encode() * 100)
    set_date(folder, NOW - 40 * DAY)
    monkeypatch.setattr(rebuild, "find_base", lambda _: Base(folder))
    return Base(folder)


def set_date(folder: Path, date: float) -> None:
    """Give a base another date of its packages."""
    (folder / "base.json").write_text(json.dumps({"built": date}))
    write_digests(folder)


def item(boat: OpenBoat, name: str) -> Item:
    """Return one item of a look, and see that the whole says so."""
    found = look_at(boat, NOW)
    (one,) = (one for one in found.items if one.name == name)
    assert one.state != "missing" or not found.ready
    assert one.state == "ok" or one.hint
    return one


def written(boat: OpenBoat, days: float, settings: str = "") -> None:
    moment = time.strftime("%Y-%m-%dT%H:%M:%S%z", time.localtime(NOW - days * DAY))
    sha256 = settings or boat.render().sha256
    add_card(
        boat.boat.file,
        CardRecord(moment, "", sha256, "", "", "", "stick", 8 * 10**9, "", "laptop"),
    )


def test_with_everything_here_it_is_ready(boat: OpenBoat, base: Base) -> None:
    store = Store.open(boat.boat.file.parent / "backup", "kittiwake")
    store.taken = NOW - 3 * DAY
    store.write_index()
    written(boat, 5)
    found = look_at(boat, NOW)
    assert found.ready
    assert {one.state for one in found.items} == {"ok"}


def test_a_base_that_is_not_here_or_damaged(
    boat: OpenBoat, base: Base, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert item(boat, "base").state == "ok"
    (base.folder / "boot.fat").write_bytes(b"boot.fat" * 99 + b"boot.fax")
    assert (item(boat, "base").state, item(boat, "base").text) == ("missing", "damaged")
    assert item(boat, "base").hint.startswith(f"remove {base.folder}")
    with monkeypatch.context() as patch:
        # A laptop without a network builds no other base.
        patch.setenv("PROVISION_KIT", "/media/stick/kit")
        assert item(boat, "base").hint.startswith("take another kit")
    (base.folder / "digests.json").unlink()
    assert item(boat, "base").state == "missing"
    monkeypatch.setattr(rebuild, "find_base", lambda _: None)
    assert item(boat, "base").text == "not built here"


def test_an_old_base_is_a_note(boat: OpenBoat, base: Base) -> None:
    set_date(base.folder, NOW - 180.5 * DAY)
    assert item(boat, "base").state == "ok"
    set_date(base.folder, NOW - 181.5 * DAY)
    assert item(boat, "base").state == "note"
    assert "181 days old" in item(boat, "base").text
    assert "card kittiwake --fresh" in item(boat, "base").hint


def test_a_file_with_a_mistake(boat: OpenBoat, base: Base) -> None:
    text = boat.boat.file.read_text()
    boat.boat.file.write_text(text.replace("DPT: 2, VHW: 1", "DPT: 20, VHW: 10"))
    changed = Club(boat.boat.file.parent).open_boat("kittiwake")
    assert "mistake" in item(changed, "file").text
    assert item(changed, "file").state == "missing"


def test_what_is_old_or_absent_is_a_note(boat: OpenBoat, base: Base) -> None:
    assert item(boat, "backup").text.startswith("none")
    assert item(boat, "written card").text.startswith("none")
    store = Store.open(boat.boat.file.parent / "backup", "kittiwake")
    store.write_index()
    assert item(boat, "backup").text.startswith("none that came to its end")
    store.taken = NOW - 31 * DAY
    store.write_index()
    assert item(boat, "backup").state == "note"
    written(boat, 181)
    assert item(boat, "written card").state == "note"
    written(boat, 1, "0" * 64)
    assert "no longer has" in item(boat, "written card").text
    assert look_at(boat, NOW).ready


def test_the_operators_key_may_be_elsewhere(boat: OpenBoat, base: Base) -> None:
    assert item(boat, "operator's key").state == "ok"
    (boat.boat.file.parent / "operator").unlink()
    assert item(boat, "operator's key").state == "note"
