# SPDX-License-Identifier: GPL-3.0-or-later
"""Send sentences to a listener, whose serial line is slower than the feed.

The wire is never filled ahead. A sentence is written when the sentence before it has left, so
that an urgent sentence does not wait in the kernel behind less urgent sentences.
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
from provision.onboard.feed.nmea0183.sentence import CLIENT_PREFIX, Sentence, steers
from provision.onboard.feed.nmea0183.validity import is_void
from provision.onboard.feed.policy.rate_limit import RateLimit
from provision.onboard.feed.policy.steering_age import MAX_STEERING_AGE_S
from provision.onboard.feed.policy.steering_gate import SteeringGate
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.sources.serial_link import SerialLink

#: Queues by urgency: steering, own position and motion, the rest.
STEERING, MOTION, REST = range(3)

#: Own position and motion (IEC 61162-1).
OWN_MOTION = frozenset(
    ["GGA", "GLL", "GNS", "RMC", "VTG", "HDG", "HDM", "HDT", "THS", "ROT", "VHW", "VBW", "ZDA"]
)

#: Sentences that a pilot also follows, when it holds an angle to the wind (common practice).
WIND = frozenset(["MWV", "MWD", "VWR", "VWT"])

#: Sentences that wait in one queue.
MAX_QUEUE_SENTENCES = 32

#: End of a sentence (IEC 61162-1).
LINE_END = b"\r\n"

#: Seconds that written bytes may stay in the kernel before the port is reopened. Only that
#: discards them.
STUCK_S = 2.0

#: Each of these sentences, and each proprietary sentence, has its own content (waypoints, keys):
#: a newer sentence does not replace a waiting one.
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


class SerialOutput:
    """Sends a link the sentences that its `listens` names."""

    def __init__(
        self,
        link: SerialLink,
        gate: SteeringGate,
        fault_log: FaultLog,
        network: Mapping[str, Collection[str]] | None = None,
    ) -> None:
        """Take `network`: the inputs by name, with the formatters that the profile gives them."""
        self._network = network or {}
        self.name = link.name
        self._link = link
        self._gate = gate
        self._fault_log = fault_log
        self._loop = asyncio.get_running_loop()
        self._character = character_time(link.config.baud)
        self._rates = link.config.listens
        self._rate_limit = RateLimit(link.config.listens)
        self._queues: tuple[deque[Sentence], ...] = (deque(), deque(), deque())
        self._timer: asyncio.Handle | None = None
        self._free_at = 0.0
        self._begun: Sentence | None = None
        self._rest = b""
        self._until = 0.0
        """When the last character of the sentence in progress must have left."""
        link.opened = self._open
        link.closed = self.clear
        self.sent = 0
        self.bytes = 0
        self.drops = dict.fromkeys(_REASONS, 0)

    def _open(self) -> None:
        """Send CR LF first, so that stray bytes do not join our first sentence.

        Until a new adapter's port is set up, the kernel echoes to it what its instrument sends.
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
        message = (
            f"{formatter} of {origin} is not passed on: the profile does not say that it may be"
        )
        self._fault_log.warn(self.name, f"network {origin} {formatter}", message)
        return False

    def hears(self, origin: str, talker: str, formatter: str) -> bool:
        """Report whether this link may hear the kind.

        It may hear every source aboard. From the network it may hear what the profile names.
        """
        if steers(talker, formatter):
            # The gate decides, sentence by sentence.
            return True
        if origin in self._network:
            return origin in self._link.config.listens_to and formatter in self._network[origin]
        return not origin.startswith(CLIENT_PREFIX)

    def put(self, sentence: Sentence) -> None:
        # Before the gate: a plotter without a route must not keep other senders from steering.
        if is_void(sentence):
            self._drop(sentence, "void")
            return
        if sentence.waited > MAX_STEERING_AGE_S:
            # A pilot also follows a heading or the wind.
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
            if not self._rate_limit.passes(sentence.formatter, sentence.heard):
                self._drop(sentence, "rate")
                return
            queue.append(sentence)
        if sum(map(len, self._queues)) > MAX_QUEUE_SENTENCES:
            # Drop the oldest sentence of the least urgent queue.
            for least in reversed(self._queues):
                if least:
                    self._drop(least.popleft(), "full")
                    break
        if self._timer is None:
            # Queue all that was read in one piece first: the most urgent and newest sentence must
            # go out, not the first.
            self._timer = self._loop.call_soon(self._safely)

    def _replaces(self, sentence: Sentence, queue: deque[Sentence]) -> bool:
        """Replace an older steering sentence that waits, if there is one."""
        if sentence.formatter in EACH or sentence.talker == "P":
            return False
        for index, waiting in enumerate(queue):
            if waiting.formatter == sentence.formatter:
                queue[index] = sentence
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
            message = f"{sentence.formatter} of {sentence.origin} dropped: {_REASONS[reason]}"
            self._fault_log.warn(self.name, f"{reason} {sentence.formatter}", message)

    def _next(self, now: float) -> Sentence | None:
        for urgency, queue in enumerate(self._queues):
            while queue:
                sentence = queue.popleft()
                arrives = now + len(sentence.raw) * self._character
                is_followed = urgency != REST or sentence.formatter in WIND
                if is_followed and arrives - sentence.heard + sentence.waited > MAX_STEERING_AGE_S:
                    self._drop(sentence, "stale")
                    continue
                return sentence
        return None

    def _safely(self) -> None:
        """Send the next sentence. Drop the sentence that a fault of our own stops."""
        try:
            self._send()
        except Exception as error:
            self._fault_log.fault(self.name, "in sending", error)
            begun = self._begun is not None and len(self._rest) < len(self._begun.raw)
            self._begun, self._rest = None, b""
            if begun:
                # The next sentence must not join the rest of the broken one.
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
        """Report whether the kernel still holds bytes that should have left.

        No sentence may wait behind them.
        """
        try:
            if not waiting_to_leave(port):
                return False
        except OSError as error:
            self._link.lost(error.strerror or str(error))
            return True
        if now - self._free_at > STUCK_S:
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
        self._until = begin + MAX_STEERING_AGE_S

    def clear(self) -> None:
        """Drop all sentences that wait: the port is closed."""
        waiting = [*([self._begun] if self._begun else []), *chain(*self._queues)]
        self._begun, self._rest = None, b""
        for queue in self._queues:
            queue.clear()
        for sentence in waiting:
            self._drop(sentence, "absent")

    def as_json(self) -> dict[str, Any]:
        """Return queue and drops, for the state."""
        return {
            "sent": self.sent,
            "bytes": self.bytes,
            "queue": sum(map(len, self._queues)),
            "drops": dict(self.drops),
        }
