# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the feed from its configuration, and run its periodic work."""

from __future__ import annotations

import asyncio
import gc
import signal
import traceback
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.own_sockets import OwnPorts
from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.onboard.feed.outputs.registry import NetworkOutputs, OutputContext
from provision.onboard.feed.outputs.serial_output import SerialOutput
from provision.onboard.feed.outputs.tcp_server import TcpServer
from provision.onboard.feed.outputs.time_source import TimeSource
from provision.onboard.feed.policy.loop_guard import LoopGuard
from provision.onboard.feed.policy.source_priority import SourcePriority
from provision.onboard.feed.policy.stalls import Stalls
from provision.onboard.feed.policy.station_query import Stations
from provision.onboard.feed.policy.steering_gate import SteeringGate
from provision.onboard.feed.policy.tablet_proof import TabletProof
from provision.onboard.feed.report.fault_log import FaultLog, log
from provision.onboard.feed.report.sd_notify import notify, watchdog_interval
from provision.onboard.feed.report.state_socket import StateSocket
from provision.onboard.feed.router import Router
from provision.onboard.feed.sources.can import DEVICE_SILENCE_S, CanSource
from provision.onboard.feed.sources.ingest import Deliver
from provision.onboard.feed.sources.pause_socket import PauseSocket
from provision.onboard.feed.sources.serial_link import SerialLink
from provision.onboard.feed.sources.tcp_inputs import TcpInput, TcpServerInput
from provision.onboard.feed.sources.udp_inputs import MulticastInput, UdpInput
from provision.onboard.feed.voyage_log.log import VoyageLog

#: Seconds between two checks of links, clients and the controller.
WATCH_S = 2.0


Input = TcpInput | TcpServerInput | UdpInput | MulticastInput


def make_input(
    source: models.InputOptions,
    deliver: Deliver,
    stalls: Stalls,
    fault_log: FaultLog,
    own: OwnPorts,
) -> Input:
    """Return the input that `source` describes. OSError when its port is taken."""
    if source.tcp is not None:
        return TcpInput(source, deliver, stalls, fault_log)
    if source.listen is not None:
        return TcpServerInput(source, deliver, stalls, fault_log)
    if source.udp is not None:
        return UdpInput(source, deliver, stalls, fault_log, own)
    return MulticastInput(source, deliver, stalls, fault_log, own)


def may_come_back(settings: models.Config) -> dict[str, frozenset[str]]:
    """Return the formatters that each link may bring back, because links are sent them."""
    sent = frozenset(formatter for link in settings.links for formatter in link.listens)
    return {
        **{link.name: sent if link.listens else frozenset() for link in settings.links},
        **{can.name: frozenset() for can in settings.cans},
    }


