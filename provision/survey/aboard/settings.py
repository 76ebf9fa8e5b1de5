# SPDX-License-Identifier: GPL-3.0-or-later
"""Read from the boat's feed.json, of whatever version, which ports are whose."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.config.models import STATE_SOCKET
from provision.onboard.feed.nmea0183.sentence import STEERS
from provision.onboard.feed.nmea2000.pgn import FORMATTERS

#: The baud rate of a link that names none (IEC 61162-1).
DEFAULT_BAUD = 4800


@dataclass(frozen=True)
class Link:
    """Hold what the boat's own settings say of a serial link."""

    name: str
    device: str
    baud: int
    talks: frozenset[str]
    listens: frozenset[str]

    @classmethod
    def of(cls, name: str, told: dict[str, Any]) -> Self:
        """Read a link of feed.json."""
        talks, listens = frozenset(told.get("talks", {})), frozenset(told.get("listens", {}))
        return cls(name, str(told["device"]), int(told.get("baud", DEFAULT_BAUD)), talks, listens)


@dataclass(frozen=True)
class FeedFacts:
    """Hold what the boat's settings say of its feed. Other versions of them may be aboard."""

    links: tuple[Link, ...] = ()
    networks: Mapping[str, frozenset[str]] | None = None
    """CAN interfaces, and the sentences that the feed makes of each."""
    pilot: str = ""
    """The link that is steered."""
    steers: frozenset[str] = frozenset()
    """Links that may steer it."""
    state_socket: str = STATE_SOCKET
    pause_socket: str = ""
    """Empty when these settings know no such socket."""

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read feed.json. Without one the boat has no feed. ConfigError when it is unreadable."""
        try:
            return cls._of(json.loads(path.read_bytes()))
        except FileNotFoundError:
            return cls()
        except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
            raise ConfigError(f"{path} is not understood: {error!r}") from None

    @classmethod
    def _of(cls, told: dict[str, Any]) -> Self:
        links, state, steering = told["links"], told.get("state", {}), told.get("steering") or {}
        senders = steering.get("from", {}).values()
        return cls(
            links=tuple(Link.of(name, link) for name, link in links.items() if "device" in link),
            networks={
                str(link["can"]): frozenset(link.get("talks") or FORMATTERS)
                for link in links.values()
                if "can" in link
            },
            pilot=str(steering.get("link", "")),
            steers=frozenset(str(sender["link"]) for sender in senders if "link" in sender),
            state_socket=str(state.get("socket", STATE_SOCKET)),
            pause_socket=str(state.get("pause") or ""),
        )

    @property
    def pilots(self) -> list[Link]:
        """List the links that are steered, or are sent sentences that steer."""
        return [link for link in self.links if link.name == self.pilot or link.listens & STEERS]

    def concerns_pilot(self, link: Link, heard: frozenset[str]) -> str:
        """Say in words what a pilot loses while a link is paused. Empty when it loses nothing.

        `heard` are the formatters that the feed has heard on the link.
        """
        if link in self.pilots:
            return f"the pilot on {link.name} is sent nothing"
        lost = {
            formatter
            for pilot in self.pilots
            for formatter in pilot.listens & (link.talks | heard)
            if link.name in self.steers or formatter not in STEERS or not self.pilot
        }
        return f"the pilot gets no {', '.join(sorted(lost))} from {link.name}" if lost else ""
