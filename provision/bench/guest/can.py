# SPDX-License-Identifier: GPL-3.0-or-later
"""Play instruments on an NMEA 2000 network inside the guest, on their own controller.

Put frames (struct can_frame, sixteen bytes each) from a serial port on the bus that the boat's
controller is wired to. Run on the guest's python3 with its standard library only.
"""

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

FRAME_BYTES = 16

#: ISO 11783-2 / NMEA 2000.
BIT_RATE = "250000"


def bring_up(interface: str) -> None:
    """Wait for the controller's driver, and start it."""
    while not Path(f"/sys/class/net/{interface}").exists():
        time.sleep(0.1)
    link = ["ip", "link", "set", interface]
    subprocess.run([*link, "type", "can", "bitrate", BIT_RATE, "restart-ms", "100"], check=True)
    subprocess.run([*link, "up"], check=True)


def send_frame(bus: socket.socket, frame: bytes) -> None:
    """Send a frame. Retry while the queue is full, as no other node may acknowledge yet."""
    for _ in range(50):
        try:
            bus.send(frame)
            return
        except OSError:
            time.sleep(0.01)


def main(device: str, interface: str) -> None:
    """Pass frames on until the guest ends."""
    bring_up(interface)
    bus = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    bus.bind((interface,))
    port = os.open(device, os.O_RDWR)
    pending = b""
    while True:
        data = os.read(port, 4096)
        if not data:
            # No player is connected. The next one begins with a whole frame.
            pending = b""
            time.sleep(0.1)
        pending += data
        while len(pending) >= FRAME_BYTES:
            send_frame(bus, pending[:FRAME_BYTES])
            pending = pending[FRAME_BYTES:]


if __name__ == "__main__":
    main(*sys.argv[1:])
