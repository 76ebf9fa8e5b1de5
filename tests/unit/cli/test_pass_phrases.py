# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --show and --set: to whom pass-phrases are shown, and which are taken."""

from __future__ import annotations

import io
import os
import shutil
import sys
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import Mock

import pytest

from provision.cli.terminal import typed
from provision.paths import argument
from provision.profile.scaffold import create_club
from provision.profile.secrets import private_file, store, vault
from provision.profile.secrets.keygen import make_keys
from tests.support.command import Call, Said
from tests.support.profiles import OWN_PASS_PHRASE, change, contents


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder whose dunlin has its secrets, and a tablet with a pass-phrase of its own.

    It is only to be copied.
    """
    create_club(folder := tmp_path_factory.mktemp("made") / "boats")
    file = folder / "dunlin.yml"
    change(file, OWN_PASS_PHRASE)
    make_keys(file, vault.read_password(folder))
    return folder


@pytest.fixture
def club(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "the club's boats")


def kept(club: Path) -> store.Secrets:
    return store.read(club / "dunlin.yml", vault.read_password(club))


@pytest.fixture
def set_to(call: Call, club: Path, monkeypatch: pytest.MonkeyPatch) -> object:
    """Set a secret to what is piped in."""

    def done(secret: str, piped: bytes, *more: object) -> Said:
        stdin = SimpleNamespace(isatty=lambda: False, buffer=io.BytesIO(piped))
        monkeypatch.setattr(sys, "stdin", stdin)
        return call("keys", "dunlin", "--set", secret, "--boats", club, *more)

    return done


def test_who_has_made_one_is_told_how_to_see_it(call: Call, boats: Path) -> None:
    said = call("keys", "dunlin", "--boats", boats)
    assert f"provision keys {argument(boats / 'dunlin.yml')} --show" in " ".join(said.err.split())
    said = call("keys", "dunlin", "--rotate", "host_key", "--boats", boats)
    assert "--show" not in said.err


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_nothing_else_than_a_terminal_is_shown_them(
    call: Call, club: Path, more: list[str]
) -> None:
    said = call("keys", "dunlin", "--show", "--boats", club, *more)
    assert said.status == 2
    assert kept(club).pass_phrase not in said.out + said.err
    assert "-o FILE" in said.out + said.err


def test_a_file_of_them_is_the_operators_alone_and_replaced_by_a_newer(
    call: Call, club: Path, tmp_path: Path
) -> None:
    out, before = tmp_path / "list", os.umask(0)
    try:
        said = call("keys", "dunlin", "--show", "-o", out, "--boats", club)
        assert said.status == 0
        assert kept(club).pass_phrase not in said.out
        assert out.stat().st_mode & 0o777 == 0o600
        assert kept(club).pass_phrase in out.read_text()
        call("keys", "dunlin", "--rotate", "pass_phrase", "--boats", club)
        out.chmod(0o644)
        as_json = call("keys", "dunlin", "--show", "-o", out, "--boats", club, "--json")
    finally:
        os.umask(before)
    assert as_json.result == {"file": str(out)}
    assert out.stat().st_mode & 0o777 == 0o600
    assert kept(club).pass_phrase in out.read_text()


def test_a_file_of_another_kind_is_left_alone(call: Call, club: Path, tmp_path: Path) -> None:
    other, link, pipe = tmp_path / "other", tmp_path / "link", tmp_path / "pipe"
    other.write_text("the only copy\n")
    link.symlink_to(tmp_path / "list")
    os.mkfifo(pipe)
    call("keys", "dunlin", "--show", "-o", tmp_path / "list", "--boats", club)
    listed = (tmp_path / "list").read_bytes()
    for out in (other, link, pipe, tmp_path, Path("/dev/stdout"), Path("/dev/fd/1")):
        said = call("keys", "dunlin", "--show", "-o", out, "--boats", club, "--json")
        assert said.status == 2, out
        assert said.result["errors"][0]["file"] == str(out)
        assert kept(club).pass_phrase not in said.out
    assert other.read_text() == "the only copy\n"
    assert (tmp_path / "list").read_bytes() == listed
    assert link.is_symlink()


@pytest.mark.parametrize("name", ["list", "dunlin.yml", "dunlin.secrets.yml", "operator", "new/l"])
def test_no_file_of_them_lies_beside_the_boats(call: Call, club: Path, name: str) -> None:
    before = contents(club)
    said = call("keys", "dunlin", "--show", "-o", club / name, "--boats", club, "--json")
    assert said.status == 2
    assert contents(club) == before


def test_a_dash_and_a_disk_without_modes(
    call: Call, club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    said = call("keys", "dunlin", "--show", "-o", "-", "--boats", club, "--json")
    assert said.status == 2
    assert not Path("-").exists()
    # So a stick's file system behaves: the mode is that of its mounting.
    write = private_file.write

    def stick(file: Path, data: bytes, *, replace: bool = False) -> None:
        write(file, data, replace=replace)
        file.chmod(0o755)

    monkeypatch.setattr(private_file, "write", stick)
    said = call("keys", "dunlin", "--show", "-o", "list", "--boats", club, "--json")
    assert said.status == 2
    assert "0755" in said.result["errors"][0]["message"]
    assert not Path("list").exists()


def test_a_tablet_whose_own_is_not_made_yet(call: Call, club: Path, tmp_path: Path) -> None:
    file = club / "dunlin.yml"
    file.write_text(file.read_text().replace("chart-table:", "helm:"))
    call("keys", "dunlin", "--show", "-o", tmp_path / "list", "--boats", club)
    listed = (tmp_path / "list").read_text()
    assert f"helm (its own): not made yet; provision keys {argument(file)} makes it" in listed
    assert kept(club).own_pass_phrases["chart-table"] not in listed


@pytest.mark.parametrize("secret", ["pass_phrase", "chart-table"])
def test_setting_changes_the_one_named(set_to: Call, club: Path, secret: str) -> None:
    before = kept(club).model_dump()
    said = set_to(secret, b"  of seven seas \r\nand more\n", "--json")
    assert said.result["set"] == [secret]
    after = kept(club).model_dump()
    group = "pass_phrase" if secret == "pass_phrase" else "own_pass_phrases"
    assert {key for key in before if before[key] != after[key]} == {group}
    assert "  of seven seas " in (after[group], after["own_pass_phrases"]["chart-table"])
    assert set_to(secret, b"  of seven seas ", "--json").result["set"] == []
    assert store.secrets_path(club / "dunlin.yml").stat().st_mode & 0o777 == 0o600


def test_setting_says_what_has_to_follow(set_to: Call, club: Path) -> None:
    said = set_to("pass_phrase", b"of seven seas\n")
    assert f"provision push {argument(club / 'dunlin.yml')}" in said.out
    assert "seven" not in said.out + said.err


@pytest.mark.parametrize(
    ("secret", "piped", "told"),
    [
        ("pass_phrase", b"canary7", "8 to 63 printable ASCII"),
        ("pass_phrase", b"canary" * 11, "8 to 63 printable ASCII"),
        ("pass_phrase", b"canary\xff\xfecanary", "not UTF-8"),
        ("pass_phrase", "canarý canary".encode(), "8 to 63 printable ASCII"),
        ("chart-table", b"canary\tcanary", "8 to 63 printable ASCII"),
        ("pass_phrase", b"\n", "no new pass-phrase"),
        ("pass_phrase", b"", "no new pass-phrase"),
        ("host_key", b"canary canary", "no pass-phrase by the name"),
        ("canary canary", b"", "no pass-phrase by the name"),
        ("galley", b"canary canary", "no pass-phrase by the name"),
    ],
)
def test_what_is_not_taken(set_to: Call, club: Path, secret: str, piped: bytes, told: str) -> None:
    before = kept(club)
    said = set_to(secret, piped, "--json")
    assert said.status == 2
    assert told in said.result["errors"][0]["message"]
    assert said.result["errors"][0]["hint"]
    assert "canar" not in said.out + said.err
    assert kept(club) == before


@pytest.mark.parametrize(
    ("secret", "other"), [("pass_phrase", "chart-table"), ("chart-table", "pass_phrase")]
)
def test_two_may_not_be_equal(set_to: Call, club: Path, secret: str, other: str) -> None:
    """The boat would take a guest for the tablet."""
    made = kept(club)
    had = {"pass_phrase": made.pass_phrase, **made.own_pass_phrases}[other]
    said = set_to(secret, had.encode(), "--json")
    assert said.status == 2
    assert f"{other} has that pass-phrase" in said.result["errors"][0]["message"]
    assert had not in said.out
    assert kept(club) == made


def test_a_tablet_without_its_own_is_told_how_to_get_it(set_to: Call, club: Path) -> None:
    file = club / "dunlin.yml"
    file.write_text(file.read_text().replace(", own_pass_phrase: true", ""))
    said = set_to("chart-table", b"of seven seas", "--json")
    (error,) = said.result["errors"]
    assert (error["file"], error["key"]) == (str(file), "network.tablets.chart-table")
    assert "own_pass_phrase: true" in error["hint"]


def test_the_secrets_of_a_lost_card_are_neither_shown_nor_changed(
    call: Call, set_to: Call, club: Path, tmp_path: Path
) -> None:
    """From another copy of the folder the old ones may have come back."""
    file = club / "dunlin.secrets.yml"
    old = file.read_bytes()
    assert call("keys", "dunlin", "--stolen", "--yes", "--boats", club).status == 0
    new = kept(club)
    private_file.write(file, old, replace=True)
    out = tmp_path / "list"
    for said in (
        call("keys", "dunlin", "--show", "-o", out, "--boats", club, "--json"),
        set_to("pass_phrase", b"of seven seas", "--json"),
    ):
        assert said.status == 2
        assert "lost or stolen" in said.result["errors"][0]["message"]
    assert (file.read_bytes(), out.exists()) == (old, False)
    store.write(club / "dunlin.yml", new, vault.read_password(club), replace=True)
    assert call("keys", "dunlin", "--show", "-o", out, "--boats", club).status == 0
    assert new.pass_phrase in out.read_text()


def test_who_types_nothing_changes_nothing(
    call: Call, club: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr(typed.getpass, "getpass", Mock(side_effect=EOFError()))
    said = call("keys", "dunlin", "--set", "pass_phrase", "--boats", club)
    assert said.status == 2
    assert "nothing was changed" in said.err


@pytest.mark.parametrize(
    "words",
    [
        ["dunlin", "--show", "--rotate", "pass_phrase"],
        ["dunlin", "--set", "pass_phrase", "--show"],
        ["dunlin", "--set", "pass_phrase", "--rotate", "chart-table"],
        ["dunlin", "-o", "list"],
        ["dunlin", "kittiwake", "--set", "pass_phrase"],
        ["kittiwake", "--set", "pass_phrase"],
        ["--show"],
    ],
)
def test_what_does_not_go_together(call: Call, club: Path, words: list[str]) -> None:
    before = contents(club)
    said = call("keys", *words, "--boats", club, "--json")
    assert said.status == 2
    assert said.result["errors"][0]["message"]
    assert contents(club) == before
