# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --change-vault-password: where the new one comes from, and what is said."""

from __future__ import annotations

import io
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from provision.profile.scaffold import create_club
from provision.profile.secrets import private_file, store, vault, vault_password
from provision.profile.secrets.keygen import make_keys
from tests.support.command import Call, Said
from tests.support.profiles import contents

NAMES = ("dunlin", "kittiwake", "turnstone")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder whose boats have their secrets; only to be copied."""
    create_club(folder := tmp_path_factory.mktemp("made") / "boats")
    for name in NAMES:
        make_keys(folder / f"{name}.yml", vault.read_password(folder))
    return folder


@pytest.fixture
def club(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "the club's boats")


Piped = Callable[..., Said]


@pytest.fixture
def piped(call: Call, club: Path, monkeypatch: pytest.MonkeyPatch) -> Piped:
    """Change it to what is piped in."""

    def done(new: bytes, *more: object) -> Said:
        stdin = SimpleNamespace(isatty=lambda: False, buffer=io.BytesIO(new))
        monkeypatch.setattr(sys, "stdin", stdin)
        return call("keys", "--change-vault-password", "--boats", club, *more)

    return done


def test_the_folder_opens_by_the_new_one_as_before(call: Call, club: Path, piped: Piped) -> None:
    before = {name: store.read(club / f"{name}.yml", vault.read_password(club)) for name in NAMES}
    said = piped(b"of seven seas\n")
    assert said.status == 0
    assert "seven" not in said.out + said.err
    assert vault.read_password(club) == b"of seven seas"
    assert f"{club / vault.PASSWORD_FILE} holds the new one" in said.out
    for name in NAMES:
        assert store.read(club / f"{name}.yml", b"of seven seas") == before[name]
    assert call("keys", "--all", "--boats", club).status == 0


def test_as_json(club: Path, piped: Piped) -> None:
    assert piped(b"of seven seas", "--json").result == {
        "folder": str(club),
        "changed": [f"{name}.secrets.yml" for name in NAMES],
        "password_file": True,
    }


def test_a_password_file_elsewhere_is_named_and_left_alone(
    club: Path, piped: Piped, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = tmp_path / "mine"
    (club / vault.PASSWORD_FILE).rename(mine)
    before = mine.read_bytes()
    said = piped(b"of seven seas", "--vault-password-file", mine)
    assert said.status == 0
    assert f"next: put the new one into {mine}" in said.out
    assert mine.read_bytes() == before
    private_file.write(mine, b"of seven seas", replace=True)
    monkeypatch.setenv(vault.PASSWORD_FILE_VARIABLE, str(mine))
    assert f"next: put the new one into {mine}" in piped(b"of eight seas").out
    assert not (club / vault.PASSWORD_FILE).exists()


def test_a_change_that_was_cut_off_is_finished_without_a_question(
    club: Path, piped: Piped, monkeypatch: pytest.MonkeyPatch
) -> None:
    def cut(*_: object) -> None:
        raise SystemExit(143)

    with monkeypatch.context() as patch:
        patch.setattr(vault_password, "_replace_files", cut)
        assert piped(b"of seven seas").status == 143
    private_file.write(
        club / "kittiwake.secrets.yml",
        (club / ".kittiwake.secrets.yml.new").read_bytes(),
        replace=True,
    )
    said = piped(b"")
    assert "finishing" in said.err
    assert vault.read_password(club) == b"of seven seas"
    for name in NAMES:
        store.read(club / f"{name}.yml", b"of seven seas")


@pytest.mark.parametrize(
    ("new", "more", "told"),
    [
        (b"", [], "no new vault password"),
        (b"canary7", [], "8 characters or more"),
        (b" canary canary", [], "8 characters or more"),
        (b"canary\xff canary", [], "not UTF-8"),
        (b"canary canary", ["kittiwake"], "whole folder"),
        (b"canary canary", ["--show"], "two things"),
        (b"canary canary", ["--rotate", "pass_phrase"], "two things"),
    ],
)
def test_what_is_not_taken(
    club: Path, piped: Piped, new: bytes, more: list[str], told: str
) -> None:
    before = contents(club)
    said = piped(new, "--json", *more)
    assert said.status == 2
    assert told in said.result["errors"][0]["message"]
    assert "canary" not in said.out + said.err
    assert contents(club) == before


def test_the_old_one_again_or_a_wrong_one(club: Path, piped: Piped, tmp_path: Path) -> None:
    before = contents(club)
    said = piped(vault.read_password(club), "--json")
    assert "the one before" in said.result["errors"][0]["message"]
    private_file.write(tmp_path / "wrong", b"of no seas")
    said = piped(b"of seven seas", "--vault-password-file", tmp_path / "wrong", "--json")
    assert said.status == 2
    assert "opens no file" in said.result["errors"][0]["message"]
    assert contents(club) == before


def test_a_folder_that_is_none(call: Call, tmp_path: Path) -> None:
    said = call("keys", "--change-vault-password", "--boats", tmp_path / "none", "--json")
    assert said.status == 2
    assert "--boats" in said.result["errors"][0]["hint"]
