# SPDX-License-Identifier: GPL-3.0-or-later
"""Notify systemd that the service is ready and alive (sd_notify(3))."""

from __future__ import annotations

import os
import socket


def notify(message: str) -> None:
    """Send `message`, such as READY=1. Outside systemd this does nothing."""
    path = os.environ.get("NOTIFY_SOCKET")
    if not path:
        return
    if path.startswith("@"):
        path = "\0" + path[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
        try:
            channel.sendto(message.encode(), path)
        except OSError:
            return


def watchdog_interval() -> float | None:
    """Return the seconds between two signs of life: half of what systemd waits, or None."""
    if os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    microseconds = os.environ.get("WATCHDOG_USEC", "")
    return int(microseconds) / 2e6 if microseconds.isdigit() and int(microseconds) > 0 else None
