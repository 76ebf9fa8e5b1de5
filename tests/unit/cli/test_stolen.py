# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --stolen and --rotate: what is asked before, and what is said after."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from provision.paths import argument
from provision.profile.secrets import stolen
from provision.push.records import built
from tests.support.command import Call
from tests.support.profiles import contents


@pytest.mark.parametrize("typed", ["", "dunlin\n", "y\n"])
def test_without_the_boats_name_nothing_is_replaced(
    call: Call, boats: Path, monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    call("keys", "kittiwake", "--boats", boats)
    before = contents(boats)
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    said = call("keys", "kittiwake", "--stolen", "--boats", boats)
    assert said.status == 2
    assert "nothing is pushed" in said.err
    assert "not the boat's name; nothing was changed" in said.err and "--yes" in said.err
    assert contents(boats) == before


@pytest.mark.parametrize("answer", ["kittiwake\n", "--yes"])
def test_with_it_all_is_replaced(
    call: Call, boats: Path, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    call("keys", "kittiwake", "--boats", boats)
    monkeypatch.setattr(sys, "stdin", io.StringIO(answer))
    more = [answer] if answer == "--yes" else []
    said = call("keys", "kittiwake", "--stolen", *more, "--boats", boats, "--json")
    assert said.result["boats"][0]["made"] == ["pass_phrase", "host_key"]
    assert ("Type the boat's name" in said.err) == (not more)


def test_a_boat_that_never_had_a_card_has_none_to_lose(call: Call, boats: Path) -> None:
    """Pushes to it would stop until a card is written that is not to be."""
    before = contents(boats)
    said = call("keys", "kittiwake", "--stolen", "--yes", "--boats", boats, "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert "was never built" in error["message"] and "provision keys" in error["hint"]
    assert contents(boats) == before
    built.remember_card(boats / "kittiwake.yml", boats / "kittiwake.img")
    assert call("keys", "kittiwake", "--stolen", "--yes", "--boats", boats).status == 0


def test_yes_answers_one_question_alone(call: Call, boats: Path) -> None:
    said = call("keys", "kittiwake", "--yes", "--boats", boats)
    assert said.status == 2 and "--stolen" in said.err


def test_a_rotation_says_what_to_do_next(call: Call, boats: Path) -> None:
    call("keys", "--all", "--boats", boats)
    said = call("keys", "dunlin", "kittiwake", "--rotate", "pass_phrase", "--boats", boats)
    which = f"{argument(boats / 'dunlin.yml')} {argument(boats / 'kittiwake.yml')}"
    assert f"next: provision push {which}; until then nothing changes aboard" in said.err
    assert "next:" not in call("keys", "dunlin", "--boats", boats).err


def test_a_rotation_warns_of_a_stolen_boat(call: Call, boats: Path) -> None:
    call("keys", "--all", "--boats", boats)
    call("keys", "kittiwake", "--stolen", "--yes", "--boats", boats)
    said = call("keys", "kittiwake", "--rotate", "host_key", "--boats", boats)
    assert said.status == 0
    assert "warning: a card of kittiwake was lost or stolen" in said.err
    assert "provision card" in said.err and "provision push" not in said.err
    stolen.record_new_card(boats / "kittiwake.yml", "ssh-ed25519 AAAA")
    said = call("keys", "kittiwake", "--rotate", "host_key", "--boats", boats)
    assert "lost or stolen" not in said.err and "provision push" in said.err


def test_a_command_in_a_note_is_one_line(call: Call, boats: Path) -> None:
    """The command is copied or read from a pipe: only a terminal wraps it."""
    said = call("keys", "--all", "--boats", boats)
    (line,) = [one for one in said.err.splitlines() if "what to type on the tablets" in one]
    assert len(line) > 80
    assert line.endswith(" --show")
