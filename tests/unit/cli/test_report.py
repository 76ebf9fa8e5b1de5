# SPDX-License-Identifier: GPL-3.0-or-later
"""--report writes the result as a page, also where the command fails, and changes no status."""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from provision.cli.boats import verify as cli_verify
from provision.profile.secrets import store, vault
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.ssh.endpoint import Endpoint
from provision.survey.adapters import Adapter
from provision.survey.findings import Findings
from provision.survey.report import PortReport, Rate
from provision.verify.runner import TestOutcome, VerifyResult
from tests.support.command import Call
from tests.support.profiles import change


@pytest.fixture
def page(tmp_path: Path) -> Path:
    return tmp_path / "report.html"


def title(page: Path) -> str:
    (found,) = re.findall("<title>(.*?)</title>", page.read_text())
    return str(found)


@pytest.fixture
def club(call: Call, boats: Path) -> Path:
    """Give a folder whose boats have their secrets."""
    assert call("keys", "--all", "--boats", boats).status == 0
    return boats


def pushed(monkeypatch: pytest.MonkeyPatch, *outcomes: Outcome) -> list[Any]:
    """Let a roll-out end so, and return the list of those that were begun."""
    begun: list[Any] = []

    def roll_out(boats: Sequence[Any], *_: object) -> list[PushResult]:
        begun.append(boats)
        return [
            PushResult(boat.name, outcome, "1" * 64, "a reason" * (outcome != Outcome.KEPT))
            for boat, outcome in zip(boats, outcomes, strict=True)
        ]

    monkeypatch.setattr("provision.push.rollout.roll_out", roll_out)
    return begun


def test_check(call: Call, boats: Path, page: Path) -> None:
    without = call("check", "--all", "--boats", boats)
    said = call("check", "--all", "--boats", boats, "--report", page)
    assert said == without
    assert title(page) == "All 3 boats have no mistake in their files"
    assert stat.S_IMODE(page.stat().st_mode) == 0o600
    # With the sums, which the terminal shows with --figures only.
    assert "what gnss sends" in page.read_text()


def test_check_that_finds_something(call: Call, boats: Path, page: Path) -> None:
    change(boats / "dunlin.yml", ("channel: 1}", "channel: 15}"))
    said = call("check", "--all", "--boats", boats, "--report", page, "--json")
    assert (said.status, len(said.result["findings"])) == (1, 1)
    assert "figures" not in said.result
    assert title(page) == "1 of 3 boats needs somebody"


def test_check_of_a_file_that_cannot_be_read(call: Call, boats: Path, page: Path) -> None:
    change(boats / "dunlin.yml", ("board: ", "bored: "))
    assert call("check", "--all", "--boats", boats, "--report", page).status == 2
    assert title(page) == "1 of 3 boats needs somebody"
    assert "not checked" in page.read_text()


@pytest.mark.parametrize("outcome", [Outcome.KEPT, Outcome.ROLLED_BACK, Outcome.UNREACHABLE])
def test_push(
    call: Call, club: Path, page: Path, monkeypatch: pytest.MonkeyPatch, outcome: Outcome
) -> None:
    pushed(monkeypatch, outcome)
    words = ("push", "dunlin", "--boats", club, "--json")
    without = call(*words)
    said = call(*words, "--report", page)
    assert said == without
    good = outcome is Outcome.KEPT
    assert said.status == (0 if good else 1)
    assert title(page) == f"dunlin {'runs what its file says' if good else 'needs somebody'}"
    # As a shell takes it.
    assert good or "provision push &#39;" in page.read_text()


