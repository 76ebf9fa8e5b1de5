# SPDX-License-Identifier: GPL-3.0-or-later
"""`keys --stolen`: all secrets of boats made anew, and nothing pushed until there is a new card."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from provision.cli.common import show
from provision.errors import UserError


def replace_stolen(
    files: Sequence[Path], password: Path | None, as_json: bool, *, everyone: bool
) -> None:
    """Make all secrets of the boats with these files anew, and say what to do next."""
    from provision.profile.secrets import store, vault
    from provision.profile.secrets.anew import make_anew, next_steps
    from provision.progress import note

    if everyone:
        raise UserError(
            "--stolen replaces every secret of a boat",
            hint="name the boats, and leave out --all",
        )
    key = {}
    for file in files:
        if file.parent not in key:
            new = not store.file_of(file).exists()
            key[file.parent] = vault.password(file.parent, password, twice=new)
    made = {file: make_anew(file, key[file.parent]) for file in files}
    if as_json:
        told = [
            {"boat": file.stem, "secrets": str(one.secrets), "made": one.fresh}
            for file, one in made.items()
        ]
        show({"boats": told})
        return
    for file, one in made.items():
        print(f"{one.secrets}: made {', '.join(one.fresh)}")
        for line in next_steps(file):
            note(line)
