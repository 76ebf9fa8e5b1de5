# SPDX-License-Identifier: GPL-3.0-or-later
"""Pace what one instrument sends: its sentences at their rates, at the wire's speed.

All times are those of the running event loop, in seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from math import ceil, inf
from random import Random

from provision.bench.simulation.habits import Habits, strip_checksum
from provision.profile.schema.types import BITS_PER_CHARACTER

#: Seconds of characters that an adapter collects before it passes them on: the default latency
#: timer of ftdi_sio.
GATHER_S = 0.016

#: Makes the sentences for a formatter at a moment of the simulated boat.
Composer = Callable[[str, datetime], list[bytes]]


class Schedule:
    """Tell when each formatter is due, in POSIX seconds: on whole periods, as a fix is.

    Rates are sentences a second. `wander` is the share by which a period varies.
    """

    def __init__(self, rates: Mapping[str, float], now: float, wander: float = 0.0) -> None:
        self._rates = rates
        self._wander = wander
        self._random = Random(0)  # noqa: S311
        self._due = {
            formatter: ceil(now * max(1.0, rate)) / max(1.0, rate)
            for formatter, rate in rates.items()
        }

    def next(self, now: float) -> tuple[float, str]:
        """Return when something is due next, and what. Never for a listening instrument.

        Sentences that the wire could not carry in time are left out, except for the last two
        periods.
        """
        formatter = min(self._due, key=lambda one: self._due[one], default="")
        if not formatter:
            return inf, formatter
        due, rate = self._due[formatter], self._rates[formatter]
        return due + max(0, int((now - due) * rate) - 1) / rate, formatter

    def sent(self, formatter: str, sentences: int, due: float) -> None:
        """Count so many sentences of a formatter at the time when they were due."""
        period = sentences / self._rates[formatter]
        if self._wander:
            period *= 1 + self._random.uniform(-self._wander, self._wander)
        self._due[formatter] = due + period


class SerialWire:
    """Pace a serial line: bytes arrive after their last bit, as the adapter groups them."""

    def __init__(self, baud: int) -> None:
        self.character = BITS_PER_CHARACTER / baud
        """Seconds."""
        self.piece = max(1, int(GATHER_S / self.character))
        """Characters that an adapter passes on at once."""
        self._free = 0.0

    async def carry(self, line: bytes, write: Callable[[bytes], None]) -> None:
        """Pass a line on in parts. Return when the wire is free again."""
        loop = asyncio.get_running_loop()
        self._free = max(self._free, loop.time())
        for at in range(0, len(line), self.piece):
            piece = line[at : at + self.piece]
            end = self._free + len(piece) * self.character
            await asyncio.sleep(end - loop.time())
            write(piece)
            # A busy machine oversleeps. Catch up by what an adapter gathers, not more.
            self._free = max(end, loop.time() - GATHER_S)


class Player:
    """Play one instrument: compose `rates` when due, and send them at the wire's speed.

    While it is not `powered` it sends nothing, as in the gaps of its habits.
    """

    def __init__(
        self,
        baud: int,
        rates: Mapping[str, float],
        compose: Composer,
        epoch: float,
        habits: Habits | None = None,
    ) -> None:
        """`epoch` is the POSIX time of the simulated boat at the loop's start."""
        self.powered = True
        self._habits = habits or Habits()
        self._wire = SerialWire(baud)
        self._rates = dict(rates)
        self._compose = compose
        self._epoch = epoch
        self._extra: asyncio.Queue[bytes] = asyncio.Queue()
        self.sent: Counter[str] = Counter()
        """Sentences by formatter."""
        self.lost: Counter[str] = Counter()
        """Sentences by formatter that were not taken: the adapter is unplugged, or off."""

    @property
    def character(self) -> float:
        """Return the seconds that a character takes on the wire."""
        return self._wire.character

    def set_baud(self, baud: int) -> None:
        """Send at another baud rate from the next sentence on."""
        self._wire = SerialWire(baud)

    def say(self, line: bytes) -> None:
        """Send bytes before the next sentence, such as noise or a bad checksum."""
        self._extra.put_nowait(line)

    async def play(self, write: Callable[[bytes], None], has_room: Callable[[], bool]) -> None:
        """Send without end. `has_room` tells if the last write has been taken.

        A wire does not wait: a sentence that finds no room is lost as a whole.
        """
        schedule = Schedule(self._rates, self._now(), self._habits.wander)
        while True:
            due, formatter = schedule.next(self._now())
            extra = await self._next_extra(due - self._now())
            if extra is not None:
                formatter, lines = "", [extra]
            else:
                lines = self._make(formatter, datetime.fromtimestamp(round(due, 2), UTC))
                schedule.sent(formatter, len(lines), due)
                if not self.powered or self._habits.is_gap(due):
                    continue
            for line in lines:
                room = has_room()
                (self.sent if room else self.lost)[formatter] += 1
                await self._wire.carry(
                    self._habits.spoil(line) if extra is None else line,
                    write if room else _nowhere,
                )

    def _make(self, formatter: str, moment: datetime) -> list[bytes]:
        """Compose what is due now, and with bursts what is due after it."""
        lines = []
        for number in range(self._habits.burst):
            later = timedelta(seconds=number / self._rates[formatter])
            lines += self._compose(formatter, moment + later)
        return lines if self._habits.checksums else [strip_checksum(line) for line in lines]

    async def _next_extra(self, wait: float) -> bytes | None:
        """Return the bytes given to `say`, or None when `wait` seconds pass without any."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(None if wait == inf else wait):
                return await self._extra.get()
        return None

    def _now(self) -> float:
        return self._epoch + asyncio.get_running_loop().time()


def _nowhere(_: bytes) -> None:
    pass
