# SPDX-License-Identifier: GPL-3.0-or-later
"""The settings archive: a tar with its manifest, the same bytes from the same files."""

from __future__ import annotations

import hashlib
import io
import json
import tarfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

#: The format of the base that these settings need, `base` in the manifest.
BASE_FORMAT = 1

#: The format of the manifest itself.
MANIFEST_FORMAT = 1

MANIFEST_PATH = "/etc/boat/manifest.json"

#: Every member's time: 2026-01-01, as in the base.
MTIME = 1767225600


@dataclass(frozen=True)
class File:
    """A regular file of root's; `mode` is its permission bits."""

    content: bytes
    mode: int = 0o644


@dataclass(frozen=True)
class Link:
    """A symbolic link; `target` is absolute."""

    target: str


Entry = File | Link


@dataclass(frozen=True)
class Settings:
    """What one boat carries: `files` by absolute path, and the archive made of them.

    `files` holds the manifest too; `sha256` is the archive's, in hexadecimal.
    """

    files: Mapping[str, Entry]
    manifest: Mapping[str, object]
    archive: bytes
    sha256: str


def build(files: Mapping[str, Entry], about: Mapping[str, object]) -> Settings:
    """Put `files` into an archive whose manifest says `about` and what there is in it."""
    manifest: dict[str, object] = {
        "format": MANIFEST_FORMAT,
        **about,
        "files": {path: _described(files[path]) for path in sorted(files)},
    }
    text = json.dumps(manifest, indent=1, ensure_ascii=False) + "\n"
    complete = {**files, MANIFEST_PATH: File(text.encode())}
    archive = _tar(complete)
    return Settings(
        files={path: complete[path] for path in sorted(complete)},
        manifest=manifest,
        archive=archive,
        sha256=hashlib.sha256(archive).hexdigest(),
    )


def _described(entry: Entry) -> dict[str, str]:
    if isinstance(entry, Link):
        return {"link": entry.target}
    return {"mode": f"{entry.mode:04o}", "sha256": hashlib.sha256(entry.content).hexdigest()}


def _tar(files: Mapping[str, Entry]) -> bytes:
    folders = {
        str(parent) for path in files for parent in PurePosixPath(path).parents if parent.name
    }
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", format=tarfile.GNU_FORMAT) as tar:
        for path in sorted({*files, *folders}):
            member = tarfile.TarInfo(path.lstrip("/"))
            member.mtime = MTIME
            member.uname = member.gname = "root"
            entry = files.get(path)
            if entry is None:
                member.type, member.mode = tarfile.DIRTYPE, 0o755
                tar.addfile(member)
            elif isinstance(entry, Link):
                member.type, member.mode, member.linkname = tarfile.SYMTYPE, 0o777, entry.target
                tar.addfile(member)
            else:
                member.mode, member.size = entry.mode, len(entry.content)
                tar.addfile(member, io.BytesIO(entry.content))
    return buffer.getvalue()
