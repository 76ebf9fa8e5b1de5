# SPDX-License-Identifier: GPL-3.0-or-later
"""Each failure that a person can correct ends with what to do."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.paths import PACKAGE

#: Its errors are one-line answers on a socket, which say themselves what to write.
ANSWERS = PACKAGE / "bench" / "hold" / "server.py"


def without_hint(file: Path) -> Iterator[str]:
    for call in ast.walk(ast.parse(file.read_text())):
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name):
            given = {keyword.arg for keyword in call.keywords}
            if call.func.id == "UserError" and "hint" not in given:
                yield f"line {call.lineno}: {ast.unparse(call)}"


@pytest.mark.parametrize("folder", sorted(path for path in PACKAGE.iterdir() if path.is_dir()))
def test_every_error_has_a_hint(folder: Path) -> None:
    files = [file for file in folder.rglob("*.py") if file != ANSWERS]
    assert {str(file): found for file in files if (found := [*without_hint(file)])} == {}


def test_so_have_the_errors_beside_the_folders() -> None:
    assert {
        str(file): found for file in PACKAGE.glob("*.py") if (found := [*without_hint(file)])
    } == {}
