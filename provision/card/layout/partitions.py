# SPDX-License-Identifier: GPL-3.0-or-later
"""Define how a card is divided, and the identifiers on it.

`PARTITIONS` is the one table of them: numbers, offsets, types and the kernel's command line follow
from it. All identifiers are derived from the settings' digest. So the same boat gives the same
bytes, and two boats' cards in one machine do not clash.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Literal

from provision.commands import run

SECTOR = 512
MIB = 2**20
#: Type codes: EFI system, Linux file system (UEFI specification); FAT32 LBA, Linux in MBR.
_TYPES = {
    "gpt": ("C12A7328-F81F-11D2-BA4B-00A0C93EC93B", "0FC63DAF-8483-4772-8E79-3D69D8477DE4"),
    "mbr": ("c", "83"),
}
#: Name and size of each partition, in their order on the card. Sizes are multiples of 4 MiB.
#: `BOOT` is first, because some boards' firmware looks nowhere else, and because
#: `identity.boot_partition` reads it there. `DATA` is last, because `boat-grow` grows it to the end
#: of the card. Others stand between the two, in any order.
BOOT, BASE, DATA = "boot", "base-a", "data"
PARTITIONS = {
    BOOT: 256 * MIB,
    BASE: 512 * MIB,
    # A spare slot for a later base.
    "base-b": 512 * MIB,
    DATA: 128 * MIB,
}
#: Primary partitions of an MBR (UEFI specification, legacy MBR). sfdisk leaves further ones out
#: without an error.
MAX_MBR_PARTITIONS = 4
#: A multiple of every card's erase block.
_FIRST_OFFSET = 4 * MIB
_NAMESPACE = uuid.UUID("6c9d1f0e-9a43-5c0e-8d8e-3f6d1c0b7a52")


@dataclass(frozen=True)
class Partition:
    """Describe one partition. Offset and size are in bytes."""

    number: int
    name: str
    offset: int
    size: int
    partuuid: str


@dataclass(frozen=True)
class Layout:
    """Lay out the partitions of one card. Its identifiers follow from `identity`."""

    table: Literal["gpt", "mbr"]
    identity: str
    more_data: int = 0
    """Bytes by which the data partition in the image is larger, a multiple of 4 MiB."""

    def uuid(self, of: str) -> uuid.UUID:
        """Return an identifier of this card, fixed for its identity."""
        return uuid.uuid5(_NAMESPACE, f"{self.identity}:{of}")

    @property
    def disk(self) -> str:
        """Return the whole card's identifier: a UUID, or 32 bits in an MBR."""
        return (
            str(self.uuid("disk")) if self.table == "gpt" else f"{self.uuid('disk').fields[0]:08x}"
        )

    @property
    def partitions(self) -> tuple[Partition, ...]:
        """Return all partitions, in their order on the card."""
        found = []
        offset = _FIRST_OFFSET
        for number, (name, usual) in enumerate(PARTITIONS.items(), 1):
            size = usual + (self.more_data if name == DATA else 0)
            own = str(self.uuid(name)) if self.table == "gpt" else f"{self.disk}-{number:02x}"
            found.append(Partition(number, name, offset, size, own))
            offset += size
        return tuple(found)

    @property
    def boot(self) -> Partition:
        """Return the partition that the boot loader reads."""
        return self._partition(BOOT)

    @property
    def base(self) -> Partition:
        """Return the partition of the base that the boat starts."""
        return self._partition(BASE)

    @property
    def data(self) -> Partition:
        """Return the only partition that the boat writes to."""
        return self._partition(DATA)

    def _partition(self, name: str) -> Partition:
        return next(partition for partition in self.partitions if partition.name == name)

    @property
    def size(self) -> int:
        """Return the image's size in bytes, with room for a GPT's second copy."""
        last = self.partitions[-1]
        return last.offset + last.size + MIB

    def script(self) -> str:
        """Return the script for sfdisk. Raise ValueError if an MBR cannot hold all partitions."""
        if self.table == "mbr" and len(self.partitions) > MAX_MBR_PARTITIONS:
            raise ValueError(f"an MBR holds {MAX_MBR_PARTITIONS} partitions")
        efi, linux = _TYPES[self.table]
        lines = [
            f"label: {'gpt' if self.table == 'gpt' else 'dos'}",
            f"label-id: {self.disk if self.table == 'gpt' else '0x' + self.disk}",
            "unit: sectors",
        ]
        for partition in self.partitions:
            words = [
                f"start={partition.offset // SECTOR}",
                f"size={partition.size // SECTOR}",
                f"type={efi if partition.name == BOOT else linux}",
            ]
            if self.table == "gpt":
                words += [f"uuid={partition.partuuid}", f"name={partition.name}"]
            elif partition.name == BOOT:
                words.append("bootable")
            lines.append(", ".join(words))
        return "\n".join(lines) + "\n"

    def write(self, image: str) -> None:
        """Write the partition table to a plain file or a device."""
        run("sfdisk", "--quiet", "--no-reread", "--no-tell-kernel", image, input=self.script())
