# SPDX-License-Identifier: GPL-3.0-or-later
"""Use Ansible's vault format, so that plain `ansible-vault view` reads these files.

Ansible takes longer to import than most commands take. It is imported to encrypt alone, and to run
a program that prints the vault password.
"""

from __future__ import annotations

import getpass
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from provision.errors import Location, UserError
from provision.paths import folder_option
from provision.profile.secrets import private_file, vault_format

PASSWORD_FILE_VARIABLE = "ANSIBLE_VAULT_PASSWORD_FILE"  # noqa: S105
PASSWORD_FILE = ".vault-password"  # noqa: S105
CONFIG_VARIABLE = "ANSIBLE_CONFIG"

#: A file with a point before its name and this behind it will replace the file of that name.
STAGED_SUFFIX = ".new"

#: The first bytes of every vault, of any version.
VAULT_MAGIC = b"$ANSIBLE_VAULT;"


def read_password(boats: Path, file: Path | None = None, *, twice: bool = False) -> bytes:
    """Return the vault password of the folder `boats`.

    It comes from `file`, else from the file that $ANSIBLE_VAULT_PASSWORD_FILE names, else from
    .vault-password in the folder, else from a prompt on the terminal. The prompt asks `twice` when
    something new is to be encrypted. Raise UserError if there is none of these.
    """
    if file is None and os.environ.get(PASSWORD_FILE_VARIABLE):
        file = Path(os.path.expanduser(os.environ[PASSWORD_FILE_VARIABLE]))
    if file is not None:
        return _from_file(file)
    if (boats / PASSWORD_FILE).exists():
        return _from_found_file(boats / PASSWORD_FILE)
    typed = ""
    if sys.stdin.isatty():
        try:
            typed = getpass.getpass("Vault password: ")
            if twice and typed and getpass.getpass("Vault password again: ") != typed:
                raise UserError("the two vault passwords differ", hint="type it again")
        except EOFError:
            typed = ""
    if not typed:
        raise UserError(
            "there is no vault password",
            hint=f"put one into {boats / PASSWORD_FILE} (mode 0600), or name its file with "
            f"--vault-password-file or ${PASSWORD_FILE_VARIABLE}",
        )
    return typed.encode()


def _from_found_file(file: Path) -> bytes:
    """Read the password from a file that no user named and that anyone may have put there."""
    if os.access(file, os.X_OK) and file.is_file():
        raise UserError(
            "is executable, and a program found in a folder is not run",
            location=Location(file),
            hint=f"chmod 600 {file} if it holds the password itself; if it is a program of yours, "
            f"name it with --vault-password-file or ${PASSWORD_FILE_VARIABLE}",
        )
    return _text(file)


def _from_file(file: Path) -> bytes:
    """Read the password from a file that the user named: its text, or its output."""
    if os.access(file, os.X_OK) and file.is_file():
        vault = _ansible()
        from ansible.parsing.dataloader import DataLoader  # type: ignore[import-untyped] # noqa: PLC0415

        try:
            secret = vault.get_file_vault_secret(str(file), loader=DataLoader())
            secret.load()
        except vault.AnsibleError as error:
            raise UserError(
                f"gave no vault password: {_first_line(error)}",
                location=Location(file),
                hint="a file that may be run is run, and has to print it",
            ) from error
        return bytes(secret.bytes)
    return _text(file)


def _text(file: Path) -> bytes:
    found = private_file.read(file).strip()
    if not found:
        raise UserError("holds no vault password", location=Location(file), hint="write it there")
    return found


def _ansible() -> Any:
    """Import Ansible's vault module. Raise UserError if its settings or folders prevent it."""
    try:
        with _no_configuration():
            from ansible.parsing import vault  # type: ignore[import-untyped] # noqa: PLC0415
    except Exception as error:
        raise UserError(
            f"Ansible does not start: {_first_line(error)}",
            hint="it writes to a folder in your home; $ANSIBLE_HOME names another",
        ) from error
    return vault


@contextmanager
def _no_configuration() -> Iterator[None]:
    """Keep Ansible from reading an ansible.cfg of the current folder."""
    before = os.environ.get(CONFIG_VARIABLE)
    with tempfile.NamedTemporaryFile(prefix="provision-", suffix=".cfg") as empty:
        os.environ[CONFIG_VARIABLE] = empty.name
        try:
            yield
        finally:
            del os.environ[CONFIG_VARIABLE]
            if before is not None:
                os.environ[CONFIG_VARIABLE] = before


def encrypt(text: str, key: bytes) -> bytes:
    """Encrypt `text` as a vault with the password `key`."""
    return encrypt_bytes(text.encode(), key)


def encrypt_bytes(content: bytes, key: bytes, label: str = "") -> bytes:
    """Encrypt `content` with the password `key`, under Ansible's vault id `label`."""
    vault = _ansible()
    return bytes(vault.VaultLib().encrypt(content, vault.VaultSecret(key), vault_id=label or None))


def decrypt_bytes(data: bytes, key: bytes) -> bytes | None:
    """Decrypt a vault. Return None if `key` is wrong or the vault is damaged."""
    try:
        return vault_format.open_vault(data, key)
    except ValueError:
        return None


def read_label(data: bytes) -> str:
    """Return the vault id in a vault's first line, or "" if it has none."""
    # Mark, version, cipher, vault id.
    parts = data.partition(b"\n")[0].decode(errors="replace").strip().split(";")
    return parts[3] if len(parts) > 3 else ""


def decrypt(file: Path, key: bytes) -> str:
    """Decrypt the vault `file`. Raise UserError if it is no vault or `key` is wrong."""
    data = private_file.read(file, encrypted=True)
    if not vault_format.is_vault(data):
        raise UserError(
            "is not encrypted", location=Location(file), hint=f"ansible-vault encrypt {file}"
        )
    content = decrypt_bytes(data, key)
    try:
        if content is not None:
            return content.decode()
    except UnicodeDecodeError:
        pass
    hint = (
        f"the password comes from --vault-password-file, ${PASSWORD_FILE_VARIABLE} or "
        f"{PASSWORD_FILE}"
    )
    if any(file.parent.glob(f".*{STAGED_SUFFIX}")):
        finish = f"provision keys --change-vault-password{folder_option(file.parent)}"
        hint = f"a change of the vault password was cut off; this finishes it: {finish}"
    raise UserError(
        "the vault password does not open it, or it is damaged", location=Location(file), hint=hint
    )


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [""])[0]
