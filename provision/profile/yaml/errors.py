# SPDX-License-Identifier: GPL-3.0-or-later
"""Explain in plain words, with the location, what the models refused."""

from __future__ import annotations

import difflib
import re
import types
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import islice
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, Tag, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from provision.errors import UserError
from provision.profile.schema.types import describe_value
from provision.profile.yaml.examples import find_example
from provision.profile.yaml.tree import MAX_ERRORS, Node

_EXPECTED = {
    "string_type": "text",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "dict_type": "keys of its own",
    "model_type": "keys of its own",
    "model_attributes_type": "keys of its own",
    "list_type": "a list",
}

_BOUNDS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than_equal": ("at most", "le"),
}

#: Maximum number of names that a misspelt one is compared with.
MAX_CANDIDATES = 200


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Find the word that was probably meant among the first `MAX_CANDIDATES`, or None."""
    near = difflib.get_close_matches(word, list(islice(known, MAX_CANDIDATES)), n=1, cutoff=0.6)
    return near[0] if near else None


def explain(
    error: ValidationError, root: Node, model: type[BaseModel], *, missing: bool = True
) -> list[UserError]:
    """Make a UserError of each value that `model` refused in the tree `root`.

    Leave out keys that are `missing` where that is not set. Return at most one error more than
    `MAX_ERRORS`.
    """
    details = error.errors()[: MAX_ERRORS + 1]
    # A misspelt key is also a missing one: report it once.
    meant = {
        (*loc[:-1], near)
        for loc in (detail["loc"] for detail in details if detail["type"] == "extra_forbidden")
        if (near := nearest(str(loc[-1]), keys_at(model, loc[:-1])))
    }
    return [
        _explain(detail, root, model)
        for detail in details
        if detail["type"] != "missing" or (missing and detail["loc"] not in meant)
    ]


def _explain(detail: ErrorDetails, root: Node, model: type[BaseModel]) -> UserError:
    loc, kind = detail["loc"], detail["type"]
    keys = _untagged(model, loc)
    node, last = node_at(root, keys), str(loc[-1]) if loc else ""
    location = node.location if isinstance(node.value, dict | list) else node.value_location
    context, hint = detail.get("ctx", {}), ""
    match kind:
        case "missing":
            message = f"the key {last} is missing"
            location = replace(node.location, key=".".join(map(str, keys)))
        case "extra_forbidden":
            message = f"there is no key {last} here"
            location = node.location
            hint = _did_you_mean(last, keys_at(model, loc[:-1]))
        case _ if kind in _EXPECTED:
            message = f"expected {_EXPECTED[kind]}, found {_describe(node)}"
            hint = _quotes(kind, node)
        case _ if kind in _BOUNDS:
            words, name = _BOUNDS[kind]
            message = f"{node.written} is out of range: {words} {context[name]:g}"
        case "literal_error":
            choices = re.findall("'([^']*)'", context["expected"])
            message = f"{_describe(node)} is not one of {', '.join(choices)}"
            hint = _did_you_mean(node.written, choices)
        case "value_error":
            message = str(context["error"])
            hint = getattr(context["error"], "hint", "")
        case "too_short":
            message = "needs at least one entry"
        case "too_long":
            message = f"has {context['actual_length']} entries"
            hint = f"there can be {context['max_length']} at most"
        case _:
            message = detail["msg"]
    written = find_example(keys)
    return UserError(
        message, location=location, hint=hint or (f"such as {written}" if written else "")
    )


def node_at(root: Node, loc: tuple[int | str, ...]) -> Node:
    """Return the node at `loc`, or the nearest node above it that the file has."""
    node = root
    for above, part in zip(("", *loc), loc, strict=False):
        value = node.value
        if isinstance(value, dict) and part in value:
            node = value[str(part)]
        elif isinstance(value, list):
            # `talks` may be a list in the file where the models have a mapping.
            items = [item for i, item in enumerate(value) if part in (i, item.value)]
            node = items[0] if items else node
        elif part == "[key]":
            return Node(str(above), node.location, node.location, str(above))
    return node


def keys_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """List the keys that the model knows at `loc`. Empty where the profile chooses the names."""
    kind = list(_walk(model, loc))[-1]
    return list(fields_by_key(kind)) if is_model(kind) else []


def _walk(model: type[BaseModel], loc: tuple[int | str, ...]) -> Iterator[Any]:
    """Yield the types on the way down to `loc`."""
    kind: Any = model
    yield kind
    for part in loc:
        if part in (tags := types_by_tag(kind)):
            kind = tags[str(part)]
        elif is_model(kind):
            if part not in (known := fields_by_key(kind)):
                return
            kind = unwrap(known[str(part)].annotation)
        else:
            kind = unwrap((get_args(kind) or (None,))[-1])
        yield kind


def _untagged(model: type[BaseModel], loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Return `loc` without the tags that distinguish the types of a union."""
    kinds = list(_walk(model, loc))
    tags = {at for at, kind in enumerate(kinds[: len(loc)]) if loc[at] in types_by_tag(kind)}
    return tuple(part for at, part in enumerate(loc) if at not in tags)


def types_by_tag(kind: Any) -> dict[str, Any]:
    """Return the types of a union by their tags. Empty if there are no tags."""
    members = get_args(kind) if get_origin(kind) in (Union, types.UnionType) else ()
    return {
        mark.tag: unwrap(member)
        for member in members
        for mark in getattr(member, "__metadata__", ())
        if isinstance(mark, Tag)
    }


def fields_by_key(kind: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the fields of a model by their keys in the file."""
    return {field.alias or name: field for name, field in kind.model_fields.items()}


def is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def unwrap(kind: Any) -> Any:
    """Return the type without its annotations and without `| None`."""
    while get_origin(kind) in (Annotated, Union, types.UnionType) and not types_by_tag(kind):
        kind = get_args(kind)[0]
    return kind


def _did_you_mean(word: str, known: list[str]) -> str:
    near = nearest(word, known)
    return f"did you mean {near}?" if near else f"known here: {', '.join(known)}"


def _describe(node: Node) -> str:
    match node.value:
        case bool():
            return f"{node.written}, which YAML takes for {describe_value(node.value)}"
        case str():
            return f"the text {node.value!r}"
        case int() | float():
            return f"the number {node.written}"
        case _:
            return describe_value(node.value)


def _quotes(kind: str, node: Node) -> str:
    value = node.value
    if kind == "string_type" and isinstance(value, bool | int | float):
        return f'quote it: "{node.written}"'
    if kind in ("int_type", "float_type") and isinstance(value, str):
        return "write the number alone, in digits and without quotes"
    if _EXPECTED[kind] == "keys of its own" and value is None:
        return "indent the keys that belong to it"
    return ""
