# SPDX-License-Identifier: GPL-3.0-or-later
"""Play the instruments of a hull: one simulated boat, one socket an instrument.

with Instruments(hull, {"gnss": Path("gnss.sock")}) as instruments:
    instruments.wait("autopilot", lambda heard: len(heard) > 3, timeout=30)
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Self

from provision.bench.hull.schema import Hull, HullInstrument, HullNetwork
from provision.bench.loop_thread import LoopThread
from provision.bench.replay.replay_wires import SEND_BUFFER_BYTES
from provision.bench.simulation.ais import Transponder
from provision.bench.simulation.binary import BINARY, compose_binary
from provision.bench.simulation.boat import Simulation
from provision.bench.simulation.habits import Habits
from provision.bench.simulation.nmea2000 import BIT_RATE, Backbone
from provision.bench.simulation.pacing import Player
from provision.bench.simulation.sentences import compose
from provision.errors import UserError

#: Seconds between tries to reach a socket that is not there.
RETRY_S = 0.25

#: Sentences that only a GNSS receiver sends.
FIX_FORMATTERS = frozenset({"GGA", "GLL", "GNS", "RMC"})

#: Metres between the antennas of two receivers aboard, which lie along the keel.
ANTENNA_DISTANCE_M = 4.0

#: Maximum number of received lines that a link keeps.
MAX_HEARD_LINES = 10_000


@dataclass(frozen=True)
class HeardLine:
    """Hold a line that the boat sent to a listener."""

    time: float
    """Time when its last bit had passed the wire, in seconds of time.monotonic()."""
    line: bytes
    """Without its CR LF."""


class Instruments:
    """Play each instrument's `talks` on its socket, and keep what the boat sends there.

    An instrument has the name of its adapter, or NAME.2 for the second on a wire. On the socket of
    an NMEA 2000 network those are frames, struct can_frame of sixteen bytes each.

    Another program serves the sockets, which are UNIX stream sockets. A socket that is absent
    or goes away is tried again for as long as the instruments run. They run in a thread of
    their own.
    """

    def __init__(
        self,
        hull: Hull,
        sockets: Mapping[str, Path],
        *,
        date: datetime | None = None,
        seed: int = 0,
    ) -> None:
        """Take `date` (aware) as the simulated boat's time at the first `start`, by default now."""
        voices: dict[str, HullInstrument] = {}
        for name in hull.adapters:
            voices |= hull.voices(name)
        known: dict[str, HullInstrument | HullNetwork] = {**voices, **hull.networks}
        for link in sockets:
            if link not in known:
                raise UserError(
                    f"{hull.boat} has no link {link}", hint=f"its links are {', '.join(known)}"
                )
        self._links = {name: known[name] for name in sockets}
        receivers = [name for name, voice in voices.items() if FIX_FORMATTERS & set(voice.talks)]
        self._receivers = {name: number for number, name in enumerate(receivers)}
        self._sockets = dict(sockets)
        self._date = date
        self.simulation = Simulation(seed, hull.boat)
        self._transponder = Transponder(self.simulation)
        self._players: dict[str, Player] = {}
        self._powered: dict[str, bool] = {}
        self._bauds: dict[str, int] = {}
        self._heard: dict[str, deque[HeardLine]] = {
            name: deque(maxlen=MAX_HEARD_LINES) for name in self._links
        }
        self._news = threading.Condition()
        self._thread = LoopThread("instruments", self._play)
        self._epoch = 0.0

    def start(self) -> None:
        """Begin to play. Return at once, even if the sockets do not exist yet."""
        self._thread.start()

    def stop(self) -> None:
        """Stop sending and close the sockets."""
        self._thread.stop()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def now(self) -> datetime:
        """Return the simulated boat's time."""
        if self._thread.loop is None:
            raise RuntimeError("the instruments have not started")
        return datetime.fromtimestamp(self._epoch + self._thread.loop.time(), UTC)

    def say(self, link: str, line: bytes) -> None:
        """Make a link's instrument send these bytes, unchanged, before its next sentence."""
        self._thread.call(self._players[link].say, line)

    def switch(self, link: str, *, powered: bool) -> None:
        """Switch an instrument on or off. Switched off, it neither sends nor hears anything."""
        if link not in self._links:
            raise UserError(
                f"there is no instrument {link}; there are {', '.join(self._links)}",
                hint="name one of them",
            )
        self._powered[link] = powered
        if link in self._players:
            self._players[link].powered = powered

    def set_baud(self, link: str, baud: int) -> None:
        """Set an instrument to another baud rate, as in its menu."""
        self._bauds[link] = baud
        if link in self._players:
            self._thread.call(self._players[link].set_baud, baud)

    def sent(self, link: str) -> Counter[str]:
        """Count the sentences of each formatter that a link's instrument has sent so far."""
        return self._players[link].sent.copy()

    def lost(self, link: str) -> Counter[str]:
        """Count the sentences of each formatter that an unplugged adapter did not take."""
        return self._players[link].lost.copy()

    def heard(self, link: str) -> list[HeardLine]:
        """Return the lines that the boat sent to a link's instrument, oldest first."""
        with self._news:
            return list(self._heard[link])

    def wait(
        self, link: str, enough: Callable[[list[HeardLine]], bool], *, timeout: float
    ) -> list[HeardLine]:
        """Return what a link heard, once that is enough.

        Raise TimeoutError after `timeout` seconds.
        """
        with self._news:
            if not self._news.wait_for(lambda: enough(list(self._heard[link])), timeout):
                raise TimeoutError(f"{link} did not hear what was awaited within {timeout} s")
            return list(self._heard[link])

    def _play(self) -> list[Coroutine[None, None, None]]:
        """Make the players, at each start, and what plays them."""
        if not self._epoch:
            start = self._date.timestamp() if self._date else time.time()
            self._epoch = start - asyncio.get_running_loop().time()
        for name, link in self._links.items():
            self._players[name] = self._player(name, link)
        return [self._keep(name) for name in self._links]

    def _player(self, name: str, link: HullInstrument | HullNetwork) -> Player:
        if isinstance(link, HullNetwork):
            burst = Backbone(self.simulation).burst
            kinds = {str(kind): rate for kind, rate in link.talks.items()}
            return Player(BIT_RATE, kinds, burst, self._epoch)
        compose = partial(self._compose, self._receivers.get(name, 0))
        rates = {**link.talks, **({BINARY: link.binary} if link.binary else {})}
        player = Player(
            self._bauds.get(name, link.baud), rates, compose, self._epoch, _habits(link)
        )
        player.powered = self._powered.setdefault(name, link.powered)
        return player

    def _compose(self, receiver: int, formatter: str, moment: datetime) -> list[bytes]:
        """Compose what one instrument sends. `receiver` counts the boat's GNSS receivers."""
        if formatter == "VDM":
            return self._transponder.heard(moment)
        if formatter == "VDO":
            return self._transponder.own(moment)
        if formatter == BINARY:
            return [compose_binary(moment)]
        return compose(
            formatter, self.simulation.at(moment).seen_from(receiver * ANTENNA_DISTANCE_M)
        )

    async def _keep(self, name: str) -> None:
        """Connect a link, and reconnect it when it breaks."""
        while True:
            with contextlib.suppress(OSError):
                reader, writer = await asyncio.open_unix_connection(self._sockets[name])
                try:
                    await self._connected(name, reader, writer)
                finally:
                    writer.transport.abort()
            await asyncio.sleep(RETRY_S)

    async def _connected(
        self, name: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        """Play and listen until the other side closes."""
        pipe = writer.get_extra_info("socket")
        pipe.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        transport = writer.transport
        playing = asyncio.ensure_future(
            self._players[name].play(writer.write, lambda: not transport.get_write_buffer_size())
        )
        listening = asyncio.ensure_future(self._listen(name, reader))
        try:
            await asyncio.wait((playing, listening), return_when=asyncio.FIRST_COMPLETED)
            for task in (playing, listening):
                if task.done():
                    task.result()
        finally:
            playing.cancel()
            listening.cancel()
            await asyncio.gather(playing, listening, return_exceptions=True)

    async def _listen(self, name: str, reader: asyncio.StreamReader) -> None:
        """Read at the wire's pace, as an instrument does.

        Yet read the socket at once: an emulated adapter cannot make the boat wait, and a full
        socket would stop the whole emulator.
        """
        loop = asyncio.get_running_loop()
        character = self._players[name].character
        rest, free = b"", 0.0
        while piece := await reader.read(4096):
            moment = max(free, loop.time())
            free = moment + len(piece) * character
            *ends, last = piece.split(b"\n")
            for end in ends:
                moment += (len(end) + 1) * character
                line, rest = rest + end, b""
                loop.call_at(moment, self._hear, name, HeardLine(moment, line.rstrip(b"\r")))
            rest = (rest + last)[-1024:]

    def _hear(self, name: str, heard: HeardLine) -> None:
        if not self._powered.get(name, True):
            return
        with self._news:
            self._heard[name].append(heard)
            self._news.notify_all()


def _habits(instrument: HullInstrument) -> Habits:
    gaps = instrument.gaps
    return Habits(
        wander=instrument.wander,
        burst=instrument.burst,
        gap_every=gaps.every if gaps else 0.0,
        gap_lasts=gaps.lasts if gaps else 0.0,
        checksums=instrument.checksums,
        garbled=instrument.garbled,
    )
