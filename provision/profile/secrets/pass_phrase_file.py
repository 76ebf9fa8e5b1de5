# SPDX-License-Identifier: GPL-3.0-or-later
"""Write pass-phrases in the clear into a file of mode 0600. Replace only such a file."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from provision.profile.secrets import own_file
from provision.profile.secrets.pass_phrases import PassPhrases

#: The first line, by which such a file is recognised.
FIRST_LINE = b"# Wi-Fi pass-phrases of boats, by `provision keys --show`: keep it to yourself.\n"


def write(file: Path, found: Iterable[PassPhrases]) -> None:
    """Write the pass-phrases of boats. Raise UserError if another kind of file is there."""
    text = "\n\n".join("\n".join(one.lines()) for one in found)
    own_file.write(file, FIRST_LINE + text.encode() + b"\n", _is_ours)


def check_target(file: Path) -> None:
    """Refuse another kind of file before the user is asked for a password."""
    own_file.exists(file, _is_ours)


def _is_ours(file: Path) -> bool:
    with file.open("rb") as stream:
        return stream.read(len(FIRST_LINE)) == FIRST_LINE
