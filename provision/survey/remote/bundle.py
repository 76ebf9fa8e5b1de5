# SPDX-License-Identifier: GPL-3.0-or-later
"""Pack the code that runs aboard, and all of ours that it imports, into one archive."""

from __future__ import annotations

import ast
import io
import zipfile
from collections.abc import Iterator
from pathlib import Path

from provision.paths import PACKAGE

#: The module that is started aboard.
PROGRAM = "provision.survey.aboard.program"

#: Hexadecimal digits of the archive's size, which come first on standard input.
SIZE_DIGITS = 8

#: What is started aboard: it reads the archive, and runs the program from memory. The boat's file
#: system is not written to. The text has no value in it, and no single quote.
COMMAND = f"""exec /usr/bin/python3 -I -c '
import os, sys
def take(size):
    data = b""
    while len(data) < size:
        piece = os.read(0, size - len(data))
        if not piece:
            sys.exit(1)
        data += piece
    return data
archive = os.memfd_create("survey")
with open(archive, "wb", closefd=False) as file:
    file.write(take(int(take({SIZE_DIGITS}), 16)))
sys.path.insert(0, "/proc/self/fd/%d" % archive)
from {PROGRAM} import main
sys.exit(main())
'"""


def bundle() -> bytes:
    """Return the size and the archive, as the command reads them."""
    stored = io.BytesIO()
    with zipfile.ZipFile(stored, "w", zipfile.ZIP_DEFLATED) as archive:
        for module, file in sorted(closure(PROGRAM).items()):
            folder = "/__init__" if file.name == "__init__.py" else ""
            archive.writestr(f"{module.replace('.', '/')}{folder}.py", file.read_bytes())
    data = stored.getvalue()
    return f"{len(data):0{SIZE_DIGITS}x}".encode() + data


def closure(module: str) -> dict[str, Path]:
    """Return the files of a module of ours and of all of ours that it imports, by module."""
    found: dict[str, Path] = {}
    left = [module]
    while left:
        name = left.pop()
        file = _file(name)
        if name in found or file is None:
            continue
        found[name] = file
        left += [name.rpartition(".")[0], *_imported(file)]
    return found


def _file(module: str) -> Path | None:
    """Return the file of a module of ours. None for what is no module."""
    if module.partition(".")[0] != PACKAGE.name:
        return None
    path = PACKAGE.parent.joinpath(*module.split("."))
    files = (path / "__init__.py", path.with_suffix(".py"))
    return next((file for file in files if file.is_file()), None)


def _imported(file: Path) -> Iterator[str]:
    """Yield the names that a file imports, which may be modules or what is in them."""
    for node in ast.walk(ast.parse(file.read_bytes())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
