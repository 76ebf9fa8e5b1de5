# SPDX-License-Identifier: GPL-3.0-or-later
"""Survey this boat for a laptop: plan, wait for the laptop's word, listen, and report.

The laptop sends `{"devices": [PATH], "config": PATH, "sys": PATH, "trial": PATH}`, gets the plan,
and then sends `{"pause": [NAME]}`, the links that the feed has to give. Each message of this side
has a `kind`: plan, progress, port, network, end, error, alive.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from provision.errors import UserError
from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.nmea2000.pgn import FORMATTERS
from provision.survey.aboard.feed import FeedFacts, Lease, Link, NotPaused, paused, read_state
from provision.survey.aboard.stream import LaptopGone, Stream
from provision.survey.adapters import Adapter, choose, describe, find_adapters
from provision.survey.can import find_networks
from provision.survey.findings import hear
from provision.survey.listening import survey_port
from provision.survey.report import PortReport, failed

#: Why a port has no result though it was the survey's.
TAKEN_BACK = "the feed took its port back before it was certain"


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
    others: tuple[Adapter, ...] = ()
    """All other adapters that are plugged in."""
    trial: bool = False
    """Settings are on trial."""

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
            trial=Path(request["trial"]).exists(),
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
            "trial": self.trial,
        }


def _resolved(device: str) -> str:
    return str(Path(device).resolve())


def _heard(state: dict[str, Any] | None) -> frozenset[str]:
    return frozenset(state.get("rates", {}) if state else ())


class _Both:
    """Stops for the laptop, and for the feed."""

    def __init__(self, stream: Stream, lease: Lease) -> None:
        self._stream, self._lease = stream, lease
        self.taken_back = False

    def is_set(self) -> bool:
        self.taken_back = self.taken_back or self._lease.is_set()
        return self.taken_back or self._stream.stop.is_set()


def serve(stream: Stream) -> int:
    """Survey once. Return the exit status: 0 when all was done."""
    try:
        plan = Plan.make(stream.ask())
        stream.say("plan", **plan.message())
        pause = stream.ask()["pause"]
        _survey(stream, plan, [str(name) for name in pause])
        if stream.stop.is_set():
            return 1
        stream.say("end")
    except (LaptopGone, BrokenPipeError, ConnectionResetError):
        return 1
    except UserError as error:
        stream.say("error", message=error.message, hint=error.hint)
    except ConfigError as error:
        stream.say("error", message=str(error), hint="")
    return 0


def _survey(stream: Stream, plan: Plan, pause: list[str]) -> None:
    wanted = plan.feed.networks or {}

    def show(adapter: Adapter, state: str) -> None:
        stream.say("progress", device=adapter.device, state=state)

    networks = {name: wanted.get(name, FORMATTERS) for name in plan.networks}
    found = hear(plan.free, networks, show, stream.stop)
    for report in found.ports:
        stream.say("port", **report.as_json())
    for network in found.networks:
        stream.say("network", **network.as_json())
    for link, adapter in plan.links:
        if link.name in pause and not stream.stop.is_set():
            report = _survey_link(stream, plan, link, adapter)
            show(adapter, report.summary)
            stream.say("port", **report.as_json())


def _survey_link(stream: Stream, plan: Plan, link: Link, adapter: Adapter) -> PortReport:
    """Listen on the port of a link while the feed has paused it."""

    def show(adapter: Adapter, state: str) -> None:
        stream.say("progress", device=adapter.device, state=state)

    try:
        with paused(plan.feed.pause_socket, link.name) as lease:
            stop = _Both(stream, lease)
            # Without a lock: if this process hangs, the feed can open its port all the same.
            report = survey_port(adapter, show, stop, lock=False)
    except NotPaused as error:
        return failed(adapter, str(error))
    if stop.taken_back and report.baud is None and not report.error:
        return failed(adapter, TAKEN_BACK)
    return report


def main(source: int = 0, sink: int = 1) -> int:
    """Serve the laptop at the other end of these descriptors."""
    stream = Stream(source, sink)
    stream.start()
    return serve(stream)
