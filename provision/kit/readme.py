# SPDX-License-Identifier: GPL-3.0-or-later
"""Write README.txt of a kit: how a boat gets a new card in ten minutes, step by step."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from provision import paths
from provision.backup.store import FOLDER, INDEX
from provision.profile.load import Boat


def make_readme(
    boats: Sequence[Boat],
    backups: Collection[str],
    has_password: bool,
    described: Mapping[str, object],
) -> bytes:
    """Return the text. `backups` are the paths of backups in the folder of the boats."""
    # The text is plain: nothing in it is markup.
    environment = Environment(  # noqa: S701
        loader=FileSystemLoader(paths.PACKAGE / "kit"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    steps = [
        {
            "name": boat.name,
            "board": boat.profile.board,
            "gigabytes": boat.profile.card.size // 10**9,
            "backup": f"{FOLDER}/{boat.name}/{INDEX}" in backups,
        }
        for boat in boats
    ]
    values = {**described, "boats": steps, "has_password": has_password}
    return environment.get_template("README.txt.j2").render(values).encode()
