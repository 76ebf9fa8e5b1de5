# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the JSON Schema of a profile, for editors that complete and check keys."""

from __future__ import annotations

from typing import Any

from provision import boards
from provision.profile.schema.boat import Profile

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def build_schema() -> dict[str, Any]:
    """Return the schema (JSON Schema 2020-12) of one file: a boat's, or an included one.

    Keys that another file may bring are not required.
    """
    made = Profile.model_json_schema()
    for model in (made, *made["$defs"].values()):
        model.pop("required", None)
    made["properties"]["board"]["enum"] = boards.names()
    _forbid_unknown_names(made)
    _allow_null(made)
    return {"$schema": DIALECT, **made}


def _forbid_unknown_names(part: Any) -> None:
    """Refuse names that no pattern allows, which pydantic leaves open."""
    children = part.values() if isinstance(part, dict) else part if isinstance(part, list) else ()
    if isinstance(part, dict) and "patternProperties" in part:
        part["additionalProperties"] = False
    for child in children:
        _forbid_unknown_names(child)


def _allow_null(part: Any) -> None:
    """Allow null where the profile chooses the names: it removes an included entry."""
    children = part.values() if isinstance(part, dict) else part if isinstance(part, list) else ()
    for child in list(children):
        _allow_null(child)
    if isinstance(part, dict):
        nothing = {"type": "null"}
        for pattern, value in part.get("patternProperties", {}).items():
            part["patternProperties"][pattern] = {"anyOf": [value, nothing]}
        if isinstance(value := part.get("additionalProperties"), dict):
            part["additionalProperties"] = {"anyOf": [value, nothing]}
