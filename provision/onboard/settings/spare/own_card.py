# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the card that the boat runs from, and its partitions, by the kernel's command line."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System

SECTOR = 512


@dataclass(frozen=True)
class Part:
    """Describe one partition. Offset and size are in bytes, `fields` as sfdisk tells them."""

    partuuid: str
    offset: int
    size: int
    fields: Mapping[str, Any]


@dataclass(frozen=True)
class OwnCard:
    """Hold the card that the boat runs from. `parts` are in their order on the card."""

    device: Path
    label: str
    parts: tuple[Part, ...]
    boot: Part
    base: Part
    data: Part


def read_own_card(system: System, device: Path, command_line: str) -> OwnCard:
    """Return what the card `device` holds. `command_line` is the running kernel's.

    Raise SettingsError if the card has not the partitions that the boat was started from.
    """
    table = _read_table(system, device)
    parts = tuple(_parts(table))
    by_id = {part.partuuid: part for part in parts}
    words = dict(word.partition("=")[::2] for word in command_line.split())
    wanted = {
        "boot": words.get("boat.boot", ""),
        "base": words.get("root", "").removeprefix("PARTUUID="),
        "data": words.get("boat.data", ""),
    }
    missing = [name for name, partuuid in wanted.items() if partuuid.lower() not in by_id]
    if missing:
        message = f"{device} has no partition of its own for {', '.join(missing)}"
        raise SettingsError("card", message, status=Exit.UNABLE)
    found = {name: by_id[partuuid.lower()] for name, partuuid in wanted.items()}
    if found["data"] is not parts[-1]:
        raise SettingsError("card", f"{device}: data is not the last partition")
    return OwnCard(device, table["label"], parts, **found)


def _read_table(system: System, device: Path) -> dict[str, Any]:
    found = json.loads(system.run("sfdisk", "--json", str(device)))["partitiontable"]
    if found["label"] not in ("gpt", "dos") or found.get("sectorsize", SECTOR) != SECTOR:
        message = f"{device} has a partition table that this program cannot copy"
        raise SettingsError("card", message, status=Exit.UNABLE)
    return dict(found)


def _parts(table: dict[str, Any]) -> list[Part]:
    disk = str(table["id"]).lower().removeprefix("0x")
    return [
        Part(
            # In an MBR a partition's identifier is the disk's and its number.
            str(one["uuid"]).lower() if "uuid" in one else f"{disk}-{number:02x}",
            int(one["start"]) * SECTOR,
            int(one["size"]) * SECTOR,
            one,
        )
        for number, one in enumerate(table["partitions"], 1)
    ]
