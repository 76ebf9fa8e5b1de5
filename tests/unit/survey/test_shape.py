# SPDX-License-Identifier: GPL-3.0-or-later
"""The shape of bytes at a wrong baud rate tells in which direction the right one is."""

from __future__ import annotations

from random import Random

import pytest

from provision.survey.shape import BAUD_RATES, bit_length, rank, text_share, upright
from tests.support.hull import Talker, receive, wire


def received(true: int, baud: int, seconds: float = 3.0) -> bytes:
    """What a receiver at `baud` makes of a GNSS receiver's sentences at `true`."""
    return receive(wire(Random(1), Talker(true, ("RMC", "GGA")))).read(baud, seconds)


@pytest.mark.parametrize("true", BAUD_RATES)
def test_sentences_are_text_at_their_baud_rate_alone(true: int) -> None:
    assert text_share(received(true, true)) == 1.0
    for baud in set(BAUD_RATES) - {true}:
        assert text_share(received(true, baud)[:128]) < 0.6, baud


@pytest.mark.parametrize(
    ("true", "baud", "bits"),
    [(4800, 9600, 2), (4800, 19200, 4), (9600, 57600, 6), (38400, 115200, 3), (38400, 4800, 1)],
)
def test_a_bit_lasts_as_many_bits_as_the_receiver_is_too_fast(
    true: int, baud: int, bits: int
) -> None:
    assert bit_length(received(true, baud)) == bits


def test_without_bytes_and_without_edges() -> None:
    assert bit_length(b"") is None
    assert bit_length(bytes(20)) == 10


def test_the_next_baud_rate_is_the_one_that_the_shape_names() -> None:
    assert rank(BAUD_RATES, 38400, 4)[0] == 9600
    assert rank(BAUD_RATES[1:], 4800, 1)[:2] == [38400, 9600]
    assert rank(BAUD_RATES[1:], 4800, None) == [*BAUD_RATES[1:]]
    assert rank((2400, 1200, 9600), 115200, 10)[0] == 9600


def test_an_inverted_line_is_read_upright_once_the_receiver_is_in_step() -> None:
    talker = Talker(4800, ("RMC", "VTG"), inverted=True)
    text = upright(receive(wire(Random(1), talker)).read(4800, 0.9))
    assert b"\r\n$GPVTG," in text
