# SPDX-License-Identifier: GPL-3.0-or-later
"""Find evidence that a boat was built: its secrets are then aboard, and new ones are not.

This computer remembers which cards it built and which boats answered it. Images beside the
profiles show the same. Nothing of it is secret.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import time
from pathlib import Path

from provision.card.image.identity import read_boat_name
from provision.errors import UserError
from provision.profile.secrets import private_file, stolen
from provision.push.records.known_boats import recall, record_path
from provision.push.records.written_cards import read_cards
from provision.push.records.written_cards import record_path as cards_path

#: Images that are opened at most to see whose they are.
MAX_IMAGES = 32

#: What reading a record raises that is damaged, or cannot be had.
_DAMAGED = (OSError, ValueError, TypeError, KeyError, OverflowError, UserError)


def remember_card(profile: Path, image: Path) -> None:
    """Write down that a card was built. A disk that refuses stops no build."""
    record = {"image": str(image.absolute()), "built": time.time()}
    with contextlib.suppress(OSError, UserError):
        file = record_path(profile, "cards")
        file.parent.mkdir(mode=0o700, exist_ok=True)
        private_file.write(file, json.dumps(record).encode(), replace=True)


def find_evidence(profile: Path) -> list[str]:
    """Collect evidence that the boat with this profile was built, as clauses of a sentence."""
    found = []
    with contextlib.suppress(*_DAMAGED):
        raw = json.loads(record_path(profile, "cards").read_text(encoding="utf-8"))
        found.append(f"a card was built on {_day(float(raw['built']))} ({raw['image']})")
    with contextlib.suppress(UserError):
        found += [
            f"a card was written on {card.day} by {card.laptop} ({cards_path(profile).name})"
            for card in read_cards(profile)[:1]
        ]
    with contextlib.suppress(*_DAMAGED):
        if seen := recall(profile):
            found.append(f"the boat answered on {_day(seen.seen)} at {seen.endpoint}")
    with contextlib.suppress(UserError):
        if lost := stolen.read_record(profile):
            found.append(
                f"a card of it was lost on {lost.since} ({stolen.record_path(profile).name})"
            )
    found += [f"{image} is an image of its card" for image in _images(profile)]
    return found


def find_image(profile: Path) -> Path | None:
    """Return the image of the boat's card that was built last, or one beside its profile."""
    with contextlib.suppress(*_DAMAGED):
        image = Path(json.loads(record_path(profile, "cards").read_text(encoding="utf-8"))["image"])
        if image.is_file():
            return image
    return next(iter(_images(profile)), None)


def _images(profile: Path) -> list[Path]:
    """List the images of the boat's card beside its profile."""
    # Not in the folder above: it may hold images of another folder of boats.
    images = (file for file in sorted(profile.parent.glob("*.img")) if file.is_file())
    return [file for file in itertools.islice(images, MAX_IMAGES) if _whose(file) == profile.stem]


def _whose(image: Path) -> str:
    """Name the boat of an image; where it cannot be opened, by the image's own name."""
    try:
        return read_boat_name(image)
    except UserError:
        return image.stem


def _day(seconds: float) -> str:
    return time.strftime("%Y-%m-%d", time.localtime(seconds))
