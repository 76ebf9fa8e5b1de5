# SPDX-License-Identifier: GPL-3.0-or-later
"""Add sentences to a link's list or mapping in a YAML text, in the form that it has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import yaml

from provision.profile.yaml.edit import CannotEdit, node_at, root_of
from provision.profile.yaml.edit_mapping import add_entries, insert_lines, leaf_end
from provision.profile.yaml.render import flow
from provision.profile.yaml.shape import Keys, compare, shape, with_value


def add_rates(text: str, keys: Keys, rates: Mapping[str, float]) -> str:
    """Add sentences with their rates to what stands at `keys`: a list, or a mapping of rates.

    A list becomes a mapping where a rate is not 1. Raise CannotEdit as `edit_mapping` does.
    """
    node = node_at(root_of(text), keys)
    if isinstance(node, yaml.SequenceNode):
        if not node.value or any(not isinstance(item, yaml.ScalarNode) for item in node.value):
            raise CannotEdit
        items = [item.value for item in node.value]
        if all(rate == 1 for rate in rates.values()):
            changed = _with_items(text, node, [*rates])
            return compare(changed, with_value(shape(text), keys, [*items, *rates]))
        changed = _as_mapping(text, node)
        text = compare(changed, with_value(shape(text), keys, dict.fromkeys(items, 1)))
    return add_entries(text, keys, dict(rates))


def _with_items(text: str, node: yaml.SequenceNode, new: Sequence[str]) -> str:
    if node.flow_style:
        end = node.value[-1].end_mark.index
        return f"{text[:end]}, {', '.join(map(flow, new))}{text[end:]}"
    lines = [f"- {flow(item)}" for item in new]
    return insert_lines(text, leaf_end(node), node.start_mark.column, lines)


def _as_mapping(text: str, node: yaml.SequenceNode) -> str:
    """Write a list of sentences as a mapping, in which each comes once a second."""
    edits = [(item.end_mark.index, item.end_mark.index, ": 1") for item in node.value]
    if node.flow_style:
        start, end = node.start_mark.index, node.end_mark.index
        edits += [(start, start + 1, "{"), (end - 1, end, "}")]
    else:
        for item in node.value:
            dash = text.rfind("-", node.start_mark.index, item.start_mark.index)
            edits.append((dash, dash + 1, " "))
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text
