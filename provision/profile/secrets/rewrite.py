# SPDX-License-Identifier: GPL-3.0-or-later
"""Replace a file that its owner has written, and keep what is not its text."""

from __future__ import annotations

import codecs
import stat
from pathlib import Path

from provision.errors import Location, UserError
from provision.profile.secrets import private_file


def rewrite(file: Path, text: str, before: bytes | None = None) -> None:
    """Replace a text file in one step. Keep its mode and its byte order mark.

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
    mode = stat.S_IMODE(file.stat().st_mode)
    private_file.write(file, mark + text.encode(), replace=True, mode=mode)
