# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a settings archive whole into memory, and check it against its manifest."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from provision.onboard.settings.archive.manifest import (
    Entry,
    File,
    Link,
    Manifest,
    check_path,
    parse,
    wanted_unit,
)
from provision.onboard.settings.archive.tar import MAX_ARCHIVE_BYTES, damaged, unpack
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.paths import MANIFEST


@dataclass(frozen=True)
class Settings:
    """Holds the settings of one archive.

    `entries` holds the manifest's files and the manifest itself, `contents` the bytes of each
    regular file among them.
    """

    digest: str
    data: bytes
    manifest: Manifest
    entries: dict[str, Entry]
    contents: dict[str, bytes]

    @property
    def wants(self) -> frozenset[str]:
        """Return the units that these settings start."""
        return frozenset(unit for path in self.entries if (unit := wanted_unit(path)))


def digest_of(data: bytes) -> str:
    """Return the SHA-256 of `data` in lower-case hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def read(data: bytes, digest: str) -> Settings:
    """Check `data` against its SHA-256 and its manifest. Raises SettingsError when one differs."""
    if len(data) > MAX_ARCHIVE_BYTES:
        raise damaged(f"it has more than {MAX_ARCHIVE_BYTES} bytes")
    found = digest_of(data)
    if found != digest:
        raise SettingsError(
            "digest",
            f"the archive's SHA-256 is {found}, not {digest}: it was cut short or damaged",
            hint="copy it again",
        )
    members = unpack(data)
    if not isinstance(members.get(MANIFEST), tuple):
        raise damaged(f"{MANIFEST} is missing")
    entries: dict[str, Entry] = {}
    contents: dict[str, bytes] = {}
    for path, member in members.items():
        check_path(path)
        if isinstance(member, str):
            entries[path] = Link(member)
        else:
            mode, content = member
            entries[path] = File(mode, digest_of(content))
            contents[path] = content
    manifest = parse(contents[MANIFEST])
    for path in sorted({*entries, *manifest.files} - {MANIFEST}):
        if entries.get(path) != manifest.files.get(path):
            raise damaged(f"{path} is not what the manifest says")
    return Settings(digest, data, manifest, entries, contents)
