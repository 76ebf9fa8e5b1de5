# SPDX-License-Identifier: GPL-3.0-or-later
"""A sentence on an inverted line is recovered whole, whatever the receiver does out of step."""

from __future__ import annotations

from random import Random

import pytest

from provision.survey.evidence import Evidence
from provision.survey.inverted import recover
from tests.support.hull import Talker, receive, wire

FORMATTERS = ("MTW", "MWV", "VDM", "RMC", "HDT", "GGA", "HDG", "DBT")


@pytest.mark.parametrize("waits", [True, False])
@pytest.mark.parametrize("formatter", FORMATTERS)
def test_the_sentence_is_recovered(formatter: str, waits: bool) -> None:
    upright, inverted = (
        receive(wire(Random(1), Talker(4800, (formatter,), 2.0, inverted=inverted)), waits)
        for inverted in (False, True)
    )
    data = inverted.read(4800, 1.9).strip(b"\0")
    assert recover(data, waits) == [upright.read(4800, 1.9)[:-1]]


def test_an_upright_line_and_another_baud_rate_recover_nothing() -> None:
    for baud, inverted in ((4800, False), (9600, True), (2400, True)):
        talker = Talker(4800, ("RMC",), 2.0, inverted=inverted)
        data = receive(wire(Random(1), talker)).read(baud, 1.9).strip(b"\0")
        assert recover(data, True) == recover(data, False) == []


@pytest.mark.parametrize("step", [0.02, 0.05, 0.09])
def test_pieces_of_any_size_give_the_same_evidence(step: float) -> None:
    receiver = receive(wire(Random(1), Talker(4800, ("HDG", "MWV"), 1.0, inverted=True)))
    evidence, now = Evidence(), 0.0
    while now < 5:
        now += step
        if data := receiver.read(4800, now):
            evidence.hear(data, now)
    assert {sentence.formatter for sentence in evidence.inverted} == {"HDG", "MWV"}
    assert evidence.certain
    assert evidence.is_inverted


def test_an_adapter_that_does_not_tell_that_the_line_is_low() -> None:
    talker = Talker(4800, ("HDG",), 1.0, inverted=True, start=0.3)
    receiver = receive(wire(Random(1), talker), tells_break=False)
    evidence, now = Evidence(), 0.0
    while now < 4:
        now += 0.05
        if data := receiver.read(4800, now):
            assert b"\0" not in data
            evidence.hear(data, now)
        else:
            evidence.pause(now)
    assert [sentence.formatter for sentence in evidence.inverted] == ["HDG"] * 4
