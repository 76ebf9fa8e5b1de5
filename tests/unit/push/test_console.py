# SPDX-License-Identifier: GPL-3.0-or-later
"""The table of a fleet tells the operator all that matters, and senseless commands are refused."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from provision.cli.boats.asked import load_named_or_all
from provision.cli.boats.push import push
from provision.errors import UserError
from provision.push.ansible.playbook import Event
from provision.push.console import Progress, Row, fleet_table, progress, push_table
from provision.push.hints import SEVERAL_AWAY
from provision.push.records.written_cards import CardRecord
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.ssh.endpoint import Endpoint

PLACE = Endpoint("10.47.1.1")
NOW = 1_000_000.0
CARD = CardRecord(
    *("2026-11-27T22:15:04+0000", "1" * 64, "2" * 64, "991b", "5d1f3a77-02", "0.2.0", "Reader"),
    size=32 * 10**9,
    serial="0a0b",
    laptop="chart-table",
)
TRIAL = {"owner": "me", "seconds_left": 9.0}


def row(status: BoatStatus) -> str:
    """Return the boat's row of the table, and what is said below it, with single blanks."""
    text = io.StringIO()
    Console(file=text, width=200).print(fleet_table([status], NOW))
    return " ".join(" ".join(text.getvalue().splitlines()[2:]).split())


@pytest.mark.parametrize(
    ("status", "expected"),
    [
        (
            BoatStatus("a", "1" * 64, PLACE, kept="1" * 64, due=False, seen=NOW),
            "a healthy 111111111111 up to date now",
        ),
        (
            BoatStatus(
                "a", "1" * 64, PLACE, differs=("/a", "/b"), drift=(("/b", "mode"),), seen=NOW
            ),
            "a healthy unknown 2 files differ 1 now",
        ),
        (
            BoatStatus("a", "1" * 64, None, reason="no way", kept="2" * 64, seen=NOW - 7300),
            "a no answer 222222222222 to push 2 h ago a: no way",
        ),
        (
            BoatStatus(
                "a", "1" * 64, PLACE, degraded=True, health_issues=("degraded: x",), seen=NOW
            ),
            "a degraded unknown to push now a: degraded: x",
        ),
        (
            BoatStatus("a", "1" * 64, PLACE, kept="1" * 64, due=False, card=CARD, seen=NOW),
            "a healthy 111111111111 up to date now "
            "a: runs on the card of 2026-11-27, 0a0b (chart-table)",
        ),
        (
            BoatStatus("a", "1" * 64, PLACE, staged={"digest": "3" * 64}, seen=NOW),
            "a healthy unknown to push now a: settings 333333333333 wait for its restart",
        ),
        (
            BoatStatus("a", "1" * 64, PLACE, trial=TRIAL | {"digest": "1" * 64}, seen=NOW),
            "a healthy unknown to push now a: on trial for me, 9 s left; a push keeps them",
        ),
        (
            BoatStatus("a", "1" * 64, PLACE, trial=TRIAL | {"digest": "2" * 64}, seen=NOW),
            "a healthy unknown to push now a: on trial for me, 9 s left",
        ),
        (
            BoatStatus("a", "1" * 64, refused=True, hint="look there"),
            "a refused unknown not known never a: look there",
        ),
        (
            BoatStatus("a", "1" * 64, reason="no way", hint="look there"),
            "a no answer unknown not known never a: no way look there",
        ),
        (
            BoatStatus(
                "a", "", invalid="wrong", reason="a.yml:3: no", kept="2" * 64, seen=NOW - 7300
            ),
            "a not asked 222222222222 wrong 2 h ago a: a.yml:3: no",
        ),
        (
            BoatStatus("a", "", invalid="no secrets", reason="none yet"),
            "a not asked unknown no secrets never a: none yet",
        ),
    ],
)
def test_a_row(status: BoatStatus, expected: str) -> None:
    assert row(status) == expected


def test_what_to_try_is_said_once_of_several_boats() -> None:
    """A boat that is off alone has its own hint, with the name of its Wi-Fi."""
    away = [BoatStatus(name, "1" * 64, reason="no way", hint="Is it on?") for name in "ab"]
    assert "Is it on?" in row(away[0])
    text = io.StringIO()
    Console(file=text, width=200).print(fleet_table(away, NOW))
    assert "Is it on?" not in text.getvalue()
    assert text.getvalue().splitlines()[-3:] == ["a: no way", "b: no way", SEVERAL_AWAY]


