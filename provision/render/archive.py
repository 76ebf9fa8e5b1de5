# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the settings archive: a tar with its manifest, the same bytes from the same files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass

from provision.onboard.settings.archive import tar

#: The contract between a base and the settings that it carries: `format` in base.json, and `base`
#: in the manifest. Raise it when settings made for older bases would no longer work.
BASE_FORMAT = 1

#: The format of the manifest itself.
MANIFEST_FORMAT = 1

MANIFEST_PATH = "/etc/boat/manifest.json"


@dataclass(frozen=True)
class File:
    """Describe a regular file that root owns. `mode` is its permission bits."""

    content: bytes
    mode: int = 0o644


@dataclass(frozen=True)
class Symlink:
    """Describe a symbolic link. `target` is absolute."""

    target: str


Entry = File | Symlink


@dataclass(frozen=True)
class Settings:
    """Hold what one boat carries: `files` by absolute path, and the archive made of them.

    `files` holds the manifest too. `sha256` is the archive's, in hexadecimal.
    """

    files: Mapping[str, Entry]
    manifest: Mapping[str, object]
    archive: bytes
    sha256: str


def build_settings(files: Mapping[str, Entry], about: Mapping[str, object]) -> Settings:
    """Pack `files` into an archive. Its manifest holds `about` and the list of files."""
    manifest: dict[str, object] = {
        "format": MANIFEST_FORMAT,
        **about,
        "files": {path: _describe(files[path]) for path in sorted(files)},
    }
    text = json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"
    complete = {**files, MANIFEST_PATH: File(text.encode())}
    archive = tar.pack({path: _to_member(entry) for path, entry in complete.items()})
    return Settings(
        files={path: complete[path] for path in sorted(complete)},
        manifest=manifest,
        archive=archive,
        sha256=hashlib.sha256(archive).hexdigest(),
    )


def _describe(entry: Entry) -> dict[str, str]:
    if isinstance(entry, Symlink):
        return {"link": entry.target}
    return {"mode": f"{entry.mode:04o}", "sha256": hashlib.sha256(entry.content).hexdigest()}


def _to_member(entry: Entry) -> tar.Member:
    return entry.target if isinstance(entry, Symlink) else (entry.mode, entry.content)
