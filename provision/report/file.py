# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep a place for a report from before a command begins, and write the report there whole."""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path

from provision.errors import Location, UserError
from provision.onboard.settings.atomic import sync_folder
from provision.profile.secrets.rewrite import give
from provision.report.html import BEGINNING


class ReportFile:
    """Holds a file beside the report's own name, mode 0600, which takes that name once it is whole.

    Raise UserError when no report can be written there, or when another kind of file is there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        _refuse_another_kind(path)
        self._temporary = path.with_name(f".{path.name[:200]}.{secrets.token_hex(4)}")
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
            self._descriptor = os.open(self._temporary, flags, 0o600)
        except OSError as error:
            raise _refused(path, error) from error

    def write(self, data: bytes) -> None:
        """Write the report in place of an earlier one. Raise UserError when the disk refuses."""
        try:
            with os.fdopen(os.dup(self._descriptor), "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            give(self._temporary, self.path.parent.stat())
            _refuse_another_kind(self.path)
            self._temporary.replace(self.path)
            sync_folder(self.path.parent)
        except OSError as error:
            raise _refused(self.path, error) from error

    def close(self) -> None:
        """Leave nothing behind but a report that was written."""
        os.close(self._descriptor)
        self._temporary.unlink(missing_ok=True)


def _refuse_another_kind(path: Path) -> None:
    """Raise UserError where something else than a report would be replaced."""
    try:
        if not path.is_symlink() and not path.exists():
            return
        if stat.S_ISREG(path.lstat().st_mode):
            with path.open("rb") as stream:
                if stream.read(len(BEGINNING)) == BEGINNING.encode():
                    return
    except OSError as error:
        raise _refused(path, error) from error
    raise UserError(
        "is there already, and is no report",
        location=Location(path),
        hint="name a new file, such as report.html",
    )


def _refused(path: Path, error: OSError) -> UserError:
    return UserError(
        f"the report cannot be written: {error.strerror}",
        location=Location(path),
        hint="name a file in a folder where you may write, on a disk with room",
    )
