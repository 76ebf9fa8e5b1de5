# SPDX-License-Identifier: GPL-3.0-or-later
"""The JSON Schema accepts the demo club as it stands in its files, and refuses mistakes."""

from __future__ import annotations

import json

import jsonschema
import pytest
import yaml

from provision.paths import shipped
from provision.profile.schema import schema


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    made = json.loads(json.dumps(schema()))
    jsonschema.Draft202012Validator.check_schema(made)
    return jsonschema.Draft202012Validator(made)


@pytest.mark.parametrize("name", ["club", "dunlin", "kittiwake", "turnstone"])
def test_the_demo_club_passes(validator: jsonschema.Draft202012Validator, name: str) -> None:
    content = yaml.safe_load((shipped("boats") / f"{name}.yml").read_text())
    assert list(validator.iter_errors(content)) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"bord": "x86-64"},
        {"board": "abacus"},
        {"network": {"access_point": {"chanel": 6}}},
        {"network": {"wired": "ship"}},
        {"links": {"Wind Vane": {"adapter": {"serial": "A"}}}},
        {"links": {"wind": {"adapter": {"serial": "A"}, "baud": 4801}}},
        {"links": {"wind": {"adapter": {"serial": "A"}, "talks": ["mwv"]}}},
        {"links": {"wind": {"adapter": {"serial": "A"}, "talks": {"mwv": 1}}}},
        {"links": {"wind": {"baud": 4800}}},
        {"feed": {"tcp": "10110"}},
        {"access": {"keys": ["../operator.pub"]}},
    ],
)
def test_mistakes_do_not(validator: jsonschema.Draft202012Validator, wrong: object) -> None:
    assert not validator.is_valid(wrong)
