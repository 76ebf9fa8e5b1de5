# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the reference below docs/ from the commands and from the profile's models.

`--check` writes nothing and ends with status 1 when a file is not what would be written.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from provision import __version__
from provision.cli.common import app
from provision.cli.table import COMMANDS
from provision.profile.schema.json_schema import build_schema

TOP = Path(__file__).parent.parent
TEMPLATES = Path(__file__).parent / "docs"

#: What the profile's schema calls a type, in words.
TYPES = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
    "null": "null",
    "object": "keys",
    "array": "list",
}


def commands() -> dict[str, str]:
    """Each command's help as a terminal of 80 columns shows it, in the order of a boat's life."""
    os.environ.update(COLUMNS="80", NO_COLOR="1")
    return {name: _help(name) for name in COMMANDS}


def _help(name: str) -> str:
    shown = io.StringIO()
    with contextlib.redirect_stdout(shown), contextlib.suppress(SystemExit):
        app([name, "--help"], prog_name="provision")
    return shown.getvalue().strip()


def sections() -> Iterator[dict[str, Any]]:
    """The profile from its top down: each mapping once, with a row for each of its keys."""
    whole = build_schema()
    definitions = whole["$defs"]
    waiting = [("", whole)]
    seen = set()
    while waiting:
        title, found = waiting.pop(0)
        rows = []
        for key, value in found.get("properties", {}).items():
            inner = list(_mappings(value, definitions))
            for name in inner:
                if name not in seen:
                    seen.add(name)
                    waiting.append((f"{title}.{key}".lstrip("."), definitions[name]))
            rows.append(
                {
                    "key": key,
                    "type": " or ".join(dict.fromkeys(_types(value, definitions))),
                    "default": _default(value),
                    "text": _text(value, [definitions[name] for name in inner]),
                }
            )
        yield {"title": title, "text": found.get("description", ""), "rows": rows}


def _parts(value: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A value's schema and those within it: alternatives, items, values of a mapping."""
    yield value
    for part in [*value.get("anyOf", []), *value.get("oneOf", []), *value.get("allOf", [])]:
        yield from _parts(part)
    for key in ("items", "additionalProperties"):
        if isinstance(value.get(key), dict):
            yield from _parts(value[key])
    # Mappings whose names the profile chooses, such as links.
    for part in value.get("patternProperties", {}).values():
        yield from _parts(part)


def _mappings(value: dict[str, Any], definitions: dict[str, Any]) -> Iterator[str]:
    for part in _parts(value):
        name = part.get("$ref", "").rpartition("/")[2]
        if name and "properties" in definitions[name]:
            yield name


def _types(value: dict[str, Any], definitions: dict[str, Any]) -> Iterator[str]:
    for part in [value, *value.get("anyOf", []), *value.get("oneOf", [])]:
        if name := part.get("$ref", "").rpartition("/")[2]:
            yield from _types(definitions[name], definitions)
        elif "const" in part:
            yield f"`{part['const']}`"
        elif "enum" in part:
            yield ", ".join(f"`{one}`" for one in part["enum"])
        elif "type" in part:
            yield TYPES[part["type"]]


def _default(value: dict[str, Any]) -> str:
    default = value.get("default")
    if default is None or isinstance(default, dict | list):
        return ""
    return f"`{str(default).lower() if isinstance(default, bool) else default}`"


def _text(value: dict[str, Any], inner: list[dict[str, Any]]) -> str:
    text = value.get("description") or next((one.get("description", "") for one in inner), "")
    return " ".join(text.replace("|", "\\|").split())


def pages() -> dict[Path, str]:
    """Every file of the reference, and what stands in it."""
    templates = Environment(
        loader=FileSystemLoader(TEMPLATES),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,  # noqa: S701  Markdown and roff, not HTML
    )
    templates.filters["roff"] = _roff
    given = {
        "commands": commands(),
        "sections": list(sections()),
        "version": __version__,
    }
    return {
        TOP / "docs" / name: templates.get_template(f"{name}.j2").render(given)
        for name in ("commands.md", "profile.md", "provision.1")
    }


def _roff(text: str) -> str:
    """Text as roff prints it unchanged: no escapes, no requests at the start of a line."""
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return "\n".join(f"\\&{line}" if line[:1] in (".", "'") else line for line in text.split("\n"))


def main() -> None:
    """Write the reference, or compare it."""
    different = [
        path for path, text in pages().items() if not path.exists() or path.read_text() != text
    ]
    if "--check" in sys.argv[1:]:
        for path in different:
            print(f"{path.relative_to(TOP)} is not what the code says; run `make docs`")
        sys.exit(1 if different else 0)
    for path, text in pages().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)


if __name__ == "__main__":
    main()
