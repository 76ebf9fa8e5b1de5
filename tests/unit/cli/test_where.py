# SPDX-License-Identifier: GPL-3.0-or-later
"""`provision` alone says where the reader is, and the next step."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from provision.profile import load
from provision.profile.scaffold import create_club
from provision.profile.secrets import store
from provision.push.records.built import remember_card
from provision.push.records.known_boats import KnownBoat, remember
from provision.push.records.written_cards import CardRecord, add_card
from provision.ssh.endpoint import Endpoint
from tests.support.command import Call

ALL = ("dunlin", "kittiwake", "turnstone")
CARD = CardRecord(
    *("2026-11-27T22:15:04+0000", "1" * 64, "2" * 64, "991b", "5d1f3a77-02", "0.2.0", "Reader"),
    size=32 * 10**9,
    serial="",
    laptop="chart-table",
)
HELP = "all commands: provision --help"


@pytest.fixture
def club(call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the example club in ./boats, where the commands are typed."""
    monkeypatch.chdir(tmp_path)
    create_club(tmp_path / "boats")
    return tmp_path / "boats"


def make_secrets(club: Path, *names: str) -> None:
    for name in names:
        store.secrets_path(club / f"{name}.yml").write_text("made")


def build(club: Path, *names: str) -> None:
    for name in names:
        image = club.parent / f"{name}.img"
        image.touch()
        remember_card(Path("boats") / f"{name}.yml", image)


def said(call: Call) -> Sequence[str]:
    shown = call()
    assert (shown.status, shown.err) == (0, "")
    assert all(len(line) <= 80 for line in shown.out.splitlines())
    return shown.out.splitlines()


def test_where_there_is_no_boat(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert said(call) == [
        "there is no boat here, neither in this folder nor in ./boats",
        "next: provision init boats",
        HELP,
    ]


def test_a_boat_without_secrets(call: Call, club: Path) -> None:
    make_secrets(club, "kittiwake", "turnstone")
    assert said(call) == [
        "3 boats in ./boats",
        "dunlin has no secrets yet",
        "next: provision keys dunlin",
        HELP,
    ]


def test_all_boats_without_secrets(call: Call, club: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lacks = "dunlin, kittiwake and turnstone have no secrets yet"
    assert said(call)[1:3] == [lacks, "next: provision keys --all"]
    # In the folder of the boats itself.
    monkeypatch.chdir(club)
    assert said(call)[:3] == ["3 boats here", lacks, "next: provision keys --all --boats ."]


def test_a_mistake_comes_first(call: Call, club: Path) -> None:
    file = club / "turnstone.yml"
    file.write_text(file.read_text().replace("board:", "bord:"))
    assert said(call)[1:3] == [
        "turnstone has a mistake in its file",
        "next: provision check turnstone",
    ]
    assert call("check", "turnstone").status == 2


def test_secrets_that_are_lost(call: Call, club: Path) -> None:
    make_secrets(club, *ALL)
    build(club, *ALL)
    store.secrets_path(club / "dunlin.yml").unlink()
    assert said(call)[1:3] == [
        "dunlin was built with secrets that are not here",
        "next: provision keys dunlin",
    ]


def test_cards_are_built_then_written_then_asked(call: Call, club: Path) -> None:
    make_secrets(club, *ALL)
    build(club, "dunlin")
    assert said(call)[1:3] == [
        "kittiwake and turnstone have no card yet",
        "next: provision card kittiwake -o kittiwake.img",
    ]
    build(club, *ALL)
    assert said(call)[-2] == "next: provision write dunlin.img"
    (club.parent / "dunlin.img").unlink()
    assert said(call)[-2] == "next: provision card dunlin -o dunlin.img"
    for file in load.list_profiles(Path("boats")):
        remember(file, KnownBoat(Endpoint("192.0.2.1", 22), 1.0))
    assert said(call)[1:3] == ["all boats have answered before", "next: provision fleet"]


def test_a_written_card_is_put_into_the_boat(call: Call, club: Path) -> None:
    make_secrets(club, *ALL)
    build(club, *ALL)
    for name in ALL:
        assert said(call)[-2] == f"next: provision write {name}.img"
        add_card(club / f"{name}.yml", CARD)
    assert said(call)[1:3] == [
        "dunlin, kittiwake and turnstone have written cards, and never answered: put them",
        "  in, and switch on",
    ]
    assert said(call)[-2] == "next: provision fleet"
    for name in ALL[:2]:
        remember(club / f"{name}.yml", KnownBoat(Endpoint("192.0.2.1", 22), 1.0))
    assert said(call)[-2] == "next: provision fleet turnstone"


def test_many_boats_with_long_names(call: Call, club: Path) -> None:
    text = (club / "dunlin.yml").read_text()
    for number in range(20):
        name = f"boat-{number:02}-{'x' * 50}"
        (club / f"{name}.yml").write_text(text.replace("boat: dunlin", f"boat: {name}"))
    shown = said(call)
    assert shown[0] == "23 boats in ./boats"
    assert "and 19 more have no secrets yet" in " ".join(" ".join(shown).split())
    assert shown[-2] == "next: provision keys --all"
