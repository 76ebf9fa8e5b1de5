# SPDX-License-Identifier: GPL-3.0-or-later
"""Stand for the line of an emulated adapter with a pseudo-terminal.

The emulator opens the slave's device and sets there the baud rate that the boat sets on the
adapter. The master reads that baud rate, and carries the bytes.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import termios
import tty
from pathlib import Path

#: What the boat has not yet read, in bytes, beyond which the adapter takes no more: the receive
#: buffer of an FT232B (384 bytes in its data sheet, from memory).
BUFFER_BYTES = 384

_BAUD_OF = {
    getattr(termios, name): int(name[1:])
    for name in dir(termios)
    if name.startswith("B") and name[1:].isdigit()
}


class Terminal:
    """Hold one pseudo-terminal."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        self.device = Path(os.ttyname(self._slave))
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)

    @property
    def baud(self) -> int:
        """Return the baud rate that the boat has set. 0 for one that is not known here."""
        return _BAUD_OF.get(termios.tcgetattr(self.master)[5], 0)

    @property
    def has_room(self) -> bool:
        """Tell if the adapter takes more bytes."""
        unread = struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)))[0]
        return bool(unread < BUFFER_BYTES)

    def write(self, data: bytes) -> None:
        """Let the adapter receive bytes. Bytes that do not fit are lost."""
        with contextlib.suppress(BlockingIOError):
            os.write(self.master, data)

    def read(self) -> bytes:
        """Return what the boat has sent, or no bytes."""
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""

    def clear(self) -> None:
        """Drop what the boat has not yet read."""
        termios.tcflush(self._slave, termios.TCIFLUSH)

    def close(self) -> None:
        """Close both ends."""
        os.close(self.master)
        os.close(self._slave)
