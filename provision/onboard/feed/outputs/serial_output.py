# SPDX-License-Identifier: GPL-3.0-or-later
"""A listener: a serial output slower than what could be sent to it.

The wire is never filled ahead: a sentence is written when the one before it has left, so
that what is urgent does not wait in the kernel behind what is not.
"""

from __future__ import annotations

import asyncio
import os
from collections import deque
from collections.abc import Collection, Mapping
from contextlib import suppress
from itertools import chain
from typing import Any

from provision.onboard.feed.net.serial_port import character_time, waiting_to_leave
from provision.onboard.feed.nmea0183.sentence import CLIENT, Sentence, steers
from provision.onboard.feed.nmea0183.validity import is_void
from provision.onboard.feed.policy.rate_limit import Pace
from provision.onboard.feed.policy.stalls import STALE
from provision.onboard.feed.policy.steering_gate import Gate
from provision.onboard.feed.report.fault_log import Teller
from provision.onboard.feed.sources.serial_link import Link

#: Queues by urgency: steering, own position and motion, the rest.
STEERING, MOTION, REST = range(3)

#: Own position and motion (IEC 61162-1).
OWN_MOTION = frozenset(
    ["GGA", "GLL", "GNS", "RMC", "VTG", "HDG", "HDM", "HDT", "THS", "ROT", "VHW", "VBW", "ZDA"]
)

#: What a pilot follows besides, in the mode that holds an angle to the wind (common practice).
WIND = frozenset(["MWV", "MWD", "VWR", "VWT"])

#: Sentences that wait in one queue.
QUEUE = 32

#: What ends a sentence (IEC 61162-1).
LINE_END = b"\r\n"

#: Seconds for which what was written may stay in the kernel before the port is opened anew,
#: which is the only way to take it back.
STUCK = 2.0

#: Of these and of proprietary ones each says something of its own (waypoints, keys): a newer
#: one stands for none that waits.
EACH = frozenset({"RTE", "WPL"})

_REASONS = {
    "void": "it says that its data are not valid",
    "absent": "the adapter is not there",
    "rate": "it comes more often than the profile has it",
    "replaced": "a newer one has come before it could be sent",
    "full": "too much waits",
    "stale": "it would be more than a second old",
    "blocked": "the other side takes nothing",
}


