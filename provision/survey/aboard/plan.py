# SPDX-License-Identifier: GPL-3.0-or-later
"""Look at what there is aboard, before anything is listened to."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from provision.survey.aboard.feed import read_state
from provision.survey.aboard.settings import FeedFacts, Link
from provision.survey.adapters import Adapter, choose, describe, find_adapters
from provision.survey.can import find_networks


@dataclass(frozen=True)
class Plan:
    """Hold what there is aboard, before anything is listened to."""

    feed: FeedFacts
    free: tuple[Adapter, ...]
    """Ports that are no link's."""
    links: tuple[tuple[Link, Adapter], ...]
    networks: tuple[str, ...]
    state: dict[str, Any]
    """What the feed told, empty when it did not answer."""
    others: tuple[Adapter, ...]
    """All other adapters that are plugged in."""
    trial: Path
    """The file that is there while settings are on trial."""

    @classmethod
    def make(cls, request: dict[str, Any]) -> Plan:
        """Look at the ports that the laptop named, or at all. UserError and ConfigError."""
        sys, feed = Path(request["sys"]), FeedFacts.read(Path(request["config"]))
        named = [str(device) for device in request["devices"]]
        networks = find_networks(sys)
        ports = [device for device in named if device not in networks]
        plugged = find_adapters(sys)
        chosen = (choose(ports, sys) if ports else []) if named else plugged
        taken = {_resolved(link.device): link for link in feed.links}
        asked = {_resolved(adapter.device) for adapter in chosen}
        return cls(
            feed=feed,
            free=tuple(one for one in chosen if _resolved(one.device) not in taken),
            links=tuple(
                (link, replace(describe(device, sys), device=link.device))
                for device, link in taken.items()
                if not named or device in asked
            ),
            networks=tuple(net for net in networks if not named or net in named),
            state=read_state(feed.state_socket) if feed.links else {},
            others=tuple(one for one in plugged if _resolved(one.device) not in asked),
            trial=Path(request["trial"]),
        )

    def message(self) -> dict[str, Any]:
        """Return the plan as the laptop gets it."""
        told = self.state.get("links", {})
        return {
            "adapters": [vars(adapter) for adapter in self.free],
            "others": [vars(adapter) for adapter in self.others],
            "networks": [*self.networks],
            "links": [
                {
                    "name": link.name,
                    "baud": link.baud,
                    "adapter": vars(adapter),
                    "state": told.get(link.name),
                    "pilot": self.feed.concerns_pilot(link, _heard(told.get(link.name))),
                }
                for link, adapter in self.links
            ],
            "running": self.state.get("running", 0.0),
            "answers": bool(self.state) or not self.feed.links,
            "can_pause": bool(self.feed.pause_socket),
            "trial": self.trial.exists(),
        }


def _resolved(device: str) -> str:
    return str(Path(device).resolve())


def _heard(state: dict[str, Any] | None) -> frozenset[str]:
    return frozenset(state.get("rates", {}) if state else ())
