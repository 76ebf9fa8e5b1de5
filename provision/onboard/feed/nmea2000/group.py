# SPDX-License-Identifier: GPL-3.0-or-later
"""Describe a parameter group: how it is decoded, and which kinds of data its sentences carry."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

#: Data bytes of one frame. A longer group is sent as a fast packet (ISO 11783-3, NMEA 2000).
FRAME_BYTES = 8


@dataclass(frozen=True)
class Group:
    """Describes one parameter group."""

    number: int
    decode: Callable[..., list[str]]
    """Makes sentences, without talker and checksum, from the group's data."""
    makes: Mapping[str, str]
    """The formatters of these sentences, with the kind of data that each carries."""
    min_bytes: int = FRAME_BYTES
    """The shortest data that `decode` can read. More than one frame's mean a fast packet."""
    takes_mode: bool = False
    """True if `decode` needs the mode of the device's fix, which the group does not carry."""
    shared: bool = False
    """True if several devices each send some of the data: one the sea's temperature, one the
    air's. A device is then believed for each stream by itself (see `stream_of`)."""

    @property
    def is_fast(self) -> bool:
        """Report whether the group is sent as a fast packet."""
        return self.min_bytes > FRAME_BYTES


def stream_of(formatter: str, fields: list[str]) -> str:
    """Name what a sentence measures: its formatter, and of XDR the type and name of its first
    transducer.

    >>> stream_of("MTW", ["15.0", "C"]), stream_of("XDR", ["C", "18.5", "C", "AIR"])
    ('MTW', 'XDR C AIR')
    """
    return f"XDR {fields[0]} {fields[3]}" if formatter == "XDR" else formatter
