# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare what two YAML texts say: mappings by their keys, lists, and scalars with their tags."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from copy import deepcopy
from typing import Any

import yaml

from provision.profile.yaml.edit import CannotEdit, root_of
from provision.profile.yaml.render import flow
from provision.profile.yaml.tree import Plain

Keys = Sequence[str]


def shape(text: str) -> Any:
    """Return what a text says. Raise CannotEdit if a key is no word, or stands there twice."""
    return _shape(root_of(text))


def _shape(node: yaml.Node | None) -> Any:
    if isinstance(node, yaml.MappingNode):
        return dict(_entries(node))
    if isinstance(node, yaml.SequenceNode):
        return [_shape(item) for item in node.value]
    return (node.tag, node.value) if node else None


def _entries(node: yaml.MappingNode) -> Iterator[tuple[str, Any]]:
    seen = set()
    for key, value in node.value:
        if not isinstance(key, yaml.ScalarNode) or key.value in seen:
            raise CannotEdit
        seen.add(key.value)
        yield key.value, _shape(value)


def with_value(tree: Any, keys: Keys, value: Plain) -> Any:
    """Return a copy of a shape in which `value` stands at `keys`."""
    tree = deepcopy(tree)
    group = tree
    for key in keys[:-1]:
        group = group[key]
    group[keys[-1]] = shape(flow(value))
    return tree


def with_key(tree: Any, keys: Keys, new: str) -> Any:
    """Return a copy of a shape in which the last of `keys` is called `new`."""
    tree = deepcopy(tree)
    group = tree
    for key in keys[:-1]:
        group = group[key]
    group[new] = group.pop(keys[-1])
    return tree


def compare(changed: str, wanted: Any) -> str:
    """Return `changed` if it says what is wanted. Raise CannotEdit otherwise."""
    if shape(changed) != wanted:
        raise CannotEdit
    return changed
