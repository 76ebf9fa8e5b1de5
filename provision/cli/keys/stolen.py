# SPDX-License-Identifier: GPL-3.0-or-later
"""Run `keys --stolen`: replace all secrets of boats, and hold pushes until a new card."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from provision.cli.common import show
from provision.errors import UserError


def replace_stolen(
    files: Sequence[Path], password: Path | None, as_json: bool, *, everyone: bool
) -> None:
    """Replace all secrets of the boats with these files, and print what to do next."""
    from provision.profile.secrets import store, vault
    from provision.profile.secrets.replace_all import next_steps, replace_all_secrets
    from provision.progress import note

    if everyone:
        raise UserError(
            "--stolen replaces every secret of a boat",
            hint="name the boats, and leave out --all",
        )
    vault_passwords = {}
    for file in files:
        if file.parent not in vault_passwords:
            new = not store.secrets_path(file).exists()
            vault_passwords[file.parent] = vault.read_password(file.parent, password, twice=new)
    made = {file: replace_all_secrets(file, vault_passwords[file.parent]) for file in files}
    if as_json:
        entries = [
            {"boat": file.stem, "secrets": str(one.secrets), "made": one.created}
            for file, one in made.items()
        ]
        show({"boats": entries})
        return
    for file, one in made.items():
        print(f"{one.secrets}: made {', '.join(one.created)}")
        for line in next_steps(file):
            note(line)
