# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that writes cards: write."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from provision.cli.card_job import CardJob
from provision.cli.common import Boats, Json, app, show
from provision.cli.help import Command, example
from provision.cli.terminal.completion import complete_boat_or_image
from provision.errors import UserError
from provision.harmless import harmless
from provision.paths import BOATS


@app.command(cls=Command, epilog=example("write kittiwake.img /dev/sdX"))
def write(  # noqa: PLR0913
    image: Annotated[
        Path,
        typer.Argument(
            metavar="IMAGE",
            help="A card image; with --spare boats, or images of their cards.",
            autocompletion=complete_boat_or_image,
            readable=False,
        ),
    ],
    device: Annotated[
        Path | None,
        typer.Argument(
            metavar="DEVICE",
            help="The card; without it, all are listed. It is the last word.",
            readable=False,
        ),
    ] = None,
    more: Annotated[list[Path] | None, typer.Argument(hidden=True, readable=False)] = None,
    spare: Annotated[
        bool,
        typer.Option(
            "--spare", help="Write the cards of several boats, one after the other: BOAT... DEVICE."
        ),
    ] = False,
    erase: Annotated[
        bool,
        typer.Option("--erase", help="Write zeros to all of the card that the image does not use."),
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask for the boat's name.")] = False,
    boats: Boats = BOATS,
    as_json: Json = False,
) -> None:
    """Write an image to a card, and read every block back.

    What the image's file systems use is written, and what is read is compared with the image. The
    rest of the card keeps what was on it before, unless --erase is given.
    """

    from provision.cli.spares import choose_images, write_spares

    words = [image, *([device] if device else []), *(more or [])]
    if more and not spare:
        raise UserError(
            "more than an image and a card are named",
            hint="several boats' cards: provision write --spare BOAT... DEVICE",
        )
    *names, last = words if device else [*words, None]
    images = choose_images([name for name in names if name], boats) if spare else [image]
    jobs = [
        CardJob(one, _read_boat(one), boats, yes=yes, erase=erase, quiet=as_json) for one in images
    ]
    if last is None:
        _list(as_json)
        return
    done = write_spares(jobs, last) if spare else [jobs[0].write(last)]
    if as_json:
        show({"cards": done} if spare else done[0])


def _read_boat(image: Path) -> str:
    from provision.card.image.identity import read_boat_name

    return read_boat_name(image)


def _list(as_json: bool) -> None:
    from provision.card.device.block_devices import list_candidates

    found = list_candidates()
    if as_json:
        show({"devices": [asdict(card) for card in found]})
        return
    for card in found:
        print(harmless(str(card)))
    if not found:
        print("there is no removable card here; plug one in")