def test_so_is_it_after_a_push() -> None:
    away = [PushResult(name, Outcome.UNREACHABLE, "", "no way", "Is it on?") for name in "ab"]
    for results, times in ((away[:1], 1), (away, 0)):
        text = io.StringIO()
        Console(file=text, width=200).print(push_table(results))
        assert text.getvalue().count("Is it on?") == times
        assert text.getvalue().count(SEVERAL_AWAY) == 1 - times


def test_no_boat_at_all(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no boat in"):
        load_named_or_all((), tmp_path, None)


@pytest.mark.parametrize(("names", "everyone"), [(None, False), (["a"], True)])
def test_a_push_to_whom(names: list[str] | None, everyone: bool, tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"no boat is named|was named, too"):
        push(names, tmp_path, everyone=everyone)


def test_nothing_is_cut_off_on_a_narrow_screen() -> None:
    text = io.StringIO()
    reason = "boats/oystercatcher.yml:13:14: board: there is no such board"
    status = BoatStatus(boat="oystercatcher", wanted="", invalid="wrong", reason=reason)
    Console(file=text, width=80).print(fleet_table([status], NOW))
    assert text.getvalue().splitlines()[-2:] == ["", f"oystercatcher: {reason}"]


def test_a_command_in_a_hint_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """A command in a push's hint is copied as it stands, from a screen and from a pipe."""
    text = io.StringIO()
    hint = f"write its new card: provision card {'x' * 70} -o gull.img"
    result = PushResult("gull", Outcome.REFUSED, "", "it has no new card yet", hint, notes=("so",))
    Console(file=text, width=80, soft_wrap=True).print(push_table([result]))
    below = ["", "gull: it has no new card yet", f"  {hint}", "  so"]
    assert text.getvalue().splitlines()[-4:] == below


def step(name: str) -> Event:
    return {"event": "step", "boat": "a", "step": name}


def said(outcome: str) -> Event:
    return {"event": "stats", "boat": "a", "data": {"outcome": outcome, "changed": []}}


def failed(name: str) -> Event:
    return {"event": "failed", "boat": "a", "step": name, "message": "no"}


def unreachable(message: str) -> Event:
    return {"event": "unreachable", "boat": "a", "step": "preflight", "message": message}


LOOK, TRY, PROVE, ROLL_BACK = (step(name) for name in ("preflight", "trial", "prove", "rollback"))


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([], "a waiting"),
        ([LOOK], "a looking 0 s"),
        ([LOOK, said("unchanged")], "a looking 0 s unchanged"),
        ([LOOK, failed("preflight")], "a looking 0 s refused"),
        ([LOOK, unreachable("Connection timed out")], "a looking 0 s unreachable"),
        ([LOOK, unreachable("x Host key verification failed.")], "a looking 0 s refused"),
        ([LOOK, unreachable("timed out"), LOOK], "a looking 0 s"),
        ([LOOK, said(""), TRY, PROVE], "a proving 0 s"),
        ([LOOK, TRY, PROVE, step("keep"), said("kept")], "a keeping 0 s kept"),
        ([LOOK, TRY, PROVE, failed("prove"), ROLL_BACK], "a rolling back 0 s"),
        (
            [TRY, ROLL_BACK, said("rolled-back"), failed("rollback")],
            "a rolling back 0 s rolled back",
        ),
        ([TRY, ROLL_BACK, failed("rollback"), {"event": "end"}], "a rolling back 0 s failed"),
    ],
)
def test_where_a_boat_is_while_a_push_runs(events: list[Event], expected: str) -> None:
    state = Progress(["a", "b"])
    for event in events:
        state.listen(event)
    text = io.StringIO()
    Console(file=text, width=200).print(state)
    head, first, second = (" ".join(line.split()) for line in text.getvalue().splitlines())
    assert (head, first, second) == ("boat step time changes result", expected, "b waiting")


def test_the_time_of_a_boat_stands_still_with_its_result() -> None:
    row = Row(started=10.0, ended=17.0)
    assert row.seconds == "7 s"


def test_without_a_terminal_each_step_is_a_line() -> None:
    text = io.StringIO()
    with progress(["a"], Console(file=text, width=200)) as listener:
        for event in (LOOK, said(""), TRY, failed("trial"), ROLL_BACK, said("rolled-back")):
            listener(event)
        listener({"event": "end"})
    assert text.getvalue().splitlines() == [
        "a: looking",
        "a: trying",
        "a: rolling back",
        "a: rolled back",
    ]
