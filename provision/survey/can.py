# SPDX-License-Identifier: GPL-3.0-or-later
"""Listen on the CAN interfaces of this computer, which the system has brought up. Never send."""

from __future__ import annotations

import errno
import os
import select
import socket
import time
from collections.abc import Callable, Collection, Mapping
from contextlib import closing
from pathlib import Path
from threading import Event

from provision.onboard.feed.nmea2000.frame import FRAME
from provision.onboard.feed.nmea2000.pgn import FORMATTERS
from provision.survey.adapters import SYS
from provision.survey.groups import Groups, NetworkReport

#: Seconds that a network is listened to. Most groups of instruments come once in 2.5 s or more
#: often (NMEA 2000, from memory), so that each comes several times.
LISTEN_S = 10.0

#: Seconds between two looks at the clock.
LOOK_S = 0.1

#: The type of a CAN interface (ARPHRD_CAN, linux/if_arp.h).
_CAN_TYPE = "280"

#: Reasons of the system, in words.
REASONS = {
    errno.ENETDOWN: "it is down: bring it up, at 250 kbit/s for NMEA 2000",
    errno.ENODEV: "there is no such interface",
    errno.EPERM: "no permission",
}

Open = Callable[[str], socket.socket]


def find_networks(sys: Path = SYS) -> list[str]:
    """List the CAN interfaces by name."""
    found = []
    for folder in sorted((sys / "class/net").glob("*")):
        try:
            if (folder / "type").read_text().strip() == _CAN_TYPE:
                found.append(folder.name)
        except OSError:
            continue
    return found


def open_can(interface: str) -> socket.socket:
    """Return a socket that gets all frames of an interface. OSError when it is down or absent."""
    channel = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    try:
        channel.setblocking(False)
        channel.bind((interface,))
        # An interface that is down can be bound to. The error waits in the socket.
        if waiting := channel.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
            raise OSError(waiting, os.strerror(waiting))
    except OSError:
        channel.close()
        raise
    return channel


def listen_to(
    interface: str, wanted: Collection[str], stop: Event, seconds: float, opener: Open
) -> NetworkReport:
    """Listen on one interface for some seconds, or until `stop`. `wanted` is as in `Groups`."""
    groups = Groups(wanted)
    try:
        with closing(opener(interface)) as channel:
            end = time.monotonic() + seconds
            while not stop.is_set() and time.monotonic() < end:
                if select.select([channel], [], [], LOOK_S)[0]:
                    groups.take(channel.recv(FRAME.size), time.monotonic())
    except OSError as error:
        reason = REASONS.get(error.errno or 0, error.strerror or str(error))
        return NetworkReport(interface, groups.reports(), reason)
    return NetworkReport(interface, groups.reports())


def survey_networks(
    networks: Mapping[str, Collection[str]],
    show: Callable[[NetworkReport], None],
    stop: Event,
    seconds: float = LISTEN_S,
    opener: Open = open_can,
) -> None:
    """Listen on networks one after another, and show each report.

    `networks` are interfaces with the sentences that the feed has to make of each.
    """
    for interface, wanted in networks.items():
        if not stop.is_set():
            show(listen_to(interface, wanted, stop, seconds, opener))


def all_wanted(interfaces: Collection[str]) -> dict[str, Collection[str]]:
    """Take that the feed makes all sentences of these interfaces: no profile says otherwise."""
    return dict.fromkeys(interfaces, FORMATTERS)
