# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold a boat whose secrets are open, so that its settings can be rendered."""

from __future__ import annotations

from dataclasses import dataclass

from provision.boards import Board, board
from provision.profile.load import Boat
from provision.profile.secrets.store import Secrets
from provision.render.archive import Settings
from provision.render.render import render


@dataclass(frozen=True)
class OpenBoat:
    """Hold a boat with its opened secrets."""

    boat: Boat
    secrets: Secrets

    @property
    def name(self) -> str:
        """Return the boat's name."""
        return self.boat.name

    @property
    def board(self) -> Board:
        """Return the boat's board. Raise UserError if no board has that name."""
        return board(self.boat.profile.board, self.boat.location("board"))

    def render(self) -> Settings:
        """Render the boat's settings."""
        return render(self.boat, self.secrets)
