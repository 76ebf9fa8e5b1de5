# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a built base in its folder: its files, its facts, their digests."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from provision import paths
from provision.errors import Location, UserError
from provision.progress import note

#: File in a base's folder with the digests of the files that cards are made from.
DIGESTS_FILE = "digests.json"


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
        """Return base.json of the base."""
        facts: dict[str, object] = json.loads((self.folder / "base.json").read_text())
        return facts

    @cached_property
    def digests(self) -> dict[str, str]:
        """Return the digest of each file that cards are made from, as it was built.

        Empty for a base that an earlier version built. Raise UserError if they cannot be read.
        """
        file = self.folder / DIGESTS_FILE
        try:
            return {str(name): str(one) for name, one in json.loads(file.read_text()).items()}
        except FileNotFoundError:
            note(f"this base was made by an earlier version, has no digests: {self.folder}")
            return {}
        except (OSError, ValueError, AttributeError) as error:
            raise self.damaged(file) from error

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
