# SPDX-License-Identifier: GPL-3.0-or-later
"""Secrets that are lost are not made again as if nothing were wrong."""

from __future__ import annotations

import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from provision.card.base import cache
from provision.card.image import assemble as assembling
from provision.errors import UserError
from provision.profile.secrets import stolen, store, vault
from provision.push.load import load_boats
from provision.push.records import built
from provision.push.records.known_boats import KnownBoat, remember
from provision.push.records.written_cards import CardRecord, add_card
from provision.ssh.endpoint import Endpoint
from tests.support.command import Call, Said
from tests.support.profiles import contents

LOOK = "in backups, on other computers with this folder, in its earlier versions"


@pytest.fixture
def club(call: Call, boats: Path) -> Path:
    """Give a folder whose boats have their secrets; kittiwake's have been lost."""
    assert call("keys", "--all", "--boats", boats).status == 0
    (boats / "kittiwake.secrets.yml").unlink()
    return boats


def answered(club: Path) -> str:
    remember(club / "kittiwake.yml", KnownBoat(Endpoint("10.47.1.1"), time.time()))
    return f"the boat answered on {time.strftime('%Y-%m-%d')} at 10.47.1.1"


def card_built(club: Path) -> str:
    built.remember_card(club / "kittiwake.yml", club / "kittiwake.img")
    return f"a card was built on {time.strftime('%Y-%m-%d')} ({club / 'kittiwake.img'})"


def image_beside(club: Path) -> str:
    (club / "kittiwake.img").write_bytes(b"")
    return f"{club / 'kittiwake.img'} is an image of its card"


def image_by_another_name(club: Path) -> str:
    (club / "of May.img").write_bytes(b"")
    return f"{club / 'of May.img'} is an image of its card"


def card_lost(club: Path) -> str:
    stolen.record_loss(club / "kittiwake.yml", ())
    return f"a card of it was lost on {time.strftime('%Y-%m-%d')} (kittiwake.stolen.json)"


def card_written(club: Path) -> str:
    text = ("2026-11-27T22:15:04+0000", "1" * 64, "2" * 64, "991b", "5d1f3a77-02", "0.2.0", "")
    card = CardRecord(*text, size=32 * 10**9, serial="", laptop="chart-table")
    add_card(club / "kittiwake.yml", card)
    return "a card was written on 2026-11-27 by chart-table (kittiwake.cards.json)"


WAYS = [answered, card_built, card_written, image_beside, image_by_another_name, card_lost]


def lost(said: Said) -> dict[str, str]:
    assert said.status == 2
    (error,) = said.result["errors"]
    return error


@pytest.mark.parametrize("way", WAYS)
def test_a_boat_that_was_built_gets_no_new_secrets_unasked(
    call: Call, club: Path, monkeypatch: pytest.MonkeyPatch, way: object
) -> None:
    def opened(image: Path) -> str:
        if image.name != "of May.img":
            raise UserError("is not the image of a boat's card")
        return "kittiwake"

    monkeypatch.setattr(built, "read_boat_name", opened)
    assert callable(way)
    shown = way(club)
    before = contents(club)
    for more in ([], ["--rotate", "pass_phrase"]):
        error = lost(call("keys", "kittiwake", *more, "--boats", club, "--json"))
        assert error["file"] == str(club / "kittiwake.secrets.yml")
        assert shown in error["message"]
        assert LOOK in error["hint"]
        assert "answers no push" in error["hint"] and "--replace-lost" in error["hint"]
    # Of all together none is made or rotated.
    lost(call("keys", "--all", "--rotate", "pass_phrase", "--boats", club, "--json"))
    assert contents(club) == before
    said = call("keys", "kittiwake", "--replace-lost", "--boats", club)
    assert (said.status, "made pass_phrase, host_key" in said.out) == (0, True)
    assert "after a new card: provision card" in " ".join(said.err.split())
    assert store.read(club / "kittiwake.yml", vault.read_password(club))


