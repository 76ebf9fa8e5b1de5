# SPDX-License-Identifier: GPL-3.0-or-later
"""Ansible's own vault format, so that plain `ansible-vault view` reads what is written here.

Ansible takes most of a second to import; it is imported when first needed.
"""

from __future__ import annotations

import getpass
import os
import sys
from pathlib import Path

from provision.errors import Place, UserError
from provision.profile import private

VARIABLE = "ANSIBLE_VAULT_PASSWORD_FILE"
BESIDE = ".vault-password"


def password(boats: Path, file: Path | None = None, *, twice: bool = False) -> bytes:
    """The vault password of the folder `boats`.

    It comes from `file`, else from the file that $ANSIBLE_VAULT_PASSWORD_FILE names, else
    from .vault-password in the folder, else from a prompt on the terminal (asked `twice`
    when something new is to be encrypted). UserError when there is none of these.
    """
    if file is None and os.environ.get(VARIABLE):
        file = Path(os.environ[VARIABLE]).expanduser()
    if file is None and (boats / BESIDE).exists():
        file = boats / BESIDE
    if file is not None:
        return _from_file(file)
    if not sys.stdin.isatty():
        raise UserError(
            "there is no vault password",
            hint=f"put one into {boats / BESIDE} (mode 0600), or name its file with "
            f"--vault-password-file or ${VARIABLE}",
        )
    said = getpass.getpass("Vault password: ")
    if twice and getpass.getpass("Vault password again: ") != said:
        raise UserError("the two vault passwords differ")
    if not said:
        raise UserError("the vault password is empty")
    return said.encode()


def _from_file(file: Path) -> bytes:
    if os.access(file, os.X_OK) and file.is_file():
        # Ansible runs such a file and takes what it prints.
        from ansible.errors import AnsibleError  # type: ignore[import-untyped] # noqa: PLC0415
        from ansible.parsing.dataloader import DataLoader  # type: ignore[import-untyped] # noqa: PLC0415
        from ansible.parsing.vault import get_file_vault_secret  # type: ignore[import-untyped] # noqa: PLC0415

        try:
            secret = get_file_vault_secret(str(file), loader=DataLoader())
            secret.load()
        except AnsibleError as error:
            raise UserError(
                f"gave no vault password: {_first_line(error)}", place=Place(file)
            ) from error
        return bytes(secret.bytes)
    found = private.read(file).strip()
    if not found:
        raise UserError("is empty, and should hold the vault password", place=Place(file))
    return found


def encrypt(text: str, key: bytes) -> bytes:
    """`text` as a vault that `key` opens."""
    from ansible.parsing.vault import VaultLib, VaultSecret  # noqa: PLC0415

    return bytes(VaultLib().encrypt(text.encode(), VaultSecret(key)))


def decrypt(file: Path, key: bytes) -> str:
    """What the vault `file` holds; UserError when it is none, open to others, or not `key`'s."""
    data = private.read(file)
    from ansible.errors import AnsibleError  # noqa: PLC0415
    from ansible.parsing.vault import VaultLib, VaultSecret  # noqa: PLC0415

    if not VaultLib.is_encrypted(data):
        raise UserError("is not encrypted", place=Place(file), hint=f"ansible-vault encrypt {file}")
    try:
        return bytes(VaultLib([("default", VaultSecret(key))]).decrypt(data)).decode()
    except (AnsibleError, UnicodeDecodeError) as error:
        raise UserError(
            "the vault password does not open it, or it is damaged",
            place=Place(file),
            hint=f"the password comes from --vault-password-file, ${VARIABLE} or {BESIDE}; "
            f"try ansible-vault view {file}",
        ) from error


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [""])[0]
