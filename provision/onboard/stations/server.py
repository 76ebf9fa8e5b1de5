# SPDX-License-Identifier: GPL-3.0-or-later
"""Answer questions on a Unix socket: one datagram a question, which is a hardware address.

The answer is one JSON object: `mac`, `joined`, `keyid` and `since` as in hostapd.Station, or
`mac` and `error` when hostapd does not answer.
"""

from __future__ import annotations

import json
import os
import re
import selectors
import socket
import sys
from contextlib import suppress

from provision.onboard.stations import hostapd
from provision.onboard.stations.hostapd import (
    ANSWER_TIMEOUT_S,
    MAX_ANSWER_BYTES,
    Hostapd,
    HostapdError,
)

#: Path of the socket that the feed asks on.
SOCKET = "/run/boat-stations/socket"

#: Seconds between attempts to reach hostapd, which comes and goes with the radio.
RETRY_S = 1.0

#: Clients at once: the feed, and a second feed that is starting.
MAX_CLIENTS = 4

#: Octets of a question, and a few more to see that it is too long.
_QUESTION_BYTES = 64

_MAC = re.compile(r"(?:[0-9a-f]{2}:){5}[0-9a-f]{2}")


class Server:
    """Asks hostapd on behalf of its clients, and receives its events meanwhile."""

    def __init__(self, path: str = SOCKET, control: str = hostapd.SOCKET) -> None:
        """Bind the socket, in place of an old one. OSError if that fails."""
        self._control = control
        self._hostapd: Hostapd | None = None
        self._reason = ""
        self._selector = selectors.DefaultSelector()
        with suppress(FileNotFoundError):
            os.unlink(path)
        self._listening = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._listening.bind(path)
        self._listening.listen(MAX_CLIENTS)
        self._listening.setblocking(False)
        self._clients: set[socket.socket] = set()
        self._selector.register(self._listening, selectors.EVENT_READ)

    def step(self, seconds: float = RETRY_S) -> None:
        """Handle what has come, or wait `seconds` for it."""
        if self._hostapd is None:
            self._attach()
        for key, _ in self._selector.select(seconds):
            if key.fileobj is self._listening:
                self._accept()
            elif key.fileobj is self._hostapd:
                self._receive_events()
            elif isinstance(key.fileobj, socket.socket):
                self._answer_question(key.fileobj)

    def _attach(self) -> None:
        try:
            self._hostapd = Hostapd(self._control)
        except HostapdError as error:
            self._lose(error)
        else:
            self._selector.register(self._hostapd, selectors.EVENT_READ)
            self._log("hostapd answers")

    def _lose(self, error: HostapdError) -> None:
        if self._hostapd is not None:
            self._selector.unregister(self._hostapd)
            self._hostapd.close()
            self._hostapd = None
        self._log(str(error))

    def _log(self, reason: str) -> None:
        """Log the reason when it changes."""
        if reason != self._reason:
            print(reason, file=sys.stderr, flush=True)
        self._reason = reason

    def _receive_events(self) -> None:
        assert self._hostapd is not None
        try:
            self._hostapd.receive_events()
        except HostapdError as error:
            self._lose(error)

    def _accept(self) -> None:
        with suppress(BlockingIOError):
            client, _ = self._listening.accept()
            if len(self._clients) >= MAX_CLIENTS:
                client.close()
                return
            client.setblocking(False)
            self._clients.add(client)
            self._selector.register(client, selectors.EVENT_READ)

    def _answer_question(self, client: socket.socket) -> None:
        try:
            question = client.recv(_QUESTION_BYTES).decode("ascii", "replace")
            if not _MAC.fullmatch(question):
                raise ConnectionAbortedError
            client.send(json.dumps(self._query(question)).encode())
        except BlockingIOError:
            return
        except OSError:
            self._selector.unregister(client)
            self._clients.discard(client)
            client.close()

    def _query(self, mac: str) -> dict[str, object]:
        # Try once more on a new connection: hostapd may have restarted since.
        for _ in range(2):
            if self._hostapd is None:
                self._attach()
            if self._hostapd is None:
                break
            try:
                station = self._hostapd.query_station(mac)
            except HostapdError as error:
                self._lose(error)
            else:
                return {
                    "mac": mac,
                    "joined": station.joined,
                    "keyid": station.keyid,
                    "since": station.since,
                }
        return {"mac": mac, "error": self._reason}

    def close(self) -> None:
        """Close every socket."""
        for each in (self._listening, *self._clients, self._hostapd):
            if each is not None:
                each.close()
        self._selector.close()


def ask(mac: str, path: str = SOCKET) -> str:
    """Return the answer about a hardware address from the server at `path`.

    Raises OSError when no server answers.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as channel:
        channel.settimeout(2 * ANSWER_TIMEOUT_S + RETRY_S)
        channel.connect(path)
        channel.send(mac.lower().encode())
        return channel.recv(MAX_ANSWER_BYTES).decode()
