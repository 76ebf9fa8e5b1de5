# SPDX-License-Identifier: GPL-3.0-or-later
"""What the operator reads about a fleet, and which commands make no sense."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from provision.cli.boats import push, some_or_all
from provision.errors import UserError
from provision.push.fleet import Standing
from provision.push.reach import Endpoint
from provision.push.report import fleet_table

PLACE = Endpoint("10.47.1.1")
NOW = 1_000_000.0


def row(standing: Standing) -> str:
    """The boat's row of the table, with single blanks."""
    text = io.StringIO()
    Console(file=text, width=200).print(fleet_table([standing], NOW))
    return " ".join(text.getvalue().splitlines()[1].split())


@pytest.mark.parametrize(
    ("standing", "expected"),
    [
        (
            Standing("a", "1" * 64, PLACE, kept="1" * 64, due=False, seen=NOW),
            "a healthy 111111111111 as wanted now",
        ),
        (
            Standing("a", "1" * 64, PLACE, differs=("/a", "/b"), drift=(("/b", "mode"),), seen=NOW),
            "a healthy unknown 2 files differ 1 now",
        ),
        (
            Standing("a", "1" * 64, None, reason="no way", kept="2" * 64, seen=NOW - 7300),
            "a no answer 222222222222 to push 2 h ago no way",
        ),
        (
            Standing("a", "1" * 64, PLACE, degraded=True, concerns=("degraded: x",), seen=NOW),
            "a degraded unknown to push now degraded: x",
        ),
        (
            Standing("a", "1" * 64, PLACE, staged={"digest": "3" * 64}, seen=NOW),
            "a healthy unknown to push 333333333333 on trial now",
        ),
        (Standing("a", "1" * 64, hint="look there"), "a refused unknown to push never look there"),
        (
            Standing("a", "", unfit="wrong", reason="a.yml:3: no", kept="2" * 64, seen=NOW - 7300),
            "a not asked 222222222222 wrong 2 h ago a.yml:3: no",
        ),
        (
            Standing("a", "", unfit="no secrets", reason="none yet"),
            "a not asked unknown no secrets never none yet",
        ),
    ],
)
def test_a_row(standing: Standing, expected: str) -> None:
    assert row(standing) == expected


def test_no_boat_at_all(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no boat in"):
        some_or_all((), tmp_path, None)


@pytest.mark.parametrize(("names", "everyone"), [(None, False), (["a"], True)])
def test_a_push_to_whom(names: list[str] | None, everyone: bool, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="name the boats"):
        push(names, tmp_path, everyone=everyone)


def test_nothing_is_cut_off_on_a_narrow_screen() -> None:
    text = io.StringIO()
    reason = "boats/oystercatcher.yml:13:14: board: there is no such board"
    standing = Standing(boat="oystercatcher", wanted="", unfit="wrong", reason=reason)
    Console(file=text, width=80).print(fleet_table([standing], NOW))
    assert "…" not in text.getvalue()
    why = "".join(line.split()[-1] for line in text.getvalue().splitlines()[1:4])
    assert "boats/oyst" in why
