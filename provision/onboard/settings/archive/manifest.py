# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the manifest of a settings archive: its files, and what to reload when they change."""

from __future__ import annotations

import posixpath
import re
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any

from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.paths import MANIFEST
from provision.onboard.settings.readers import parse_json

#: The manifest format that this code reads.
FORMAT = 1

ACTIONS = ("daemon-reload", "udev", "networkd", "hostname", "sysctl", "tmpfiles")
UNIT_ACTIONS = ("restart", "reload")

#: Kernel file systems, RAM, and separate partitions: settings may not write there.
FOREIGN = ("boot", "data", "dev", "proc", "run", "sys", "tmp")

_UNIT = re.compile(
    r"^[A-Za-z0-9:_.\\][A-Za-z0-9:_.\\@-]*\.(service|socket|timer|target|path|mount)$"
)
_DIGEST = re.compile(r"^[0-9a-f]{64}$")
_WANT = re.compile(r"^/etc/systemd/system/[^/]+\.wants/([^/]+)$")
#: Bits that no file of the settings may have: set-user-id, set-group-id, world-writable.
_FORBIDDEN_MODE = 0o6002


@dataclass(frozen=True)
class File:
    """Describes a regular file, owned by root."""

    mode: int
    sha256: str


@dataclass(frozen=True)
class Link:
    """Describes a symbolic link."""

    target: str


Entry = File | Link


@dataclass(frozen=True)
class Reload:
    """Names the action for a file that matches `paths` (fnmatch) and is added, changed or gone."""

    paths: tuple[str, ...]
    action: str
    unit: str | None = None

    def matches(self, path: str) -> bool:
        """Report whether a change of `path` calls for this action."""
        return any(fnmatchcase(path, pattern) for pattern in self.paths)

    def __str__(self) -> str:
        return f"{self.action} {self.unit}" if self.unit else self.action


@dataclass(frozen=True)
class Manifest:
    """Holds a manifest as read. `files` holds all but the manifest itself and folders."""

    boat: str
    board: str
    base: int
    version: str
    profile: str
    files: dict[str, Entry]
    reload: tuple[Reload, ...]


def is_digest(text: str) -> bool:
    """Report whether `text` is a SHA-256 in lower-case hexadecimal."""
    return _DIGEST.match(text) is not None


def wanted_unit(path: str) -> str | None:
    """Return the unit that a link in /etc/systemd/system/*.wants/ pulls in, else None."""
    match = _WANT.match(path)
    return match[1] if match else None


def parse(data: bytes) -> Manifest:
    """Read a manifest. SettingsError names the key that is wrong."""
    try:
        raw = parse_json(data)
    except ValueError as error:
        raise _wrong(f"it cannot be read as JSON: {error}") from None
    if not isinstance(raw, dict):
        raise _wrong("it is not an object")
    number = raw.get("format")
    if number != FORMAT:
        raise SettingsError(
            "format",
            f"the settings are in format {number}; this boat's base reads format {FORMAT}",
            hint="push with the version that built this card, or write a new card",
        )
    files = {path: _entry(path, entry) for path, entry in _get(raw, "files", dict).items()}
    _no_file_in_a_file(files)
    return Manifest(
        boat=_get(raw, "boat", str),
        board=_get(raw, "board", str),
        base=_get(raw, "base", int),
        version=_get(raw, "version", str),
        profile=_get(raw, "profile", str),
        files=files,
        reload=tuple(_reload(entry) for entry in _get(raw, "reload", list)),
    )


def _wrong(what: str) -> SettingsError:
    return SettingsError("manifest", f"the settings' manifest is wrong: {what}")


def _get(raw: dict[str, Any], key: str, kind: type) -> Any:
    value = raw.get(key)
    if not isinstance(value, kind) or isinstance(value, bool):
        raise _wrong(f"{key} is not a {kind.__name__}")
    return value


def check_path(path: str) -> None:
    """Refuse a path that is not absolute and plain, or that settings may not write to."""
    plain = posixpath.normpath(path) == path and path.startswith("/") and path[1:2] not in ("", "/")
    if not plain or "\0" in path or "\n" in path:
        raise _wrong(f"{path!r} is not a plain absolute path")
    if path.split("/")[1] in FOREIGN:
        raise _wrong(f"{path} is no place for settings")


def _entry(path: str, raw: Any) -> Entry:
    check_path(path)
    if path == MANIFEST:
        raise _wrong(f"{path} lists itself")
    if isinstance(raw, dict):
        link, mode, digest = raw.get("link"), raw.get("mode"), raw.get("sha256")
        if isinstance(link, str) and link and mode is None and digest is None:
            return Link(link)
        if link is None and isinstance(mode, str) and isinstance(digest, str):
            if re.match(r"^0[0-7]{3}$", mode) and is_digest(digest):
                bits = int(mode, 8)
                if not bits & _FORBIDDEN_MODE:
                    return File(bits, digest)
            raise _wrong(f"{path} has mode {mode} and digest {digest[:80]}")
    raise _wrong(f"{path} is neither a file nor a link")


def _no_file_in_a_file(files: dict[str, Entry]) -> None:
    for path in [*files, MANIFEST]:
        folder = posixpath.dirname(path)
        while folder != "/":
            if folder in files or folder == MANIFEST:
                raise _wrong(f"{folder} is a file and the folder of {path}")
            folder = posixpath.dirname(folder)


def _reload(raw: Any) -> Reload:
    if not isinstance(raw, dict):
        raise _wrong("an entry of reload is not an object")
    paths = _get(raw, "paths", list)
    if not paths or not all(isinstance(path, str) for path in paths):
        raise _wrong("an entry of reload has no paths")
    action, unit = raw.get("action"), raw.get("unit")
    if action in ACTIONS and unit is None:
        return Reload(tuple(paths), action)
    if action in UNIT_ACTIONS and isinstance(unit, str) and _UNIT.match(unit):
        return Reload(tuple(paths), action, unit)
    raise _wrong(f"reload knows no action {action!r} for unit {unit!r}")
