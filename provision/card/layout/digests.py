# SPDX-License-Identifier: GPL-3.0-or-later
"""Write and check digests of a card image's parts, which the image itself holds.

The record lies in the gap between the partition table and the first partition, where none of our
boot loaders looks. It is one JSON line behind `MAGIC`, padded with zeros. It covers every byte of
the image except its own bytes, and holds its own digest too. It also lists the extents of each part
that a card must hold: what else is in the image is no file system's, and needs no writing.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.card.layout.extents import BLOCK_BYTES, SIGNATURE_BYTES, Extent, merge
from provision.card.layout.partitions import MIB, Layout, Partition
from provision.errors import Location, UserError

MAGIC = b"provision card digests 1\n"
#: Offset and size of the record in an image, in bytes.
RECORD_OFFSET, RECORD_SIZE = 3 * MIB, MIB
_BLOCK = MIB
_ZEROS = bytes(_BLOCK)

#: Name of each part in an error, in the order on the card.
TABLE_PART, END_PART = "partition table", "end of the image"
RECORD_PART = "record of digests"


@dataclass(frozen=True)
class Part:
    """Describe one part of an image, as its record does."""

    whole: Extent
    sha256: str
    used: tuple[Extent, ...]
    """What a card must hold of it, in order. All of it, if an earlier version made the image."""


@dataclass(frozen=True)
class Record:
    """Hold an image's record of digests."""

    digest: str
    """SHA-256 of the record: it stands for every byte of the image."""
    parts: Mapping[str, Part]
    """Each part by its name."""


