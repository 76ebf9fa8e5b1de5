# SPDX-License-Identifier: GPL-3.0-or-later
"""A hint shows how a key is written: by an example that is right itself."""

from __future__ import annotations

import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from provision.errors import UserError, UserErrors
from provision.profile import load
from provision.profile.schema.boat import Profile
from provision.profile.yaml.errors import fields_by_key, is_model, types_by_tag, unwrap
from provision.profile.yaml.examples import EXAMPLE, LOOSENING, find_example
from tests.support.profiles import replaced

Key = tuple[str, ...]


def every_key(kind: Any, at: Key = ()) -> Iterator[Key]:
    """Yield all keys that the models know; `x` where the profile chooses the name."""
    kind = unwrap(kind)
    if is_model(kind):
        for name, field in fields_by_key(kind).items():
            yield (*at, name)
            yield from every_key(field.annotation, (*at, name))
    elif kinds := types_by_tag(kind):
        for one in kinds.values():
            yield from every_key(one, at)
    elif typing.get_origin(kind) is dict:
        yield from every_key(typing.get_args(kind)[1], (*at, "x"))


KEYS = sorted({key for key in every_key(Profile)})


def put(content: dict[str, Any], key: Key, value: object) -> None:
    """Set a value; where the profile chooses the name, in the first entry that has the rest."""
    for number, name in enumerate(key[:-1]):
        rest = key[number + 1 :]
        entries = content if name == "x" else [name]
        content = next(content[one] for one in entries if name != "x" or has(content[one], rest))
    content[key[-1]] = value


def has(part: Any, key: Key) -> bool:
    for number, name in enumerate(key):
        if name == "x":
            return any(has(one, key[number + 1 :]) for one in part.values())
        if not isinstance(part, dict) or name not in part:
            return False
        part = part[name]
    return True


def test_the_example_is_a_right_profile() -> None:
    assert len(KEYS) > 60
    Profile.model_validate(yaml.safe_load(EXAMPLE))


@pytest.mark.parametrize("key", KEYS, ids=".".join)
def test_each_key_has_an_example_that_is_right(key: Key) -> None:
    written = find_example(key)
    assert written.startswith(f"{key[-1]}: "), f"give {'.'.join(key)} an example in EXAMPLE"
    assert len(written) <= 100
    content = yaml.safe_load(EXAMPLE)
    put(content, key, yaml.safe_load(written)[key[-1]])
    Profile.model_validate(content)


@pytest.mark.parametrize("key", [key for key in KEYS if key[0] != "boat"], ids=".".join)
def test_a_wrong_value_has_a_hint_that_says_what_to_write(tmp_path: Path, key: Key) -> None:
    """A value of the other kind: a group for a value, a number for a group."""
    content = yaml.safe_load(EXAMPLE)
    put(content, key, {"of": {"no": "kind"}} if "{" not in find_example(key) else 5)
    file = tmp_path / "kittiwake.yml"
    (tmp_path / "club.yml").write_text("accepted: {}\n")
    file.write_text(yaml.safe_dump(content, sort_keys=False))
    with pytest.raises(UserError) as caught:
        load.read(file)
    errors = caught.value.errors if isinstance(caught.value, UserErrors) else [caught.value]
    hints = [error.hint for error in errors]
    assert all(hints)
    assert not any(hint.endswith(".") for hint in hints), hints


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        ("channel: 6", "channel: [6]", "such as channel: 6"),
        ("01}, baud: 4800", "01}, baud: [4800]", "such as baud: 4800"),
        ("ssid: Kittiwake, ", "", "such as ssid: Kittiwake"),
        ("address: 10.47.1.1/24", "address: 8.8.8.8/24", "such as address: 10.47.1.1/24"),
        ("{keys: [operator.pub]", "{keys: []", "such as keys: [operator.pub]"),
        ("7, own_supply: true", "7, own_supply: 5", "such as own_supply: true"),
        (
            "access: {keys: [operator.pub], from_shore: true}\n",
            "",
            "such as access: {keys: [operator.pub]}",
        ),
        (
            "    baud: 4800\n    talks: {DPT: 2",
            "    baud:\n    talks: {DPT: 2",
            "such as baud: 4800",
        ),
    ],
)
def test_hints_that_were_descriptions(tmp_path: Path, old: str, new: str, hint: str) -> None:
    file = tmp_path / "kittiwake.yml"
    (tmp_path / "club.yml").write_text("accepted: {}\n")
    file.write_text(replaced(EXAMPLE, (old, new)))
    with pytest.raises(UserError) as caught:
        load.read(file)
    assert caught.value.hint == hint


@pytest.mark.parametrize("key", KEYS, ids=".".join)
def test_an_example_lets_in_no_more_than_usual(key: Key) -> None:
    """Unless the key itself is asked for: a reader copies the example."""
    written = find_example(key)
    assert not [one for one in LOOSENING if f"{one}:" in written and key[-1] != one]


def test_the_example_of_a_link_has_its_baud() -> None:
    for name in ("depth-log", "wind", "autopilot", "gnss", "x"):
        assert "baud: 4800" in find_example(("links", name))