class Feed:
    """Holds the feed of one configuration. Create it inside a running loop."""

    def __init__(self, settings: models.Config) -> None:
        """Open the ports to listen on (OSError when one is taken). All else may appear later."""
        self._settings = settings
        self._loop = asyncio.get_running_loop()
        self._began = self._loop.time()
        self.fault_log = FaultLog()
        self.own = OwnPorts()
        named = frozenset(name for link in settings.links for name in link.listens_to)
        self.loop_guard = LoopGuard(may_come_back(settings), self.fault_log, named)
        self.priority = SourcePriority(settings.prefer) if settings.prefer else None
        self.stalls = Stalls()
        self.router = Router(self.loop_guard, self.priority, self.stalls, self.fault_log)
        datagrams = frozenset(i.name for i in settings.inputs if i.udp is not None or i.multicast)
        by_name = {link.name: link for link in settings.links}
        self.gate = SteeringGate(settings.steering, by_name, datagrams, self.fault_log)
        listened = frozenset(name for link in settings.links for name in link.listens)
        stations = Stations(settings.stations)
        self.proof = TabletProof(
            settings.steering, listened, stations, self._hang_up, self.fault_log
        )
        deliver = self.router.publish

        def deliver_proven(sentences: list[Sentence]) -> None:
            self.proof.take(sentences, deliver)

        self.links = [
            SerialLink(link, deliver, self.stalls, self.fault_log) for link in settings.links
        ]
        silence = settings.prefer.silence if settings.prefer else DEVICE_SILENCE_S
        self.cans = [
            CanSource(can, deliver, self.stalls, self.fault_log, silence) for can in settings.cans
        ]
        self.inputs = [
            make_input(i, deliver_proven, self.stalls, self.fault_log, self.own)
            for i in settings.inputs
        ]
        self.sources: list[SerialLink | CanSource | Input] = [*self.links, *self.cans, *self.inputs]
        self._outputs()

    def _outputs(self) -> None:
        settings, fault_log = self._settings, self.fault_log
        network = {source.name: frozenset(source.talks) for source in settings.inputs}
        self.listeners = [
            SerialOutput(link, self.gate, fault_log, network)
            for link in self.links
            if link.config.listens
        ]
        context = OutputContext(
            self.router, self.gate, self.proof, fault_log, self.own, settings.inputs
        )
        self.outputs = NetworkOutputs(settings.outputs, context)
        bauds = {link.name: link.baud for link in settings.links}
        self.clock = TimeSource(settings.clock, bauds, fault_log) if settings.clock else None
        self.log = VoyageLog(settings.log, fault_log) if settings.log else None
        for tap in (self.clock, self.log):
            if tap is not None:
                self.router.tap(tap)
        # The most urgent first.
        for listener in self.listeners:
            if network and settings.prefer:
                priority = SourcePriority(settings.prefer, f"{listener.name}: ")
                self.router.add_apart(listener, listener.hears, priority)
            else:
                self.router.add(listener)
        for output in self.outputs.all():
            self.router.add(output)
        self.state_socket = StateSocket(
            settings.state.socket, self.state, group=settings.state.group
        )
        pause = settings.state.pause
        self.pause_socket = PauseSocket(pause, self.links, fault_log) if pause else None
        self.tasks: list[asyncio.Task[None]] = []

    @property
    def server(self) -> TcpServer | None:
        """Return the server that tablets read the feed from."""
        servers = [one for one in self.outputs.all() if isinstance(one, TcpServer)]
        return servers[0] if servers else None

    def _hang_up(self, address: str, before: float) -> None:
        for output in self.outputs.all():
            output.hang_up(address, before)
        for source in self.inputs:
            if isinstance(source, TcpInput | TcpServerInput):
                source.hang_up(address, before)

    async def start(self) -> None:
        """Start to read, and notify systemd."""
        self._loop.set_exception_handler(self._failed)
        await self.state_socket.start()
        self.stalls.start()
        for source in self.sources:
            source.open()
        if self.pause_socket is not None:
            await self.pause_socket.start()
        self.tasks = [
            asyncio.create_task(self._watch()),
            asyncio.create_task(self._journal()),
        ]
        notify("READY=1")
        interval = watchdog_interval()
        if interval is not None:
            self.tasks.append(asyncio.create_task(self._sign_of_life(interval)))

    def _failed(self, _: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Log a fault of our own in handling one event, once. The feed goes on."""
        error = context.get("exception")
        where = traceback.extract_tb(error.__traceback__)[-1:] if error else []
        trace = "".join(f" at {frame.filename}:{frame.lineno}" for frame in where)
        self.fault_log.warn("boat-feed", trace, f"{context['message']}: {error!r}{trace}")

    def stop(self) -> None:
        """Close everything."""
        notify("STOPPING=1")
        for task in self.tasks:
            task.cancel()
        for source in self.sources:
            source.close()
        self.proof.close()
        self.stalls.close()
        sockets = self.state_socket, self.pause_socket
        for part in [*self.outputs.all(), self.clock, self.log, *sockets]:
            if part is not None:
                part.close()

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(WATCH_S)
            now = self._loop.time()
            for source in self.sources:
                source.watch(now)
            self.gate.watch(now)
            self.proof.watch()
            for output in self.outputs.all():
                output.watch(now)

    async def _journal(self) -> None:
        while True:
            await asyncio.sleep(self._settings.state.journal)
            for source in self.sources:
                counted = source.as_json()
                log.info(
                    "%s: %d bytes, %d sentences, %d errors",
                    *(source.name, counted["bytes"], counted["sentences"]),
                    sum(counted["errors"].values()),
                )
            for output in self.outputs.all():
                if summary := output.summary():
                    log.info("%s: %s", output.name, summary)
            for listener in self.listeners:
                counted = listener.as_json()
                log.info(
                    "%s: %d sentences sent to it, %d dropped",
                    *(listener.name, counted["sent"], sum(counted["drops"].values())),
                )

    async def _sign_of_life(self, interval: float) -> None:
        while True:
            notify("WATCHDOG=1")
            await asyncio.sleep(interval)

    def state(self) -> dict[str, Any]:
        """Return everything that a client can ask for, as plain data.

        links, inputs: by name, whether present, bytes, sentences, errors by kind, rates
        (sentences a second by formatter, taken over the last rates_over seconds, at most
        20), last_heard (seconds ago), minute (sentences of each of the last 60 seconds, the
        present one last), last (by formatter, MWV by reference, seconds ago and the sentence,
        of those that passed the filter), of serial links baud, load (percent of the baud rate),
        how often opened, and whether paused for a survey;
        outputs: of each its queue, what was sent and what was dropped and why; believed:
        the source of each kind of data and since how many seconds; steering: controller,
        since, last_heard, controllers by listener, how many sentences were refused, and by
        which pass-phrase the tablets that have their own have joined;
        echoes: sentences that came back and were dropped; withheld: by source, steering
        sentences that were only logged, because they may be old; faults: by output or other
        part, how often it failed by a fault of our own; log and clock: what was written,
        given and refused.
        """
        now = self._loop.time()
        return {
            "running": round(now - self._began, 1),
            "links": {
                link.name: link.as_json()
                for link in self.sources
                if isinstance(link, SerialLink | CanSource)
            },
            "inputs": {source.name: source.as_json() for source in self.inputs},
            "outputs": {
                **self.outputs.as_json(),
                "listeners": {listener.name: listener.as_json() for listener in self.listeners},
            },
            "believed": self.priority.as_json(now) if self.priority else {},
            "echoes": self.loop_guard.dropped,
            "withheld": dict(self.router.withheld),
            "faults": dict(self.fault_log.faults),
            "steering": {**self.gate.as_json(now), "tablets": self.proof.as_json()},
            "log": self.log.as_json() if self.log else None,
            "clock": self.clock.as_json() if self.clock else None,
        }


async def run(settings: models.Config) -> None:
    """Feed until SIGTERM or SIGINT."""
    feed = Feed(settings)
    end = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, end.set)
    await feed.start()
    # The objects loaded by now stay. The collector need not look at them again.
    gc.collect()
    gc.freeze()
    for task in feed.tasks:
        # A task ends only by a fault. systemd then restarts the feed.
        task.add_done_callback(lambda _: end.set())
    try:
        await end.wait()
        for task in feed.tasks:
            if task.done():
                task.result()
    finally:
        feed.stop()
