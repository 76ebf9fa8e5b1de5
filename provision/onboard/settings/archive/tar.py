# SPDX-License-Identifier: GPL-3.0-or-later
"""Write and read the one form of a settings archive.

A tar can say the same thing in many ways, and two readers can see different files in one tar
(an empty block in the middle ends it for the first reader and not for the second). Members are
therefore written in one way only. An archive that differs from that by one byte is refused.
"""

from __future__ import annotations

import tarfile
from collections.abc import Mapping
from pathlib import PurePosixPath

from provision.onboard.settings.errors import SettingsError

#: A link's target, or a file's permission bits and content.
Member = str | tuple[int, bytes]

#: Every member's time: 2026-01-01, as in the base.
MTIME = 1767225600

#: Bytes. Settings are some hundred kilobytes, and memory aboard is small.
MAX_ARCHIVE_BYTES = 16 * 2**20

#: Bytes of a member's path or of a link's target that fit into a header (POSIX.1-1988, ustar).
MAX_NAME_BYTES = 100

_BLOCK, _RECORD = tarfile.BLOCKSIZE, tarfile.RECORDSIZE


def pack(members: Mapping[str, Member]) -> bytes:
    """Return the archive of `members` by absolute path, with the folders that they lie in.

    Raises ValueError when a name is too long.
    """
    folders = {
        str(parent) for path in members for parent in PurePosixPath(path).parents if parent.name
    }
    parts = [_pack_member(path, members.get(path)) for path in sorted({*members, *folders})]
    parts.append(bytes(2 * _BLOCK))
    data = b"".join(parts)
    return data + bytes(-len(data) % _RECORD)


def _pack_member(path: str, member: Member | None) -> bytes:
    """Return the header and content of one member. None for `member` means a folder."""
    info = tarfile.TarInfo(path.lstrip("/"))
    info.mtime = MTIME
    info.uname = info.gname = "root"
    content = b""
    if member is None:
        info.type, info.mode = tarfile.DIRTYPE, 0o755
    elif isinstance(member, str):
        info.type, info.mode, info.linkname = tarfile.SYMTYPE, 0o777, member
    else:
        info.mode, content = member
        info.size = len(content)
    for name in (info.name + "/" * info.isdir(), info.linkname):
        if len(name.encode(errors="surrogateescape")) > MAX_NAME_BYTES:
            raise ValueError(f"{name} is longer than {MAX_NAME_BYTES} bytes")
    return info.tobuf(tarfile.GNU_FORMAT, "utf-8") + content + bytes(-len(content) % _BLOCK)


def unpack(data: bytes) -> dict[str, Member]:
    """Return the members by absolute path. SettingsError when `pack` would give other bytes."""
    members: dict[str, Member] = {}
    offset = 0
    try:
        while any(header := data[offset : offset + _BLOCK]):
            info = tarfile.TarInfo.frombuf(header, "utf-8", "surrogateescape")
            if info.size < 0:
                raise damaged(f"{info.name} has a size below zero")
            offset += _BLOCK
            path = f"/{info.name}"
            if info.issym():
                members[path] = info.linkname
            elif not info.isdir():
                members[path] = (info.mode, data[offset : offset + info.size])
                offset += -(-info.size // _BLOCK) * _BLOCK
        same = pack(members) == data
    except (tarfile.TarError, ValueError) as error:
        raise damaged(str(error)) from None
    if not same:
        raise damaged("it is not in the one form that settings have")
    return members


def damaged(what: str) -> SettingsError:
    """Make the error for a damaged archive."""
    return SettingsError("archive", f"the settings archive is damaged: {what}")
