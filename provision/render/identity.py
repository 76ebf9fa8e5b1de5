# SPDX-License-Identifier: GPL-3.0-or-later
"""Derive what identifies a boat, so that a rebuilt card is the same boat."""

from __future__ import annotations

import uuid

#: The name space of what is derived here. Made once at random.
_SPACE = uuid.UUID("5f0cb1d1-7a52-4a7c-9f0b-3d4b8f6c21e7")


def derive_machine_id(boat: str, host_public_key: str) -> str:
    """Derive the boat's machine-id, 32 hexadecimal digits, from name and host key."""
    return uuid.uuid5(_SPACE, f"{boat} {host_public_key}").hex


def derive_mac_address(machine: str, interface: str) -> str:
    """Derive a MAC address for one of the boat's own interfaces.

    It is individual and locally administered, by the two low bits of the first octet (IEEE Std
    802).
    """
    octets = bytearray(uuid.uuid5(_SPACE, f"{machine} {interface}").bytes[:6])
    octets[0] = octets[0] & 0xFC | 0x02
    return octets.hex(":")
