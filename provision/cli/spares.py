# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the cards of several boats one after the other: `write --spare`."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from provision.card.device.interrupts import Interrupted
from provision.cli.terminal.confirm import wait_for_enter
from provision.errors import UserError
from provision.harmless import harmless
from provision.paths import argument

if TYPE_CHECKING:
    from provision.card.device.block_devices import Device
    from provision.cli.card_job import CardJob


def choose_images(names: Sequence[Path], boats: Path) -> list[Path]:
    """Return an image for each word: itself, or the image that was built last for that boat.

    Say which and of what day it is. Raise UserError for a boat without an image.
    """
    from provision.progress import note

    if not names:
        raise UserError(
            "no boat is named", hint="several boats' cards: provision write --spare BOAT... DEVICE"
        )
    images = [name if _is_image(name) else _find_image(str(name), boats) for name in names]
    for image in images:
        day = time.strftime("%Y-%m-%d", time.localtime(image.stat().st_mtime))
        note(f"{image}, built on {day}")
    return images


def _is_image(name: Path) -> bool:
    return name.is_file() and name.suffix not in (".yml", ".yaml")


def _find_image(name: str, boats: Path) -> Path:
    from provision.profile import load
    from provision.push.records.built import find_image

    profile = load.find(name, boats)
    image = find_image(profile)
    if image is None:
        raise UserError(
            f"there is no image of {profile.stem}'s card here",
            hint=f"name the image's file, or build one: provision card {argument(profile)} "
            f"-o {profile.stem}.img",
        )
    return image


def write_spares(jobs: Sequence[CardJob], device: Path) -> list[dict[str, Any]]:
    """Check all images, and then write each to a card of its own, which are changed in between.

    A card that is refused or bad is named, and another is asked for. Raise UserError if there is
    none, or if the work is interrupted.
    """
    _check_last_word(device)
    for job in jobs:
        job.check()
    written: dict[str, str] = {}
    results: list[dict[str, Any]] = []
    for job in jobs:
        results.append(_write_spare(job, device, results, written))
    return results


def _check_last_word(device: Path) -> None:
    """Raise UserError if the last word is no device, but a further boat or image."""
    from provision.card.layout.digests import read_own_digest

    absent = not device.exists() and device.parent != Path("/dev")
    if absent or (device.is_file() and read_own_digest(device)):
        what = "no card" if absent else "an image, and no card"
        raise UserError(f"{device} is {what}", hint="name the card's device as the last word")


def _write_spare(
    job: CardJob, device: Path, results: Sequence[dict[str, Any]], written: dict[str, str]
) -> dict[str, Any]:
    """Write one boat's card. `written` maps what tells a written card from others to its boat."""
    ask = bool(results)
    while True:
        if ask and not wait_for_enter(f"Put a card for {job.boat} into {device}"):
            done = ", ".join(str(result["boat"]) for result in results) or "none"
            raise UserError(
                f"no card was put in for {job.boat}; written: {done}",
                hint="begin again with the boats that have no spare yet",
            )
        try:
            card = job.find_card(device)
            _refuse_written(card, written)
            result = job.write_to(card)
        except UserError as error:
            if isinstance(error.__cause__, KeyboardInterrupt | Interrupted):
                raise
            print(f"provision: {harmless(str(error))}", file=sys.stderr)
            ask = True
        else:
            written[_recognise(card)] = job.boat
            return result


def _refuse_written(card: Device, written: dict[str, str]) -> None:
    """Raise UserError if a card was written before in this call."""
    if boat := written.get(_recognise(card)):
        raise UserError(
            f"the card in {card.path} holds what was just written for {boat}; it stays as it is",
            hint="take it out, and put another in",
        )


def _recognise(card: Device) -> str:
    """Return what tells a card from others: the record of the image on it.

    A reader may say nothing of the change of a card, and the same kind of card says the same. A
    card without such a record is known by the kernel's number for it.
    """
    from provision.card.layout.digests import read_own_digest

    return read_own_digest(card.path) or f"{card.serial} {card.instance}"
