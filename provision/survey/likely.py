# SPDX-License-Identifier: GPL-3.0-or-later
"""Say what instrument the sentences of a port are likely to come from."""

from __future__ import annotations

from collections.abc import Iterable

from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import STEERS

#: What sends each kind of data, and sentences beside those kinds (IEC 61162-1, from memory).
INSTRUMENTS = {
    "position": "GNSS receiver",
    "heading": "compass",
    "depth": "echo sounder",
    "wind": "wind instrument",
    "speed": "log",
    "temperature": "water thermometer",
    "time": "clock",
}
SENDERS = {
    "VDM": "AIS receiver",
    "VDO": "AIS transponder",
    "DSC": "radio with DSC",
    "DSE": "radio with DSC",
    "TTM": "radar",
    "TLL": "radar",
    "RSD": "radar",
    "RSA": "autopilot",
    "HTD": "autopilot",
    "RPM": "engine",
    "MDA": "weather station",
    "MMB": "weather station",
    "XDR": "transducers",
    "NRX": "weather text receiver",
}
PLOTTER = "chart plotter"

#: Instruments that also send the data of others, and what they send along.
ALONG = {
    "AIS transponder": {"AIS receiver", "GNSS receiver", "clock"},
    PLOTTER: {"GNSS receiver", "clock"},
    "GNSS receiver": {"clock"},
    "echo sounder": {"water thermometer"},
    "log": {"water thermometer"},
    "weather station": {"wind instrument", "GNSS receiver", "clock", "compass"},
}

#: From so many different instruments on, one wire carries what another device joins.
MANY = 4

BINARY = "binary GNSS protocol"
MANY_INSTRUMENTS = "several instruments that one device joins"


def likely(addresses: Iterable[str]) -> str:
    """Name the instrument that sends these addresses. Empty without an address.

    >>> likely(["GPRMC", "GPGGA", "GPZDA"]), likely(["SDDPT", "VWVHW", "YXMTW"])
    ('GNSS receiver', 'echo sounder and log')
    """
    named, foreign = set(), False
    for name in addresses:
        if name.startswith("P"):
            foreign = True
        elif (formatter := name[-3:]) in STEERS:
            named.add(PLOTTER)
        elif formatter in SENDERS:
            named.add(SENDERS[formatter])
        elif formatter in KIND_OF:
            named.add(INSTRUMENTS[KIND_OF[formatter]])
        else:
            foreign = True
    alone = named.difference(*(ALONG.get(name, set()) for name in named))
    if len(alone) >= MANY:
        return MANY_INSTRUMENTS
    if not alone and foreign:
        return "an instrument of sentences that no standard explains"
    return " and ".join(sorted(alone))
