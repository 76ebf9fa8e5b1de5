# SPDX-License-Identifier: GPL-3.0-or-later
"""Read an NMEA 2000 network: parameter groups in, sentences out.

The system brings the interface up at 250 kbit/s (ISO 11783-2 / NMEA 2000). This source only
listens.
"""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.retry import Retry
from provision.onboard.feed.nmea0183.sentence import ENCAPSULATED, Sentence, make
from provision.onboard.feed.nmea0183.validity import is_void
from provision.onboard.feed.nmea2000.fast_packet import FastPackets, split_identifier
from provision.onboard.feed.nmea2000.frame import ERROR, EXTENDED, FRAME, REMOTE
from provision.onboard.feed.nmea2000.group import Group, stream_of
from provision.onboard.feed.nmea2000.pgn import FORMATTERS, GROUPS, sentences
from provision.onboard.feed.nmea2000.position import FIX, fix_mode
from provision.onboard.feed.policy.rate_limit import RateLimit
from provision.onboard.feed.policy.stalls import Stalls
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.sources.ingest import Deliver, Ingest

#: Seconds between attempts to open the interface: at first, and at most.
RETRY_S = (0.5, 4.0)

#: Seconds without valid data after which another device is believed, unless the profile sets it.
DEVICE_SILENCE_S = 5.0

#: Seconds that a device's own report of its fix holds. Another device may get its address then.
FIX_HOLDS_S = 60.0

#: Frames read before other sources get their turn.
FRAMES_PER_TURN = 32


