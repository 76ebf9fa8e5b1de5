# SPDX-License-Identifier: GPL-3.0-or-later
"""Pack files into one compressed archive: the same files always give the same bytes.

One large file is read from a stick much faster than thousands of small ones. It also keeps links,
modes and all names, which FAT does not.
"""

from __future__ import annotations

import gzip
import io
import tarfile
from collections.abc import Mapping
from pathlib import Path

from provision.card.base.recipe import EPOCH

#: A file by its path, or its content. Content is packed as an executable file.
Packed = Path | bytes


def pack(files: Mapping[str, Packed]) -> bytes:
    """Return a .tar.gz of files by their names in it. A path that is a link stays a link."""
    target = io.BytesIO()
    with (
        gzip.GzipFile(fileobj=target, mode="wb", compresslevel=6, mtime=EPOCH) as stream,
        tarfile.open(fileobj=stream, mode="w", format=tarfile.PAX_FORMAT) as tar,
    ):
        for name, source in sorted(files.items()):
            if isinstance(source, bytes):
                member = _neutral(tarfile.TarInfo(name), executable=True)
                member.size = len(source)
                tar.addfile(member, io.BytesIO(source))
            else:
                _add(tar, name, source)
    return target.getvalue()


def _add(tar: tarfile.TarFile, name: str, source: Path) -> None:
    found = tar.gettarinfo(source, name)
    # A second name of one file would become a link to the first.
    if found.islnk():
        found.type, found.linkname, found.size = tarfile.REGTYPE, "", source.stat().st_size
    member = _neutral(found, executable=bool(found.mode & 0o100))
    if member.isreg():
        with source.open("rb") as stream:
            tar.addfile(member, stream)
    else:
        tar.addfile(member)


def _neutral(member: tarfile.TarInfo, *, executable: bool) -> tarfile.TarInfo:
    """Return a member without owner, time, and modes of this computer."""
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    member.mtime = EPOCH
    member.mode = 0o755 if executable else 0o644
    member.pax_headers = {}
    return member
