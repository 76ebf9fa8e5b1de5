# SPDX-License-Identifier: GPL-3.0-or-later
"""Count the parameter groups of an NMEA 2000 network by their source, without a socket or clock."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

from provision.onboard.feed.nmea2000.fast_packet import FastPackets, split_identifier
from provision.onboard.feed.nmea2000.frame import ERROR, EXTENDED, FRAME, REMOTE
from provision.onboard.feed.nmea2000.pgn import FORMATTERS, GROUPS

#: Groups that are told apart. A network has some dozen, and may be flooded with made-up ones.
MAX_GROUPS = 1000

#: Groups with a destination that are sent as fast packets, and from where on most without are:
#: groups for all, and of makers (NMEA 2000, from memory).
_FAST_ADDRESSED, _FAST_FROM = range(126208, 126721), 126976

#: Groups from `_FAST_FROM` on that one frame holds (from memory; a test compares them with a
#: reference library).
SINGLE = frozenset(
    (
        *(126992, 126993, 127245, 127250, 127251, 127252, 127257, 127258, 127488, 127493),
        *(127500, 127501, 127502, 127505, 127508, *range(127744, 127752)),
        *(*range(128000, 128004), *range(128006, 128009), 128259, 128267, 128768, 128769),
        *(128776, 128777, 128778, 128780, 129025, 129026, 129027, 129028, 129033, 129283),
        *(129291, 129539, 129546, 129550, 130306, *range(130310, 130317), 130560, 130576),
        *(130579, 130582, 130585),
    )
)


def is_fast(number: int) -> bool:
    """Report whether a group is sent as a fast packet, which takes several frames.

    >>> is_fast(129029), is_fast(129025), is_fast(60928), is_fast(126720)
    (True, False, False, True)
    """
    return number in _FAST_ADDRESSED or (number >= _FAST_FROM and number not in SINGLE)


@dataclass(frozen=True, order=True)
class GroupReport:
    """Hold how often one device sends a group."""

    pgn: int
    source: int
    """The address of the device on the network, 0 to 253."""
    rate: float | None = None
    """Times a second. None for a group that came once."""
    translated: bool = False
    """The feed makes sentences of it."""

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data, for `--json`."""
        return dict(vars(self))


@dataclass(frozen=True)
class NetworkReport:
    """Hold what was heard on one network."""

    device: str
    """The interface, such as can0."""
    groups: tuple[GroupReport, ...] = ()
    error: str = ""
    """Why the network could not be listened to."""

    @property
    def summary(self) -> str:
        """Write in a few words what was heard."""
        return self.error or (f"{len(self.groups)} groups" if self.groups else "silent")

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data, for `--json`."""
        return {
            "device": self.device,
            "groups": [group.as_json() for group in self.groups],
            "error": self.error or None,
        }


@dataclass
class _Count:
    """Count one group of one device."""

    first: float
    last: float
    times: int = 0

    def add(self, now: float) -> None:
        self.times += 1
        self.last = now

    @property
    def rate(self) -> float | None:
        spent = self.last - self.first
        return round((self.times - 1) / spent, 2) if spent > 0 else None


@dataclass
class Groups:
    """Collect the groups of one network. `wanted` are the sentences that the feed has to make."""

    wanted: Collection[str] = FORMATTERS
    _counts: dict[tuple[int, int], _Count] = field(default_factory=dict)
    _fast: FastPackets = field(default_factory=FastPackets)

    def take(self, frame: bytes, now: float) -> None:
        """Count a frame as the kernel gives it (linux/can.h), which came at `now` seconds."""
        if len(frame) != FRAME.size:
            return
        identifier, length, data = FRAME.unpack(frame)
        if not identifier & EXTENDED or identifier & (REMOTE | ERROR):
            return
        number, source = split_identifier(identifier & 0x1FFFFFFF)
        if is_fast(number) and self._fast.take(number, source, data[:length]) is None:
            return
        count = self._counts.get((number, source))
        if count is None:
            if len(self._counts) >= MAX_GROUPS:
                return
            count = self._counts[number, source] = _Count(now, now)
        count.add(now)

    def reports(self) -> tuple[GroupReport, ...]:
        """Report on all groups, by number and source."""
        return tuple(
            GroupReport(number, source, count.rate, self._translated(number))
            for (number, source), count in sorted(self._counts.items())
        )

    def _translated(self, number: int) -> bool:
        return number in GROUPS and not set(GROUPS[number].makes).isdisjoint(self.wanted)
