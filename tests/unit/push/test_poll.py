# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat's own word: what is waited for, where it is asked, and what if it does not come."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from provision.push.query import poll
from provision.push.query.poll import NotReached, StatusAnswer, StatusQuery, reach, settled, tried
from provision.ssh.endpoint import Endpoint

NEW, OTHER = "1" * 64, "2" * 64
HERE, THERE = Endpoint("10.47.1.1"), Endpoint("10.47.1.9", 2222)


def status(digest: str = "", phase: str = "applied", at_work: str | None = None) -> dict[str, Any]:
    """Return what a boat says; without a digest nothing is on trial."""
    return {"at_work": at_work, "trial": {"digest": digest, "phase": phase} if digest else None}


@pytest.mark.parametrize(
    ("said", "is_tried", "is_settled"),
    [
        (status(), True, True),
        (status(at_work="trial"), False, False),
        (status(NEW, "arming", "trial"), False, False),
        (status(NEW, "applying", "trial"), False, False),
        (status(NEW), True, False),
        (status(NEW, "keeping", "keep"), False, False),
        (status(OTHER), True, True),
        (status(OTHER, "applying", "trial"), False, False),
    ],
)
def test_what_is_waited_for(said: dict[str, Any], is_tried: bool, is_settled: bool) -> None:
    """Another's trial is not waited for, but a command at work is."""
    assert tried(said, NEW) is is_tried
    assert settled(said, NEW) is is_settled


@pytest.fixture
def query_file(tmp_path: Path) -> Path:
    file = tmp_path / "status_query.json"
    file.write_text(StatusQuery("kittiwake", "root", NEW, (), (HERE, THERE)).text())
    return file


def asked(
    monkeypatch: pytest.MonkeyPatch, query_file: Path, answers: dict[Endpoint, list[StatusAnswer]]
) -> tuple[Endpoint, dict[str, Any]]:
    """Return what `reach` does for these answers of the boat, the last of them again and again."""

    def ask(_: StatusQuery, endpoint: Endpoint) -> StatusAnswer:
        left = answers[endpoint]
        return left.pop(0) if len(left) > 1 else left[0]

    monkeypatch.setattr(poll, "ask", ask)
    monkeypatch.setattr(poll, "POLL_INTERVAL_S", 0.01)
    return reach(StatusQuery.read(query_file), "tried", 0.2)


def test_it_is_heard_at_the_new_place(query_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    away = StatusAnswer(HERE, None, "timed out")
    there = [
        StatusAnswer(THERE, None, "refused"),
        StatusAnswer(THERE, status(NEW, "applying", "trial")),
    ]
    answers = {HERE: [away], THERE: [*there, StatusAnswer(THERE, status(NEW))]}
    assert asked(monkeypatch, query_file, answers) == (THERE, status(NEW))


@pytest.mark.parametrize(
    ("here", "words"),
    [
        (StatusAnswer(HERE, None, "timed out"), "kittiwake does not answer: no route"),
        (
            StatusAnswer(HERE, status(NEW, "applying", "trial")),
            "kittiwake is still at it after 0 s (trial)",
        ),
        (
            StatusAnswer(HERE, status(NEW, "applying")),
            "kittiwake is still at it after 0 s (applying)",
        ),
    ],
)
def test_it_does_not_come(
    query_file: Path, monkeypatch: pytest.MonkeyPatch, here: StatusAnswer, words: str
) -> None:
    answers = {HERE: [here], THERE: [StatusAnswer(THERE, None, "no route")]}
    with pytest.raises(NotReached) as raised:
        asked(monkeypatch, query_file, answers)
    assert str(raised.value) == words
