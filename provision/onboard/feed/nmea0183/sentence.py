# SPDX-License-Identifier: GPL-3.0-or-later
"""A sentence of NMEA 0183 / IEC 61162-1: address, fields, and where it came from."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from provision.onboard.feed.nmea0183.checksum import checksum
from provision.onboard.feed.nmea0183.tag_block import Tag

#: What the names of clients begin with, as origins of sentences.
CLIENT = "client "

#: At most 82 characters from the start delimiter to CR LF (IEC 61162-1).
LENGTH = 82

#: Where a link allows longer ones, still no more than this.
LONG = 512

#: Talkers of AIS stations and receivers send encapsulated sentences (IEC 61162-1).
ENCAPSULATED = frozenset({"VDM", "VDO"})

#: Sentences that an autopilot follows: what steers to a waypoint, along a track or to a
#: heading, and what loads a route (IEC 61162-1; which of them a pilot heeds is common practice).
STEERS = frozenset(
    {
        *("AAM", "APA", "APB", "BEC", "BOD", "BWC", "BWR", "BWW", "HSC"),
        *("HTC", "RMB", "RTE", "TRC", "WCV", "WNC", "WPL", "XTE", "XTR"),
    }
)


class Sentence(NamedTuple):
    """One valid sentence."""

    raw: bytes
    """From the start delimiter to CR LF."""
    talker: str
    """Two letters, or P for a proprietary sentence."""
    formatter: str
    """Three letters, or the whole address of a proprietary sentence (P...)."""
    origin: str
    """The link, input or client that it came from."""
    heard: float
    """When its end was read, in seconds of the monotonic clock."""
    trail: int = 0
    """How many bytes were read behind it in the same piece."""
    tag: Tag | None = None
    """What its TAG block said."""
    sender: str = ""
    """The network address that sent it; empty on a serial link."""
    stored: bool = False
    """Whether it may have waited in the adapter for hours until its port was opened."""
    connected: float = 0.0
    """When the connection began that it came by, in seconds of the monotonic clock."""
    waited: float = 0.0
    """Seconds from when its first octet may have come, at the earliest, until its end was read."""
    keyid: str = ""
    """The pass-phrase that its sender is proven to have joined the Wi-Fi by (see proof.py)."""

    @property
    def fields(self) -> list[str]:
        """What stands between the commas, the address left out."""
        return self.raw[: self.raw.rindex(b"*")].decode("ascii").split(",")[1:]


@lru_cache(maxsize=1024)
def split_address(address: bytes) -> tuple[str, str]:
    """Talker and formatter of an address field.

    >>> split_address(b"GPGLL"), split_address(b"PXYZ1")
    (('GP', 'GLL'), ('P', 'PXYZ1'))
    """
    text = address.decode("ascii")
    if text.startswith("P"):
        return "P", text
    return text[:-3], text[-3:]


def steers(talker: str, formatter: str) -> bool:
    """Whether such a sentence may move the rudder; a proprietary one may do anything."""
    return formatter in STEERS or talker == "P"


def frame(body: str) -> bytes:
    """A whole sentence around `body`, which begins with the start delimiter.

    >>> frame("$GPVTG,089.0,T,,,15.2,N,,")
    b'$GPVTG,089.0,T,,,15.2,N,,*7F\\r\\n'
    """
    raw = body.encode("ascii")
    return b"%b*%02X\r\n" % (raw, checksum(raw[1:]))


def make(body: str, *, origin: str, heard: float) -> Sentence:
    """A sentence of our own making, as if heard from `origin`."""
    raw = frame(body)
    talker, formatter = split_address(raw[1:-5].split(b",", 1)[0])
    return Sentence(raw, talker, formatter, origin, heard)
