# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a built base in its folder: its files, its facts, their digests."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from provision import paths
from provision.card.layout.digests import compute_digest
from provision.errors import Location, UserError

#: File in a base's folder with the digests of the others.
DIGESTS_FILE = "digests.json"

#: File in a base's folder with its facts.
FACTS_FILE = "base.json"


#: Files in a base's folder that have a digest: what cards are made from.
SEALED_FILES = ("base.squashfs", "boot.fat", FACTS_FILE)


def write_digests(folder: Path) -> None:
    """Write the digests of the files of a base that was just built."""
    found = {name: compute_digest(folder / name) for name in SEALED_FILES}
    (folder / DIGESTS_FILE).write_text(json.dumps(found) + "\n")


@dataclass(frozen=True)
class Base:
    """Hold a built base in the cache."""

    folder: Path

    @property
    def squashfs(self) -> Path:
        """Return the path of the root file system."""
        return self.folder / "base.squashfs"

    @property
    def fat(self) -> Path:
        """Return the path of the boot partition with the files that every boat has."""
        return self.folder / "boot.fat"

    @cached_property
    def facts(self) -> dict[str, object]:
        """Return base.json of the base. Raise UserError if it is not as it was built."""
        file = self.folder / FACTS_FILE
        try:
            facts: dict[str, object] = json.loads(file.read_bytes())
        except (OSError, ValueError) as error:
            raise self.damaged(file) from error
        if compute_digest(file) != self.digests[FACTS_FILE]:
            raise self.damaged(file)
        return facts

    @cached_property
    def digests(self) -> dict[str, str]:
        """Return the digest of each file that cards are made from, as it was built.

        Raise UserError if they cannot be read, or if one is missing.
        """
        file = self.folder / DIGESTS_FILE
        try:
            found = {str(name): str(one) for name, one in json.loads(file.read_text()).items()}
        except (OSError, ValueError, AttributeError) as error:
            raise self.damaged(file) from error
        if not found.keys() >= {*SEALED_FILES}:
            raise self.damaged(file)
        return found

    def damaged(self, file: Path) -> UserError:
        """Return the error for a file of the base that is not as it was built."""
        if kit := paths.kit():
            return UserError(
                "the base in the kit is damaged",
                location=Location(Path(kit) / "bases" / self.folder.name / file.name),
                hint="take another kit, or make this one again where the boats' folder is",
            )
        return UserError(
            "the cached base is damaged",
            location=Location(file),
            hint=f"remove {self.folder}, and it is built again",
        )
