# SPDX-License-Identifier: GPL-3.0-or-later
"""A connection to hostapd's control interface: its events, and one question at a time."""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass

#: Where hostapd listens, by the radio's name.
SOCKET = "/run/hostapd/wlan0"

#: Seconds that hostapd may take for an answer.
ANSWER_TIMEOUT_S = 1.0

#: Longer than any answer about one station.
MAX_ANSWER_BYTES = 8192

#: Events after which a station is no longer what it was: it came, left, or proved a pass-phrase.
_CHANGE = re.compile(
    r"<\d+>(?:AP-STA-CONNECTED|AP-STA-DISCONNECTED|EAPOL-4WAY-HS-COMPLETED) "
    r"((?:[0-9a-f]{2}:){5}[0-9a-f]{2})"
)

#: Changes remembered; a guest that takes ever new hardware addresses must not eat memory.
MAX_CHANGES = 1024


class HostapdError(Exception):
    """hostapd does not answer, or refuses."""


@dataclass(frozen=True)
class Station:
    """What hostapd says of one hardware address."""

    joined: bool
    keyid: str
    """The name of the pass-phrase that it joined by; empty for the boat's own one."""
    since: float
    """The monotonic time (s) from which on this holds, or a later one."""


class Hostapd:
    """Attached to hostapd for as long as it lives; HostapdError when it does not answer."""

    def __init__(self, path: str = SOCKET, clock: Callable[[], float] = time.monotonic) -> None:
        """Connect and ask for events."""
        self._clock = clock
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        try:
            # A name of the kernel's choice, which needs no place in the file system.
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
        """For a selector."""
        return self._socket.fileno()

    def close(self) -> None:
        """Hang up."""
        self._socket.close()

    def request(self, command: str) -> str:
        """Send a command and return its answer; events that come meanwhile are noted."""
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

    def events(self) -> None:
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
        """Note an event; False for an answer."""
        if not text.startswith("<"):
            return False
        if change := _CHANGE.match(text):
            # Begin again from here when there are too many: later than true is on the safe side.
            if len(self._changes) >= MAX_CHANGES:
                self._changes.clear()
                self._attached = self._clock()
            self._changes[change[1]] = self._clock()
        return True

    def station(self, mac: str) -> Station:
        """What hostapd says of the station with this hardware address (lower case) now."""
        answer = self.request(f"STA {mac}")
        lines = answer.splitlines()
        # Events come before the answer that follows them, so this is no earlier than they are.
        since = self._changes.get(mac, self._attached)
        if not lines or lines[0] != mac:
            return Station(joined=False, keyid="", since=since)
        facts = dict(line.partition("=")[::2] for line in lines[1:])
        # Before its handshake has ended a station has proven nothing, whatever its keyid.
        joined = "[AUTHORIZED]" in facts.get("flags", "")
        return Station(joined=joined, keyid=facts.get("keyid", "") if joined else "", since=since)


def reload_pass_phrases(path: str = SOCKET) -> None:
    """Let hostapd read its pass-phrases again; those joined by one that is gone have to leave."""
    hostapd = Hostapd(path)
    try:
        answer = hostapd.request("RELOAD_WPA_PSK")
    finally:
        hostapd.close()
    if answer != "OK":
        raise HostapdError(f"hostapd did not take the pass-phrases: {answer}")
