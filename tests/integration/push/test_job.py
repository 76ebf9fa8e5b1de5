# SPDX-License-Identifier: GPL-3.0-or-later
"""Many commands in one: each has its own answer, whatever the others do."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest

from provision.verify import job
from provision.verify.job import Answer, Unanswered, ask, pairs


class Here:
    """Stands for this machine as a host, with the shell that it is asked through."""

    def __init__(self, shell: str) -> None:
        self.shell = shell

    def run(self, command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [self.shell, "-c", command], capture_output=True, text=True, check=False
        )


@pytest.fixture(params=["sh", "bash"])
def host(request: pytest.FixtureRequest) -> Here:
    return Here(request.param)


def test_each_command_has_its_answer(host: Here) -> None:
    answers = ask(
        host,
        {
            "first": {"both": ["sh", "-c", "echo out; echo err >&2; exit 3"], "nothing": ["true"]},
            "second": {"word": ["printf", "%s", "a 'b' $HOME\n"], "missing": ["no-such-program"]},
        },
    )
    assert answers["first"] == {"both": Answer("out\nerr\n", 3), "nothing": Answer("", 0)}
    assert answers["second"]["word"] == Answer("a 'b' $HOME\n", 0)
    assert answers["second"]["missing"].status == 127


def test_a_command_that_fails_without_a_word_is_told_all_the_same(host: Here) -> None:
    answers = ask(host, {"one": {"fails": ["false"]}})
    with pytest.raises(AssertionError, match="it ended with status 1"):
        answers["one"]["fails"].ok()


def test_subjects_go_side_by_side(host: Here) -> None:
    start = time.monotonic()
    ask(host, {str(number): {"wait": ["sleep", "0.5"]} for number in range(8)})
    assert time.monotonic() - start < 3


def test_a_command_that_hangs_is_ended(host: Here, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(job, "COMMAND_TIMEOUT_S", 1)
    answers = ask(host, {"one": {"hangs": ["sleep", "60"], "next": ["echo", "well"]}})
    assert answers["one"] == {"hangs": Answer("", 124), "next": Answer("well\n", 0)}


def test_nothing_is_left(host: Here, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    ask(host, {"one": {"where": ["pwd"]}})
    assert list(tmp_path.iterdir()) == []


class Lost(Here):
    """Stands for a machine that is lost in mid-answer a few times, and then is not there."""

    def __init__(self, *stdout: str) -> None:
        super().__init__("sh")
        self.before = list(stdout)

    def run(self, command: str) -> subprocess.CompletedProcess[str]:
        if self.before:
            # As testinfra does when ssh ends with a status of its own.
            raise RuntimeError(subprocess.CompletedProcess("", 255, self.before.pop(0), ""))
        return super().run(command)


def test_a_boat_that_is_lost_while_it_answers_is_asked_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(job, "RETRY_INTERVAL_S", 0.0)
    answers = ask(Lost("\036hal", "", "\036"), {"one": {"word": ["echo", "well"]}})
    assert answers == {"one": {"word": Answer("well\n", 0)}}


def test_a_boat_that_is_never_reached_is_not_waited_for() -> None:
    start = time.monotonic()
    with pytest.raises(RuntimeError):
        ask(Lost("", "\036"), {"one": {"word": ["echo", "well"]}})
    assert time.monotonic() - start < 1


def test_a_boat_that_stays_lost_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(job, "RETRY_INTERVAL_S", 0.01)
    monkeypatch.setattr(job, "RETRY_FOR_S", 0.1)
    with pytest.raises(RuntimeError):
        ask(Lost("\036", *[""] * 1000), {"one": {"word": ["echo", "well"]}})


def test_a_boat_without_room_says_so(host: Here, monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands of the suite find no room to write to."""
    monkeypatch.setenv("TMPDIR", "/nowhere")
    with pytest.raises(Unanswered, match="mktemp: failed"):
        ask(host, {"one": {"word": ["echo", "well"]}})


def test_half_an_answer_is_none(host: Here) -> None:
    """The memory aboard may end in the middle; and nothing is taken for another's answer."""
    with pytest.raises(Unanswered, match="left some"):
        ask(host, {"one": {"word": ["printf", "\\036"], "next": ["echo", "well"]}})


def test_pairs() -> None:
    assert pairs("A=1\nno pair\nB=x=y\n") == {"A": "1", "B": "x=y"}