class CanSource:
    """Reads one SocketCAN interface."""

    def __init__(
        self,
        can: models.CanOptions,
        deliver: Deliver,
        stalls: Stalls,
        fault_log: FaultLog,
        silence: float = DEVICE_SILENCE_S,
    ) -> None:
        """Take `silence`, the seconds without valid data after which another device is believed."""
        self.name = can.name
        self._interface = can.interface
        self._fault_log = fault_log
        self._loop = asyncio.get_running_loop()
        self._ingest = Ingest(can, deliver, stalls, fault_log)
        self._arrivals = self._ingest.arrivals()
        self._rate_limit = RateLimit(can.talks or dict.fromkeys(FORMATTERS, 1.0))
        self._made = frozenset(can.talks or FORMATTERS)
        self._fast = FastPackets()
        self._silence = silence
        self._believed: dict[int | str, tuple[int, float]] = {}
        """The device that is believed for each group, or stream of a group that devices share,
        and when its data were valid last."""
        self._fixes: dict[int, tuple[str, float]] = {}
        """The mode of each device's fixes, and when it reported it."""
        self._channel: socket.socket | None = None
        self._retry = Retry(self.open, RETRY_S)
        self.frames = 0

    def open(self) -> None:
        """Try to open the interface, and keep trying."""
        channel = None
        try:
            channel = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
            channel.setblocking(False)
            # Frames of other groups do not wake us.
            mask = 0x03FFFF00 | EXTENDED | REMOTE
            wanted = [struct.pack("=II", group << 8 | EXTENDED, mask) for group in GROUPS]
            channel.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, b"".join(wanted))
            channel.bind((self._interface,))
            # An interface that is down can be bound to. The error waits in the socket.
            waiting = channel.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if waiting:
                raise OSError(waiting, os.strerror(waiting))
        except OSError as error:
            if channel is not None:
                channel.close()
            message = f"{self._interface}: {error.strerror or error}; trying on"
            self._fault_log.warn(self.name, "open", message)
            self._retry.later()
            return
        self.use(channel)

    def use(self, channel: socket.socket) -> None:
        """Read frames from this socket from now on."""
        self._channel = channel
        self._retry.worked()
        self._ingest.opened()
        self._arrivals.emptied()
        self._loop.add_reader(channel, self._read)
        self._fault_log.cleared(self.name, "open", "open again")

    def _read(self) -> None:
        for _ in range(FRAMES_PER_TURN):
            if self._channel is None:
                return
            try:
                frame = self._channel.recv(FRAME.size)
            except BlockingIOError:
                self._arrivals.emptied()
                return
            except OSError as error:
                self._close_channel()
                self._fault_log.warn(self.name, "open", f"{self._interface}: {error.strerror}")
                self._retry.later()
                return
            since = self._arrivals.read(len(frame), more=True)
            if len(frame) == FRAME.size:
                identifier, length, data = FRAME.unpack(frame)
                if identifier & EXTENDED and not identifier & (REMOTE | ERROR):
                    self.frames += 1
                    self._take(identifier & 0x1FFFFFFF, data[:length], since)

    def _take(self, identifier: int, data: bytes, since: float) -> None:
        number, source = split_identifier(identifier)
        group = GROUPS.get(number)
        if group is None:
            return
        whole = self._fast.take(number, source, data) if group.is_fast else data
        if whole is None or len(whole) < group.min_bytes:
            return
        now = self._loop.time()
        if number == FIX and (mode := fix_mode(whole)):
            self._fixes[source] = (mode, now)
        made = [
            make(text, origin=self.name, heard=now)._replace(waited=now - since)
            for text in sentences(number, whole, self._mode(source, now))
        ]
        believed, passed = False, list[Sentence]()
        for topic, about in _by_topic(group, made).items():
            wanted = [sentence for sentence in about if sentence.formatter in self._made]
            # A device that sends only what the profile does not ask for silences no other device.
            valid = bool(wanted) and not any(is_void(sentence) for sentence in about)
            if self._believes(topic, source, now, valid=valid):
                believed = True
                passed += [sentence for sentence in wanted if self._is_due(sentence, now)]
        if believed:
            self._ingest.took(len(data), passed)

    def _is_due(self, sentence: Sentence, now: float) -> bool:
        """Report whether the sentence keeps its rate. AIS reports of many ships all pass."""
        formatter = sentence.formatter
        if formatter in ENCAPSULATED:
            return True
        return self._rate_limit.passes(formatter, now, stream_of(formatter, sentence.fields))

    def _mode(self, source: int, now: float) -> str:
        """Return the mode of a device's positions: 'autonomous' if it reports no fix."""
        mode, at = self._fixes.get(source, ("A", now))
        return mode if now - at < FIX_HOLDS_S else "A"

    def _believes(self, topic: int | str, source: int, now: float, *, valid: bool) -> bool:
        """Report whether `source` is believed for `topic`: the first device with valid data.

        Another device takes over when the believed one had no valid data for `silence` seconds.
        Before a device had valid data, all pass.
        """
        believed, last = self._believed.get(topic, (None, now))
        if valid and (believed in (None, source) or now - last > self._silence):
            self._believed[topic] = (source, now)
            return True
        return believed in (None, source)

    def watch(self, now: float) -> None:
        """Do nothing: the kernel reports when the interface goes."""

    def _close_channel(self) -> None:
        if self._channel is not None:
            self._loop.remove_reader(self._channel)
            self._channel.close()
            self._channel = None

    def close(self) -> None:
        self._retry.cancel()
        self._close_channel()
        self._ingest.close()

    def as_json(self) -> dict[str, Any]:
        """Return counters and rates, for the state."""
        return {
            "present": self._channel is not None,
            **self._ingest.as_json(),
            "frames": self.frames,
            "torn": self._fast.dropped,
        }


def _by_topic(group: Group, sentences: list[Sentence]) -> Mapping[int | str, list[Sentence]]:
    """Sort a group's sentences by what one device is believed for: the group, or a stream."""
    if not group.shared:
        return {group.number: sentences}
    topics: defaultdict[int | str, list[Sentence]] = defaultdict(list)
    for sentence in sentences:
        topics[stream_of(sentence.formatter, sentence.fields)].append(sentence)
    return topics
