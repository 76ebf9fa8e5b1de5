# SPDX-License-Identifier: GPL-3.0-or-later
"""Run `keys --stolen`: replace all secrets of boats, and hold pushes until a new card."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from provision.cli.common import show
from provision.cli.terminal.confirm import confirm_boat
from provision.errors import Location, UserError
from provision.paths import argument


def replace_stolen(
    files: Sequence[Path], password: Path | None, as_json: bool, *, everyone: bool, yes: bool
) -> None:
    """Replace all secrets of the boats with these files, and print what to do next."""
    from provision.profile.secrets import store, vault
    from provision.profile.secrets.replace_all import next_steps, replace_all_secrets
    from provision.profile.yaml.tree import raise_all
    from provision.progress import note

    if everyone:
        raise UserError(
            "--stolen replaces every secret of a boat",
            hint="name the boats, and leave out --all",
        )
    raise_all([error for file in files if (error := _never_made(file))])
    for file in files if not yes else ():
        confirm_boat(
            file.stem,
            f"every secret of {file.stem} is replaced, and nothing is pushed to it until it has a "
            "new card",
            "nothing was changed",
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


def _never_made(profile: Path) -> UserError | None:
    """Return an error for a boat without secrets that was never built: no card can be lost."""
    from provision.profile.secrets import stolen, store
    from provision.push.records.built import find_evidence

    here = store.secrets_path(profile).exists() or stolen.record_path(profile).exists()
    if here or find_evidence(profile):
        return None
    return UserError(
        f"no card of {profile.stem} is known: it has no secrets and was never built",
        location=Location(profile),
        hint="is it the right name? If the card was built elsewhere, put "
        f"{store.secrets_path(profile).name} here first; if there never was a card: "
        f"provision keys {argument(profile)}",
    )
