# SPDX-License-Identifier: GPL-3.0-or-later
"""Record the cards that were written for a boat, in BOAT.cards.json beside its profile.

The file is a list, the latest card first, and holds nothing secret. The card that a boat runs on is
found in it: its kernel is started with the identifier of its base partition, which follows from the
image, and a board with a slot of its own reads the card's register.
"""

from __future__ import annotations

import json
import re
import socket
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from provision.boards import board
from provision.card.device.block_devices import Device
from provision.card.image.identity import read_identity
from provision.card.layout.digests import read_record
from provision.card.layout.partitions import Layout
from provision.errors import Location, UserError
from provision.profile.secrets import private_file

#: Cards that are kept in the record. Older ones are left out.
MAX_CARDS = 32
#: Maximum size of a record in bytes. One with `MAX_CARDS` cards has 20 kB.
MAX_RECORD_BYTES = 2**18
#: The longest text in it that is believed.
MAX_TEXT_CHARS = 200


@dataclass(frozen=True)
class CardRecord:
    """Describe a card that was written and read back without a difference."""

    written: str
    """When, as in 2026-11-27T22:15:04+0000."""
    image: str
    """SHA-256 of the image's record of digests, or "" for an image that has none."""
    settings: str
    """SHA-256 of the settings on it."""
    base: str
    """The base's key in the cache, such as 991bc47c7ed1604f."""
    root: str
    """PARTUUID of its base partition. Cards from one image have the same."""
    version: str
    """Of the program that built the image."""
    device: str
    """What the card or its reader says of itself."""
    size: int
    """Bytes that the device has."""
    serial: str
    """Of the card if it was in a slot, or else of the disk or reader. "" if none was said."""
    laptop: str
    """Name of the computer that wrote it."""

    @property
    def day(self) -> str:
        """Return the day on which it was written, such as 2026-11-27."""
        return self.written[:10]


def record_path(profile: Path) -> Path:
    """Return the path of the record of the boat with this profile."""
    return profile.with_name(f"{profile.stem}.cards.json")


def describe_card(image: Path, device: Device) -> CardRecord:
    """Return the record of a card that was just written."""
    said = read_identity(image)
    record = read_record(image, expected=False)
    base = said.get("base")
    return CardRecord(
        written=time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        image=record.digest if record else "",
        settings=said["settings"],
        base=str(base.get("key", "")) if isinstance(base, dict) else "",
        root=Layout(board(said["board"]).table, said["settings"]).base.partuuid,
        version=said["version"],
        device=device.model,
        size=device.size,
        serial=device.serial,
        laptop=socket.gethostname(),
    )


def read_cards(profile: Path) -> list[CardRecord]:
    """Read the cards of the boat with this profile, the latest first.

    Raise UserError if the record is damaged.
    """
    file = record_path(profile)
    try:
        with file.open("rb") as stream:
            text = stream.read(MAX_RECORD_BYTES + 1)
        if len(text) > MAX_RECORD_BYTES:
            raise ValueError
        return [_read_card(one) for one in json.loads(text)]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, LookupError, TypeError, RecursionError) as error:
        raise UserError(
            "is no record of written cards, or cannot be read",
            location=Location(file),
            hint="move it away: the next card that is written begins a new one",
        ) from error


def _read_card(raw: dict[str, Any]) -> CardRecord:
    texts = {name: raw[name] for name in CardRecord.__dataclass_fields__ if name != "size"}
    if not all(isinstance(text, str) and len(text) <= MAX_TEXT_CHARS for text in texts.values()):
        raise ValueError
    return CardRecord(**texts, size=int(raw["size"]))


def add_card(profile: Path, card: CardRecord) -> None:
    """Add a card to the record of the boat with this profile. Raise UserError if it cannot be."""
    cards = [card, *read_cards(profile)][:MAX_CARDS]
    text = json.dumps([asdict(one) for one in cards], indent=1) + "\n"
    private_file.write_for_owner(record_path(profile), text.encode())


def find_running(cards: list[CardRecord], said: str) -> CardRecord | None:
    """Return the card that a boat runs on, the latest of those that it may be.

    `said` is the boat's kernel command line and, in further lines, the registers of its cards. The
    register decides; without one, the identifier of the base partition does.
    """
    words = said.split()
    roots = {match[1] for word in words if (match := re.fullmatch(r"root=PARTUUID=(\S+)", word))}
    same = [card for card in cards if card.root in roots]
    exact = [card for card in same if card.serial and card.serial in words]
    return next(iter([*exact, *same]), None)
