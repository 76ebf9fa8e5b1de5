# SPDX-License-Identifier: GPL-3.0-or-later
"""sheet and labels: which files they write, and which they leave alone."""

from __future__ import annotations

import builtins
import os
import stat
import sys
from pathlib import Path

import pytest

from provision.profile.secrets import store, vault
from provision.profile.secrets.keygen import make_keys
from tests.support.command import Call


@pytest.fixture
def club(boats: Path) -> Path:
    for name in ("dunlin", "kittiwake", "turnstone"):
        make_keys(boats / f"{name}.yml", vault.read_password(boats))
    return boats


def pass_phrase(club: Path, name: str) -> str:
    return store.read(club / f"{name}.yml", vault.read_password(club)).pass_phrase


def test_a_sheet_is_its_owners_alone_and_replaced_by_a_newer(
    call: Call, club: Path, tmp_path: Path
) -> None:
    out, before = tmp_path / "sheet.html", os.umask(0)
    try:
        said = call("sheet", "dunlin", "--boats", club, "-o", out)
        assert said.status == 0 and "keep it aboard" in said.out
        assert pass_phrase(club, "dunlin") in out.read_text()
        assert call("sheet", "kittiwake", "--boats", club, "-o", out).status == 0
    finally:
        os.umask(before)
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert pass_phrase(club, "kittiwake") in out.read_text()
    assert pass_phrase(club, "dunlin") not in out.read_text()
    assert sorted(tmp_path.iterdir()) == [out, club]


def test_all_boats_go_into_one_file(call: Call, club: Path, tmp_path: Path) -> None:
    said = call("sheet", "--all", "--boats", club, "-o", tmp_path / "all.html", "--json")
    assert said.result == {
        "file": str(tmp_path / "all.html"),
        "boats": ["dunlin", "kittiwake", "turnstone"],
        "pass_phrase": True,
    }
    text = (tmp_path / "all.html").read_text()
    assert all(pass_phrase(club, name) in text for name in said.result["boats"])


@pytest.mark.parametrize("words", [["sheet", "--no-pass-phrase"], ["labels"]])
def test_without_a_pass_phrase_no_secrets_are_needed(
    call: Call, boats: Path, tmp_path: Path, words: list[str]
) -> None:
    (boats / ".vault-password").unlink()
    said = call(*words, "dunlin", "--boats", boats, "-o", tmp_path / "out.html", "--json")
    assert (said.status, said.result["pass_phrase"]) == (0, False)


def test_a_pass_phrase_does_not_go_among_the_profiles(call: Call, club: Path) -> None:
    said = call("sheet", "dunlin", "--boats", club, "-o", club / "sheet.html")
    assert said.status == 2 and "name one elsewhere" in said.err
    assert not (club / "sheet.html").exists()
    assert call("labels", "dunlin", "--boats", club, "-o", club / "labels.html").status == 0


@pytest.mark.parametrize("command", ["sheet", "labels"])
@pytest.mark.parametrize("content", [b"mine", b"<!-- provision other -->", b"%PDF-1.7\n% mine"])
def test_another_file_stays(
    call: Call, club: Path, tmp_path: Path, command: str, content: bytes
) -> None:
    out = tmp_path / "out.html"
    out.write_bytes(content)
    said = call(command, "dunlin", "--boats", club, "-o", out)
    assert said.status == 2 and "not overwritten" in said.err
    assert out.read_bytes() == content


def test_a_sheet_does_not_replace_labels(call: Call, club: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.html"
    assert call("labels", "dunlin", "--boats", club, "-o", out).status == 0
    assert call("sheet", "dunlin", "--boats", club, "-o", out).status == 2
    assert call("labels", "--all", "--boats", club, "-o", out).status == 0


@pytest.mark.parametrize("name", ["out.txt", "out", "-"])
def test_the_name_says_which_form(call: Call, club: Path, tmp_path: Path, name: str) -> None:
    said = call("sheet", "dunlin", "--boats", club, "-o", tmp_path / name)
    assert said.status == 2 and "sheet.pdf" in said.err


def test_a_missing_layout_program_is_named_with_what_to_install(
    call: Call, club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    said = call("labels", "dunlin", "--boats", club, "-o", tmp_path / "labels.pdf")
    assert said.status == 2 and not (tmp_path / "labels.pdf").exists()
    hint = " ".join(said.err.split())
    assert "tools/install --pdf" in hint and "provision[pdf]" in hint
    assert "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0" in hint
    assert "FILE.html" in hint


def test_a_missing_library_is_named_too(
    call: Call, club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *more: object) -> object:
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'")
        return real(name, *more)

    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    said = call("labels", "dunlin", "--boats", club, "-o", tmp_path / "labels.pdf")
    assert said.status == 2 and "a library is missing" in said.err and "libpango" in said.err


def test_html_needs_no_layout_program(
    call: Call, club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    assert call("sheet", "dunlin", "--boats", club, "-o", tmp_path / "s.html").status == 0


def test_letter_paper(call: Call, club: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.html"
    call("labels", "dunlin", "--boats", club, "-o", out, "--paper", "letter")
    assert "size: letter" in out.read_text()
    call("labels", "dunlin", "--boats", club, "-o", out)
    assert "size: A4" in out.read_text()
