# SPDX-License-Identifier: GPL-3.0-or-later
"""No text of a boat, a proof, an image or a profile steers a terminal."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from provision import checks, progress
from provision.card.device import block_devices
from provision.checks import Finding
from provision.cli import common, opening, profiles, write
from provision.cli.boats import push, verify
from provision.errors import Location
from provision.progress import step
from provision.push import rollout
from provision.push.console import fleet_table, push_table, verify_table
from provision.push.query import diff, poll
from provision.push.query.poll import StatusAnswer, StatusQuery
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.render import File
from provision.ssh.endpoint import Endpoint
from provision.verify import job
from provision.verify.runner import Collector, TestOutcome, VerifyResult, reason

#: Clears the screen; turns the reading direction; a C1 control; rich's markup.
EVIL = "\x1b[2Jone\u202etwo\x9b31m[bold]"
SHOWN = "\ufffd[2Jone\ufffdtwo\ufffd31m[bold]"
HERE = Endpoint("10.47.1.1")


def printed(table: Any) -> str:
    """Return what a terminal gets, without its line breaks."""
    text = io.StringIO()
    Console(file=text, width=400, force_terminal=True, color_system=None).print(table)
    return text.getvalue()


def clean(text: str) -> None:
    """Check that the text is there, without what steers a terminal."""
    assert SHOWN in text
    assert not {"\x1b", "\u202e", "\x9b"} & {*text}


def test_the_table_of_a_push() -> None:
    clean(printed(push_table([PushResult("a", Outcome.REFUSED, "", EVIL)])))
    clean(printed(push_table([PushResult("a", Outcome.REFUSED, "", "so", hint=EVIL)])))


@pytest.mark.parametrize(
    "status",
    [
        BoatStatus("a", "1" * 64, HERE, health_issues=(EVIL,)),
        BoatStatus("a", "1" * 64, None, reason=EVIL),
        BoatStatus("a", "1" * 64, None, hint=EVIL),
        BoatStatus("a", "", None, invalid=EVIL),
        BoatStatus("a", "1", HERE, trial={"owner": EVIL, "seconds_left": 9.0, "digest": "2"}),
    ],
)
def test_the_table_of_a_fleet(status: BoatStatus) -> None:
    clean(printed(fleet_table([status], 0.0)))


@pytest.mark.parametrize("key", ["kept", "staged"])
def test_a_digest_in_the_table_of_a_fleet(key: str) -> None:
    said: Any = {"kept": "\x1b\u202e[bold]x", "staged": {"digest": "\x1b\u202e[bold]x"}}[key]
    text = printed(fleet_table([BoatStatus("a", "1" * 64, HERE, **{key: said})], 0.0))
    assert "\ufffd\ufffd[bold]x" in text
    assert not {"\x1b", "\u202e"} & {*text}


def test_the_table_of_a_proof() -> None:
    result = VerifyResult("a", 1.0, (TestOutcome("feed", EVIL, "failed", 1.0, EVIL),))
    clean(printed(verify_table(result)))


def test_a_cell_ends() -> None:
    text = printed(push_table([PushResult("a", Outcome.REFUSED, "", "x" * 10**6)]))
    assert text.count("x") < 3000


def test_the_reason_of_a_test() -> None:
    crash = SimpleNamespace(message=f"AssertionError: {EVIL}\nmore")
    assert reason(_report(SimpleNamespace(reprcrash=crash))) == SHOWN
    assert reason(_report(("file", 1, f"Skipped: {EVIL}"))) == SHOWN
    empty = SimpleNamespace(reprcrash=SimpleNamespace(message=""))
    assert reason(_report(empty)) == ""
    collector = Collector()
    collector.pytest_keyboard_interrupt(_report(None, str=EVIL))
    assert collector.error == SHOWN


def _report(longrepr: Any, str: str = "") -> Any:
    class Report:
        def __init__(self) -> None:
            self.longrepr = longrepr

        @property
        def value(self) -> Any:
            return str

    return Report()


def test_what_the_suite_quotes() -> None:
    with pytest.raises(AssertionError) as failed:
        job.Answer(EVIL, 1).ok()
    clean(str(failed.value))
    with pytest.raises(AssertionError) as failed:
        job.same(EVIL.encode(), "x", "its name")
    clean(str(failed.value))
    with pytest.raises(AssertionError) as failed:
        job.same("x" * 10**6, "x", "its name")
    assert len(str(failed.value).splitlines()[0]) < 1000


def test_a_diff(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    query_file = tmp_path / "status_query.json"
    query_file.write_text(StatusQuery("a", "root", "1" * 64, (), (HERE,)).text())
    (tmp_path / "settings.tar").touch()
    live = {"/etc/one": File(EVIL.encode(), 0o644)}
    monkeypatch.setattr(diff, "fetch", lambda *_: live)
    monkeypatch.setattr(diff, "unpack", lambda _: {})
    monkeypatch.setattr(sys, "argv", ["diff", str(query_file), HERE.host, "22", "/etc/one"])
    assert diff.main() == 0
    clean(capsys.readouterr().out)

    def refuse(*_: object) -> None:
        raise diff.FilesUnreadable(EVIL)

    monkeypatch.setattr(diff, "fetch", refuse)
    assert diff.main() == 1
    clean(capsys.readouterr().err)


def test_the_last_word(monkeypatch: pytest.MonkeyPatch) -> None:
    query = StatusQuery("a", "root", "1" * 64, (), (HERE,))
    monkeypatch.setattr(poll, "poll_until", lambda *_: StatusAnswer(HERE, None, EVIL))
    with pytest.raises(poll.NotReached) as raised:
        poll.reach(query, "tried", 0)
    clean(str(raised.value))


def _commands(monkeypatch: pytest.MonkeyPatch) -> io.StringIO:
    """Return what commands print as their result."""
    text = io.StringIO()
    monkeypatch.setattr(progress, "results", Console(file=text, width=400, color_system=None))
    monkeypatch.setattr(push, "load_named_or_all", lambda *_: ([], []))
    monkeypatch.setattr(verify, "_to_prove", lambda *_: ([], []))
    return text


def test_the_diff_of_a_dry_run(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    text = _commands(monkeypatch)
    ended = [PushResult("a", Outcome.WOULD_CHANGE, "", diff=f"+{EVIL}\n")]
    monkeypatch.setattr(rollout, "roll_out", lambda *_: ended)
    push.push(["a"], boats=tmp_path, dry_run=True)
    clean(text.getvalue())


def test_the_summary_of_a_proof(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    text = _commands(monkeypatch)
    monkeypatch.setattr(verify, "_prove", lambda *_: [VerifyResult("a", 1.0, (), EVIL)])
    with pytest.raises(common.typer.Exit):
        verify.verify(["a"], boats=tmp_path)
    clean(text.getvalue())


def test_findings(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    finding = Finding("error", "x", EVIL, Location(Path("teal.yml"), 1))
    monkeypatch.setattr(checks, "find_errors", lambda _: [finding])
    opening.print_check_errors([SimpleNamespace()])  # type: ignore[list-item]
    clean(capsys.readouterr().err)
    monkeypatch.setattr(checks, "check", lambda *_: [finding])
    monkeypatch.setattr(profiles, "chosen_files", lambda *_, **__: [])
    monkeypatch.setattr(profiles, "read_neighbours", lambda _: [])
    with pytest.raises(common.typer.Exit):
        profiles.check()
    clean(capsys.readouterr().out)


def test_a_card_that_is_plugged_in(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(block_devices, "list_candidates", lambda: [EVIL])
    write._list(False)
    clean(capsys.readouterr().out)


def test_the_steps_of_a_work(capsys: pytest.CaptureFixture[str]) -> None:
    with step(EVIL):
        pass
    clean(capsys.readouterr().err)
