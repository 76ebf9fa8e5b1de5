# SPDX-License-Identifier: GPL-3.0-or-later
"""A CAN interface is read, never sent to, and one that is down stops nothing else."""

from __future__ import annotations

import errno
import socket
import time
from threading import Event, Thread

import pytest

from provision.onboard.feed.nmea2000.frame import EXTENDED, FRAME
from provision.survey.can import listen_to
from provision.survey.findings import Findings, hear
from tests.support.feed.can_groups import HEADING


def framed(number: int, source: int, data: bytes) -> bytes:
    return FRAME.pack(2 << 26 | number << 8 | source | EXTENDED, len(data), data)


def test_a_network_is_listened_to_and_never_sent_to() -> None:
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)

    def talk() -> None:
        for _ in range(6):
            far.send(framed(127250, 3, HEADING))
            time.sleep(0.1)

    thread = Thread(target=talk)
    thread.start()
    found = listen_to("can0", ["HDG"], Event(), 1.0, lambda name: near)
    thread.join()
    (heading,) = found.groups
    assert (found.device, heading.pgn, heading.translated) == ("can0", 127250, True)
    assert heading.rate == pytest.approx(10, rel=0.2)
    assert far.recv(1) == b""


def test_an_interface_that_is_down_says_so() -> None:
    def down(name: str) -> socket.socket:
        raise OSError(errno.ENETDOWN, "Network is down")

    found = listen_to("can0", [], Event(), 1.0, down)
    assert found.error.startswith("it is down")
    assert Findings([], [found]).failed


def test_an_interface_that_is_not_there_stops_no_port() -> None:
    found = hear([], {"none0": ["HDG"]}, lambda *_: None, Event())
    assert [network.device for network in found.networks] == ["none0"]
    assert found.networks[0].error
