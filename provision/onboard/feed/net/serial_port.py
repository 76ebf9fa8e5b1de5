# SPDX-License-Identifier: GPL-3.0-or-later
"""Open a serial port for one process alone: raw, 8 data bits, no parity, 1 stop bit."""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import termios

#: 8 data bits and 1 stop bit after a start bit: ten bits a character (IEC 61162-1).
BITS_PER_CHAR = 10


def character_time(baud: int) -> float:
    """Return the seconds that one character takes on the wire."""
    return BITS_PER_CHAR / baud


def open_port(device: str, baud: int) -> int:
    """Return a non-blocking descriptor of `device`. OSError when it is absent, taken or no port."""
    # Not the controlling terminal, and no waiting for a modem's carrier.
    port = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        # The lock holds against root too, which TIOCEXCL does not stop.
        fcntl.flock(port, fcntl.LOCK_EX | fcntl.LOCK_NB)
        fcntl.ioctl(port, termios.TIOCEXCL)
        speed = getattr(termios, f"B{baud}")
        control = termios.CS8 | termios.CREAD | termios.CLOCAL | termios.HUPCL
        _, _, _, _, _, _, characters = termios.tcgetattr(port)
        characters[termios.VMIN], characters[termios.VTIME] = 1, 0
        termios.tcsetattr(port, termios.TCSANOW, [0, 0, control, 0, speed, speed, characters])
    except termios.error as error:
        os.close(port)
        raise OSError(*error.args) from error
    except BaseException:
        os.close(port)
        raise
    return port


def close_port(port: int) -> None:
    """Close the port, even when its adapter is gone."""
    with contextlib.suppress(OSError, termios.error):
        # Else the kernel, and this process with it, waits until all that was written has left.
        termios.tcflush(port, termios.TCOFLUSH)
        fcntl.ioctl(port, termios.TIOCNXCL)
    with contextlib.suppress(OSError):
        os.close(port)


def waiting_to_leave(port: int) -> int:
    """Return the characters written that have not left yet, as far as the kernel knows."""
    answer = fcntl.ioctl(port, termios.TIOCOUTQ, struct.pack("i", 0))
    return int(struct.unpack("i", answer)[0])
