# SPDX-License-Identifier: GPL-3.0-or-later
"""All of ours that runs aboard is sent along, and nothing that needs the laptop's packages."""

from __future__ import annotations

import ast
import io
import sys
import zipfile

from provision.survey.remote.bundle import COMMAND, PROGRAM, SIZE_DIGITS, bundle, closure


def test_the_size_stands_before_the_archive() -> None:
    data = bundle()
    size, archive = int(data[:SIZE_DIGITS], 16), data[SIZE_DIGITS:]
    assert size == len(archive) < 2**20
    with zipfile.ZipFile(io.BytesIO(archive)) as zipped:
        assert zipped.testzip() is None
        assert "provision/survey/aboard/program.py" in zipped.namelist()
        assert "provision/__init__.py" in zipped.namelist()


def test_it_imports_the_standard_library_and_itself_alone() -> None:
    files = closure(PROGRAM)
    outside = set()
    for file in files.values():
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Import):
                outside |= {alias.name.partition(".")[0] for alias in node.names}
            if isinstance(node, ast.ImportFrom) and node.module:
                outside.add(node.module.partition(".")[0])
    assert outside - {*sys.stdlib_module_names} == {"provision"}
    assert {name.split(".")[1] for name in files if "." in name} == {"errors", "onboard", "survey"}


def test_the_command_holds_no_value_and_no_quote_that_ends_it() -> None:
    assert COMMAND.count("'") == 2
    assert COMMAND.startswith("exec /usr/bin/python3 -I -c '")
