# SPDX-License-Identifier: GPL-3.0-or-later
"""Read from the image of a card what it is."""

from __future__ import annotations

import json
import os
import re
import stat
from pathlib import Path
from typing import Any

from provision.card.layout import digests
from provision.card.layout.filesystems import READ_TIMEOUT_S, read_fat
from provision.commands import find, run
from provision.errors import UserError
from provision.progress import note, step

#: Maximum size of boat.json, which has some 400 bytes.
MAX_BOOT_JSON_BYTES = 2**16
#: Form of its values. The boat is a host name (RFC 1123), never a path. No value has characters
#: that control a terminal.
_SHAPES = {
    "boat": "[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?",
    "board": "[a-z0-9][a-z0-9-]{0,62}",
    "settings": "[0-9a-f]{64}",
    "version": "[0-9A-Za-z.+-]{1,40}",
}


def boot_partition(image: Path) -> str:
    """Return the boot partition of a card image as mtools names it (FILE@@OFFSET)."""
    # Read the image's own table: an earlier version may have had other sizes.
    listed = run("sfdisk", "--json", image, timeout=READ_TIMEOUT_S).stdout
    table = json.loads(listed)["partitiontable"]
    return f"{image}@@{table['partitions'][0]['start'] * table.get('sectorsize', 512)}"


def read_identity(image: Path) -> dict[str, Any]:
    """Return boat.json of the boot partition: boat, board, base, settings, version.

    Raise UserError if it cannot be read, or is not the image of a boat's card.
    """
    find("sfdisk"), find("mcopy")
    _check_readable(image)
    try:
        found = json.loads(read_fat(boot_partition(image), "boat.json", MAX_BOOT_JSON_BYTES))
        for key, pattern in _SHAPES.items():
            if not re.fullmatch(pattern, found[key]):
                raise ValueError(key)
    except (UserError, ValueError, LookupError, TypeError, RecursionError) as error:
        raise UserError(
            f"{image} is not the image of a boat's card", hint="provision card BOAT makes one"
        ) from error
    return dict(found)


def read_boat_name(image: Path) -> str:
    """Return the boat of an image. Raise UserError as `read_identity` does."""
    return str(read_identity(image)["boat"])


def check_parts(image: Path) -> None:
    """Compare every byte of an image with the digests that it carries.

    Raise UserError that names what is damaged. For an image of an earlier version, which has no
    digests, print a note on standard error.
    """
    with step("Checking the image"):
        expected = read_identity(image).get("digests") is not None
        if not digests.check_record(image, expected=expected):
            note(f"{image} was made by an earlier version, has no digests: it was not checked")


def _check_readable(image: Path) -> None:
    """Raise UserError if the image cannot be read, before any other error."""
    try:
        plain = stat.S_ISREG(image.stat().st_mode)
        if plain:
            image.open("rb").close()
    except OSError as error:
        raise UserError(
            f"{image} cannot be read: {os.strerror(error.errno or 0)}",
            hint="name the file that `provision card` made",
        ) from error
    if not plain:
        raise UserError(f"{image} is no image file", hint="provision card BOAT makes one")
