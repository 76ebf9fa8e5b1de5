# SPDX-License-Identifier: GPL-3.0-or-later
"""What the image of a card says of itself."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

from provision.card.filesystems import read_fat
from provision.errors import UserError
from provision.run import find, run


def boot_partition(image: Path) -> str:
    """Where the boot partition of a card image is, in mtools' manner (FILE@@OFFSET)."""
    table = json.loads(run("sfdisk", "--json", image).stdout)["partitiontable"]
    return f"{image}@@{table['partitions'][0]['start'] * table.get('sectorsize', 512)}"


def identity(image: Path) -> dict[str, Any]:
    """boat.json of its boot partition: boat, board, base, settings, version.

    UserError when it cannot be read, or is not the image of a boat's card.
    """
    find("sfdisk"), find("mcopy")
    _see_to(image)
    try:
        said = json.loads(read_fat(boot_partition(image), "boat.json"))
        if not isinstance(said["boat"], str):
            raise TypeError
    except (UserError, ValueError, LookupError, TypeError) as error:
        raise UserError(
            f"{image} is not the image of a boat's card", hint="provision card BOAT makes one"
        ) from error
    return dict(said)


def boat_of(image: Path) -> str:
    """Whose card an image is; UserError as for `identity`."""
    return str(identity(image)["boat"])


def _see_to(image: Path) -> None:
    """UserError when the image cannot be read, so that nothing else is said to be wrong."""
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
