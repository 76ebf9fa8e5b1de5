# SPDX-License-Identifier: GPL-3.0-or-later
"""Represent a sentence of NMEA 0183 / IEC 61162-1: address, fields, and where it came from."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from provision.onboard.feed.nmea0183.checksum import checksum
from provision.onboard.feed.nmea0183.tag_block import Tag

#: Prefix of the names of clients, as origins of sentences.
CLIENT_PREFIX = "client "

#: At most 82 characters from the start delimiter to CR LF (IEC 61162-1).
MAX_SENTENCE_CHARS = 82

#: Limit for a link that allows longer sentences.
MAX_LONG_SENTENCE_CHARS = 512

#: Talkers of AIS stations and receivers send encapsulated sentences (IEC 61162-1).
ENCAPSULATED = frozenset({"VDM", "VDO"})

#: Sentences that an autopilot follows: they steer to a waypoint, along a track or to a
#: heading, or load a route (IEC 61162-1; which of them a pilot heeds is common practice).
STEERS = frozenset(
    {
        *("AAM", "APA", "APB", "BEC", "BOD", "BWC", "BWR", "BWW", "HSC"),
        *("HTC", "RMB", "RTE", "TRC", "WCV", "WNC", "WPL", "XTE", "XTR"),
    }
)


class Sentence(NamedTuple):
    """Holds one valid sentence."""

    raw: bytes
    """The bytes from the start delimiter to CR LF."""
    talker: str
    """Two letters, or P for a proprietary sentence."""
    formatter: str
    """Three letters, or the whole address of a proprietary sentence (P...)."""
    origin: str
    """The link, input or client that the sentence came from."""
    heard: float
    """When its end was read, in seconds of the monotonic clock."""
    trail: int = 0
    """Bytes read behind it in the same piece."""
    tag: Tag | None = None
    """Its TAG block, if it had one."""
    sender: str = ""
    """The network address that sent it. Empty on a serial link."""
    stored: bool = False
    """True if it may have waited in the adapter for hours until its port was opened."""
    connected: float = 0.0
    """When its connection began, in seconds of the monotonic clock."""
    waited: float = 0.0
    """Seconds from the earliest time its first octet may have come until its end was read."""
    keyid: str = ""
    """The pass-phrase that its sender is proven to have joined by (see tablet_proof.py)."""

    @property
    def fields(self) -> list[str]:
        """Return the texts between the commas, without the address."""
        return self.raw[: self.raw.rindex(b"*")].decode("ascii").split(",")[1:]


@lru_cache(maxsize=1024)
def split_address(address: bytes) -> tuple[str, str]:
    """Split an address field into talker and formatter.

    >>> split_address(b"GPGLL"), split_address(b"PXYZ1")
    (('GP', 'GLL'), ('P', 'PXYZ1'))
    """
    text = address.decode("ascii")
    if text.startswith("P"):
        return "P", text
    return text[:-3], text[-3:]


def steers(talker: str, formatter: str) -> bool:
    """Report whether the sentence may move the rudder. A proprietary sentence may do anything."""
    return formatter in STEERS or talker == "P"


def frame(body: str) -> bytes:
    """Return a whole sentence around `body`, which begins with the start delimiter.

    >>> frame("$GPVTG,089.0,T,,,15.2,N,,")
    b'$GPVTG,089.0,T,,,15.2,N,,*7F\\r\\n'
    """
    raw = body.encode("ascii")
    return b"%b*%02X\r\n" % (raw, checksum(raw[1:]))


def make(body: str, *, origin: str, heard: float) -> Sentence:
    """Make a sentence of our own, as if heard from `origin`."""
    raw = frame(body)
    talker, formatter = split_address(raw[1:-5].split(b",", 1)[0])
    return Sentence(raw, talker, formatter, origin, heard)
