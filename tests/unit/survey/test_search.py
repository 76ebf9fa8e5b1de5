# SPDX-License-Identifier: GPL-3.0-or-later
"""A baud rate is found from bytes alone, or none is: never a wrong one."""

from __future__ import annotations

from random import Random

import pytest

from provision.onboard.feed.nmea0183.sentence import frame
from provision.survey.search import SILENT_S, Search
from provision.survey.shape import BAUD_RATES
from tests.support.hull import Talker, binary, noise, wire
from tests.support.trials import Trial, run

#: Seconds in which a talker that says a sentence every two seconds is found.
MOST_S = 30.0


def listened(*talkers: Talker, bauds: tuple[int, ...] = ()) -> Search:
    """What the search of a line with these talkers ended with."""
    edges = wire(Random(2), *talkers)
    return run(Trial("", edges, bauds, talkers[0].inverted, False)).search


@pytest.mark.parametrize("baud", BAUD_RATES)
def test_each_baud_rate_is_found_from_a_sentence_every_two_seconds(baud: int) -> None:
    search = listened(Talker(baud, ("HDG",), 2.0))
    assert (search.found, search.supported()) == (baud, [baud])
    assert search.ended <= MOST_S


def test_two_sentences_of_one_formatter_are_not_certain_and_a_third_is() -> None:
    search = Search(0.0)
    line = frame("$GPHDT,1.0,T")
    search.hear(line, 1.0)
    search.hear(line, 1.1)
    assert search.found is None
    search.hear(line, 1.2)
    assert search.found == search.baud == 4800


def test_two_formatters_are_certain() -> None:
    search = Search(0.0)
    search.hear(frame("$GPHDT,1.0,T") + frame("$GPHDT,1.0,T") + frame("$GPROT,1.0,A"), 1.0)
    assert search.found == 4800


def test_two_baud_rates_that_sentences_speak_for_are_none() -> None:
    search = Search(0.0)
    search.evidence.setdefault(38400, search.evidence[4800].__class__()).frames = 1
    for now in (1.0, 1.1, 1.2, 1.3):
        search.hear(frame("$GPHDT,1.0,T"), now)
    assert search.found is None
    assert search.supported() == [4800, 38400]


def test_bytes_right_after_a_change_of_the_baud_rate_count_for_nothing() -> None:
    search = Search(0.0)
    search.hear(b"".join([frame("$GPHDT,1.0,T")] * 9), 0.05)
    assert search.heard == 0


def test_inverted_polarity_is_found_and_named() -> None:
    search = listened(Talker(4800, ("RMC", "GGA", "VTG"), inverted=True))
    assert search.found == 4800
    assert search.evidence[4800].is_inverted
    assert {"RMC", "GGA", "VTG"} == {sentence.formatter for sentence in search.sentences()}


def test_a_binary_protocol_is_found_by_its_checksums() -> None:
    search = listened(Talker(38400, (), make=binary))
    assert search.found == 38400
    assert search.evidence[38400].frames >= 3
    assert search.sentences() == []


def test_a_silent_line_is_given_up_early() -> None:
    search = run(Trial("", iter(()), (), False, False)).search
    assert (search.found, search.heard) == (None, 0)
    assert search.ended == pytest.approx(SILENT_S, abs=0.1)


def test_noise_is_no_talker() -> None:
    search = run(Trial("", noise(Random(3)), (), False, False)).search
    assert (search.found, search.supported()) == (None, [])
    assert search.heard > 100


def test_a_rare_sentence_prolongs_the_listening() -> None:
    often = listened(Talker(4800, ("RMC", "GGA")))
    rarely = listened(Talker(4800, ("HDG",), 0.5), Talker(4800, ("DBT",), 3.0, start=0.25))
    assert often.ended < rarely.ended <= 15


def test_a_talker_of_four_seconds_is_waited_for() -> None:
    search = listened(Talker(38400, ("RMC",), 4.0, start=3.0))
    assert search.found == 38400
