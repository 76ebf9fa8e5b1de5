# SPDX-License-Identifier: GPL-3.0-or-later
"""Change the vault password of a whole folder, so that an interruption loses no secret.

Everything new is written beside the old, as .NAME.new, and synced before the first file is
replaced. If the folder keeps its own password, the new one is among these files. After an
interruption each file opens with the old password or the new, and a second run finishes the change.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from provision.errors import Location, UserError
from provision.onboard.settings.atomic import sync_folder
from provision.paths import folder_option
from provision.profile.secrets import private_file, vault
from provision.profile.yaml.tree import raise_all

#: Minimum length of a vault password (NIST SP 800-63B, from memory).
MIN_PASSWORD_CHARS = 8


@dataclass(frozen=True)
class PasswordChange:
    """Tell how a change of the vault password ended."""

    reencrypted: tuple[Path, ...]
    """The encrypted files that this run replaced, without those of an interrupted run."""
    file_changed: bool
    """Whether the folder's own password file holds the new one."""


@dataclass(frozen=True)
class _Vault:
    """Hold a file that the old password opens. Its repr shows none of its content."""

    file: Path
    data: bytes = field(repr=False)
    content: bytes = field(repr=False)


def check_new(new: str, old: bytes) -> None:
    """Refuse a vault password that is too short, the old one, or changed by a file's line end."""
    if len(new) < MIN_PASSWORD_CHARS or new != new.strip() or not new.isprintable():
        raise UserError(
            f"the new vault password has to be {MIN_PASSWORD_CHARS} characters or more, without "
            "blanks at its ends",
            hint="a sentence of several words is easy to keep and hard to guess",
        )
    if new.encode() == old:
        raise UserError("the new vault password is the one before", hint="choose another one")


def check_old(folder: Path, old: bytes) -> None:
    """Refuse a password that opens nothing in the folder, before a new one is typed."""
    files = _vault_files(folder)
    if not files and not _is_password_file(folder, old):
        raise UserError(
            "holds nothing that is encrypted",
            location=Location(folder),
            hint="provision keys makes the boats' secrets",
        )
    if files and not any(_opens(file, old) for file in files):
        raise UserError(
            "the vault password opens no file of the folder",
            location=Location(folder),
            hint="it is the one that the files have now",
        )


def read_pending(folder: Path) -> bytes | None:
    """Return the new password of an interrupted change, where the folder keeps its own."""
    file = _staged(folder / vault.PASSWORD_FILE)
    if not file.exists():
        return None
    return private_file.read(file).strip() or None


def change_password(folder: Path, old: bytes, new: bytes) -> PasswordChange:
    """Encrypt all vaults of the folder with `new` instead of `old`, or finish doing so.

    Hidden files are left alone. Raise UserError if a file opens with neither password. A failure
    before the first file is replaced leaves everything as it was.
    """
    vaults = _read(folder, old, new)
    keeps = _is_password_file(folder, old)
    try:
        if keeps:
            private_file.write(_staged(folder / vault.PASSWORD_FILE), new + b"\n", replace=True)
        for one in vaults:
            _stage(one, new)
        sync_folder(folder)
    except BaseException as error:
        # An interrupted run may have replaced some files: keep its new password.
        if not any(_opens(file, new) for file in _vault_files(folder)):
            _remove_leftovers(folder)
        if isinstance(error, OSError):
            raise UserError(
                f"cannot be written: {error.strerror}; this run has changed nothing",
                location=Location(Path(os.fsdecode(error.filename)) if error.filename else folder),
                hint="see to the folder's permissions and to room on the disk",
            ) from error
        raise
    _replace_files(folder, vaults, keeps)
    return PasswordChange(
        tuple(one.file for one in vaults), keeps or _is_password_file(folder, new)
    )


