# SPDX-License-Identifier: GPL-3.0-or-later
"""An edit changes its value alone: comments, order and line ends stay as written."""

from __future__ import annotations

import pytest

from provision.profile.yaml.edit import CannotEdit, add_list, append_item

KEYS = ("access", "keys")


@pytest.mark.parametrize(
    ("text", "changed"),
    [
        ("access: {keys: [a.pub]}\n", "access: {keys: [a.pub, mate.pub]}\n"),
        ("access: {keys: [a.pub]}", "access: {keys: [a.pub, mate.pub]}"),
        (
            "access: {keys: [ 'a.pub' , ], x: 1}\n",
            "access: {keys: [ 'a.pub', mate.pub , ], x: 1}\n",
        ),
        (
            "access:\n  keys:\n    - a.pub  # hers\n    # no more\nx: 1\n",
            "access:\n  keys:\n    - a.pub  # hers\n    - mate.pub\n    # no more\nx: 1\n",
        ),
        ("access:\n  keys:\n  - a.pub", "access:\n  keys:\n  - a.pub\n  - mate.pub\n"),
        (
            "access:\r\n keys:\r\n - a.pub\r\nx: 1\r\n",
            "access:\r\n keys:\r\n - a.pub\r\n - mate.pub\r\nx: 1\r\n",
        ),
        (
            'é: 1\naccess: {keys: ["ssh-ed25519 AAAA a, b" # hers\n  ]}\n',
            'é: 1\naccess: {keys: ["ssh-ed25519 AAAA a, b", mate.pub # hers\n  ]}\n',
        ),
    ],
)
def test_an_item_joins_a_list(text: str, changed: str) -> None:
    assert append_item(text, KEYS, "mate.pub") == changed


@pytest.mark.parametrize(
    ("text", "changed"),
    [
        ("x: 1\n", 'x: 1\naccess: {keys: [a.pub, "ssh-ed25519 AAAA b: #c"]}\n'),
        ("x: 1", 'x: 1\naccess: {keys: [a.pub, "ssh-ed25519 AAAA b: #c"]}\n'),
        ("x: 1\r\n", 'x: 1\r\naccess: {keys: [a.pub, "ssh-ed25519 AAAA b: #c"]}\r\n'),
        (
            "access: {from_shore: true}  # no\n",
            'access: {keys: [a.pub, "ssh-ed25519 AAAA b: #c"], from_shore: true}  # no\n',
        ),
        (
            "access:\n  # no\n  from_shore: true\n",
            'access:\n  # no\n  keys: [a.pub, "ssh-ed25519 AAAA b: #c"]\n  from_shore: true\n',
        ),
    ],
)
def test_a_list_is_added_where_there_is_none(text: str, changed: str) -> None:
    assert add_list(text, KEYS, ["a.pub", "ssh-ed25519 AAAA b: #c"]) == changed


@pytest.mark.parametrize(
    "text",
    [
        "access: {keys: []}\n",
        "access: {keys: a.pub}\n",
        "access: 1\n",
        "access: {keys: [a.pub, >\n",
        "access: {keys: [a.pub]}\naccess: {keys: [b.pub]}\n",
    ],
)
def test_a_form_that_is_not_known_is_left_alone(text: str) -> None:
    with pytest.raises(CannotEdit):
        append_item(text, KEYS, "mate.pub")


@pytest.mark.parametrize("text", ["{x: 1}\n", "x: 1\n...\n", "access:\n", "access: [1]\n"])
def test_where_a_list_cannot_be_put(text: str) -> None:
    with pytest.raises(CannotEdit):
        add_list(text, KEYS, ["a.pub"])
