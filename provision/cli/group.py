# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold all commands, and read the module of a command when it is called."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_command_from_info

from provision.cli.help import unset_flags
from provision.cli.table import COMMANDS


class Group(TyperGroup):
    """All commands, in the order of a boat's life. None of their modules is read for --help."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands: dict[str, Any] = {**dict.fromkeys(COMMANDS), **self.commands}

    def get_params(self, ctx: Any) -> list[Any]:
        """List the options in front of a command's name."""
        return unset_flags(super().get_params(ctx))

    def get_command(self, ctx: Any, name: str) -> Any:
        """Return a command, or None where there is none of that name."""
        if name in COMMANDS and self.commands[name] is None:
            self.commands[name] = _read(name)
        return self.commands.get(name)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write each command's name and the first line of its help."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in COMMANDS.items()])

    def invoke(self, ctx: Any) -> Any:
        """Run a command. Typer would end it at Ctrl-C without a word."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise typer.Abort from None


def _read(name: str) -> Any:
    """Read a command from its module, which names it to its `app`."""
    module = import_module(f"provision.cli.{COMMANDS[name][0]}")
    for one in module.app.registered_commands:
        if name == one.name or (not one.name and name == one.callback.__name__):
            return get_command_from_info(one, pretty_exceptions_short=True, rich_markup_mode=None)
    raise AssertionError(f"{module.__name__} has no command {name}")
