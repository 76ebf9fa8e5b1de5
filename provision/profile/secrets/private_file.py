# SPDX-License-Identifier: GPL-3.0-or-later
"""Write and read files that only their owner may read."""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path

from provision.errors import Location, UserError
from provision.onboard.settings.atomic import sync_folder


def write(file: Path, data: bytes, *, replace: bool = False, mode: int = 0o600) -> None:
    """Write a whole file or none. Its mode is 0600 from the first moment, or becomes `mode`.

    Raise UserError if it exists already and `replace` is not set, or if the disk refuses.
    """
    temporary = file.with_name(f".{file.name}.{secrets.token_hex(4)}")
    try:
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(descriptor, "wb") as stream:
                stream.write(data)
                stream.flush()
                if mode != 0o600:
                    os.fchmod(stream.fileno(), mode)
                os.fsync(stream.fileno())
            if replace:
                temporary.replace(file)
            else:
                file.hardlink_to(temporary)
        finally:
            temporary.unlink(missing_ok=True)
        sync_folder(file.parent)
    except FileExistsError as error:
        raise UserError(
            "is there already and stays as it is",
            location=Location(file),
            hint="move it away first",
        ) from error
    except OSError as error:
        raise UserError(
            f"cannot be written: {error.strerror}",
            location=Location(file),
            hint="see to the folder's permissions and to room on the disk",
        ) from error


def write_for_owner(file: Path, data: bytes) -> None:
    """Replace a file that holds no secret: mode 0644, of the folder's owner.

    `provision write` may run as root in a folder that is another user's. Raise UserError if the
    disk refuses.
    """
    write(file, data, replace=True)
    try:
        owner = file.parent.stat()
        if os.geteuid() == 0:
            os.chown(file, owner.st_uid, owner.st_gid, follow_symlinks=False)
        file.chmod(0o644)
    except OSError as error:
        raise UserError(
            f"cannot be given to the folder's owner: {error.strerror}",
            location=Location(file),
            hint="see to the folder's permissions",
        ) from error


def read(file: Path, *, encrypted: bool = False) -> bytes:
    """Return the file's content. Raise UserError if it is missing or others may read it.

    An `encrypted` file may be readable by others, as in a clone or on a stick.
    """
    try:
        with file.open("rb") as stream:
            mode = stat.S_IMODE(os.fstat(stream.fileno()).st_mode)
            if mode & 0o077 and not encrypted:
                raise UserError(
                    f"holds secrets, but others on this machine may use it (mode {mode:04o})",
                    location=Location(file),
                    hint=f"chmod 600 {file}",
                )
            return stream.read()
    except OSError as error:
        raise UserError(
            f"cannot be read: {error.strerror}",
            location=Location(file),
            hint="check the path and its permissions",
        ) from error
