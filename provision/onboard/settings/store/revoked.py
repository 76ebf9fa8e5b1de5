# SPDX-License-Identifier: GPL-3.0-or-later
"""Report whether new settings revoke something that earlier settings gave."""

from __future__ import annotations

from provision.onboard.settings.archive.manifest import File
from provision.onboard.settings.archive.read import Settings, digest_of, read
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.store.state import (
    archive_path,
    is_intact,
    read_archive,
    read_pointer_file,
)

#: Path of the login keys that a boat accepts, one public key a line.
AUTHORIZED_KEYS = "/etc/ssh/authorized_keys/root"

#: The bits of a mode that let users other than the owner use a file.
OTHERS = 0o077


def revokes(old: bytes, new: bytes) -> bool:
    """Report whether the archive `new` lacks a login key of `old`, or has another secret.

    Secrets are the files that only root may read: SSH host key, pass-phrases. False when `old` is
    damaged, because no boat takes it then.
    """
    try:
        before, after = read(old, digest_of(old)), read(new, digest_of(new))
    except SettingsError:
        return False
    return bool(_logins(before) - _logins(after)) or any(
        after.contents.get(path) != content for path, content in _secrets(before).items()
    )


def revokes_fallback(aboard: Paths, kept: str | None, new: bytes) -> bool:
    """Report whether a boat that keeps the archive `new` must not fall back to its old settings.

    The old settings are those with the digest `kept`, or else those that `previous` names.
    """
    if kept is not None and is_intact(aboard, kept):
        archive = archive_path(aboard, kept)
    elif name := read_pointer_file(aboard.store / "previous"):
        archive = aboard.store / name
    else:
        return False
    try:
        return revokes(read_archive(archive), new)
    except OSError:
        return False


def _logins(settings: Settings) -> set[bytes]:
    return set(settings.contents.get(AUTHORIZED_KEYS, b"").split(b"\n")) - {b""}


def _secrets(settings: Settings) -> dict[str, bytes]:
    return {
        path: settings.contents[path]
        for path, entry in settings.entries.items()
        if isinstance(entry, File) and not entry.mode & OTHERS
    }
