# SPDX-License-Identifier: GPL-3.0-or-later
"""Name the types of values in the configuration, with their bounds."""

from __future__ import annotations

import socket
from collections.abc import Callable, Collection, Mapping
from typing import Annotated, NamedTuple

from provision.onboard.feed.config.json_reader import INLINE, between
from provision.onboard.feed.nmea0183.filters import Filter
from provision.onboard.feed.nmea0183.kinds import KINDS
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS

#: Rates that serial adapters and instruments use. 4800 is IEC 61162-1, 38400 IEC 61162-2. Depth
#: sounders and compasses of before NMEA 0183 version 2 send at 1200 or 2400 (from memory).
BAUD_RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)

#: Seconds between two writes of the voyage log.
LOG_INTERVAL_S = 300.0

#: No true date lies before it: 2025-08-09, when the boat's Debian was released.
RELEASED = 1754697600

#: Passes everything.
EVERYTHING = Filter()


def _one_of(values: Collection[object]) -> Callable[[object], object]:
    def check(value: object) -> object:
        if value not in values:
            raise ValueError(f"{value} is none of {', '.join(map(str, values))}")
        return value

    return check


def _address(text: str) -> str:
    """Check an IPv4 address. A name would need a lookup, which takes a thread."""
    try:
        socket.inet_pton(socket.AF_INET, text)
    except OSError:
        raise ValueError(f"{text} is no IPv4 address") from None
    return text


def _own_address(text: str) -> str:
    return _address(text) if text else text


def _multicast_source(text: str) -> str:
    """Check for two letters and four digits (IEC 61162-450, from memory)."""
    if len(text) != 6 or not (text[:2].isalpha() and text[2:].isdecimal()):
        raise ValueError(f"{text} is not two letters and four digits")
    return text


class Endpoint(NamedTuple):
    """Names a TCP server."""

    address: str
    port: int

    @classmethod
    def parse(cls, text: str) -> Endpoint:
        """Read ADDRESS:PORT. ValueError for any other text."""
        address, _, port = text.rpartition(":")
        if not port.isdecimal() or not 1 <= int(port) <= 65535:
            raise ValueError(f"{port or 'nothing'} is no port")
        return cls(_address(address), int(port))


Address = Annotated[str, _address]
Baud = Annotated[int, _one_of(BAUD_RATES)]
InlineFilter = Annotated[Filter, INLINE]
Kind = Annotated[str, _one_of(KINDS)]
Mac = Annotated[str, str.lower]
MulticastSource = Annotated[str, _multicast_source]
TransmissionGroup = Annotated[str, _one_of(GROUPS)]

#: An address of our own. Empty for any.
OwnAddress = Annotated[str, _own_address]

#: A port to listen on. 0 lets the system choose one.
ListenPort = Annotated[int, between(0, 65535)]

#: Sentences a second by formatter.
Rates = Mapping[str, Annotated[float, between(0.001, 1000)]]
