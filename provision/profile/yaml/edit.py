# SPDX-License-Identifier: GPL-3.0-or-later
"""Change one list in a YAML text, and leave every other character as its author wrote it.

The result is parsed and compared before it is taken. A text in an unknown form is refused, not
damaged.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from functools import lru_cache

import yaml

#: Text that YAML reads without quotes, anywhere in a list.
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9._-]*\.pub")


class CannotEdit(Exception):
    """Refuse a text whose form only its author can change safely."""


def append_item(text: str, keys: Sequence[str], item: str) -> str:
    """Append an item to the list at `keys`, such as ("access", "keys")."""
    found = node_at(root_of(text), keys)
    if not isinstance(found, yaml.SequenceNode) or not found.value:
        raise CannotEdit
    end = found.value[-1].end_mark.index
    if found.flow_style:
        changed = f"{text[:end]}, {_format_item(item)}{text[end:]}"
    else:
        line_end = text.find("\n", end)
        newline = newline_of(text)
        head = text[: line_end + 1] if line_end >= 0 else text + newline
        tail = text[line_end + 1 :] if line_end >= 0 else ""
        changed = f"{head}{' ' * found.start_mark.column}- {_format_item(item)}{newline}{tail}"
    return _verify(text, changed, keys, [*_read_list(text, keys), item])


def add_list(text: str, keys: tuple[str, str], items: Sequence[str]) -> str:
    """Add a list at `keys` of two levels to a text that has none there."""
    outer, inner = keys
    root = root_of(text)
    listed = f"{inner}: [{', '.join(map(_format_item, items))}]"
    newline = newline_of(text)
    group = node_at(root, [outer])
    if group is None:
        head = text if text.endswith("\n") else text + newline
        changed = f"{head}{outer}: {{{listed}}}{newline}"
    elif isinstance(group, yaml.MappingNode) and group.flow_style:
        start = group.start_mark.index + 1
        comma = ", " if group.value else ""
        changed = f"{text[:start]}{listed}{comma}{text[start:]}"
    elif isinstance(group, yaml.MappingNode):
        start, column = group.start_mark.index, group.start_mark.column
        changed = f"{text[:start]}{listed}{newline}{' ' * column}{text[start:]}"
    else:
        raise CannotEdit
    return _verify(text, changed, keys, list(items))


@lru_cache(maxsize=8)
def root_of(text: str) -> yaml.Node | None:
    """Parse a text. Raise CannotEdit if it is no YAML, or several documents.

    The last texts are remembered: an edit asks several times. No caller changes the tree.
    """
    try:
        return yaml.SafeLoader(text).get_single_node()
    except (yaml.YAMLError, RecursionError, ValueError, OverflowError):
        raise CannotEdit from None


def node_at(node: yaml.Node | None, keys: Sequence[str]) -> yaml.Node | None:
    """Return the node at `keys`, or None. Raise CannotEdit if one above it has no keys."""
    for key in keys:
        if not isinstance(node, yaml.MappingNode):
            raise CannotEdit
        node = next((value for name, value in node.value if name.value == key), None)
    return node


def _read_list(text: str, keys: Sequence[str]) -> list[str]:
    found = yaml.safe_load(text)
    for key in keys:
        found = found[key]
    return list(found)


def _format_item(item: str) -> str:
    # A JSON string is also a YAML string.
    return item if _PLAIN.fullmatch(item) else json.dumps(item, ensure_ascii=False)


def newline_of(text: str) -> str:
    """Return how the lines of a text end."""
    return "\r\n" if "\r\n" in text else "\n"


def _verify(text: str, changed: str, keys: Sequence[str], items: list[str]) -> str:
    """Return `changed` if it says the same as `text` except for `items` at `keys`."""
    wanted = yaml.safe_load(text)
    group = wanted
    for key in keys[:-1]:
        group = group.setdefault(key, {})
    group[keys[-1]] = items
    try:
        found = yaml.safe_load(changed)
    except yaml.YAMLError:
        raise CannotEdit from None
    if found != wanted:
        raise CannotEdit
    return changed
