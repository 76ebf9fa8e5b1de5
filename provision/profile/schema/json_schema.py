# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the JSON Schema of a profile, for editors that complete and check keys."""

from __future__ import annotations

import ast
import inspect
from itertools import pairwise
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from provision import boards
from provision.profile.schema.boat import Profile

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def build_schema() -> dict[str, Any]:
    """Return the schema (JSON Schema 2020-12) of one file: a boat's, or an included one.

    Keys that another file may bring are not required.
    """
    made = Profile.model_json_schema(schema_generator=_Described)
    for model in (made, *made["$defs"].values()):
        model.pop("required", None)
    made["properties"]["board"]["enum"] = boards.names()
    _forbid_unknown_names(made)
    _allow_null(made)
    return {"$schema": DIALECT, **made}


class _Described(GenerateJsonSchema):
    """Describe each key by the docstring below its field.

    Pydantic would read these docstrings whenever the models are imported, which takes longer than
    the rest of a command's start.
    """

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        made = super().model_schema(schema)
        described = read_field_docstrings(schema["cls"])
        for name, field in schema["cls"].model_fields.items():
            if name in described:
                made["properties"][field.alias or name]["description"] = described[name]
        return made


def read_field_docstrings(model: type[BaseModel]) -> dict[str, str]:
    """Return the docstrings below the fields of a model and of the models that it extends."""
    found: dict[str, str] = {}
    for one in reversed(model.__mro__):
        if issubclass(one, BaseModel) and one is not BaseModel:
            (parsed,) = ast.parse(inspect.getsource(one)).body
            assert isinstance(parsed, ast.ClassDef)
            for field, text in pairwise(parsed.body):
                match field, text:
                    case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(
                        value=ast.Constant(value=str(words))
                    ):
                        found[name] = inspect.cleandoc(words)
    return found


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