def compute_digest(file: Path, offset: int = 0, size: int | None = None) -> str:
    """Return the SHA-256 of `size` bytes of a file at `offset`, 64 hexadecimal digits.

    Leave out blocks of a MiB that are zero, and put its number before each other block. So a hole
    costs no time, and a file has the digest of its copy in a larger file.
    """
    found = hashlib.sha256()
    with file.open("rb") as stream:
        descriptor = stream.fileno()
        end = os.fstat(descriptor).st_size
        end = end if size is None else min(end, offset + size)
        position = offset
        while position < end:
            position = _next_data(descriptor, position, offset, end)
            stream.seek(position)
            block = stream.read(min(_BLOCK, end - position))
            if not block:
                break
            if block != _ZEROS[: len(block)]:
                found.update(((position - offset) // _BLOCK).to_bytes(8, "big"))
                found.update(block.ljust(_BLOCK, b"\0"))
            position += len(block)
    return found.hexdigest()


def _next_data(descriptor: int, position: int, offset: int, end: int) -> int:
    """Return the offset, from `offset` on, of the next block that is not wholly a hole."""
    try:
        start = os.lseek(descriptor, position, os.SEEK_DATA)
    except OSError as error:
        if error.errno == errno.ENXIO:
            return end
        raise
    return min(end, max(position, start - (start - offset) % _BLOCK))


def list_parts(layout: Layout) -> dict[str, tuple[int, int]]:
    """Map each part of an image to its offset and size in bytes. The record is no part."""
    found = {TABLE_PART: (0, RECORD_OFFSET)}
    end = RECORD_OFFSET + RECORD_SIZE
    for partition in layout.partitions:
        found[part_name(partition)] = (partition.offset, partition.size)
        end = partition.offset + partition.size
    found[END_PART] = (end, layout.size - end)
    return found


def part_name(partition: Partition) -> str:
    """Return the name of a partition in the record."""
    return f"partition {partition.name}"


def write_record(
    image: Path,
    layout: Layout,
    known: Mapping[str, str] | None = None,
    used: Mapping[str, Iterable[Extent]] | None = None,
) -> None:
    """Write the digests of a finished image into it, and what of each part a card must hold.

    `known` are digests that are computed already. `used` are the extents of a part, by its name.
    Of another partition its first `SIGNATURE_BYTES` are written, of another part everything.
    """
    known, used = known or {}, used or {}
    partitions = {part_name(one) for one in layout.partitions}
    parts = {
        name: {
            "offset": offset,
            "size": size,
            "sha256": known.get(name) or compute_digest(image, offset, size),
            "used": [
                (one.offset, one.size)
                for one in merge(
                    used.get(name)
                    or [Extent(offset, min(size, SIGNATURE_BYTES) if name in partitions else size)]
                )
            ],
        }
        for name, (offset, size) in list_parts(layout).items()
    }
    text = json.dumps(parts, sort_keys=True)
    own = hashlib.sha256(text.encode()).hexdigest()
    line = MAGIC + f"{own} {text}\n".encode()
    if len(line) > RECORD_SIZE:
        raise ValueError(f"the record of digests has {len(line)} bytes, and room for {RECORD_SIZE}")
    with image.open("r+b") as stream:
        stream.seek(RECORD_OFFSET)
        stream.write(line)


def check_record(image: Path, *, expected: bool) -> bool:
    """Compare an image with its record. Return False if it has no record.

    Raise UserError that names each damaged part. A missing record counts as damaged if it is
    `expected`: an image made by an earlier version has none.
    """
    record = read_record(image, expected=expected)
    if record is None:
        return False
    size = image.stat().st_size
    damaged = [
        name
        for name, part in record.parts.items()
        if size < part.whole.end
        or compute_digest(image, part.whole.offset, part.whole.size) != part.sha256
    ]
    if damaged:
        raise _damaged(image, ", ".join(damaged))
    return True


def read_record(image: Path, *, expected: bool) -> Record | None:
    """Return the record of an image. Return None if it has none.

    Raise UserError if it is damaged, or missing though it is `expected`.
    """
    with image.open("rb") as stream:
        stream.seek(RECORD_OFFSET)
        text = stream.read(RECORD_SIZE)
        size = stream.seek(0, os.SEEK_END)
    if not text.strip(b"\0") and not expected:
        return None
    line, _, rest = text.removeprefix(MAGIC).partition(b"\n")
    own, _, listed = line.partition(b" ")
    if (
        not text.startswith(MAGIC)
        or rest.strip(b"\0")
        or hashlib.sha256(listed).hexdigest().encode() != own
    ):
        raise _damaged(image, RECORD_PART)
    try:
        parts = {str(name): _read_part(one) for name, one in json.loads(listed).items()}
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise _damaged(image, RECORD_PART) from error
    if not _covers([part.whole for part in parts.values()], size):
        raise _damaged(image, "it is longer than its parts")
    return Record(own.decode(), parts)


def read_own_digest(card: Path) -> str:
    """Return the digest of the record on a card, or "" if it has none that is whole."""
    try:
        with card.open("rb") as stream:
            stream.seek(RECORD_OFFSET)
            line = stream.read(RECORD_SIZE).partition(b"\n")[2].partition(b"\n")[0]
    except OSError:
        return ""
    own, _, listed = line.partition(b" ")
    digest = hashlib.sha256(listed).hexdigest()
    return digest if digest.encode() == own else ""


def _read_part(raw: dict[str, Any]) -> Part:
    """Return a part of a record. Raise ValueError if an extent is not inside of it."""
    whole = Extent(int(raw["offset"]), int(raw["size"]))
    used = tuple(Extent(int(offset), int(size)) for offset, size in raw.get("used") or [])
    position = whole.offset
    for one in used:
        if one.offset < position or one.size <= 0 or one.end > whole.end:
            raise ValueError("extent")
        if one.offset % BLOCK_BYTES or one.size % BLOCK_BYTES:
            raise ValueError("extent")
        position = one.end
    return Part(whole, str(raw["sha256"]), used or (whole,))


def _covers(parts: Iterable[Extent], size: int) -> bool:
    """Tell if the parts and the record cover the file up to its end without a gap."""
    end = 0
    for part in sorted([*parts, Extent(RECORD_OFFSET, RECORD_SIZE)]):
        if part.offset != end or part.size < 0:
            return False
        end = part.end
    return end >= size


def _damaged(image: Path, what: str) -> UserError:
    return UserError(
        f"the image is damaged: {what}",
        location=Location(image),
        hint="build it again: provision card BOAT -o FILE (a copy of a used card differs, too)",
    )
