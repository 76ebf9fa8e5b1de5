# SPDX-License-Identifier: GPL-3.0-or-later
"""hostapd's control interface as far as boat-stations uses it, in a thread of the test's."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from pathlib import Path

#: As hostapd 2.10 describes a station; what does not matter here is left out.
STATION = "{mac}\nflags={flags}\naid=1\nconnected_time=7\n{keyid}"
JOINED = "[AUTH][ASSOC][AUTHORIZED][WMM]"
IN_HANDSHAKE = "[AUTH][ASSOC][WMM]"


class HostapdDouble:
    """Answers STA, ATTACH and RELOAD_WPA_PSK, and sends events to those who are attached."""

    def __init__(self, path: Path) -> None:
        self.stations: dict[str, tuple[str, str]] = {}
        """Flags and keyid by hardware address."""
        self.asked: list[str] = []
        self.silent = False
        self.reload = "OK\n"
        self._path = path
        self._attached: list[str | bytes] = []
        self.start()

    def start(self) -> None:
        self._path.unlink(missing_ok=True)
        self._attached = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self._path))
        self._socket.settimeout(0.05)
        self._running = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._running = False
        self._thread.join()
        self._socket.close()
        self._path.unlink(missing_ok=True)

    def event(self, text: str) -> None:
        for peer in self._attached:
            with suppress(OSError):
                self._socket.sendto(f"<3>{text}".encode(), peer)

    def join(self, mac: str, keyid: str = "") -> None:
        """Report a station that ends its handshake, as hostapd does."""
        self.stations[mac] = (JOINED, keyid)
        self.event(f"AP-STA-CONNECTED {mac}{f' keyid={keyid}' if keyid else ''}")
        self.event(f"EAPOL-4WAY-HS-COMPLETED {mac}")

    def _serve(self) -> None:
        while self._running:
            try:
                data, peer = self._socket.recvfrom(256)
            except TimeoutError:
                continue
            command = data.decode()
            self.asked.append(command)
            if not self.silent:
                with suppress(OSError):
                    self._socket.sendto(self._answer(command, peer).encode(), peer)

    def _answer(self, command: str, peer: str | bytes) -> str:
        if command == "ATTACH":
            self._attached.append(peer)
            return "OK\n"
        if command == "RELOAD_WPA_PSK":
            return self.reload
        mac = command.removeprefix("STA ")
        if mac not in self.stations:
            return "FAIL\n"
        flags, keyid = self.stations[mac]
        return STATION.format(mac=mac, flags=flags, keyid=f"keyid={keyid}\n" if keyid else "")
