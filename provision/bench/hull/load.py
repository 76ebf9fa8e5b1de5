# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a hull's YAML file."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from provision.bench.hull.schema import Hull
from provision.errors import Location, UserError
from provision.profile.yaml.errors import explain
from provision.profile.yaml.tree import parse, raise_all, read_text


def read_hull(file: Path, boat: str) -> Hull:
    """Read the hull of a boat. Raise UserErrors with every error and its location."""
    errors: list[UserError] = []
    root = parse(file, read_text(file), errors)
    if root is None or not isinstance(root.value, dict):
        raise UserError(
            "the file has no keys",
            location=Location(file, 1),
            hint="a hull starts with the key boat: and has adapters:",
        )
    raise_all(errors)
    try:
        hull = Hull.model_validate(root.plain())
    except ValidationError as error:
        raise_all(explain(error, root, Hull))
        raise AssertionError("a hull was refused without a reason") from error
    if hull.boat != boat:
        raise UserError(
            f"this is the hull of {hull.boat}, not of {boat}",
            location=root.value["boat"].value_location,
            hint=f"name another file, or write boat: {boat}",
        )
    return hull
