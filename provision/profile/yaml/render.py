# SPDX-License-Identifier: GPL-3.0-or-later
"""Write plain values as YAML, as a person would in a profile."""

from __future__ import annotations

import json
import re

import yaml

from provision.profile.yaml.tree import Plain

#: Text that needs no quotes anywhere, unless YAML takes it for something else.
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9._-]*")


def flow(value: Plain) -> str:
    """Write a value on one line.

    >>> flow({"adapter": {"serial": "0001", "port": None}, "talks": ["RMC"], "baud": 4800.0})
    '{adapter: {serial: "0001", port: null}, talks: [RMC], baud: 4800}'
    """
    if isinstance(value, dict):
        return "{" + ", ".join(f"{flow(key)}: {flow(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return f"[{', '.join(map(flow, value))}]"
    if isinstance(value, str):
        return value if is_plain(value) else json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool):
        return str(value).lower()
    return "null" if value is None else f"{value:.15g}"


def is_plain(text: str) -> bool:
    """Report whether YAML reads a text without quotes as that text."""
    return bool(_PLAIN.fullmatch(text)) and yaml.safe_load(text) == text


def like(value: Plain, style: str | None) -> str:
    """Write a scalar in quotes of a style, or without any. YAML has the styles ' and \"."""
    if not isinstance(value, str) or style not in ("'", '"'):
        return flow(value)
    if style == "'" and value.isprintable():
        return "'" + value.replace("'", "''") + "'"
    return json.dumps(value, ensure_ascii=False)


def block(key: str, value: dict[str, Plain], indent: int) -> list[str]:
    """Write a mapping as lines: its key, and below it one entry each."""
    return [
        f"{flow(key)}:",
        *(f"{' ' * indent}{flow(name)}: {flow(one)}" for name, one in value.items()),
    ]
