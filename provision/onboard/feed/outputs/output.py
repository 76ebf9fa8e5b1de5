# SPDX-License-Identifier: GPL-3.0-or-later
"""Define what the feed asks of every way out onto the boat's network."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

from provision.onboard.feed.nmea0183.sentence import Sentence


class Output(ABC):
    """Sends sentences onto the boat's network."""

    name: str
    """Its name in logged faults."""

    @abstractmethod
    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        """Report whether sentences of this kind go here at all. Asked once for each kind."""

    @abstractmethod
    def put(self, sentence: Sentence) -> None:
        """Take one sentence without waiting."""

    @abstractmethod
    def close(self) -> None:
        """End all that the output has open."""

    @abstractmethod
    def as_json(self) -> dict[str, Any]:
        """Return what was sent and dropped, for the state."""

    def watch(self, now: float) -> None:  # noqa: B027
        """Look for readers that take nothing. Called every few seconds."""

    def hang_up(self, address: str, before: float) -> None:  # noqa: B027
        """End the connections from an address that began before a moment (monotonic seconds)."""

    def summary(self) -> str | None:
        """Return the line of counters for the journal, if there is one."""
        return None
