# SPDX-License-Identifier: GPL-3.0-or-later
"""Read which ports the boat's feed has, ask it for its state, and have it pause a link."""

from __future__ import annotations

import json
import select
import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.config.models import STATE_SOCKET
from provision.onboard.feed.nmea0183.sentence import STEERS
from provision.onboard.feed.nmea2000.pgn import FORMATTERS
from provision.onboard.feed.state_query import ask

#: Seconds until the feed has answered. It closes a port first.
ANSWER_TIMEOUT_S = 5.0


class NotPaused(Exception):
    """The feed does not give the port, for the reason that the message says."""


@dataclass(frozen=True)
class Link:
    """Hold what the boat's own settings say of a serial link."""

    name: str
    device: str
    baud: int
    talks: frozenset[str]
    listens: frozenset[str]


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
        serial = {name: link for name, link in told["links"].items() if "device" in link}
        state, steering = told.get("state", {}), told.get("steering") or {}
        return cls(
            links=tuple(
                Link(
                    name,
                    str(link["device"]),
                    int(link.get("baud", 4800)),
                    frozenset(link.get("talks", {})),
                    frozenset(link.get("listens", {})),
                )
                for name, link in serial.items()
            ),
            networks={
                str(link["can"]): frozenset(link.get("talks") or FORMATTERS)
                for link in told["links"].values()
                if "can" in link
            },
            pilot=str(steering.get("link", "")),
            steers=frozenset(
                str(sender["link"])
                for sender in steering.get("from", {}).values()
                if "link" in sender
            ),
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


def read_state(path: str) -> dict[str, Any]:
    """Return what the running feed tells. Empty when none answers."""
    try:
        return ask(path)
    except ConfigError:
        return {}


class Lease:
    """Holds a link paused. `is_set` reports that the feed has taken it back."""

    def __init__(self, channel: socket.socket) -> None:
        self._channel = channel

    def is_set(self) -> bool:
        """Report whether the feed has ended the pause."""
        if not select.select([self._channel], [], [], 0)[0]:
            return False
        try:
            return not self._channel.recv(1024)
        except OSError:
            return True


@contextmanager
def paused(path: str, name: str) -> Iterator[Lease]:
    """Have a link paused for the length of the block. NotPaused when the feed refuses."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as channel:
        channel.settimeout(ANSWER_TIMEOUT_S)
        try:
            channel.connect(path)
            channel.sendall(name.encode() + b"\n")
            told = json.loads(channel.recv(4096))
        except (OSError, ValueError) as error:
            raise NotPaused(f"the feed does not give its port: {error}") from None
        if "paused" not in told:
            raise NotPaused(f"the feed does not give its port: {told.get('error')}")
        yield Lease(channel)
