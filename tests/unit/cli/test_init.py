# SPDX-License-Identifier: GPL-3.0-or-later
"""init makes one's own boat from options, or the example club, and leaves nothing half-made."""

from __future__ import annotations

import errno
import io
import os
import shlex
import shutil
import stat
import sys
from pathlib import Path

import pytest

from provision.profile import load, scaffold
from provision.survey.adapters import Adapter
from tests.support.command import Call

GIVEN = ("--boat", "storm-petrel", "--board", "x86-64", "--country", "FR")


class Terminal(io.StringIO):
    """Somebody who types these lines."""

    def isatty(self) -> bool:
        return True


def test_options_make_a_boat_that_checks(call: Call, tmp_path: Path) -> None:
    folder = tmp_path / "my boats"
    said = call("init", folder, *GIVEN)
    file = folder / "storm-petrel.yml"
    assert (said.status, said.err) == (0, "")
    assert "keep a copy of .vault-password elsewhere" in said.out
    assert "no mistake found in storm-petrel" in said.out
    assert sorted(path.name for path in folder.iterdir()) == [
        ".gitignore",
        ".vault-password",
        "storm-petrel.yml",
    ]
    assert stat.S_IMODE(file.stat().st_mode) == 0o644
    assert load.read(file).profile.network.access_point.ssid == "Storm Petrel"
    assert call("check", "--all", "--boats", folder).status == 0
    assert call("keys", file).status == 0


def test_the_next_step_is_one(call: Call, tmp_path: Path) -> None:
    """As it stands, in a shell: it asks for adapters, not for another file."""
    folder = tmp_path / "my boats"
    next_line = call("init", folder, *GIVEN).out.splitlines()[-1]
    words = shlex.split(next_line)
    assert words[:4] == ["next:", "provision", "survey", "--into"]
    assert load.read(load.find(words[4], Path("boats"))).name == "storm-petrel"


def test_the_answers_as_json(call: Call, tmp_path: Path) -> None:
    more = ("--wifi", "Petrel <b>", "--gnss", "SP-1", "--json")
    result = call("init", tmp_path / "boats", *GIVEN, *more).result
    file = tmp_path / "boats" / "storm-petrel.yml"
    assert result["file"] == str(file)
    assert result["findings"] == []
    assert result["made"] == [file.name, ".vault-password", ".gitignore"]
    profile = load.read(file).profile
    assert profile.network.access_point.ssid == "Petrel <b>"
    assert profile.serial_links["gnss"].adapter.serial == "SP-1"


def test_the_questions(call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Five are asked; a wrong answer is asked again, and Enter takes what is usual."""
    plugged = Adapter("/dev/ttyUSB0", "GN-5", "1-1.2", 0)
    monkeypatch.setattr("provision.survey.adapters.find_adapters", lambda *_: [plugged])
    typed = "Tern\ntern\nabacus\nx86-64\nFrance\nFR\n\nGN-5\n"
    monkeypatch.setattr(sys, "stdin", Terminal(typed))
    said = call("init", tmp_path / "boats")
    assert said.status == 0, said.err
    for asked in ("called, such as tern", "Which board", "which country", "Wi-Fi", "GNSS receiver"):
        assert asked in said.err
    for objection in ("is not a host name", "is not a known board", "is not a country's code"):
        assert objection in said.err
    profile = load.read(tmp_path / "boats" / "tern.yml").profile
    assert profile.network.access_point.ssid == "Tern"
    assert "  GN-5  " in said.err
    assert profile.serial_links["gnss"].adapter.serial == "GN-5"


def test_an_option_is_not_asked(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(""))
    said = call("init", tmp_path / "boats", *GIVEN)
    assert (said.status, said.err) == (0, "")


def test_the_end_of_the_answers(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("tern\nx86-64\n"))
    said = call("init", tmp_path / "boats")
    assert said.status == 2
    assert "no country is named" in said.err and "--country CC" in said.err
    assert not (tmp_path / "boats").exists()


def test_without_a_terminal_the_options_are_named(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("tern\n"))
    said = call("init", tmp_path / "boats", "--board", "x86-64", "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert "no terminal" in error["message"]
    assert "--boat NAME --country CC" in error["hint"] and "--board" not in error["hint"]
    assert "--example" in error["hint"]
    assert not (tmp_path / "boats").exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--boat", "Tern"), "is not a host name"),
        (("--board", "abacus"), "is not a known board"),
        (("--country", "XYZ"), "is not a country's code"),
        (("--country", "XX"), "knows no rules for the country XX"),
        (("--wifi", "x" * 33), "is no name for a Wi-Fi"),
        (("--gnss", "/dev/ttyUSB0"), "no serial number, USB socket or CAN interface"),
        (("--example",), "is about your own boat"),
    ],
)
def test_a_wrong_answer_makes_nothing(
    call: Call, tmp_path: Path, words: tuple[str, ...], message: str
) -> None:
    said = call("init", tmp_path / "boats", *GIVEN, *words)
    assert (said.status, message in said.err) == (2, True), said.err
    assert "hint: " in said.err
    assert not (tmp_path / "boats").exists()


def test_a_folder_with_boats_is_refused_before_the_questions(
    call: Call, boats: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("tern\n"))
    before = sorted(boats.iterdir())
    said = call("init", boats)
    assert (said.status, "is not empty" in said.err, "called" in said.err) == (2, True, False)
    assert sorted(boats.iterdir()) == before


def test_a_full_disk_leaves_no_boat_half_made(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(folder: Path) -> list[str]:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(scaffold, "_fill_without_boats", full)
        said = call("init", tmp_path / "mine", *GIVEN)
    assert (said.status, "No space left" in said.err) == (2, True)
    assert call("init", tmp_path / "mine", *GIVEN).status == 0


def test_the_example_says_what_to_call_next(call: Call, tmp_path: Path) -> None:
    said = call("init", "--example", tmp_path / "my boats")
    next_line = said.out.splitlines()[-1]
    assert "keep a copy of .vault-password elsewhere" in said.out
    assert said.status == 0
    # As it stands, in a shell.
    assert call(*shlex.split(next_line)[2:]).status == 0
    assert (tmp_path / "my boats" / "kittiwake.secrets.yml").exists()
    made = call("init", "--example", tmp_path / "more", "--json").result
    assert made["folder"] == str(tmp_path / "more")
    found = [path.name + "/" * path.is_dir() for path in (tmp_path / "more").iterdir()]
    assert sorted(made["made"]) == sorted(found)


@pytest.mark.parametrize("name", ["file", "file/below", "x" * 300, "."])
def test_init_where_no_folder_can_be(call: Call, tmp_path: Path, name: str) -> None:
    (tmp_path / "file").touch()
    said = call("init", "--example", tmp_path / name, "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert error["file"] == str(tmp_path / name)
    assert "new" in error["hint"]


def test_init_on_a_full_disk_leaves_nothing_half_made(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(source: Path, target: Path) -> None:
        target.touch()
        if target.name == "kittiwake.yml":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(shutil, "copyfile", full)
        said = call("init", "--example", tmp_path / "mine", "--json")
    assert said.status == 2
    assert "No space left" in said.result["errors"][0]["message"]
    assert call("init", "--example", tmp_path / "mine").status == 0
