# SPDX-License-Identifier: GPL-3.0-or-later
"""Write one boat's image to one card, with all questions and records."""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from provision.cli.terminal.confirm import confirm_boat
from provision.errors import UserError
from provision.harmless import harmless

if TYPE_CHECKING:
    from provision.card.device.block_devices import Device
    from provision.card.device.write import WrittenCard


@dataclass(frozen=True)
class CardJob:
    """Hold what is to be written: the image of a boat's card, and how."""

    image: Path
    boat: str
    boats: Path
    yes: bool
    """Whether the operator is not asked for the boat's name."""
    erase: bool
    quiet: bool
    """Whether nothing is printed on standard output."""

    @property
    def profile(self) -> Path:
        """Return where the boat's profile is, if it is in the folder."""
        return self.boats / f"{self.boat}.yml"

    def check(self) -> None:
        """Raise UserError if the image is damaged, or from before a card was lost."""
        from provision.card.image.host_key import refuse_lost_card
        from provision.card.image.identity import check_parts

        check_parts(self.image)
        refuse_lost_card(self.image, self.boat, self.boats)
        _warn_unchecked(self.boat, self.boats)

    def find_card(self, device: Path) -> Device:
        """Return the card there. Raise UserError if the image must not be written to it."""
        from provision.card.device.block_devices import find_device, find_objection

        card = find_device(device)
        if error := find_objection(card, self.image):
            raise error
        return card

    def write(self, device: Path) -> dict[str, Any]:
        """Check the image, and write it to the card there."""
        card = self.find_card(device)
        self.check()
        return self.write_to(card)

    def write_to(self, card: Device) -> dict[str, Any]:
        """Ask, write, read back, and record the card. Return the result for `--json`."""
        from provision.card.device.block_devices import changed, find_device
        from provision.card.device.progress_bars import progress_bars
        from provision.card.device.write import write_card
        from provision.card.image.host_key import record_written
        from provision.progress import console, note

        if not self.yes:
            question = f"{self.image} ({self.boat}) will replace all that is on {card}"
            confirm_boat(self.boat, question, "nothing was written")
        if find_device(card.path) != card:
            raise changed(card)
        with progress_bars(console) as report:
            written = write_card(self.image, card, erase=self.erase, progress=report)
        _record(self.image, card, self.profile)
        if record_written(self.image, self.boat, self.boats):
            note(f"{self.boat} has a new card: pushes go out to it again")
        if not self.quiet:
            self._print(card, written)
        return {"boat": self.boat, "device": str(card.path), **asdict(written)}

    def _print(self, card: Device, written: WrittenCard) -> None:
        whole = card.size if self.erase else written.size
        rate = written.written / 1e6 / max(written.write_seconds, 0.1)
        summary = (
            f"{card.path}: {self.boat}: {written.written / 1e6:.0f} MB (of {whole / 1e6:.0f} MB) "
            f"written in {written.write_seconds:.0f} s, {rate:.0f} MB/s, "
            f"read back and compared in {written.read_seconds:.0f} s ({written.cache_mode})"
        )
        print(harmless(summary))


def _record(image: Path, card: Device, profile: Path) -> None:
    """Record beside the boat's profile that this card was written. Say so if that fails."""
    from provision.progress import note
    from provision.push.records.written_cards import add_card, describe_card

    if not profile.exists():
        return
    try:
        add_card(profile, describe_card(image, card))
    except UserError as error:
        note(f"the card is written, and was not recorded: {error}")


def _warn_unchecked(boat: str, boats: Path) -> None:
    """Say that an image was not checked for theft, where the boat's files are not here."""
    from provision.profile.secrets.stolen import record_path

    profile = boats / f"{boat}.yml"
    if not profile.exists() and not record_path(profile).exists():
        text = (
            f"warning: there is no boat {boat} in {boats}, so that it was not checked whether "
            "this image is from before a card of it was lost or stolen"
            "\n  hint: name the folder of the boats with --boats"
        )
        print(f"provision: {harmless(text)}", file=sys.stderr)
