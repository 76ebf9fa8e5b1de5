# SPDX-License-Identifier: GPL-3.0-or-later
"""An instrument's rates and the wire's pace, in virtual time."""

from __future__ import annotations

import asyncio
from collections import Counter

import pytest

from provision.bench.simulation.pacing import GATHER_S, Player

#: 8 data bits, no parity, 1 stop bit: 480 characters a second at 4800 baud, 3840 at 38400
#: (IEC 61162-1, IEC 61162-2).
CHARACTERS_A_SECOND = {4800: 480, 38400: 3840}


def record(virtual_run, player, seconds, *, has_room=lambda: True, during=None):
    """Everything written in so many seconds: (time, bytes)."""
    written = []

    async def main():
        loop = asyncio.get_running_loop()
        if during:
            loop.call_later(*during)
        try:
            async with asyncio.timeout(seconds):
                await player.play(lambda piece: written.append((loop.time(), piece)), has_room)
        except TimeoutError:
            pass

    virtual_run(main())
    return written


def lines_of(length):
    """Return a composer of numbered lines of that many characters, CR LF included."""

    def compose(formatter, moment):
        return [f"${formatter},{moment:%S.%f}".ljust(length - 2, "0").encode() + b"\r\n"]

    return compose


def sentences(written):
    return Counter(
        line[1:4].decode() for line in b"".join(piece for _, piece in written).split(b"\r\n")[:-1]
    )


@pytest.mark.parametrize("baud", CHARACTERS_A_SECOND)
def test_never_faster_than_the_wire(virtual_run, baud):
    rate = CHARACTERS_A_SECOND[baud]
    written = record(virtual_run, Player(baud, {"RMC": 50, "GGA": 50}, lines_of(82), 0.0), 10)
    start = written[0][0] - len(written[0][1]) / rate
    passed = 0
    for time, piece in written:
        passed += len(piece)
        assert passed <= (time - start) * rate + 1e-6  # a character counts when it has arrived
        assert len(piece) <= GATHER_S * rate
    assert passed == pytest.approx(10 * rate, rel=0.02)  # and no slower, when there is more to say


def test_a_sentence_takes_its_time(virtual_run):
    written = record(virtual_run, Player(4800, {"RMC": 1}, lines_of(82), 0.0), 0.9)
    assert b"".join(piece for _, piece in written).endswith(b"\r\n")
    assert written[-1][0] == pytest.approx(82 / 480)


def test_rates_are_kept(virtual_run):
    player = Player(4800, {"HDG": 10, "MWV": 2, "RMC": 1, "MTW": 0.2}, lines_of(25), 0.0)
    written = record(virtual_run, player, 20 + 0.9)
    counted = sentences(written)
    assert counted == player.sent
    assert counted == {"HDG": pytest.approx(209, abs=1), "MWV": 42, "RMC": 21, "MTW": 5}


def test_a_message_of_several_sentences_counts_as_several(virtual_run):
    def compose(formatter, _):
        return [f"!{formatter},{number}\r\n".encode() for number in (1, 2)]

    player = Player(38400, {"VDM": 4}, compose, 0.0)
    assert sentences(record(virtual_run, player, 10 - 0.1)) == {"VDM": 40}


def test_too_much_for_the_wire_leaves_out_some_of_each(virtual_run):
    # 9,600 characters a second for a wire of 480: one in twenty gets through, none is late.
    player = Player(4800, {"AAA": 60, "BBB": 60}, lines_of(80), 0.0)
    written = record(virtual_run, player, 10)
    counted = sentences(written)
    assert counted["AAA"] + counted["BBB"] == pytest.approx(60, abs=2)
    assert counted["AAA"] == pytest.approx(counted["BBB"], abs=2)
    assert written[-1][0] == pytest.approx(10, abs=0.2)
    last = b"".join(piece for _, piece in written).split(b"\r\n")[-2]
    assert float(last.split(b",")[1][:6]) == pytest.approx(10, abs=0.4)  # what it says is fresh


def test_moments_are_whole_periods_of_the_simulated_time(virtual_run):
    moments = []

    def compose(_, moment):
        moments.append(moment.timestamp())
        return [b"$X\r\n"]

    record(virtual_run, Player(4800, {"HDG": 10}, compose, 1_900_000_000.33), 1.55)
    assert moments == [pytest.approx(1_900_000_000.4 + n / 10) for n in range(15)]
    moments.clear()
    record(virtual_run, Player(4800, {"RMC": 1}, compose, 1_900_000_000.33), 3)
    assert moments == [1_900_000_001, 1_900_000_002, 1_900_000_003]


def test_a_sentence_that_is_not_taken_is_lost_whole(virtual_run):
    player = Player(4800, {"RMC": 1}, lines_of(60), 0.0)
    rooms = iter([True, True, False, False, False, True, True, True])
    written = record(virtual_run, player, 7.9, has_room=lambda: next(rooms))
    lines = b"".join(piece for _, piece in written).split(b"\r\n")[:-1]
    assert len(lines) == 5
    assert all(len(line) == 58 for line in lines)
    assert (player.sent["RMC"], player.lost["RMC"]) == (5, 3)


def test_own_bytes_go_out_as_they_are(virtual_run):
    player = Player(4800, {}, lines_of(60), 0.0)
    noise = bytes(range(256))
    written = record(virtual_run, player, 2, during=(0.5, player.say, noise))
    assert b"".join(piece for _, piece in written) == noise
    assert written[-1][0] == pytest.approx(0.5 + 256 / 480)


def test_a_machine_that_stalls_does_not_make_the_wire_faster(virtual_run):
    """Another task holds the loop for a second; what was missed then is not sent in a burst."""
    written = []

    async def main():
        loop = asyncio.get_running_loop()
        player = Player(4800, {"AAA": 20}, lines_of(80), 0.0)

        def stall():
            loop._skipping.now += 1.0  # type: ignore[attr-defined]

        loop.call_later(1.0, stall)
        try:
            async with asyncio.timeout(4):
                await player.play(lambda p: written.append((loop.time(), p)), lambda: True)
        except TimeoutError:
            pass

    virtual_run(main())
    for number, (start, _) in enumerate(written):
        burst = sum(len(piece) for time, piece in written[number + 1 :] if time <= start + 0.5)
        assert burst <= (0.5 + GATHER_S) * 480 + 8  # and the piece that was on its way
