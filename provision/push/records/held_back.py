# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold back pushes to a boat whose card was lost or stolen, until it has a new card."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from provision.errors import Location, UserError
from provision.paths import argument
from provision.profile.secrets.stolen import StolenRecord, read_record, record_path
from provision.push.result import Outcome, PushResult
from provision.render import OpenBoat


@dataclass(frozen=True)
class HeldBack:
    """Hold a boat to which no push goes, and why."""

    open_boat: OpenBoat
    record: StolenRecord

    @property
    def name(self) -> str:
        """The boat's name."""
        return self.open_boat.name

    @property
    def reason(self) -> str:
        """Say why no push goes out."""
        return (
            f"a card of {self.name} was lost or stolen ({self.record.since}), and it has no new "
            "card yet: who has the old one can pass for the boat"
        )

    @property
    def hint(self) -> str:
        """Say what the operator can do."""
        called = argument(self.open_boat.boat.file)
        return (
            f"write its new card: provision card {called} -o {self.name}.img, then provision write "
            f"{self.name}.img DEVICE; if it was written elsewhere, put it into the boat and ask: "
            f"provision fleet {called}"
        )

    @property
    def error(self) -> UserError:
        """Return the reason and the hint as an error."""
        return UserError(
            self.reason, location=Location(record_path(self.open_boat.boat.file)), hint=self.hint
        )

    def result(self) -> PushResult:
        """Return the result of a push that was not tried. No connection was opened."""
        return PushResult(self.name, Outcome.REFUSED, "", self.reason, self.hint)


def hold_back(boats: Sequence[OpenBoat]) -> tuple[list[OpenBoat], list[HeldBack]]:
    """Divide the boats into those that may be pushed to, and those that wait for a new card."""
    free: list[OpenBoat] = []
    held: list[HeldBack] = []
    for open_boat in boats:
        record = read_record(open_boat.boat.file)
        if record is not None and not record.new_card:
            held.append(HeldBack(open_boat, record))
        else:
            free.append(open_boat)
    return free, held