@pytest.mark.parametrize(
    "words",
    [
        ("push", "kittiwake"),
        ("card", "kittiwake", "-o", "kittiwake.img"),
        ("keys", "kittiwake", "--show", "-o", "pass-phrases"),
        ("keys", "kittiwake", "--set", "pass_phrase"),
        ("render", "kittiwake", "-o", "files"),
        ("verify", "kittiwake"),
    ],
    ids=" ".join,
)
def test_every_command_tells_that_they_are_lost(
    call: Call, club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """Not that they were never made: `keys` would then look like the remedy."""
    monkeypatch.chdir(tmp_path)
    shown = answered(club)
    error = lost(call(*words, "--boats", club, "--json"))
    assert shown in error["message"]
    assert LOOK in error["hint"] and "--replace-lost" in error["hint"]


def test_a_fleet_shows_that_they_are_lost(club: Path) -> None:
    shown = answered(club)
    _, (invalid,) = load_boats([club / "kittiwake.yml"], None)
    assert invalid.problem == "secrets lost"
    assert shown in invalid.status().reason


def test_a_wrong_vault_password_is_told_where_nothing_is_to_be_made(call: Call, club: Path) -> None:
    (club / ".vault-password").write_text("another\n")
    (error,) = call("keys", "dunlin", "--boats", club, "--json").result["errors"]
    assert "the vault password does not open it" in error["message"]


def test_a_card_that_is_built_is_remembered(
    call: Call, boats: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    call("keys", "dunlin", "--boats", boats)
    monkeypatch.setattr(cache, "get_base", lambda board, built_since: SimpleNamespace(facts={}))
    monkeypatch.setattr(assembling, "assemble", lambda *_: SimpleNamespace(size=1))
    monkeypatch.chdir(tmp_path)
    assert call("card", "dunlin", "--boats", boats, "-o", "dunlin.img").status == 0
    assert str(tmp_path / "dunlin.img") in str(built.find_evidence(boats / "dunlin.yml"))


def test_a_boat_of_which_nothing_is_known_gets_them(call: Call, club: Path) -> None:
    """Another boat's card is no sign, nor another folder's boat of the same name."""
    built.remember_card(club / "dunlin.yml", club / "dunlin.img")
    built.remember_card(club.parent / "other" / "kittiwake.yml", club / "kittiwake.img")
    (club / "dunlin.img").write_bytes(b"")
    (club / "pipe.img").symlink_to("nowhere")
    (club.parent / "kittiwake.img").write_bytes(b"")
    assert call("keys", "kittiwake", "--boats", club).status == 0


def test_a_boat_whose_secrets_are_there_is_no_matter(call: Call, club: Path) -> None:
    answered(club)
    built.remember_card(club / "dunlin.yml", club / "dunlin.img")
    assert "nothing to make, all is there" in call("keys", "dunlin", "--boats", club).out
    assert call("keys", "dunlin", "--rotate", "pass_phrase", "--boats", club).status == 0


def test_a_copy_or_a_former_name_is_pointed_at(call: Call, club: Path) -> None:
    answered(club)
    (club / "kittiwake.secrets.yml~").write_bytes(b"x")
    (club / "gull.secrets.yml").write_bytes(b"x")
    hint = lost(call("keys", "kittiwake", "--boats", club, "--json"))["hint"]
    assert "gull.secrets.yml or kittiwake.secrets.yml~ beside it may be it" in hint
    assert "dunlin" not in hint
    assert LOOK in hint


def test_a_lost_private_key_is_named_with_what_follows(call: Call, club: Path) -> None:
    (club / "operator").unlink()
    said = call("keys", "dunlin", "--boats", club)
    assert said.status == 0
    assert "all is there" not in said.out
    assert f"provision: warning: {club / 'operator'}" in said.err
    assert "put it back" in said.err and "new pair" in said.err
    as_json = call("keys", "dunlin", "--boats", club, "--json").result
    assert as_json["missing"] == [str(club / "operator")]
    assert not (club / "operator").exists()


def test_nothing_is_missing_where_all_is_there(call: Call, club: Path) -> None:
    said = call("keys", "dunlin", "--boats", club)
    assert (said.err, "all is there" in said.out) == ("", True)
    assert "missing" not in call("keys", "dunlin", "--boats", club, "--json").result


def test_a_lost_pair_is_not_made_again_unasked(call: Call, club: Path) -> None:
    """The boats that were built would let nobody in by it."""
    call("keys", "kittiwake", "--boats", club)
    before = (club / "operator.pub").read_bytes()
    for name in ("operator", "operator.pub"):
        (club / name).unlink()
    built.remember_card(club / "dunlin.yml", club / "dunlin.img")
    error = lost(call("keys", "kittiwake", "--boats", club, "--json"))
    assert error["file"] == str(club / "operator")
    assert "dunlin" in error["message"] and "kittiwake" not in error["message"]
    assert "--replace-lost" in error["hint"]
    assert not (club / "operator").exists()
    made = call("keys", "kittiwake", "--replace-lost", "--boats", club, "--json").result
    assert made["made"] == ["operator"]
    assert (club / "operator.pub").read_bytes() != before


def test_a_pair_that_no_boat_lets_in_is_made(call: Call, club: Path) -> None:
    call("keys", "kittiwake", "--boats", club)
    other = (club / "operator.pub").read_text().strip()
    file = club / "club.yml"
    file.write_text(file.read_text().replace("[operator.pub]", f'["{other}"]'))
    for name in ("operator", "operator.pub"):
        (club / name).unlink()
    built.remember_card(club / "dunlin.yml", club / "dunlin.img")
    assert call("keys", "kittiwake", "--boats", club).status == 0


def test_a_memory_that_is_damaged_or_cannot_be_kept_is_none(
    call: Call, club: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    card_built(club)
    (record,) = Path(built.record_path(club / "kittiwake.yml", "cards")).parent.iterdir()
    for text in ("", "[]", "{}", '{"built": "x", "image": 1}', '{"built": 1e99, "image": ""}'):
        record.write_text(text)
        assert built.find_evidence(club / "kittiwake.yml") == []
    (tmp_path / "file").touch()
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    card_built(club)
    assert built.find_evidence(club / "kittiwake.yml") == []
    assert call("keys", "kittiwake", "--boats", club).status == 0
