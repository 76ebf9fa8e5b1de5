# SPDX-License-Identifier: GPL-3.0-or-later
"""Set values below keys of a YAML text, and leave every other character as its author wrote it.

Each result is parsed and compared before it is taken. A text in an unknown form is refused with
`CannotEdit`, not damaged.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import yaml

from provision.profile.yaml.edit import CannotEdit, newline_of, node_at, root_of
from provision.profile.yaml.render import block, flow, like
from provision.profile.yaml.shape import Keys, compare, shape, with_key, with_value
from provision.profile.yaml.tree import Plain

#: What ends a line in YAML 1.1.
_BREAK = re.compile("\r\n|[\r\n\x85\u2028\u2029]")
#: An anchor, which stands before a value.
_ANCHOR = re.compile(r"&[^\s,\[\]{}]+\s+")
_COMMENT_LINE = re.compile(rf"( *)#[^\r\n\x85\u2028\u2029]*({_BREAK.pattern}|$)")


def put(text: str, keys: Keys, value: Plain, comment: Sequence[str] = ()) -> str:
    """Set the value at `keys`: a scalar takes the place of a scalar, anything else is added.

    Keys above it that are not there are added, too. The lines of `comment` go before an entry that
    is added on lines of its own.
    """
    if has(text, keys):
        return replace_scalar(text, keys, value)
    depth = next(n for n in range(len(keys) - 1, -1, -1) if not n or has(text, keys[:n]))
    for key in reversed(keys[depth + 1 :]):
        value = {key: value}
    return add_entries(text, keys[:depth], {keys[depth]: value}, comment)


def has(text: str, keys: Keys) -> bool:
    """Report whether the text has a value at `keys`."""
    node: yaml.Node | None = root_of(text)
    for key in keys:
        if not isinstance(node, yaml.MappingNode):
            return False
        node = next((value for name, value in node.value if name.value == key), None)
    return node is not None


def replace_scalar(text: str, keys: Keys, value: Plain) -> str:
    """Replace a plain value by another, in the quotes of the former. Keep its anchor."""
    node = node_at(root_of(text), keys)
    if not isinstance(node, yaml.ScalarNode) or node.style in ("|", ">"):
        raise CannotEdit
    start, end = node.start_mark.index, node.end_mark.index
    if anchor := _ANCHOR.match(text, start, end):
        start = anchor.end()
    if start == end or text[start] in "!&":
        raise CannotEdit
    changed = f"{text[:start]}{like(value, node.style)}{text[end:]}"
    return compare(changed, with_value(shape(text), keys, value))


def rename(text: str, keys: Keys, new: str) -> str:
    """Replace the last of `keys` by another key, and keep its value."""
    parent = node_at(root_of(text), keys[:-1])
    named = parent.value if isinstance(parent, yaml.MappingNode) else []
    key = next((name for name, _ in named if name.value == keys[-1]), None)
    if not isinstance(key, yaml.ScalarNode):
        raise CannotEdit
    changed = f"{text[: key.start_mark.index]}{flow(new)}{text[key.end_mark.index :]}"
    return compare(changed, with_key(shape(text), keys, new))


def add_entries(
    text: str, keys: Keys, entries: Mapping[str, Plain], comment: Sequence[str] = ()
) -> str:
    """Add entries at the end of the mapping at `keys`, written as those before are."""
    group = node_at(root_of(text), keys)
    if not isinstance(group, yaml.MappingNode):
        raise CannotEdit
    if group.flow_style:
        listed = flow(dict(entries))[1:-1]
        at = group.value[-1][1].end_mark.index if group.value else group.start_mark.index + 1
        changed = f"{text[:at]}{', ' if group.value else ''}{listed}{text[at:]}"
    else:
        lines = [f"# {line}" for line in comment]
        for key, value in entries.items():
            lines += _entry_lines(group, key, value)
        changed = insert_lines(text, leaf_end(group), _column(group), lines)
    wanted = shape(text)
    for key, value in entries.items():
        wanted = with_value(wanted, [*keys, key], value)
    return compare(changed, wanted)


def _column(group: yaml.MappingNode) -> int:
    # Not the mapping's own mark: an anchor has another column.
    return int(group.value[0][0].start_mark.column)


def _entry_lines(group: yaml.MappingNode, key: str, value: Plain) -> list[str]:
    """Write an entry as the entries before it are: in a block, or aligned on one line."""
    last = group.value[-1][1]
    if isinstance(value, dict) and isinstance(last, yaml.MappingNode) and not last.flow_style:
        return block(key, value, _column(last) - _column(group))
    columns = {one.start_mark.column for _, one in group.value} - {_column(group)}
    lengths = {name.end_mark.column for name, _ in group.value}
    # Values below each other, behind keys of different lengths.
    aligned = len(columns) == 1 and len(lengths) > 1
    width = columns.pop() - _column(group) if aligned else 0
    return [f"{flow(key)}: ".ljust(width) + flow(value)]


def leaf_end(node: yaml.Node) -> int:
    """Return the index behind the last character of a value, without what only follows it."""
    if not isinstance(node, yaml.CollectionNode) or node.flow_style or not node.value:
        return int(node.end_mark.index)
    last = node.value[-1]
    return leaf_end(last[1] if isinstance(node, yaml.MappingNode) else last)


def insert_lines(text: str, end: int, column: int, lines: Sequence[str]) -> str:
    """Insert lines below the one in which `end` lies, and below comments that belong to it."""
    head, at, newline = text, len(text), newline_of(text)
    if end and _BREAK.fullmatch(text[end - 1]):
        # Text in lines of its own (| and >) ends with its last line.
        head, at = text[:end], end
    elif found := _BREAK.search(text, end):
        head, at, newline = text[: found.end()], found.end(), found[0]
    else:
        head += newline
    while (comment := _COMMENT_LINE.match(text, at)) and len(comment[1]) >= column:
        at = comment.end()
        head = text[:at] + ("" if comment[2] else newline)
    added = "".join(f"{' ' * column}{line}{newline}" for line in lines)
    return head + added + text[at:]
