# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --change-vault-password: ask for the new one, and say what has to follow."""

from __future__ import annotations

import os
import shlex
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from provision.cli.common import show
from provision.cli.opening import every_file
from provision.paths import folder_option

if TYPE_CHECKING:
    from provision.profile.secrets import vault_password


def change_vault_password(boats: Path, password: Path | None, as_json: bool) -> None:
    """Change the vault password of all encrypted files of the folder, and its password file."""
    from provision.cli.terminal.typed import new_secret
    from provision.profile.secrets import vault, vault_password

    every_file(boats)
    old = vault.read_password(boats, password)
    new = vault_password.read_pending(boats)
    if new is not None:
        print("finishing the change that was cut off", file=sys.stderr)
    else:
        vault_password.check_old(boats, old)
        check = partial(vault_password.check_new, old=old)
        new = new_secret("vault password", check).encode()
    done = vault_password.change_password(boats, old, new)
    names = [file.name for file in done.reencrypted]
    if as_json:
        show({"folder": str(boats), "changed": names, "password_file": done.file_changed})
        return
    print(f"{boats}: changed {', '.join(names) or 'nothing, all had the new one'}")
    for line in _next(boats, password, done):
        print(line)


def _next(boats: Path, password: Path | None, done: vault_password.PasswordChange) -> list[str]:
    """Say which files hold a vault password, and what still opens by the one before."""
    from provision.profile.secrets import vault

    beside, lines = boats / vault.PASSWORD_FILE, []
    if done.file_changed:
        lines.append(f"{beside} holds the new one")
    named = password or (
        os.environ.get(vault.PASSWORD_FILE_VARIABLE)
        and Path(os.environ[vault.PASSWORD_FILE_VARIABLE])
    )
    if named and not (done.file_changed and named.resolve() == beside.resolve()):
        lines.append(f"next: put the new one into {shlex.quote(str(named))}, which is not changed")
    elif not done.file_changed and beside.exists():
        lines.append(f"next: put the new one into {shlex.quote(str(beside))}, which is not changed")
    rotate = f"provision keys --all{folder_option(boats)} --rotate pass_phrase --rotate host_key"
    lines.append("copies and earlier versions of the files still open by the one before; if others")
    lines.append(f"know that, make new secrets too: {rotate}")
    return lines
