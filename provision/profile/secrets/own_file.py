# SPDX-License-Identifier: GPL-3.0-or-later
"""Write files of ours for their owner's eyes alone, and replace no file that is not ours."""

from __future__ import annotations

import stat
from collections.abc import Callable
from pathlib import Path

from provision.errors import Location, UserError
from provision.profile.secrets import private_file

#: Tells if a regular file is one that the same command wrote.
Recognises = Callable[[Path], bool]


def write(file: Path, data: bytes, recognises: Recognises, *, secret: bool = True) -> None:
    """Write a file of mode 0600. Raise UserError if another kind of file is there.

    A file with a `secret` is removed again, with a UserError, if its disk does not keep the mode.
    """
    private_file.write(file, data, replace=exists(file, recognises))
    mode = stat.S_IMODE(file.stat().st_mode)
    if secret and mode & 0o077:
        file.unlink()
        raise UserError(
            f"does not stay private: that disk gives it mode {mode:04o}; it was removed",
            location=Location(file),
            hint="name a file on a disk of this computer",
        )


def exists(file: Path, recognises: Recognises) -> bool:
    """Tell if a file of ours is there. Raise UserError if anything else is."""
    try:
        # Not through a link: it could lead to a pipe, or to the only copy of something.
        ours = stat.S_ISREG(file.lstat().st_mode) and recognises(file)
    except FileNotFoundError:
        if file.name == "-":
            raise UserError(
                "is not taken for standard output",
                location=Location(file),
                hint="name a file: -o FILE",
            ) from None
        return False
    except OSError as error:
        raise UserError(
            f"cannot be read: {error.strerror}",
            location=Location(file),
            hint="check the path and its permissions",
        ) from error
    if not ours:
        raise UserError(
            "holds something else, and is not overwritten",
            location=Location(file),
            hint="name a new file",
        )
    return True
