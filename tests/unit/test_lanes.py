# SPDX-License-Identifier: GPL-3.0-or-later
"""No test module imports another one, nor a conftest: what tests share is a file of its own.

Which lane may import which is in pyproject.toml.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]

#: What a proof asks a boat is read from the proof itself.
SHIPPED = "tests.boat"

#: In each lane some, so that a folder that was renamed is missed.
LANES = ("unit", "integration", "images", "system", "support", "measure")


def imported(module: str, tree: ast.Module) -> Iterator[str]:
    """Yield the full names of all that a module of ours imports."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        if isinstance(node, ast.ImportFrom):
            folders = module.split(".")[: -node.level] if node.level else []
            source = ".".join([*folders, *([node.module] if node.module else [])])
            yield from (f"{source}.{alias.name}" for alias in node.names)


def is_for_pytest(name: str) -> bool:
    """Report whether a name leads through a test module or a conftest."""
    parts = name.split(".")
    return any(part.startswith("test_") or part == "conftest" for part in parts[:-1]) or (
        parts[0] == "tests" and (parts[-1].startswith("test_") or parts[-1] == "conftest")
    )


@pytest.mark.parametrize("lane", LANES)
def test_nothing_is_imported_from_a_test_module(lane: str) -> None:
    files = sorted((TESTS / lane).rglob("*.py"))
    assert files
    found = []
    for file in files:
        module = ".".join(file.relative_to(TESTS.parent).with_suffix("").parts)
        for name in imported(module, ast.parse(file.read_text())):
            if is_for_pytest(name) and not name.startswith(f"{SHIPPED}."):
                found.append(f"{module} imports {name}")
    assert found == []


@pytest.mark.parametrize(
    ("line", "name"),
    [
        (
            "from tests.unit.feed.test_can import DEPTH",
            "tests.unit.feed.test_can.DEPTH",
        ),
        ("from .test_can import DEPTH", "tests.unit.feed.test_can.DEPTH"),
        ("from . import conftest", "tests.unit.feed.conftest"),
        ("import tests.unit.feed.conftest", "tests.unit.feed.conftest"),
    ],
)
def test_such_an_import_is_seen(line: str, name: str) -> None:
    assert [*imported("tests.unit.feed.test_x", ast.parse(line))] == [name]
    assert is_for_pytest(name)
