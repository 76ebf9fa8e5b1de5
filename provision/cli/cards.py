# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands about cards: card, write."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from provision.card.assemble import assemble, refuse
from provision.card.base import base
from provision.cli.common import BOATS, BoatName, Boats, Json, VaultFile, app, know, show
from provision.steps import step


@app.command()
def card(
    name: BoatName,
    out: Annotated[Path, typer.Option("-o", metavar="FILE.img", help="The card image to make.")],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Build a boat's card as an image file; `provision write` puts it on a card."""
    refuse(out)
    known = know(name, boats, vault_password_file)
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
