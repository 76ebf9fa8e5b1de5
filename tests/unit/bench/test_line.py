# SPDX-License-Identifier: GPL-3.0-or-later
"""A line carries bits: what is received depends on both baud rates, polarity and other talkers."""

from __future__ import annotations

import re
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.bench.wire.line import Line, Noise, Talker
from provision.bench.wire.receiver import Receiver

RATES = [1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200]
SENTENCE = b"$GPXTE,A,A,0.10,R,N*1C\r\n"


def line_of(*talkers: Talker, inverted: bool = False) -> Receiver:
    line = Line(inverted=inverted)
    for talker in talkers:
        line.add(talker)
    return Receiver(line)


@given(data=st.binary(max_size=64), baud=st.sampled_from(RATES))
def test_the_same_baud_rate_receives_every_byte(data: bytes, baud: int) -> None:
    talker = Talker()
    talker.say(data, 1.0, baud)
    assert line_of(talker).read(baud, talker.free) == data


@given(cuts=st.lists(st.floats(0.0, 0.1), max_size=8))
def test_it_makes_no_difference_how_often_the_line_is_read(cuts: list[float]) -> None:
    talker = Talker()
    talker.say(SENTENCE, 0.01, 4800)
    receiver = line_of(talker)
    heard = b"".join(receiver.read(4800, until) for until in [*sorted(cuts), 1.0])
    assert heard == SENTENCE


@given(error=st.floats(-0.03, 0.03))
def test_a_clock_that_is_a_little_wrong_is_no_matter(error: float) -> None:
    """Half a bit in nine and a half is what a receiver bears, 5 %."""
    talker = Talker()
    talker.say(SENTENCE, 0.0, round(4800 * (1 + error)))
    assert line_of(talker).read(4800, talker.free + 1) == SENTENCE


@pytest.mark.parametrize("sent", RATES)
@pytest.mark.parametrize("received", RATES)
def test_another_baud_rate_receives_no_sentence(sent: int, received: int) -> None:
    talker = Talker()
    talker.say(SENTENCE, 0.0, sent)
    heard = line_of(talker).read(received, talker.free + 1)
    assert (heard == SENTENCE) == (sent == received)
    assert heard
    if sent == 2 * received:
        # Some 24 characters last as long as 12.
        assert len(heard) <= 12


def test_what_is_received_is_known_once_its_stop_bit_has_passed() -> None:
    talker = Talker()
    talker.say(b"UU", 0.0, 4800)
    receiver = line_of(talker)
    assert receiver.read(4800, 9.4 / 4800) == b""
    assert receiver.read(4800, 9.6 / 4800) == b"U"
    assert receiver.read(4800, 19.6 / 4800) == b"U"


def test_a_talker_sends_one_byte_after_the_other() -> None:
    talker = Talker()
    talker.say(b"ab", 0.0, 4800)
    talker.say(b"c", 0.0, 4800)
    assert talker.free == pytest.approx(30 / 4800)
    assert line_of(talker).read(4800, 1.0) == b"abc"


def test_an_inverted_line_receives_something_else() -> None:
    talker = Talker()
    talker.say(SENTENCE, 0.1, 4800)
    heard = line_of(talker, inverted=True).read(4800, 1.0)
    assert heard[0] == 0, "idle is low: a break"
    assert SENTENCE not in heard
    assert len(heard) > 10


def test_two_talkers_that_take_turns_are_both_received() -> None:
    one, other = Talker(), Talker()
    one.say(SENTENCE, 0.0, 4800)
    other.say(SENTENCE, one.free, 4800)
    assert line_of(one, other).read(4800, 1.0) == SENTENCE * 2


def test_two_talkers_at_once_pull_the_line_low_together() -> None:
    one, other = Talker(), Talker()
    one.say(b"\xf0", 0.0, 4800)
    other.say(b"\xcc", 0.0, 4800)
    assert line_of(one, other).read(4800, 1.0) == bytes([0xF0 & 0xCC])


def test_noise_is_received_at_every_baud_rate_and_never_as_a_sentence() -> None:
    """A sentence ends in its checksum (IEC 61162-1)."""
    for baud in RATES:
        receiver = line_of(Noise(Random(3), 0.0))
        heard = receiver.read(baud, 10.0)
        assert len(heard) > 20
        assert not re.search(rb"[$!][ -~]{1,78}\*[0-9A-F]{2}\r\n", heard)


def test_a_new_baud_rate_forgets_the_byte_that_was_begun() -> None:
    talker = Talker()
    talker.say(b"a", 0.0, 1200)
    receiver = line_of(talker)
    assert receiver.read(1200, 0.001) == b""
    receiver.drop()
    assert receiver.read(1200, 1.0) != b"a"
