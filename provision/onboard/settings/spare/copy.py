# SPDX-License-Identifier: GPL-3.0-or-later
"""Copy partitions to a spare, and read back what was written."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.spare.own_card import Part

PIECE_BYTES = 4 * 2**20

#: The superblock of a squashfs: magic, and where its length in bytes stands, with 8 bytes in
#: little-endian order (the kernel's documentation of the format, Documentation/filesystems).
_SQUASHFS, _LENGTH_OFFSET = b"hsqs", 40


def base_length(device: Path, base: Part) -> int:
    """Return how many bytes of the base's partition the base takes, in whole blocks of 4 KiB."""
    with device.open("rb") as stream:
        stream.seek(base.offset)
        head = stream.read(_LENGTH_OFFSET + 8)
    length = int.from_bytes(head[_LENGTH_OFFSET:], "little")
    if not head.startswith(_SQUASHFS) or not 0 < length <= base.size:
        raise SettingsError("card", "the base on the card is damaged", hint="replace the card")
    return -(-length // 4096) * 4096


def pieces(
    device: Path, offset: int, length: int, renamed: Mapping[bytes, bytes] | None = None
) -> Iterator[bytes]:
    """Read a stretch of a card. Replace each word of `renamed` by its new one of equal length."""
    words = {old: new for old, new in (renamed or {}).items() if old != new}
    if any(len(old) != len(new) for old, new in words.items()):
        raise ValueError("an identifier has another length")
    longest = max(map(len, words), default=1) - 1
    held = b""
    with device.open("rb", buffering=0) as stream:
        stream.seek(offset)
        left = length
        while left:
            read = stream.read(min(PIECE_BYTES, left))
            if not read:
                raise SettingsError("card", f"{device} ends too early", hint="replace the card")
            left -= len(read)
            held += read
            for old, new in words.items():
                held = held.replace(old, new)
            # A word may begin in this piece and end in the next.
            keep = longest if left else 0
            if len(held) > keep:
                yield held[: len(held) - keep]
                held = held[len(held) - keep :]


def write(target: Path, offset: int, content: Iterator[bytes]) -> tuple[int, str]:
    """Write pieces at an offset of the device, safely. Return their length and their SHA-256."""
    digest, length = hashlib.sha256(), 0
    with target.open("r+b", buffering=0) as stream:
        stream.seek(offset)
        for piece in content:
            view = memoryview(piece)
            while view:
                view = view[stream.write(view) :]
            digest.update(piece)
            length += len(piece)
        os.fsync(stream.fileno())
    return length, digest.hexdigest()


def check(target: Path, offset: int, length: int, digest: str) -> None:
    """Read the device back and compare: a bad stick takes writes and keeps none."""
    with target.open("rb", buffering=0) as stream:
        os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    found = hashlib.sha256()
    for piece in pieces(target, offset, length):
        found.update(piece)
    if found.hexdigest() != digest:
        message = f"{target} did not hold what was written to it"
        raise SettingsError("device", message, hint="take another card or stick")
