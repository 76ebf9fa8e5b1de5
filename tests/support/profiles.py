# SPDX-License-Identifier: GPL-3.0-or-later
"""Change the text of a profile, and read what is wrong with it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.errors import UserError, UserErrors
from provision.paths import shipped
from provision.profile import load

#: Gives a boat of the demo club a tablet with a pass-phrase of its own.
OWN_PASS_PHRASE = (
    "network:",
    'network:\n  tablets: {chart-table: {mac: "02:00:00:12:34:56", own_pass_phrase: true}}',
)


def replaced(text: str, *replacements: tuple[str, str]) -> str:
    """Replace some texts, each of which stands there once."""
    for old, new in replacements:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


def change(file: Path, *replacements: tuple[str, str]) -> None:
    """Replace some texts of a file, each of which stands there once."""
    file.write_text(replaced(file.read_text(), *replacements))


def errors_of(file: Path) -> list[UserError]:
    """Return the errors of a profile that is refused."""
    with pytest.raises(UserError) as caught:
        load.read(file)
    return caught.value.errors if isinstance(caught.value, UserErrors) else [caught.value]


def contents(folder: Path) -> dict[str, bytes]:
    """Return what the files of a folder, and of the folders in it, hold by their paths in it."""
    files = (file for file in folder.rglob("*") if file.is_file())
    return {str(file.relative_to(folder)): file.read_bytes() for file in files}


@pytest.fixture
def kittiwake(tmp_path: Path) -> Iterator[Path]:
    """Copy the demo club, with no umask: made files must not depend on a friendly one."""
    shutil.copytree(shipped("boats"), tmp_path / "boats")
    before = os.umask(0)
    yield tmp_path / "boats" / "kittiwake.yml"
    os.umask(before)
