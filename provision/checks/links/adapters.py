# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that an adapter can send what its link listens for, and is not mistaken for another."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.profile.load import Boat

#: Serial numbers that chips leave the factory with, all with the same one: 0001 is a CP210x's, from
#: memory. The series of digits is what example descriptors of USB firmware carry: common practice.
DEFAULT_SERIALS = frozenset({"0001", "12345678", "123456789", "0123456789"})


def is_default_serial(serial: str) -> bool:
    """Tell if a serial number is one that many chips share. All zeros are: common practice."""
    return serial in DEFAULT_SERIALS or not serial.strip("0")


def check(boat: Boat) -> Iterator[Finding]:
    """Find listening links whose adapter cannot send, and serial numbers that many chips share."""
    for name, link in boat.profile.serial_links.items():
        if link.adapter.receives_only and link.listens:
            # An autopilot's adapter must transmit as well as receive: common practice.
            yield Finding(
                "error",
                f"receives-only.{name}",
                f"{name} listens for {', '.join(link.listens)}, and its adapter only receives",
                boat.location(f"links.{name}.adapter"),
                f"use an adapter that also transmits, or take listens out of {name}",
            )
        serial = link.adapter.serial
        if serial and is_default_serial(serial):
            yield Finding(
                "warning",
                f"default-serial.{name}",
                f"{serial} looks like the serial number that every chip of a kind leaves the "
                "factory with: a second adapter like it would be taken for this one",
                boat.location(f"links.{name}.adapter.serial"),
                "name the adapter by its USB port and label the socket, or write a number of its "
                "own into the chip with its maker's program",
            )