def _replace_files(folder: Path, vaults: Sequence[_Vault], keeps: bool) -> None:
    """Move the new files over the old ones, the password file last."""
    try:
        for one in vaults:
            if private_file.read(one.file, encrypted=True) != one.data:
                raise UserError(
                    "was written meanwhile", location=Location(one.file), hint=_retry_hint(folder)
                )
            _staged(one.file).replace(one.file)
        sync_folder(folder)
        if keeps:
            _staged(folder / vault.PASSWORD_FILE).replace(folder / vault.PASSWORD_FILE)
            sync_folder(folder)
        _remove_leftovers(folder)
    except OSError as error:
        raise UserError(
            f"the change broke off: {error.strerror}; each file opens by the old vault password "
            "or the new",
            location=Location(folder),
            hint=_retry_hint(folder),
        ) from error


def _retry_hint(folder: Path) -> str:
    return f"this finishes it: provision keys --change-vault-password{folder_option(folder)}"


def _read(folder: Path, old: bytes, new: bytes) -> list[_Vault]:
    """Open every vault with `old`. Raise UserError if a vault opens with neither password."""
    found: list[_Vault] = []
    errors: list[UserError] = []
    for file in _vault_files(folder):
        data = private_file.read(file, encrypted=True)
        content = vault.decrypt_bytes(data, old)
        if content is not None:
            found.append(_Vault(file, data, content))
        elif vault.decrypt_bytes(data, new) is None:
            errors.append(
                UserError(
                    "opens neither by the vault password nor by the new one; nothing was changed",
                    location=Location(file),
                    hint="give the passwords of the change that was cut off, if there was one, or "
                    "take the file out of the folder",
                )
            )
    errors += [_linked(one.file) for one in found if one.file.is_symlink()]
    raise_all(errors)
    return found


def _linked(file: Path) -> UserError:
    return UserError(
        f"is a link to {os.readlink(file)}, and stays as it is; nothing was changed",
        location=Location(file),
        hint="put the file itself here, or change the password in its own folder",
    )


def _vault_files(folder: Path) -> list[Path]:
    """List the encrypted files of a folder, sorted, without hidden ones."""
    return [
        file
        for file in sorted(folder.iterdir())
        if not file.name.startswith(".") and _begins_as_vault(file)
    ]


def _begins_as_vault(file: Path) -> bool:
    with contextlib.suppress(FileNotFoundError):
        if _is_plain(file):
            with file.open("rb") as stream:
                return stream.read(len(vault.VAULT_MAGIC)) == vault.VAULT_MAGIC
    return False


def _is_plain(file: Path) -> bool:
    try:
        return stat.S_ISREG(file.stat().st_mode)
    except OSError:
        # A link to itself, or to nowhere.
        return False


def _opens(file: Path, key: bytes) -> bool:
    return vault.decrypt_bytes(private_file.read(file, encrypted=True), key) is not None


def _is_password_file(folder: Path, key: bytes) -> bool:
    """Tell if the folder's own password file, and no link, holds this password."""
    file = folder / vault.PASSWORD_FILE
    return file.is_file() and not file.is_symlink() and private_file.read(file).strip() == key


def _staged(file: Path) -> Path:
    """Return the path of the file that will replace a file."""
    return file.with_name(f".{file.name.removeprefix('.')}{vault.STAGED_SUFFIX}")


def _stage(one: _Vault, new: bytes) -> None:
    """Write the re-encrypted vault beside the old one, and sync it."""
    data = vault.encrypt_bytes(one.content, new, vault.read_label(one.data))
    file = _staged(one.file)
    file.unlink(missing_ok=True)
    descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    if vault.decrypt_bytes(file.read_bytes(), new) != one.content:
        raise UserError(
            "does not come back as it was written",
            location=Location(file),
            hint="see that the disk is sound; all files still open by the password of before",
        )


def _remove_leftovers(folder: Path) -> None:
    """Remove the files of a change that was interrupted."""
    for file in [*_list_leftovers(folder)]:
        file.unlink(missing_ok=True)
    sync_folder(folder)


def _list_leftovers(folder: Path) -> Iterator[Path]:
    password = _staged(folder / vault.PASSWORD_FILE)
    yield from (file for file in folder.glob(f".*{vault.STAGED_SUFFIX}") if _begins_as_vault(file))
    yield from (file for file in folder.glob(f".{password.name}.*") if file.is_file())
    yield password
