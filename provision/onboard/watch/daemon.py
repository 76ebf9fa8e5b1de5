# SPDX-License-Identifier: GPL-3.0-or-later
"""Take a sample a minute, write an hour at a time, and answer who asks."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Awaitable, Callable
from typing import Any

from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.report.sd_notify import notify
from provision.onboard.feed.report.state_socket import StateSocket
from provision.onboard.watch.answer.answer import make_answer
from provision.onboard.watch.facts.computer import Computer
from provision.onboard.watch.facts.config import WatchConfig
from provision.onboard.watch.facts.links import (
    FeedRuns,
    clock_is_sure,
    link_letters,
    readable,
)
from provision.onboard.watch.facts.sample import Sample
from provision.onboard.watch.memory.boots import Boot
from provision.onboard.watch.memory.files import read_files
from provision.onboard.watch.memory.history import History
from provision.onboard.watch.memory.keeper import Keeper

#: Seconds between two samples, and between two looks at the supply: the kernel's driver keeps an
#: alarm for as long (rpi_volt, from memory).
SAMPLE_S, LOOK_S = 60.0, 2.0

State = dict[str, Any]


def elapsed() -> float:
    """Return the seconds since the computer started, sleep included. No fix steps them."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Watch:
    """Watches one boat."""

    def __init__(
        self, config: WatchConfig, computer: Computer, ask: Callable[[], Awaitable[State | None]]
    ) -> None:
        self._config = config
        self._computer = computer
        self._ask = ask
        self._feed_runs = FeedRuns()
        self._low: bool | None = None
        self._sampled: float | None = None
        self._answer: State | None = None
        boot = Boot(computer.boot(), time.time() - elapsed(), lost_power=computer.lost_power())
        self._history = History(boot)
        self.keeper = Keeper(config.store, FaultLog())

    def load(self) -> None:
        """Recall what earlier runs wrote, but for links that the profile no longer has."""
        store, history = self._config.store, self._history
        for block in read_files(store.folder, store.cap) if store else ():
            boot = history.recall(block.boot)
            boot.date(block.boot.offset, sure=block.boot.sure)
            hour = history.hour(boot.name, block.hour)
            block.put_into(hour, self._config.links)
            boot.lasted = max(boot.lasted, hour.last())
            history.shrink(elapsed())

    def answer(self) -> State:
        """Return what the history's socket tells. It is made once for each sample."""
        if self._answer is None:
            self._answer = make_answer(
                self._history, elapsed(), sampled=self._sampled, kept=self.keeper.state
            )
        age = None if self._sampled is None else round(elapsed() - self._sampled, 1)
        return {**self._answer, "sampled": age}

    def look_at_supply(self) -> None:
        """Remember an alarm of the supply until the next sample."""
        low = self._computer.supply_is_low()
        if low is not None:
            self._low = low or bool(self._low)

    async def sample(self) -> None:
        """Take one sample, and write the hour if it is over."""
        state, now = readable(await self._ask()), elapsed()
        self.look_at_supply()
        figures = {
            **self._computer.figures(),
            "low": None if self._low is None else int(self._low),
            "restarts": int(self._feed_runs.restarted(state, now)),
            "deaf": int(state is None),
        }
        self._low = None
        history = self._history
        history.present.date(time.time() - elapsed(), sure=clock_is_sure(state))
        hour = history.add(now, Sample(figures, link_letters(self._config.links, state)))
        self.keeper.take(history.present, hour, now)
        self._sampled, self._answer = now, None

    async def run(self, socket: str) -> None:
        """Watch until SIGTERM or SIGINT. OSError when the socket cannot be bound."""
        end = asyncio.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(number, end.set)
        self.load()
        answers = StateSocket(socket, self.answer, group=True)
        await self.sample()
        await answers.start()
        notify("READY=1")
        looks = asyncio.create_task(self._look())
        samples = asyncio.create_task(self._sample())
        for task in (looks, samples):
            # A task ends only by a fault. systemd then starts the program again.
            task.add_done_callback(lambda _: end.set())
        await end.wait()
        notify("STOPPING=1")
        answers.close()
        self.keeper.close(self._history.present)
        for task in (looks, samples):
            if task.done():
                task.result()
            task.cancel()

    async def _look(self) -> None:
        while True:
            await asyncio.sleep(LOOK_S if self._computer.supply_is_low() is not None else SAMPLE_S)
            self.look_at_supply()

    async def _sample(self) -> None:
        due = elapsed()
        while True:
            due = max(due + SAMPLE_S, elapsed())
            await asyncio.sleep(due - elapsed())
            await self.sample()
            notify("WATCHDOG=1")