class Listener:
    """Sends one link what its `listens` names."""

    def __init__(
        self,
        link: Link,
        gate: Gate,
        teller: Teller,
        network: Mapping[str, Collection[str]] | None = None,
    ) -> None:
        """`network` are the inputs by name, with the formatters that the profile says of them."""
        self._network = network or {}
        self.name = link.name
        self._link = link
        self._gate = gate
        self._teller = teller
        self._loop = asyncio.get_running_loop()
        self._character = character_time(link.config.baud)
        self._rates = link.config.listens
        self._pace = Pace(link.config.listens)
        self._queues: tuple[deque[Sentence], ...] = (deque(), deque(), deque())
        self._timer: asyncio.Handle | None = None
        self._free_at = 0.0
        self._begun: Sentence | None = None
        self._rest = b""
        self._until = 0.0
        """When the last character of what was begun must have left."""
        link.opened = self._open
        link.closed = self.clear
        self.sent = 0
        self.bytes = 0
        self.drops = dict.fromkeys(_REASONS, 0)

    def _open(self) -> None:
        """End what has gone out so far, lest the first sentence is taken for the rest of it.

        Until a new adapter's port is set up the kernel echoes to it what its instrument says.
        """
        if self._link.port is not None:
            with suppress(OSError):
                os.write(self._link.port, LINE_END)
            self._free_at = self._loop.time() + len(LINE_END) * self._character

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        if (
            origin == self.name
            or formatter not in self._rates
            or not self._link.config.sends.passes(origin, talker, formatter)
        ):
            return False
        if self.hears(origin, talker, formatter):
            return True
        said = f"{formatter} of {origin} is not passed on: the profile does not say that it may be"
        self._teller.warn(self.name, f"network {origin} {formatter}", said)
        return False

    def hears(self, origin: str, talker: str, formatter: str) -> bool:
        """Say whether this link may hear it: all from aboard, from the network what is named."""
        if steers(talker, formatter):
            # The gate decides, sentence by sentence.
            return True
        if origin in self._network:
            return origin in self._link.config.listens_to and formatter in self._network[origin]
        return not origin.startswith(CLIENT)

    def put(self, sentence: Sentence) -> None:
        # Before the gate: a plotter without a route must not keep the others from steering.
        if is_void(sentence):
            self._drop(sentence, "void")
            return
        if sentence.waited > STALE:
            # A pilot follows a heading or the wind, too.
            self._drop(sentence, "stale")
            return
        urgency = self._urgency(sentence)
        if urgency == STEERING and not self._gate.admits(sentence, self.name):
            return
        if self._link.port is None:
            self._drop(sentence, "absent")
            return
        queue = self._queues[urgency]
        if not (urgency == STEERING and self._replaces(sentence, queue)):
            if not self._pace.passes(sentence.formatter, sentence.heard):
                self._drop(sentence, "rate")
                return
            queue.append(sentence)
        if sum(map(len, self._queues)) > QUEUE:
            # The oldest of the least urgent goes.
            for least in reversed(self._queues):
                if least:
                    self._drop(least.popleft(), "full")
                    break
        if self._timer is None:
            # What has been read in one piece is all queued first: the most urgent and newest
            # of it is to go, not the first.
            self._timer = self._loop.call_soon(self._safely)

    def _replaces(self, sentence: Sentence, queue: deque[Sentence]) -> bool:
        """Put a steering sentence in the place of an older one that waits, if there is one."""
        if sentence.formatter in EACH or sentence.talker == "P":
            return False
        for place, waiting in enumerate(queue):
            if waiting.formatter == sentence.formatter:
                queue[place] = sentence
                self._drop(waiting, "replaced")
                return True
        return False

    def _urgency(self, sentence: Sentence) -> int:
        if steers(sentence.talker, sentence.formatter):
            return STEERING
        return MOTION if sentence.formatter in OWN_MOTION else REST

    def _drop(self, sentence: Sentence, reason: str) -> None:
        self.drops[reason] += 1
        if self._urgency(sentence) == STEERING or reason == "void":
            said = f"{sentence.formatter} of {sentence.origin} dropped: {_REASONS[reason]}"
            self._teller.warn(self.name, f"{reason} {sentence.formatter}", said)

    def _next(self, now: float) -> Sentence | None:
        for urgency, queue in enumerate(self._queues):
            while queue:
                sentence = queue.popleft()
                arrives = now + len(sentence.raw) * self._character
                is_followed = urgency != REST or sentence.formatter in WIND
                if is_followed and arrives - sentence.heard + sentence.waited > STALE:
                    self._drop(sentence, "stale")
                    continue
                return sentence
        return None

    def _safely(self) -> None:
        """Send what is next; what a fault of our own keeps from going out is dropped."""
        try:
            self._send()
        except Exception as error:
            self._teller.fault(self.name, "in sending", error)
            begun = self._begun is not None and len(self._rest) < len(self._begun.raw)
            self._begun, self._rest = None, b""
            if begun:
                # What follows is not to be taken for the rest of it.
                self._open()
            if any(self._queues):
                self._timer = self._loop.call_later(0.005, self._safely)

    def _send(self) -> None:
        self._timer = None
        port = self._link.port
        if port is None:
            self.clear()
            return
        now = self._loop.time()
        if now < self._free_at:
            self._timer = self._loop.call_at(self._free_at, self._safely)
            return
        if self._begun and now + len(self._rest) * self._character > self._until:
            # A half sentence fails its checksum on the other side.
            self._drop(self._begun, "blocked")
            self._begun, self._rest = None, b""
        if self._begun is None:
            if self._held_up(port, now):
                return
            sentence = self._next(now)
            if sentence is None:
                return
            self._begin(sentence, now)
        try:
            written = os.write(port, self._rest)
        except BlockingIOError:
            written = 0
        except OSError as error:
            self._link.lost(error.strerror or str(error))
            return
        self._rest = self._rest[written:]
        self.bytes += written
        if not self._rest:
            self._begun = None
            self.sent += 1
        # While blocked, ask again as often as a character or two would leave.
        self._free_at = now + max(written * self._character, 0.005)
        self._timer = self._loop.call_at(self._free_at, self._safely)

    def _held_up(self, port: int, now: float) -> bool:
        """Whether the kernel still holds what should have left: nothing is to wait behind it."""
        try:
            if not waiting_to_leave(port):
                return False
        except OSError as error:
            self._link.lost(error.strerror or str(error))
            return True
        if now - self._free_at > STUCK:
            self._link.lost("what is sent to it does not leave", "stuck")
        else:
            self._timer = self._loop.call_later(0.005, self._safely)
        return True

    def _begin(self, sentence: Sentence, now: float) -> None:
        self._begun, self._rest = sentence, sentence.raw
        steering = self._urgency(sentence) == STEERING
        begin = now + len(sentence.raw) * self._character
        if steering:
            begin = sentence.heard - sentence.waited
        self._until = begin + STALE

    def clear(self) -> None:
        """Drop all that waits; the port is closed."""
        waiting = [*([self._begun] if self._begun else []), *chain(*self._queues)]
        self._begun, self._rest = None, b""
        for queue in self._queues:
            queue.clear()
        for sentence in waiting:
            self._drop(sentence, "absent")

    def as_json(self) -> dict[str, Any]:
        """Queue and drops, for the state."""
        return {
            "sent": self.sent,
            "bytes": self.bytes,
            "queue": sum(map(len, self._queues)),
            "drops": dict(self.drops),
        }
