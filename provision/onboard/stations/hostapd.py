# SPDX-License-Identifier: GPL-3.0-or-later
"""Connect to hostapd's control interface: receive its events, and ask one question at a time."""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass

#: Path of hostapd's control socket, by the radio's name.
SOCKET = "/run/hostapd/wlan0"

#: Seconds that hostapd may take for an answer.
ANSWER_TIMEOUT_S = 1.0

#: More bytes than any answer about one station has.
MAX_ANSWER_BYTES = 8192

#: Events that change a station: it came, left, or proved a pass-phrase.
_CHANGE = re.compile(
    r"<\d+>(?:AP-STA-CONNECTED|AP-STA-DISCONNECTED|EAPOL-4WAY-HS-COMPLETED) "
    r"((?:[0-9a-f]{2}:){5}[0-9a-f]{2})"
)

#: Changes remembered. A guest that keeps changing its hardware address must not fill memory.
MAX_CHANGES = 1024


class HostapdError(Exception):
    """Says that hostapd does not answer, or refuses."""


@dataclass(frozen=True)
class Station:
    """Holds what hostapd reports of one hardware address."""

    joined: bool
    keyid: str
    """The name of the pass-phrase that it joined by. Empty for the boat's own pass-phrase."""
    since: float
    """The monotonic time (s) from which on this holds, or a later time."""


class Hostapd:
    """Stays attached to hostapd until closed. HostapdError when hostapd does not answer."""

    def __init__(self, path: str = SOCKET, clock: Callable[[], float] = time.monotonic) -> None:
        """Connect and ask for events."""
        self._clock = clock
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        try:
            # The kernel chooses the name, which needs no path in the file system.
            self._socket.bind("")
            self._socket.connect(path)
            self._changes: dict[str, float] = {}
            self._attached = clock()
            if self.request("ATTACH") != "OK":
                raise HostapdError("hostapd sends no events")
        except OSError as error:
            self._socket.close()
            raise HostapdError(f"hostapd does not answer: {error.strerror or error}") from None
        except HostapdError:
            self._socket.close()
            raise

    def fileno(self) -> int:
        """Return the socket's descriptor, for a selector."""
        return self._socket.fileno()

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()

    def request(self, command: str) -> str:
        """Send a command and return its answer. Note the events that come meanwhile."""
        end = self._clock() + ANSWER_TIMEOUT_S
        try:
            self._socket.settimeout(ANSWER_TIMEOUT_S)
            self._socket.send(command.encode())
            while (left := end - self._clock()) > 0:
                self._socket.settimeout(left)
                text = self._socket.recv(MAX_ANSWER_BYTES).decode("ascii", "replace")
                if not self._note(text):
                    return text.strip()
        except OSError as error:
            raise HostapdError(f"hostapd does not answer: {error.strerror or error}") from None
        raise HostapdError("hostapd does not answer in time")

    def receive_events(self) -> None:
        """Note the events that wait."""
        self._socket.settimeout(0)
        try:
            while True:
                self._note(self._socket.recv(MAX_ANSWER_BYTES).decode("ascii", "replace"))
        except BlockingIOError:
            return
        except OSError as error:
            raise HostapdError(f"hostapd does not answer: {error.strerror or error}") from None

    def _note(self, text: str) -> bool:
        """Note an event. False for an answer."""
        if not text.startswith("<"):
            return False
        if change := _CHANGE.match(text):
            # With too many, forget them and count from now: a time too late is safe.
            if len(self._changes) >= MAX_CHANGES:
                self._changes.clear()
                self._attached = self._clock()
            self._changes[change[1]] = self._clock()
        return True

    def query_station(self, mac: str) -> Station:
        """Return what hostapd reports now of this hardware address (lower case)."""
        answer = self.request(f"STA {mac}")
        lines = answer.splitlines()
        # hostapd sends events before the answer that follows them, so this time is not too early.
        since = self._changes.get(mac, self._attached)
        if not lines or lines[0] != mac:
            return Station(joined=False, keyid="", since=since)
        facts = dict(line.partition("=")[::2] for line in lines[1:])
        # Before its handshake has ended a station has proven nothing, whatever its keyid.
        joined = "[AUTHORIZED]" in facts.get("flags", "")
        return Station(joined=joined, keyid=facts.get("keyid", "") if joined else "", since=since)


def reload_pass_phrases(path: str = SOCKET) -> None:
    """Make hostapd read its pass-phrases again.

    hostapd disconnects the stations that joined by a pass-phrase that is gone.
    """
    hostapd = Hostapd(path)
    try:
        answer = hostapd.request("RELOAD_WPA_PSK")
    finally:
        hostapd.close()
    if answer != "OK":
        raise HostapdError(f"hostapd did not take the pass-phrases: {answer}")
