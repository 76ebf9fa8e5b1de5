# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the nulls of a profile: a written null removes an included part, a blank is an error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, get_args, get_origin

from pydantic import BaseModel

from provision.errors import UserError
from provision.profile.schema.links import link_tag
from provision.profile.yaml.errors import fields_by_key, is_model, nearest, types_by_tag, unwrap
from provision.profile.yaml.examples import find_example
from provision.profile.yaml.tree import MAX_ERRORS, Node


def drop_nulls(root: Node, model: type[BaseModel], errors: list[UserError]) -> Node:
    """Return the tree without the parts that a written null removes.

    This is for parts whose name the profile chooses: links, tablets, sentences. A null that covers
    no part of an included file is added to `errors`. Where the model knows the key, a null is a
    value and stays.
    """
    if not isinstance(root.value, dict):
        return root
    return replace(root, value=_drop(root.value, model, errors))


def _drop(parts: Mapping[str, Node], kind: Any, errors: list[UserError]) -> dict[str, Node]:
    kept: dict[str, Node] = {}
    for name, node in parts.items():
        if node.value is None and node.written and get_origin(kind) is dict:
            if not node.covers and len(errors) <= MAX_ERRORS:
                others = [other for other, one in parts.items() if one.value is not None]
                errors.append(_nothing_there(node, name, others))
        elif isinstance(node.value, dict):
            below = _below(kind, name, node)
            kept[name] = replace(node, value=_drop(node.value, below, errors))
        else:
            kept[name] = node
    return kept


def _nothing_there(node: Node, name: str, others: list[str]) -> UserError:
    near = nearest(name, others)
    return UserError(
        f"null drops what an included file has, and no included file has {node.location.key}",
        location=node.location,
        hint=f"did you mean {near}?" if near else "take the line out",
    )


def _below(kind: Any, name: str, node: Node) -> Any:
    """Return the type of the part `name` of a `kind`, or None if there is no such part."""
    if is_model(kind):
        field = fields_by_key(kind).get(name)
        found = unwrap(field.annotation) if field else None
    else:
        found = unwrap((get_args(kind) or (None,))[-1]) if get_origin(kind) is dict else None
    kinds = types_by_tag(found)
    return kinds[link_tag(node.plain())] if kinds else found


def find_blanks(node: Node) -> list[UserError]:
    """Return an error for each key that has no value behind it, not even null."""
    if isinstance(node.value, dict):
        return [error for part in node.value.values() for error in find_blanks(part)]
    if isinstance(node.value, list):
        return [error for part in node.value for error in find_blanks(part)]
    if not node.is_blank:
        return []
    name = node.location.key.rpartition(".")[2]
    return [
        UserError(
            f"{name} is left blank, and would mean none",
            location=node.location,
            hint=_what_to_write(name, node.location.key),
        )
    ]


def _what_to_write(name: str, key: str) -> str:
    """Show how the key is written, and how none is."""
    known = find_example(key.split("."))
    such = f", such as {known}" if known.startswith(f"{name}: ") else ""
    if not such:
        return f"write its value, or {name}: null for none"
    if known.startswith(f"{name}: {{"):
        return f"write its keys{such}, {name}: {{}} for all as usual, or {name}: null for none"
    return f"write its value{such}; for none take the line out, or write {name}: null"
