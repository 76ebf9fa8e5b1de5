# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands about cards: card, write."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from provision.card.assemble import assemble, refuse
from provision.card.base import base
from provision.card.devices import candidates, device_at, refusal
from provision.card.image import boat_of
from provision.card.write import bars
from provision.card.write import write as write_card
from provision.cli.common import BoatName, Boats, Json, VaultFile, app, know, show, warn
from provision.errors import UserError
from provision.paths import BOATS
from provision.steps import console, step


@app.command()
def card(
    name: BoatName,
    out: Annotated[
        Path,
        typer.Option("-o", metavar="FILE.img", help="The card image to make.", readable=False),
    ],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Build a boat's card as an image file; `provision write` puts it on a card."""
    refuse(out)
    known = know(name, boats, vault_password_file)
    warn([known.boat])
    settings = known.settings()
    system = base(known.board)
    with step(f"Putting {known.boat.name}'s card together"):
        layout = assemble(known.board, settings, system, out)
    if as_json:
        show(
            {
                "image": str(out),
                "boat": known.boat.name,
                "board": known.board.id,
                "bytes": layout.size,
                "settings": settings.sha256,
                "base": system.facts,
            }
        )
    else:
        print(f"{out}: {known.boat.name} on {known.board.id}, settings {settings.sha256[:12]}")


@app.command()
def write(
    image: Annotated[Path, typer.Argument(metavar="IMAGE", help="A card image.", readable=False)],
    device: Annotated[
        Path | None,
        typer.Argument(
            metavar="DEVICE", help="The card; without it, all are listed.", readable=False
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask for the boat's name.")] = False,
    as_json: Json = False,
) -> None:
    """Write a card image to a card, read every block back from it and compare."""
    boat = boat_of(image)
    if device is None:
        _list(as_json)
        return
    card = device_at(device)
    if error := refusal(card, image):
        raise error
    if not yes:
        print(f"{image} ({boat}) will replace all that is on {card}", file=sys.stderr)
        try:
            typed = typer.prompt("Type the boat's name to go on", err=True)
        except typer.Abort:
            typed = ""
        if typed != boat:
            hint = "type it as it stands above, or give --yes"
            raise UserError("that is not the boat's name; nothing was written", hint=hint)
    with bars(console) as report:
        written = write_card(image, card, progress=report)
    if as_json:
        show({"boat": boat, "device": str(card.path), **asdict(written)})
    else:
        print(
            f"{card.path}: {boat}: {written.size / 1e6:.0f} MB "
            f"written in {written.write_seconds:.0f} s, "
            f"read back and compared in {written.read_seconds:.0f} s ({written.how})"
        )


def _list(as_json: bool) -> None:
    found = candidates()
    if as_json:
        show({"devices": [asdict(card) for card in found]})
        return
    for card in found:
        print(card)
    if not found:
        print("there is no removable card here; plug one in")
