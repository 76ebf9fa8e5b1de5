# SPDX-License-Identifier: GPL-3.0-or-later
"""Write and check digests of a card image's parts, which the image itself holds.

The record lies in the gap between the partition table and the first partition, where none of our
boot loaders looks. It is one JSON line behind `MAGIC`, padded with zeros. It covers every byte of
the image except its own bytes, and holds its own digest too.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path

from provision.card.layout.partitions import MIB, Layout, Partition
from provision.errors import Location, UserError

MAGIC = b"provision card digests 1\n"
#: Offset and size of the record in an image, in bytes.
RECORD_OFFSET, RECORD_SIZE = 3 * MIB, MIB
_BLOCK = MIB
_ZEROS = bytes(_BLOCK)

#: Name of each part in an error, in the order on the card.
TABLE_PART, END_PART = "partition table", "end of the image"


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


def write_record(image: Path, layout: Layout, known: Mapping[str, str] | None = None) -> None:
    """Write the digests of a finished image into it. `known` are computed already."""
    known = known or {}
    digests = {
        name: {
            "offset": offset,
            "size": size,
            "sha256": known.get(name) or compute_digest(image, *at),
        }
        for name, at in list_parts(layout).items()
        for offset, size in [at]
    }
    text = json.dumps(digests, sort_keys=True)
    own = hashlib.sha256(text.encode()).hexdigest()
    with image.open("r+b") as stream:
        stream.seek(RECORD_OFFSET)
        stream.write(MAGIC + f"{own} {text}\n".encode())


def check_record(image: Path, *, expected: bool) -> bool:
    """Compare an image with its record. Return False if it has no record.

    Raise UserError that names each damaged part. A missing record counts as damaged if it is
    `expected`: an image made by an earlier version has none.
    """
    with image.open("rb") as stream:
        stream.seek(RECORD_OFFSET)
        record = stream.read(RECORD_SIZE)
    if not record.strip(b"\0") and not expected:
        return False
    digests = _read_record(image, record)
    damaged = [
        name
        for name, (offset, size, wanted) in digests.items()
        if image.stat().st_size < offset + size or compute_digest(image, offset, size) != wanted
    ]
    if damaged:
        raise _damaged(image, ", ".join(damaged))
    return True


def _read_record(image: Path, record: bytes) -> dict[str, tuple[int, int, str]]:
    """Return the record's parts: offset, size, digest. Raise UserError if it is damaged."""
    line, _, rest = record.removeprefix(MAGIC).partition(b"\n")
    own, _, text = line.partition(b" ")
    if (
        not record.startswith(MAGIC)
        or rest.strip(b"\0")
        or hashlib.sha256(text).hexdigest().encode() != own
    ):
        raise _damaged(image, "record of digests")
    try:
        found = {
            str(name): (int(one["offset"]), int(one["size"]), str(one["sha256"]))
            for name, one in json.loads(text).items()
        }
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise _damaged(image, "record of digests") from error
    if not _covers(found, image.stat().st_size):
        raise _damaged(image, "it is longer than its parts")
    return found


def _covers(found: Mapping[str, tuple[int, int, str]], size: int) -> bool:
    """Tell if the parts and the record cover the file up to its end without a gap."""
    ways = sorted(
        [*((offset, size) for offset, size, _ in found.values()), (RECORD_OFFSET, RECORD_SIZE)]
    )
    end = 0
    for offset, length in ways:
        if offset != end or length < 0:
            return False
        end = offset + length
    return end >= size


def _damaged(image: Path, what: str) -> UserError:
    return UserError(
        f"the image is damaged: {what}",
        location=Location(image),
        hint="build it again: provision card BOAT -o FILE (a copy of a used card differs, too)",
    )
