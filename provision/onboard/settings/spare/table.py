# SPDX-License-Identifier: GPL-3.0-or-later
"""Divide a spare as the boat's own card is divided, with identifiers of its own.

Two cards with the same identifiers in one computer would be taken for each other at its start.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.spare.own_card import SECTOR, OwnCard

#: Bytes at the end for a GPT's second copy, and what file systems are aligned to.
END_BYTES, ALIGN_BYTES = 2**20, 4096


@dataclass(frozen=True)
class Plan:
    """Hold how a spare is divided. `renamed` maps each identifier of the own card to the new."""

    script: str
    renamed: dict[bytes, bytes]
    data_offset: int
    data_size: int


def plan(card: OwnCard, size: int, data_bytes: int) -> Plan:
    """Divide a device of `size` bytes, of which data needs `data_bytes`. Data gets all the rest.

    Raise SettingsError if the device is too small.
    """
    room = (size - END_BYTES - card.data.offset) // ALIGN_BYTES * ALIGN_BYTES
    if room < data_bytes:
        needed = card.data.offset + data_bytes + END_BYTES
        message = f"the device is too small: it has {size} bytes, and {needed} are needed"
        hint = "take a larger one, or remove old logs from /data"
        raise SettingsError("device", message, hint=hint, status=Exit.UNABLE)
    disk = uuid.uuid4()
    gpt = card.label == "gpt"
    own = str(disk) if gpt else f"{disk.fields[0]:08x}"
    lines = [f"label: {card.label}", f"label-id: {own if gpt else '0x' + own}", "unit: sectors"]
    renamed = {}
    for number, part in enumerate(card.parts, 1):
        new = str(uuid.uuid4()) if gpt else f"{own}-{number:02x}"
        renamed[part.partuuid.encode()] = new.encode()
        length = room if part is card.data else part.size
        words = [
            f"start={part.offset // SECTOR}",
            f"size={length // SECTOR}",
            f"type={part.fields['type']}",
        ]
        if gpt:
            words += [f"uuid={new}", f'name="{part.fields.get("name", "")}"']
        elif part.fields.get("bootable"):
            words.append("bootable")
        lines.append(", ".join(words))
    return Plan("\n".join(lines) + "\n", renamed, card.data.offset, room)
