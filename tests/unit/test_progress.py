# SPDX-License-Identifier: GPL-3.0-or-later
"""A wait that takes long says what for, and how far it is."""

from __future__ import annotations

import io
import re
import time
from types import SimpleNamespace

import pytest
from rich.console import Console

from provision import progress


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> io.StringIO:
    """Give what is printed off a terminal, by a clock that stands still. 50 ms are a long wait."""
    file = io.StringIO()
    monkeypatch.setattr(progress, "time", SimpleNamespace(monotonic=lambda: 0.0))
    monkeypatch.setattr(progress, "console", Console(file=file, highlight=False))
    monkeypatch.setattr(progress, "QUIET_S", 0.05)
    monkeypatch.setattr(progress, "LINE_S", 0.05)
    return file


def await_text(file: io.StringIO, text: str) -> None:
    limit = time.monotonic() + 10
    while text not in file.getvalue() and time.monotonic() < limit:
        time.sleep(0.01)
    assert text in file.getvalue()


def test_of_a_short_wait_nothing_is_said(
    shown: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(progress, "QUIET_S", 60)
    with progress.wait("Installing"):
        pass
    assert shown.getvalue() == ""


def test_a_long_wait_says_how_far_it_is(shown: io.StringIO) -> None:
    with progress.wait("Installing") as report:
        await_text(shown, "Installing, 0 s\n")
        report("57 of 183 packages\x1b[2J")
        await_text(shown, "\nInstalling: 57 of 183 packages\N{REPLACEMENT CHARACTER}[2J, 0 s\n")
    assert "\x1b" not in shown.getvalue()


def test_a_long_step_says_how_far_it_is_once_it_knows(shown: io.StringIO) -> None:
    with progress.step("Building") as report:
        time.sleep(0.2)
        report("57 of 183 packages")
        # What is waited for within it has no line of its own.
        with progress.wait("Asking"):
            await_text(shown, "\nBuilding: 57 of 183 packages, 0 s\n")
    first, *between, last = shown.getvalue().splitlines()
    assert first == "Building ..."
    assert set(between) == {"Building: 57 of 183 packages, 0 s"}
    assert re.fullmatch(r"Building: 0\.\d s", last)


def test_a_result_stays_on_standard_output(
    shown: io.StringIO, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal = Console(file=shown, force_terminal=True, _environ={"TERM": "xterm"})
    monkeypatch.setattr(progress, "console", terminal)
    with progress.step("Asking"):
        await_text(shown, "Asking, 0 s")
        print("the result")
    assert capsys.readouterr().out == "the result\n"
    assert "the result" not in shown.getvalue()


@pytest.mark.parametrize("plain", [True, False])
def test_a_terminal_has_one_line_in_80_columns(
    shown: io.StringIO, monkeypatch: pytest.MonkeyPatch, plain: bool
) -> None:
    """The line is gone at the end, and has no colour with NO_COLOR."""
    environment = {"TERM": "xterm"} | ({"NO_COLOR": "1"} if plain else {})
    terminal = Console(file=shown, force_terminal=True, width=80, _environ=environment)
    monkeypatch.setattr(progress, "console", terminal)
    with progress.wait("Asking"):
        await_text(shown, "Asking, 0 s")
    with progress.wait("Asking " + "x" * 200):
        await_text(shown, "xx…")
    assert shown.getvalue().endswith("\x1b[2K")
    assert bool(re.search(r"\x1b\[[0-9;]*3[0-7]m", shown.getvalue())) is not plain


def test_the_line_goes_when_the_wait_fails(shown: io.StringIO) -> None:
    with pytest.raises(ValueError, match="canary"), progress.wait("Asking"):
        await_text(shown, "Asking, 0 s")
        raise ValueError("canary")
    told = shown.getvalue()
    time.sleep(0.2)
    assert shown.getvalue() == told


def test_a_wait_for_many_names_some_of_them() -> None:
    told: list[str] = []
    awaited = progress.Awaited(["dunlin", "kittiwake", "knot", "tern"], told.append)
    for name in ("knot", "dunlin", "tern", "kittiwake"):
        awaited.take_off(name)
    assert told == [
        "0 of 4, waiting for dunlin, kittiwake, knot ...",
        "1 of 4, waiting for dunlin, kittiwake, tern",
        "2 of 4, waiting for kittiwake, tern",
        "3 of 4, waiting for kittiwake",
        "all done",
    ]