@pytest.mark.parametrize("kind", ["another", "no folder", "folder"])
def test_no_push_begins_where_no_report_can_be_written(
    call: Call, club: Path, page: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    begun = pushed(monkeypatch, Outcome.KEPT)
    if kind == "another":
        page.write_text("boat: tern")
    elif kind == "folder":
        page.mkdir()
    else:
        page = page / "below"
    said = call("push", "dunlin", "--boats", club, "--report", page, "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert error["file"] == str(page) and error["hint"]
    assert begun == []
    assert kind != "another" or page.read_text() == "boat: tern"


@pytest.mark.parametrize(("outcome", "status"), [(Outcome.KEPT, 2), (Outcome.ROLLED_BACK, 1)])
def test_a_disk_that_fills_during_the_push(
    call: Call,
    club: Path,
    page: Path,
    monkeypatch: pytest.MonkeyPatch,
    outcome: Outcome,
    status: int,
) -> None:
    """The result counts: a failure stays 1, a success becomes 2, and JSON one document."""

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    pushed(monkeypatch, outcome)
    monkeypatch.setattr("provision.report.file.sync_folder", lambda _: None)
    monkeypatch.setattr("provision.report.file.give", full)
    said = call("push", "dunlin", "--boats", club, "--report", page, "--json")
    assert said.status == status
    assert said.result["boats"][0]["outcome"] == outcome
    assert "No space left" in said.err
    assert not page.exists() and [*page.parent.glob(".report*")] == []


def test_a_push_that_is_stopped(
    call: Call, club: Path, page: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("provision.push.rollout.roll_out", stopped)
    words = ("push", "dunlin", "--boats", club, "--timer", "90", "--report", page)
    assert call(*words).status == 130
    assert title(page) == "Push was ended early"
    assert "rolls back within 90 s" in page.read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("push", "gull"), "Push could not run"),
        (("verify", "gull"), "Proof could not run"),
        (("fleet", "gull"), "State of the fleet could not run"),
        (("check", "gull"), "Check could not run"),
        (("survey", "--into", "gull"), "Survey could not run"),
    ],
)
def test_a_command_that_cannot_run_is_reported(
    call: Call, boats: Path, page: Path, words: tuple[str, ...], said: str
) -> None:
    without = call(*words, "--boats", boats)
    assert call(*words, "--boats", boats, "--report", page) == without
    assert without.status == 2
    assert title(page) == said
    assert "there is no boat gull" in page.read_text()


def test_a_signal_that_ends_a_command(
    call: Call, boats: Path, page: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def ended(*_: object) -> None:
        raise SystemExit(143)

    monkeypatch.setattr("provision.profile.load.read_each", ended)
    assert call("check", "--all", "--boats", boats, "--report", page).status == 143
    assert title(page) == "Check was ended early"


def test_fleet(call: Call, club: Path, page: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    status = BoatStatus("dunlin", "1" * 64, Endpoint("10.47.2.1"), due=False, seen=1.0)
    found = [status, BoatStatus("kittiwake", "1" * 64, None, reason="no answer")]
    monkeypatch.setattr("provision.push.status.fleet_status", lambda *_, **__: found)
    words = ("fleet", "dunlin", "kittiwake", "--boats", club)
    without = call(*words, "--json")
    assert call(*words, "--report", page, "--json") == without
    assert without.status == 1
    assert title(page) == "1 of 2 boats needs somebody"


@pytest.mark.parametrize(("error", "status"), [("", 0), ("dunlin does not answer", 2)])
def test_verify(
    call: Call, club: Path, page: Path, monkeypatch: pytest.MonkeyPatch, error: str, status: int
) -> None:
    tests = () if error else (TestOutcome("data", "it is writable", "passed", 0.1),)
    proof = VerifyResult("dunlin", 1.0, tests, error)
    monkeypatch.setattr(cli_verify, "_prove", lambda *_: [proof])
    said = call("verify", "dunlin", "--boats", club, "--report", page)
    assert said.status == status
    assert title(page) == f"dunlin {'needs somebody' if error else 'is what its file says'}"


def test_survey(call: Call, page: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gnss = Adapter("/dev/ttyUSB0", "TN-1", "1-1")
    found = Findings([PortReport(gnss, 4800, sentences={"GPRMC": Rate(1, 1, 1)})], [])
    monkeypatch.setattr("provision.cli.survey.command.survey_here", lambda _: found)
    assert call("survey", "--report", page).status == 0
    assert title(page) == "/dev/ttyUSB0 brings data"


def test_no_secret_is_in_any_report(
    call: Call, club: Path, page: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    password = vault.read_password(club)
    secrets = store.read(club / "dunlin.yml", password)
    pushed(monkeypatch, Outcome.FAILED)
    for words in (("check", "dunlin"), ("push", "dunlin")):
        call(*words, "--boats", club, "--report", page)
        text = page.read_text()
        assert secrets.pass_phrase not in text
        assert "PRIVATE KEY" not in text
        assert password.decode().strip() not in text
