# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask boat-stations which pass-phrase a tablet has joined by. boat-stations asks hostapd.

The question is asked after its sentence was read, so that the answer is no older than the
sentence. Several questions about the same tablet share the next question.
"""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

#: Seconds until a question that was not answered counts as refused.
TIMEOUT_S = 1.0

#: More bytes than any answer has.
_MAX_ANSWER_BYTES = 1024


@dataclass(frozen=True)
class Answer:
    """Holds what hostapd knows of a tablet's hardware address, or the `error` in asking."""

    joined: bool = False
    keyid: str = ""
    """The name of the pass-phrase that the tablet joined by. Empty for the boat's own."""
    since: float = 0.0
    """The monotonic time (s) from which on this holds, or a later time."""
    error: str = ""


Then = Callable[[Answer], None]


class Stations:
    """Asks about hardware addresses, and gives each answer to the caller that asked for it."""

    def __init__(self, path: str) -> None:
        """Take `path`, the socket where boat-stations answers. It may not exist yet."""
        self._path = path
        self._loop = asyncio.get_running_loop()
        self._socket: socket.socket | None = None
        self._asked: dict[str, list[Then]] = {}
        self._waiting: dict[str, list[Then]] = {}
        self._timer: asyncio.TimerHandle | None = None

    def ask(self, mac: str, then: Then) -> None:
        """Call `then` with an answer to a question that is asked after this call."""
        waiting = self._waiting.setdefault(mac, [])
        waiting.append(then)
        if mac not in self._asked:
            self._send(mac)

    def _send(self, mac: str) -> None:
        self._asked[mac] = self._waiting.pop(mac)
        try:
            self._connected().send(mac.encode())
        except OSError as error:
            self._fail(error.strerror or str(error))
            return
        if self._timer is None:
            self._timer = self._loop.call_later(TIMEOUT_S, self._fail, "no answer in time")

    def _connected(self) -> socket.socket:
        if self._socket is None:
            channel = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            channel.setblocking(False)
            try:
                channel.connect(self._path)
            except OSError:
                channel.close()
                raise
            self._socket = channel
            self._loop.add_reader(channel, self._read)
        return self._socket

    def _read(self) -> None:
        assert self._socket is not None
        try:
            data = self._socket.recv(_MAX_ANSWER_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._fail(error.strerror or str(error))
            return
        try:
            answer = json.loads(data)
            mac = str(answer["mac"])
            answer = (
                Answer(error=str(answer["error"]))
                if "error" in answer
                else Answer(bool(answer["joined"]), str(answer["keyid"]), float(answer["since"]))
            )
        except (ValueError, KeyError, TypeError):
            self._fail("boat-stations has left" if not data else "an answer that means nothing")
            return
        self._answered(mac, answer)

    def _answered(self, mac: str, answer: Answer) -> None:
        asked = self._asked.pop(mac, [])
        if not self._asked:
            self._disarm()
        for then in asked:
            then(answer)
        if mac in self._waiting and mac not in self._asked:
            self._send(mac)

    def _fail(self, reason: str) -> None:
        """Answer all questions with an error, and start with a new connection."""
        self.close()
        waiting = {**self._asked}
        for mac, more in self._waiting.items():
            waiting[mac] = [*waiting.get(mac, []), *more]
        self._asked, self._waiting = {}, {}
        for asked in waiting.values():
            for then in asked:
                then(Answer(error=reason))

    def _disarm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def close(self) -> None:
        """Close the connection."""
        self._disarm()
        if self._socket is not None:
            with suppress(ValueError):
                self._loop.remove_reader(self._socket)
            self._socket.close()
            self._socket = None
