# SPDX-License-Identifier: GPL-3.0-or-later
"""A survey ends in a new profile, or in changes of one that are shown and confirmed."""

from __future__ import annotations

import io
import json
import stat
import sys
from pathlib import Path

import pytest

from provision.cli.survey import into as survey_into
from provision.cli.survey.profile import Options
from provision.errors import UserError
from provision.profile import load
from provision.survey.adapters import Adapter
from provision.survey.draft.heard import Heard
from provision.survey.report import PortReport, Rate
from tests.support.command import Call

GNSS = Adapter("/dev/ttyUSB0", "NEW-7", "1-1.2", 0)
HEARD = PortReport(
    GNSS,
    38400,
    sentences={name: Rate(1, 1, 1) for name in ("GPRMC", "GPGGA", "GPVTG")},
    looks_like="GNSS receiver",
)
FOUND = Heard([HEARD], [GNSS])
DIFF = (
    "-  gnss:      {adapter: {serial: KW-GNSS-01}, baud: 4800, talks: [RMC, GGA, VTG]}",
    "+  gnss:      {adapter: {serial: NEW-7}, baud: 38400, talks: [RMC, GGA, VTG]}",
)


def types(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))


def into(boats: Path, *, yes: bool = False) -> Options:
    return Options(boats, into="kittiwake", yes=yes)


def test_a_new_profile_checks(
    boats: Path, call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    types(monkeypatch, "abacus\nx86-64\n")
    task = Options(boats, new="tern").task()
    assert "is not a known board" in capsys.readouterr().err
    assert task is not None
    outcome = task.finish(FOUND)
    assert (outcome.ok, outcome.result["links"], outcome.result["unknown"]) == (True, ["gnss"], [])
    assert outcome.lines[0] == f"{boats / 'tern.yml'}: links gnss"
    assert "keep a copy" not in " ".join(outcome.lines)
    assert load.read(boats / "tern.yml").profile.board == "x86-64"
    said = call("check", "tern", "--boats", boats)
    assert (said.status, said.out) == (0, "no mistake found in tern\n")
    json.dumps(outcome.result)


def test_a_first_boat_in_a_folder_that_is_not_there(tmp_path: Path, call: Call) -> None:
    folder = tmp_path / "my boats"
    task = Options(folder, new="tern", board="x86-64", country="FR").task()
    assert task is not None
    outcome = task.finish(FOUND)
    assert any("keep a copy of .vault-password" in line for line in outcome.lines)
    assert sorted(file.name for file in folder.iterdir()) == [
        ".gitignore",
        ".vault-password",
        "tern.yml",
    ]
    assert stat.S_IMODE((folder / ".vault-password").stat().st_mode) == 0o600
    assert call("check", folder / "tern.yml").status == 0
    assert call("keys", folder / "tern.yml").status == 0


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"new": "kittiwake"}, "is there already and stays as it is"),
        ({"new": "Tern"}, "is not a host name"),
        ({"new": "x/tern.yaml"}, "is no name for a boat's file"),
        ({"new": "tern", "board": "abacus"}, "is not a known board"),
        ({"new": "tern", "board": "x86-64", "country": "XYZ"}, "is not a country's code"),
        ({"new": "tern"}, "no board is named"),
        ({"into": "tern"}, "there is no boat tern"),
        ({"into": "tern", "new": "tern"}, "--new writes a new profile"),
        ({"board": "x86-64"}, "--board is about a new profile"),
    ],
)
def test_what_cannot_be_done_is_refused_before_the_survey(
    boats: Path, options: dict[str, str], message: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    types(monkeypatch, "")
    with pytest.raises(UserError) as told:
        Options(boats, **options).task()  # type: ignore[arg-type]
    assert message in str(told.value)


def test_no_folder_is_made_when_nothing_was_heard(tmp_path: Path) -> None:
    task = Options(tmp_path / "boats", new="tern", board="x86-64", country="FR").task()
    assert task is not None
    with pytest.raises(UserError, match="no instrument was heard"):
        task.finish(Heard([PortReport(GNSS)], [GNSS]))
    assert not (tmp_path / "boats").exists()


def test_a_change_is_shown_and_confirmed(
    boats: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = boats / "kittiwake.yml"
    file.chmod(0o640)
    before = file.read_text()
    types(monkeypatch, "y\ny\n")
    task = into(boats).task()
    assert task is not None
    outcome = task.finish(FOUND)
    shown = capsys.readouterr().err
    assert "Is this its instrument?" in shown
    assert all(f"\n{line}\n" in shown for line in DIFF)
    assert file.read_text() == before.replace(DIFF[0][1:], DIFF[1][1:])
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert outcome.ok
    assert [line for line in outcome.result["diff"] if line in DIFF] == [*DIFF]
    assert outcome.lines[-1] == "no mistake found in kittiwake"


@pytest.mark.parametrize("typed", ["n\nn\n", "y\nn\n", "y\n", ""])
def test_without_a_yes_nothing_is_changed(
    boats: Path, monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    file = boats / "kittiwake.yml"
    file.write_text(file.read_text() + "usb: {hubs: {main: {ports: 7, own_supply: true}}}\n")
    before = file.read_bytes()
    types(monkeypatch, typed)
    task = into(boats).task()
    assert task is not None
    with pytest.raises(UserError, match="nothing was changed about kittiwake"):
        task.finish(FOUND)
    assert file.read_bytes() == before


def test_yes_answers_what_is_sure(boats: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    types(monkeypatch, "")
    task = into(boats, yes=True).task()
    assert task is not None
    task.finish(FOUND)
    assert load.read(boats / "kittiwake.yml").profile.serial_links["gnss"].adapter.serial == "NEW-7"
    again = task.finish(FOUND)
    assert again.lines[0].endswith("nothing to change")


def test_a_result_that_would_not_check_is_not_written(
    boats: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fifth adapter, where the board has four sockets."""
    before = (boats / "kittiwake.yml").read_bytes()
    types(monkeypatch, "n\n")
    task = into(boats).task()
    assert task is not None
    with pytest.raises(UserError) as told:
        task.finish(FOUND)
    assert "it would not check, and stays as it is" in str(told.value)
    assert "5 plugs, at most 4" in str(told.value)
    assert (boats / "kittiwake.yml").read_bytes() == before


def test_a_file_that_changes_during_the_question_stays(
    boats: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = boats / "kittiwake.yml"

    def edit(_: str) -> bool:
        file.write_text("boat: kittiwake\n")
        return True

    monkeypatch.setattr(survey_into, "confirm", edit)
    task = into(boats).task()
    assert task is not None
    with pytest.raises(UserError, match="was changed in the meantime"):
        task.finish(FOUND)
    assert file.read_text() == "boat: kittiwake\n"


def test_an_invalid_profile_is_refused_before_the_survey(boats: Path) -> None:
    file = boats / "kittiwake.yml"
    file.write_text(file.read_text().replace("KW-GNSS-01", "/dev/ttyUSB0"))
    with pytest.raises(UserError, match="the kernel's name of a port"):
        into(boats).task()
