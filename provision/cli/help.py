# SPDX-License-Identifier: GPL-3.0-or-later
"""Write a command's --help in people's words."""

from __future__ import annotations

import re
from typing import Any

from typer.core import TyperCommand

#: What Typer adds to a help text: bounds of numbers, and `required`.
_ADDED = re.compile(r"(; )?\b(required|[-\d.]*(<=?)?x[<>]=?[-\d.]+)")


def example(words: str) -> str:
    """Write the end of a command's help."""
    return f"Example: provision {words}"


def unset_flags(parameters: list[Any]) -> list[Any]:
    """Return the parameters, and make a flag that is not given False.

    Typer makes it None, and then loads pydantic to convert it.
    """
    for parameter in parameters:
        if parameter.default is None and parameter.type_descriptor.annotation is bool:
            parameter.default = False
    return parameters


class Command(TyperCommand):
    """A command whose help calls arguments as the profile's author does."""

    def get_params(self, ctx: Any) -> list[Any]:
        """List the arguments and options."""
        return unset_flags(super().get_params(ctx))

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Write the line after `Usage:`, such as `-o PATH [OPTIONS] [BOAT]...`."""
        pieces = []
        for parameter in self.get_params(ctx):
            if parameter.param_type_name == "option" and parameter.required:
                pieces.append(f"{parameter.opts[0]} {_name(parameter)}")
        pieces += [self.options_metavar] if self.options_metavar else []
        for parameter in self.get_params(ctx):
            if parameter.param_type_name == "argument" and not parameter.hidden:
                name = _name(parameter)
                name = name if parameter.required else f"[{name}]"
                pieces.append(name if parameter.nargs == 1 else f"{name}...")
        return pieces

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options without the types of the code."""
        for title, kind in (("Arguments", "argument"), ("Options", "option")):
            rows = [
                row
                for parameter in self.get_params(ctx)
                if parameter.param_type_name == kind and (row := _row(parameter, ctx))
            ]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)


def _name(parameter: Any) -> str:
    return str(parameter.metavar or parameter.name.upper())


def _row(parameter: Any, ctx: Any) -> tuple[str, str] | None:
    record = parameter.get_help_record(ctx)
    if record is None:
        return None
    name, text = record
    if parameter.param_type_name == "argument":
        name = _name(parameter)
    if match := re.fullmatch(r"(?s)(.*?)(?:  )?\[([^\[\]]*)\]", text):
        added = _ADDED.sub("", match[2]).strip("; ")
        text = f"{match[1]}  [{added}]" if added else match[1]
    return name, text
