# SPDX-License-Identifier: GPL-3.0-or-later
"""--help in people's words, whole at 80 columns, in the order of a boat's life."""

from __future__ import annotations

import pkgutil
import re
import shlex
import subprocess
import sys
from importlib import import_module

import pytest

import provision.cli
from provision.cli.common import app
from provision.cli.table import COMMANDS
from tests.support.command import Call


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_commands_stand_in_the_order_of_a_boats_life_and_whole(call: Call) -> None:
    lines = call("--help").out.partition("Commands:\n")[2].splitlines()
    shown = [tuple(line.split(maxsplit=1)) for line in lines]
    assert shown == [(name, summary) for name, (_, summary) in COMMANDS.items()]
    assert all(line.endswith(".") and not line.endswith("...") for line in lines)
    assert all(len(line) <= 80 for line in lines)


def test_the_table_has_every_command_and_its_module() -> None:
    for found in pkgutil.walk_packages(provision.cli.__path__, "provision.cli."):
        import_module(found.name)
    known = {
        one.name or one.callback.__name__: one.callback.__module__.removeprefix("provision.cli.")
        for one in app.registered_commands
        if one.callback
    }
    assert known == {name: module for name, (module, _) in COMMANDS.items()}


@pytest.mark.parametrize("words", [["--help"], ["check", "--help"]])
def test_help_reads_no_module_that_it_does_not_need(words: list[str]) -> None:
    script = f"import sys; sys.argv[1:] = {words}; import provision.cli as cli\ntry: cli.main()\n"
    script += "except SystemExit: print('read:', *sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    read = done.stdout.partition("read:")[2].split()
    modules = {f"provision.cli.{module}" for module, _ in COMMANDS.values()}
    needed = {f"provision.cli.{COMMANDS[word][0]}" for word in words if word in COMMANDS}
    assert modules & set(read) == needed
    assert not {"pydantic", "yaml", "jinja2", "cryptography", "rich", "ansible"} & set(read)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_commands_help_is_in_peoples_words(call: Call, command: str) -> None:
    said = call(command, "--help").out
    assert not re.search(r"[{}]|<\w|\[\[|\brequired\b", said), said
    assert all(len(line) <= 80 for line in said.splitlines())
    summary = said.split("\n\n")[1].strip()
    assert summary == COMMANDS[command][1]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_commands_help_has_an_example_that_it_takes(call: Call, command: str) -> None:
    (example,) = re.findall(r"Example: provision (.*)\n", call(command, "--help").out)
    first, *words = shlex.split(example.partition(" > ")[0])
    assert first == command
    # Its help comes before anything is done, and after each word was read.
    assert call(command, *words, "--help").status == 0
    known = set(
        re.findall(r"--?[a-z][a-z-]*", call(command, "--help").out.partition("Options:")[2])
    )
    assert {word for word in words if word.startswith("-")} <= known


def test_what_must_be_given_stands_in_the_first_line(call: Call) -> None:
    assert call("card", "--help").out.startswith(
        "Usage: provision card -o PATH [OPTIONS] [BOAT]...\n"
    )
    assert call("write", "--help").out.startswith("Usage: provision write [OPTIONS] IMAGE [DEVICE]")


def test_durations_say_their_units_and_what_they_are_without(call: Call) -> None:
    said = " ".join(call("push", "--help").out.split())
    for option, default in (("--wait TIME", "do not wait"), ("--timer TIME", "4 min")):
        words = re.search(rf"{option} (.*?)\(default: {default}\)", said)
        assert words and "a number alone is seconds" in words[1]


@pytest.mark.parametrize("words", [[], ["check"], ["keys"]])
def test_help_by_its_short_name(call: Call, words: list[str]) -> None:
    assert call(*words, "-h") == call(*words, "--help")
