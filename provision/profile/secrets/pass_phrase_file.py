# SPDX-License-Identifier: GPL-3.0-or-later
"""Write pass-phrases in the clear into a file of mode 0600. Replace only such a file."""

from __future__ import annotations

import stat
from collections.abc import Iterable
from pathlib import Path

from provision.errors import Location, UserError
from provision.profile.secrets import private_file
from provision.profile.secrets.pass_phrases import PassPhrases

#: The first line, by which such a file is recognised.
FIRST_LINE = b"# Wi-Fi pass-phrases of boats, by `provision keys --show`: keep it to yourself.\n"


def write(file: Path, found: Iterable[PassPhrases]) -> None:
    """Write the pass-phrases of boats. Raise UserError if another kind of file is there."""
    replaces = _is_ours(file)
    text = "\n\n".join("\n".join(one.lines()) for one in found)
    private_file.write(file, FIRST_LINE + text.encode() + b"\n", replace=replaces)
    mode = stat.S_IMODE(file.stat().st_mode)
    if mode & 0o077:
        file.unlink()
        raise UserError(
            f"does not stay private: that disk gives it mode {mode:04o}; it was removed",
            location=Location(file),
            hint="name a file on a disk of this computer",
        )


def check_target(file: Path) -> None:
    """Refuse another kind of file before the user is asked for a password."""
    _is_ours(file)


def _is_ours(file: Path) -> bool:
    """Tell if such a file is there. Raise UserError if anything else is."""
    try:
        # Not through a link: it could lead to a pipe, or to the only copy of something.
        ours = stat.S_ISREG(file.lstat().st_mode) and _read_first_line(file) == FIRST_LINE
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


def _read_first_line(file: Path) -> bytes:
    with file.open("rb") as stream:
        return stream.read(len(FIRST_LINE))
