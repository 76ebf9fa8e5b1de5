# SPDX-License-Identifier: GPL-3.0-or-later
"""A file in the folder of boats that was perhaps meant for a boat's is named, never left out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.support.command import Call

#: Each file with what is said about it.
FILES = {
    "eight.yml": ("", "the file is empty"),
    "elf.yml": ("Boat: elf\nincludes: [club.yml]\n", "did you mean boat?"),
    "nine.yml": ("board: x86-64\n", "no key boat"),
    "six.yml": ("baot: six\n", "did you mean boat?"),
    "ten.yaml": ("boat: ten\n", "call it ten.yml"),
}


@pytest.fixture
def mixed(call: Call, boats: Path) -> Path:
    """Give a folder of boats with their secrets, and with files that are perhaps boats."""
    assert call("keys", "--all", "--boats", boats).status == 0
    for name, (text, _) in FILES.items():
        (boats / name).write_text(text)
    (boats / "mooring.yml").write_text("includes: [own/quay.yml]\n")
    (boats / "dunlin.yml").write_text(
        (boats / "dunlin.yml").read_text().replace("[club.yml]", "[club.yml, mooring.yml]")
    )
    (boats / "own").mkdir()
    (boats / "own" / "quay.yml").write_text("{}\n")
    (boats / ".hidden.yml").write_text("baot: hidden\n")
    return boats


def test_check_of_all_names_each(call: Call, mixed: Path) -> None:
    """Files that boats include, and files of secrets, are no boats and are not named."""
    errors = call("check", "--all", "--boats", mixed, "--json")
    assert errors.status == 2
    assert [Path(error["file"]).name for error in errors.result["errors"]] == [*FILES]
    for error, (_, why) in zip(errors.result["errors"], FILES.values(), strict=True):
        assert why in f"{error['message']} {error['hint']}"
    said = call("check", "--all", "--boats", mixed)
    assert said.status == 2
    assert "5 more not checked, see above" in said.out.splitlines()[-1]
    assert "club.yml" not in said.err and "secrets" not in said.err


def test_other_commands_warn_of_each(call: Call, mixed: Path) -> None:
    for words in (["keys", "--all"], ["keys", "--all", "--rotate", "pass_phrase"]):
        said = call(*words, "--boats", mixed)
        assert said.status == 0
        assert said.err.count("provision: warning:") == len(FILES)
        assert all(name in said.err for name in FILES)
    json.loads(call("keys", "--all", "--boats", mixed, "--json").out)


@pytest.mark.parametrize("words", [("fleet",), ("push", "--all"), ("verify", "--all")])
def test_boats_at_sea_are_not_left_out_in_silence(
    call: Call, mixed: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.setattr("provision.push.load.load_boats", lambda *_: ([], []))
    monkeypatch.setattr("provision.push.status.fleet_status", lambda *_, **__: [])
    monkeypatch.setattr("provision.push.rollout.roll_out", lambda *_: [])
    said = call(*words, "--boats", mixed)
    assert said.err.count("provision: warning:") == len(FILES)


def test_a_folder_that_is_not_there(call: Call, tmp_path: Path) -> None:
    for words in (["check", "--all"], ["check", "gull"]):
        (error,) = call(*words, "--boats", tmp_path / "none", "--json").result["errors"]
        assert error["message"] == f"there is no folder {tmp_path / 'none'}"
        assert "--boats" in error["hint"] and "provision init" in error["hint"]
