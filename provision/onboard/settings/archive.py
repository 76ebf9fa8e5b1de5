# SPDX-License-Identifier: GPL-3.0-or-later
"""A settings archive, read whole into memory and checked against its manifest."""

from __future__ import annotations

import hashlib
import io
import tarfile
from dataclasses import dataclass

from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.manifest import (
    Entry,
    File,
    Link,
    Manifest,
    check_path,
    parse,
    wanted_unit,
)
from provision.onboard.settings.places import MANIFEST

#: Bytes; settings are some hundred kilobytes, and memory aboard is small.
LIMIT = 64 * 2**20


@dataclass(frozen=True)
class Settings:
    """One archive's worth of settings.

    `entries` holds the manifest's files and the manifest itself; `contents` the bytes of
    each regular file among them.
    """

    digest: str
    data: bytes
    manifest: Manifest
    entries: dict[str, Entry]
    contents: dict[str, bytes]

    @property
    def wants(self) -> frozenset[str]:
        """The units that these settings start."""
        return frozenset(unit for path in self.entries if (unit := wanted_unit(path)))


def digest_of(data: bytes) -> str:
    """SHA-256 in lower-case hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def _damaged(what: str) -> SettingsError:
    return SettingsError("archive", f"the settings archive is damaged: {what}")


def read(data: bytes, digest: str) -> Settings:
    """Check `data` against its SHA-256 and its manifest; SettingsError says what is wrong."""
    found = digest_of(data)
    if found != digest:
        raise SettingsError(
            "digest",
            f"the archive's SHA-256 is {found}, not {digest}: it was cut short or damaged",
            hint="copy it again",
        )
    members = _members(data)
    if not isinstance(members.get(MANIFEST), tuple):
        raise _damaged(f"{MANIFEST} is missing")
    entries: dict[str, Entry] = {}
    contents: dict[str, bytes] = {}
    for path, member in members.items():
        if isinstance(member, Link):
            entries[path] = member
        else:
            mode, content = member
            entries[path] = File(mode, digest_of(content))
            contents[path] = content
    manifest = parse(contents[MANIFEST])
    for path in sorted({*entries, *manifest.files} - {MANIFEST}):
        if entries.get(path) != manifest.files.get(path):
            raise _damaged(f"{path} is not what the manifest says")
    return Settings(digest, data, manifest, entries, contents)


def _members(data: bytes) -> dict[str, Link | tuple[int, bytes]]:
    """Each link, or file's mode and content, by absolute path."""
    members: dict[str, Link | tuple[int, bytes]] = {}
    room = LIMIT
    try:
        with tarfile.open(fileobj=io.BytesIO(data), mode="r:") as tar:
            for member in tar:
                path = "/" + member.name.removeprefix("./").rstrip("/")
                if member.isdir():
                    continue
                check_path(path)
                if path in members:
                    raise _damaged(f"{path} stands in it twice")
                if member.issym():
                    members[path] = Link(member.linkname)
                    continue
                room -= member.size
                if room < 0:
                    raise _damaged(f"it holds more than {LIMIT} bytes")
                content = tar.extractfile(member) if member.isreg() else None
                if content is None:
                    raise _damaged(f"{path} is neither a file nor a link")
                members[path] = (member.mode, content.read())
    except tarfile.TarError as error:
        raise _damaged(str(error)) from None
    return members
