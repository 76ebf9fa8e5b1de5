# SPDX-License-Identifier: GPL-3.0-or-later
"""Survey this boat for a laptop: plan, wait for the laptop's word, listen, and report.

The laptop sends `{"devices": [PATH], "config": PATH, "sys": PATH, "trial": PATH}`, gets the plan,
and then sends `{"pause": [NAME]}`, the links that the feed has to give. Each message of this side
has a `kind`: plan, progress, port, network, end, error, alive.
"""

from __future__ import annotations

from pathlib import Path

from provision.errors import UserError
from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.nmea2000.pgn import FORMATTERS
from provision.survey.aboard.feed import Lease, NotPaused, paused
from provision.survey.aboard.plan import Plan
from provision.survey.aboard.settings import Link
from provision.survey.aboard.stream import LaptopGone, Stream
from provision.survey.adapters import Adapter
from provision.survey.findings import hear
from provision.survey.listening import survey_port
from provision.survey.report import PortReport, failed

#: Why a port has no result though it was the survey's.
TAKEN_BACK = "the feed took its port back before it was certain"
TRIAL = "settings are on trial now: its port is the feed's, or they would roll back"


class _Until:
    """Stops for the laptop, for the feed, and for a trial, whose proof needs each link."""

    def __init__(self, stream: Stream, lease: Lease, trial: Path) -> None:
        self._stream, self._lease, self._trial = stream, lease, trial
        self.reason = ""

    def is_set(self) -> bool:
        if self._lease.is_set():
            self.reason = TAKEN_BACK
        elif self._trial.exists():
            self.reason = TRIAL
        return bool(self.reason) or self._stream.stop.is_set()


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

    if plan.trial.exists():
        return failed(adapter, TRIAL)
    try:
        with paused(plan.feed.pause_socket, link.name) as lease:
            stop = _Until(stream, lease, plan.trial)
            # Without a lock: if this process hangs, the feed can open its port all the same.
            report = survey_port(adapter, show, stop, lock=False)
    except NotPaused as error:
        return failed(adapter, str(error))
    if stop.reason and report.baud is None and not report.error:
        return failed(adapter, stop.reason)
    return report


def main(source: int = 0, sink: int = 1) -> int:
    """Serve the laptop at the other end of these descriptors."""
    stream = Stream(source, sink)
    stream.start()
    return serve(stream)
