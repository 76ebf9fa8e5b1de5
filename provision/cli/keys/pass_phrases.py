# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --show and --set: see the pass-phrases of boats, and set one of your own."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from provision.cli.common import show
from provision.cli.opening import refuse_beside_profiles
from provision.errors import UserError
from provision.harmless import harmless
from provision.paths import argument

if TYPE_CHECKING:
    from provision.profile.load import Boat
    from provision.profile.secrets.store import Secrets


def show_pass_phrases(
    files: Sequence[Path], password: Path | None, out: Path | None, as_json: bool
) -> None:
    """Show pass-phrases where only the operator reads them."""
    from provision.profile import load
    from provision.profile.secrets import pass_phrase_file, vault
    from provision.profile.secrets.pass_phrases import collect_pass_phrases
    from provision.push.records.lost_secrets import require_secrets

    if out is not None:
        refuse_beside_profiles(out, files[0].parent)
        pass_phrase_file.check_target(out)
    elif not sys.stdout.isatty():
        raise UserError(
            "pass-phrases are shown on a terminal only, and this goes elsewhere",
            hint="-o FILE writes them into a file that you alone can read",
        )
    boats = load.read_all(files)
    for file in files:
        require_secrets(file)
    folders = dict.fromkeys(file.parent for file in files)
    vault_password = {folder: vault.read_password(folder, password) for folder in folders}
    found = [
        collect_pass_phrases(boat, _opened(boat, vault_password[boat.file.parent]))
        for boat in boats
    ]
    if out is not None:
        pass_phrase_file.write(out, found)
    if as_json:
        show({"file": str(out)} if out else {"boats": [one.as_json() for one in found]})
    elif out is not None:
        print(f"{out}: pass-phrases of {', '.join(one.boat for one in found)}, to be read by you")
    else:
        for one in found:
            print(harmless("\n".join(one.lines())))


def choose_pass_phrase(
    files: Sequence[Path], password: Path | None, name: str, as_json: bool
) -> None:
    """Set one pass-phrase of one boat to what the operator types."""
    from provision.cli.terminal.typed import new_secret
    from provision.profile import load
    from provision.profile.secrets import store, vault
    from provision.profile.secrets.pass_phrases import check_new, check_settable, set_pass_phrase
    from provision.push.records.lost_secrets import require_secrets

    if len(files) != 1:
        raise UserError("--set takes one boat", hint="set each boat's by itself")
    (file,) = files
    boat = load.read(file)
    check_settable(boat, name)
    require_secrets(file)
    vault_password = vault.read_password(file.parent, password)
    # Refuse a wrong vault password before the operator types anything.
    _opened(boat, vault_password)
    changed = set_pass_phrase(file, vault_password, name, new_secret("pass-phrase", check_new))
    if as_json:
        show({"secrets": str(store.secrets_path(file)), "set": [name] if changed else []})
    elif changed:
        print(f"{store.secrets_path(file)}: set {name}")
        print(f"next: provision push {argument(file)}; until then the boat has the one before")
    else:
        print(f"{store.secrets_path(file)}: {name} is that already")


def _opened(boat: Boat, vault_password: bytes) -> Secrets:
    """Open a boat's secrets; UserError when they are those of a card that was lost."""
    from provision.profile.secrets import stolen, store

    opened = store.read(boat.file, vault_password)
    stolen.refuse_old_secrets(boat, opened)
    return opened
