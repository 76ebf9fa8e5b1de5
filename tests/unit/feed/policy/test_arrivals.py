# SPDX-License-Identifier: GPL-3.0-or-later
"""The wait of a read is never estimated shorter than it was, and little longer."""

from __future__ import annotations

import asyncio
from collections import deque
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.policy.stalls import BEAT_S, DRAIN_S, STALL_S, Arrivals, Stalls

APB = frame("$GPAPB,A,A,0.10,L,N,V,V,011,M,DEST,011,M,011,M")

#: Bytes that the simulated source gives in one read.
MAX_READ_BYTES = 64


class Loop:
    """Stands for an event loop's clock and timer, with one source that it reads."""

    def __init__(self) -> None:
        self.now = 1000.0
        self.due_at = 0.0
        self.beat: Any = None
        self.waiting: deque[float] = deque()
        """When each octet came that is not read yet."""

    def time(self) -> float:
        return self.now

    def call_later(self, delay: float, call: Any) -> None:
        self.due_at, self.beat = self.now + delay, call

    def turn(self, arrivals: Arrivals, pauses: tuple[float, float, float]) -> None:
        """Ask the source, read it, and beat, with a pause before each; octets come meanwhile."""
        before, between, after = pauses
        self.pass_time(before)
        ready, due = bool(self.waiting), self.now >= self.due_at
        self.pass_time(between)
        if ready:
            read = [self.waiting.popleft() for _ in range(min(MAX_READ_BYTES, len(self.waiting)))]
            since = arrivals.read(len(read), more=len(read) == MAX_READ_BYTES)
            assert since <= read[0]
        self.pass_time(after)
        if due:
            self.beat()

    def pass_time(self, seconds: float) -> None:
        came = round(min(seconds, 2.0) * 40)
        self.waiting.extend(self.now + seconds * number / (came or 1) for number in range(came))
        self.now += seconds


def simulated(monkeypatch: pytest.MonkeyPatch) -> tuple[Loop, Arrivals, Stalls]:
    loop = Loop()
    monkeypatch.setattr(asyncio, "get_running_loop", lambda: loop)
    stalls = Stalls()
    stalls.start()
    return loop, Arrivals(stalls), stalls


PAUSE = st.sampled_from([0.0, 0.001, 0.03, 0.05, 0.2, 0.9, 1.1, 5.0])


@given(st.lists(st.tuples(PAUSE, PAUSE, PAUSE), max_size=60))
def test_nothing_is_ever_held_for_younger_than_it_is(
    turns: list[tuple[float, float, float]],
) -> None:
    with pytest.MonkeyPatch.context() as monkeypatch:
        loop, arrivals, _ = simulated(monkeypatch)
        for pauses in turns:
            loop.turn(arrivals, pauses)


def test_while_the_loop_runs_nothing_is_held_for_much_older(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    loop, arrivals, stalls = simulated(monkeypatch)
    for _ in range(200):
        loop.turn(arrivals, (0.02, 0.001, 0.001))
        assert loop.now - stalls.since() <= 2 * BEAT_S + 0.05


def test_a_stall_is_over_when_all_has_been_read(monkeypatch: pytest.MonkeyPatch) -> None:
    loop, arrivals, stalls = simulated(monkeypatch)
    loop.turn(arrivals, (3 * STALL_S, 0, 0))
    stopped = loop.now
    while loop.now < stopped + DRAIN_S:
        assert loop.now - stalls.since() > STALL_S
        loop.turn(arrivals, (0.02, 0, 0))
    for _ in range(10):
        loop.turn(arrivals, (0.02, 0, 0))
    assert loop.now - stalls.since() < 0.2


def test_a_full_read_with_nothing_behind_it_makes_nothing_later_old(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The read took exactly what was there. Data ten seconds later is not the rest of it."""
    loop, arrivals, _ = simulated(monkeypatch)
    arrivals.read(MAX_READ_BYTES, more=True)
    for _ in range(300):
        loop.now += 0.04
        if loop.now >= loop.due_at:
            loop.beat()
    assert loop.now - arrivals.read(10, more=False) < 0.2


@given(
    st.lists(st.tuples(st.integers(0, 90), st.floats(0, 3), st.floats(0, 3)), max_size=20),
    st.binary(max_size=40),
)
def test_a_sentence_is_as_old_as_its_first_octet(
    reads: list[tuple[int, float, float]], noise: bytes
) -> None:
    """However it is cut into reads, and whatever stands between."""
    unit = noise.translate(None, b"\r\n$!*") + b"\r\n" + APB
    framer = Framer("x", from_start=True)
    came: list[float] = []
    now, since, heard = 10.0, 0.0, 0
    for size, pause, waited in reads:
        now += pause
        since = max(since, now - waited)
        piece = (20 * unit)[len(came) : len(came) + size]
        came += [since] * len(piece)
        for sentence in framer.feed(piece, now, since):
            begins = heard * len(unit) + len(unit) - len(APB)
            heard += 1
            assert sentence.heard == now
            assert sentence.waited >= now - came[begins] - 1e-9
    # A CR ends a line as well as CR LF.
    assert heard == (len(came) + 1) // len(unit)
