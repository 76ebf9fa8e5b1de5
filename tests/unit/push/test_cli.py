# SPDX-License-Identifier: GPL-3.0-or-later
"""A command that cannot run says why: for people, or as JSON where that was asked for."""

from __future__ import annotations

import errno
import json
import os
import sys
from pathlib import Path

import pytest

from provision.cli import main
from provision.cli.boats import push, verify
from provision.errors import UserError
from provision.push import rollout
from provision.push.load import InvalidBoat
from provision.push.options import PushOptions
from provision.push.rollout import Rollout
from provision.verify.runner import Ending, TestOutcome, VerifyResult


def ended(monkeypatch: pytest.MonkeyPatch, *words: str) -> object:
    """Return the exit status of the `provision` command."""
    monkeypatch.setattr(sys, "argv", ["provision", *words])
    with pytest.raises(SystemExit) as exit:
        main()
    return exit.value.code


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("push", "no boat is named"),
        ("push kittiwake --all", "kittiwake was named, too"),
        ("push kittiwake --boats nowhere", "there is no folder nowhere"),
        ("push --all --boats nowhere", "there is no folder nowhere"),
        ("verify dunlin --boats nowhere", "there is no folder nowhere"),
        ("push kittiwake --at-once 0", "'--at-once': it has to be at least 1"),
        ("push kittiwake --at-once -3", "'--at-once': it has to be at least 1"),
        ("push kittiwake --at-once many", "'--at-once': write a whole number"),
        ("push kittiwake --stop-after -1", "'--stop-after': it has to be at least 0"),
        ("push kittiwake --wait -1", "'--wait': -1 is out of range: from 0 to 30 days"),
        ("push kittiwake --wait x", "'--wait': 'x' is not a duration: "),
        ("bench kittiwake --seed x", "'--seed': write a whole number"),
        ("bench kittiwake --instruments motor", "'--instruments': 'motor' is not one of"),
        ("replay log.gz --pace 2000", "'--pace': it has to be at most 1000"),
        ("replay log.gz --pace fast", "'--pace': write a number"),
        ("push kittiwake --timer 5", "--timer"),
        ("push kittiwake --timer 86401", "--timer"),
        ("push kittiwake --frist dunlin", "--frist"),
        ("fleet --boats nowhere", "there is no folder nowhere"),
        ("verify", "no boat is named"),
        ("verify dunlin --all", "dunlin was named, too"),
        ("check", "no boat is named"),
        ("keys dunlin --all", "dunlin was named, too"),
        ("card -o x.img", "no boat is named"),
        ("render -o x", "BOAT"),
        ("push kittiwake --timer 5m30", "such as 90 s, 5 min or 2 h"),
        ("push kittiwake --wait soon", "such as 90 s, 5 min or 2 h"),
        ("push kittiwake --timer 2d", "from 30 s to 24 h"),
        ("frobnicate", "frobnicate"),
    ],
)
def test_how_it_was_called_wrongly(
    words: str, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ended(monkeypatch, *words.split(), "--json") == 2
    as_json = capsys.readouterr()
    (error,) = json.loads(as_json.out)["errors"]
    assert said in error["message"]
    assert as_json.err == ""
    assert ended(monkeypatch, *words.split()) == 2
    for_people = capsys.readouterr()
    assert said in for_people.err
    assert for_people.out == ""


def test_a_push_that_is_stopped_says_what_becomes_of_the_boats(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(push, "load_named_or_all", lambda *_: ([], []))
    monkeypatch.setattr(rollout, "roll_out", stopped)
    words = ["push", "kittiwake", "--timer", "90"]
    assert ended(monkeypatch, *words, "--json") == 130
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert error["message"] == "the push was stopped in the middle"
    assert "rolls back within 90 s" in error["hint"]
    assert ended(monkeypatch, *words, "--boats", "our boats") == 130
    said = capsys.readouterr().err
    assert "rolls back within 90 s" in said
    assert "`provision fleet --boats 'our boats'`" in said


@pytest.mark.parametrize("words", ["check --all", "fleet", "verify --all"])
def test_ctrl_c_is_answered_with_a_word(
    words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("provision.profile.load.list_profiles", stopped)
    assert ended(monkeypatch, *words.split()) == 130
    assert capsys.readouterr().err == "\nprovision: stopped by Ctrl-C\n"


def outcome(ending: Ending) -> TestOutcome:
    return TestOutcome("data", "writable", ending, 0.1)


@pytest.mark.parametrize(
    ("proofs", "status"),
    [
        ([VerifyResult("a", 1, (outcome("passed"),))], 0),
        ([VerifyResult("a", 1, (outcome("failed"), outcome("passed")))], 1),
        ([VerifyResult("a", 1, (), "a does not answer")], 2),
        ([VerifyResult("a", 1, (outcome("failed"),)), VerifyResult("b", 1, (), "no answer")], 1),
        ([VerifyResult("a", 1, ())], 2),
    ],
    ids=["well", "something wrong", "could not run", "both", "nothing ran"],
)
def test_how_a_proof_ends(
    proofs: list[VerifyResult], status: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(verify, "load_fleet", lambda *_: [])
    monkeypatch.setattr(verify, "_prove", lambda *_: proofs)
    assert (ended(monkeypatch, "verify", "a", "--json") or 0) == status


def test_all_boats_are_proven_and_one_that_is_wrong_stops_none(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    wrong = InvalidBoat(tmp_path / "b.yml", UserError("is wrong", hint="make it right"))
    asked: list[tuple[str, ...]] = []

    def load_named_or_all(
        names: tuple[str, ...], *_: object
    ) -> tuple[list[object], list[InvalidBoat]]:
        asked.append(tuple(names))
        return [], [wrong]

    monkeypatch.setattr(verify, "load_named_or_all", load_named_or_all)
    monkeypatch.setattr(verify, "_prove", lambda *_: [VerifyResult("a", 1, (outcome("passed"),))])
    assert ended(monkeypatch, "verify", "--all", "--json") == 2
    proofs = json.loads(capsys.readouterr().out)["boats"]
    assert asked == [()]
    assert [(one["boat"], one["ok"]) for one in proofs] == [("a", True), ("b", False)]
    assert "is wrong" in proofs[1]["error"] and "make it right" in proofs[1]["error"]


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EACCES])
def test_a_disk_that_refuses_is_told_without_a_traceback(
    number: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number), "/run/user/1000/somewhere")

    monkeypatch.setattr(verify, "load_fleet", refuse)
    assert ended(monkeypatch, "verify", "kittiwake", "--json") == 2
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert (error["message"], error["file"]) == (os.strerror(number), "/run/user/1000/somewhere")
    assert bool(error["hint"]) == (number == errno.ENOSPC)


def test_a_fault_of_ours_is_no_error_of_the_users(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))

    monkeypatch.setattr(verify, "load_fleet", fail)
    monkeypatch.setattr(sys, "argv", ["provision", "verify", "kittiwake"])
    with pytest.raises(OSError):
        main()


@pytest.mark.parametrize(
    ("said", "seconds"),
    [("90", 90), ("90 s", 90), ("5m", 300), ("5 min", 300), ("1.5h", 5400), ("1 day", 86400)],
)
def test_durations_as_people_write_them(
    said: str, seconds: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Durations are written as in a profile, and a number alone is seconds."""
    given: list[tuple[int, float]] = []

    def roll_out(_: object, options: PushOptions, manner: Rollout, __: object) -> list[object]:
        given.append((options.timer, manner.wait))
        return []

    monkeypatch.setattr(push, "load_named_or_all", lambda *_: ([], []))
    monkeypatch.setattr(rollout, "roll_out", roll_out)
    assert not ended(monkeypatch, "push", "kittiwake", "--timer", said, "--wait", said, "--json")
    assert not ended(monkeypatch, "push", "kittiwake", "--json")
    assert given == [(seconds, seconds), (PushOptions.timer, 0)]


def test_help_is_no_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not ended(monkeypatch, "push", "--help")
    assert "--at-once" in capsys.readouterr().out
