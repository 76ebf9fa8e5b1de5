# SPDX-License-Identifier: GPL-3.0-or-later
"""The README says what is so: its boat's file is right, its table of who can steer names tests."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from provision.checks import check
from provision.profile import load

TESTS = Path(__file__).parents[1]
TABLE = re.compile(r"### Who can steer\n(.*?)\n(?:#|\Z)", re.DOTALL)


def test_every_promise_about_steering_names_a_test_that_there_is() -> None:
    (table,) = TABLE.findall((TESTS.parent / "README.md").read_text())
    rows = [line.split(" | ") for line in table.splitlines() if line.startswith("| ")][2:]
    assert len(rows) > 10
    for *_, named in rows:
        tests = re.findall(r"`([\w/.]+)::(\w+)`", named)
        assert tests, named
        for file, test in tests:
            tree = ast.parse((TESTS / file).read_text())
            names = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
            assert test in names, f"{file} has no {test}"


def test_the_boats_file_of_the_readme_has_no_mistake(tmp_path: Path) -> None:
    (text,) = re.findall(
        r"## A boat's file\n\n```yaml\n(.*?)```",
        (TESTS.parent / "README.md").read_text(),
        re.DOTALL,
    )
    (tmp_path / "club.yml").write_text("feed: {}\n")
    (tmp_path / "kittiwake.yml").write_text(text)
    assert check([load.read(tmp_path / "kittiwake.yml")]) == []
