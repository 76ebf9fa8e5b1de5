# SPDX-License-Identifier: GPL-3.0-or-later
"""An instrument's habits: rates that wander, bursts, gaps, no checksums, wrong bytes, no power."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from datetime import datetime
from itertools import pairwise
from typing import Any

import pytest

from provision.bench.simulation.binary import compose_binary
from provision.bench.simulation.habits import Habits, strip_checksum
from provision.bench.simulation.pacing import Player

Run = Callable[[Coroutine[Any, Any, Any]], Any]

LINE = b"$GPXTE,A,A,0.10,R,N*1C\r\n"


def play(run: Run, rates: dict[str, float], habits: Habits, seconds: float) -> list[float]:
    """Return the times at which sentences ended, in seconds from the start."""
    times: list[float] = []

    async def main() -> None:
        loop = asyncio.get_running_loop()
        start = loop.time()

        def write(data: bytes) -> None:
            if data.endswith(b"\n"):
                times.append(loop.time() - start)

        player = Player(38400, rates, lambda formatter, moment: [LINE], 0.0, habits)
        try:
            async with asyncio.timeout(seconds):
                await player.play(write, lambda: True)
        except TimeoutError:
            pass

    run(main())
    return times


def test_rates_wander_around_their_mean(virtual_run: Run) -> None:
    times = play(virtual_run, {"XTE": 1}, Habits(wander=0.3), 300)
    gaps = [after - before for before, after in pairwise(times)]
    assert min(gaps) < 0.8
    assert max(gaps) > 1.2
    assert all(0.68 < gap < 1.32 for gap in gaps)
    assert sum(gaps) / len(gaps) == pytest.approx(1, rel=0.05)


def test_bursts_keep_the_mean_rate(virtual_run: Run) -> None:
    times = play(virtual_run, {"XTE": 1}, Habits(burst=5), 61)
    assert 55 <= len(times) <= 65
    gaps = sorted(after - before for before, after in pairwise(times))
    assert gaps[len(gaps) // 2] < 0.01
    assert gaps[-1] > 4.5


def test_gaps_come_again_and_again(virtual_run: Run) -> None:
    times = play(virtual_run, {"XTE": 1}, Habits(gap_every=30, gap_lasts=10), 121)
    gaps = [after - before for before, after in pairwise(times)]
    assert sum(gap > 9 for gap in gaps) >= 3
    assert 75 <= len(times) <= 85


def test_sentences_may_lack_their_checksum(virtual_run: Run) -> None:
    assert strip_checksum(LINE) == b"$GPXTE,A,A,0.10,R,N\r\n"
    assert strip_checksum(b"$PXYZ\r\n") == b"$PXYZ\r\n"


def test_a_share_of_bytes_is_wrong() -> None:
    habits = Habits(garbled=0.01)
    spoiled = habits.spoil(b"U" * 100_000)
    assert 700 < sum(byte != ord("U") for byte in spoiled) < 1300
    assert Habits().spoil(LINE) == LINE


def test_an_instrument_without_power_sends_nothing_until_it_is_switched_on(
    virtual_run: Run,
) -> None:
    async def main() -> tuple[int, int]:
        heard: list[bytes] = []
        player = Player(4800, {"XTE": 1}, lambda formatter, moment: [LINE], 0.0)
        player.powered = False
        task = asyncio.ensure_future(player.play(heard.append, lambda: True))
        await asyncio.sleep(10)
        before = len(heard)
        player.powered = True
        await asyncio.sleep(10)
        task.cancel()
        return before, b"".join(heard).count(LINE)

    before, after = virtual_run(main())
    assert before == 0
    assert 9 <= after <= 11


def test_a_binary_message_is_always_the_same_for_a_moment() -> None:
    moment = datetime(2031, 3, 4)
    message = compose_binary(moment)
    assert message == compose_binary(moment)
    assert message[:2] == b"\xb5\x62"
    assert len(message) == message[4] + 8
