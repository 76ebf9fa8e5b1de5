# SPDX-License-Identifier: GPL-3.0-or-later
"""Describe a frame of SocketCAN as the kernel hands it over (linux/can.h)."""

from __future__ import annotations

import struct

#: struct can_frame: identifier with flags, length, padding, data.
FRAME = struct.Struct("=IB3x8s")
EXTENDED, REMOTE, ERROR = 0x80000000, 0x40000000, 0x20000000
