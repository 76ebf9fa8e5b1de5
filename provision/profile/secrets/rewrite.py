# SPDX-License-Identifier: GPL-3.0-or-later
"""Replace a file that its owner has written, and keep what is not its text."""

from __future__ import annotations

import codecs
import contextlib
import os
import stat
from pathlib import Path

from provision.errors import Location, UserError
from provision.profile.secrets import private_file


def rewrite(file: Path, text: str, before: bytes | None = None) -> None:
    """Replace a text file in one step. Keep its mode, its owner and its byte order mark.

    Raise UserError if it does not hold `before` any more, or if the disk refuses.
    """
    file = file.resolve()
    found = file.read_bytes()
    if before is not None and found != before:
        raise UserError(
            "was changed in the meantime; it stays as it is",
            location=Location(file),
            hint="run the command again",
        )
    mark = codecs.BOM_UTF8 if found.startswith(codecs.BOM_UTF8) else b""
    status = file.stat()
    private_file.write(file, mark + text.encode(), replace=True, mode=stat.S_IMODE(status.st_mode))
    give(file, status)


def give(file: Path, owner: os.stat_result) -> None:
    """Let a file that root has written belong to the owner that `owner` tells of, if possible."""
    if os.geteuid() == 0:
        # Root of a user namespace may give files away only to those whom the namespace knows.
        with contextlib.suppress(OSError):
            os.chown(file, owner.st_uid, owner.st_gid)
