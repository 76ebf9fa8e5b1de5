# SPDX-License-Identifier: GPL-3.0-or-later
"""What the operator is told of a port: instrument, rates, and what to do."""

from __future__ import annotations

import io
from random import Random

import pytest
from rich.console import Console

from provision.onboard.feed.config.types import BAUD_RATES as PROFILE_RATES
from provision.onboard.feed.nmea0183.sentence import frame
from provision.survey.adapters import Adapter
from provision.survey.console import result_table
from provision.survey.likely import likely
from provision.survey.report import PortReport, Rate, failed, rate, report
from provision.survey.search import Search
from provision.survey.shape import BAUD_RATES
from tests.support.hull import Talker, binary, noise, wire
from tests.support.trials import Trial, run

PORT = Adapter("/dev/ttyUSB0", "KW-01", "1-1.2", 0, "serial_driver", "1d6b", "0104")


def heard(*talkers: Talker) -> PortReport:
    edges = wire(Random(2), *talkers) if talkers else noise(Random(2))
    inverted = bool(talkers and talkers[0].inverted)
    return report(PORT, run(Trial("", edges, (), inverted, False)).search)


@pytest.mark.parametrize(
    ("addresses", "instrument"),
    [
        ("GPRMC GPGGA GPVTG GPZDA", "GNSS receiver"),
        ("AIVDM", "AIS receiver"),
        ("AIVDM AIVDO GPRMC", "AIS transponder"),
        ("WIMWV WIVWR", "wind instrument"),
        ("SDDPT YXMTW", "echo sounder"),
        ("SDDPT VWVHW YXMTW", "echo sounder and log"),
        ("HCHDG TIROT", "compass"),
        ("GPAPB GPRMB GPRMC", "chart plotter"),
        ("IIMWV IIDPT IIVHW IIHDG", "several instruments that one device joins"),
        ("PXYZ1", "an instrument of sentences that no standard explains"),
        ("", ""),
    ],
)
def test_the_likely_instrument(addresses: str, instrument: str) -> None:
    assert likely(addresses.split()) == instrument


def test_rates_with_their_spread() -> None:
    assert rate([0.0, 0.5, 1.0, 1.5]) == Rate(2.0, 2.0, 2.0)
    assert rate([0.0, 1.0, 3.0]) == Rate(0.67, 0.5, 1.0)
    assert rate([4.0]) is None
    # Three parts a second.
    assert rate([0.0, 0.05, 0.1, 1.0, 1.05, 1.1, 2.0, 2.05]) == Rate(3.0, 3.0, 3.0)
    assert rate([1.0, 1.0]) is None
    # Four sentences of many were lost in a row.
    lost = rate([0.1 * number for number in range(40) if number not in (20, 21, 22, 23)])
    assert lost is not None
    assert lost.mean == pytest.approx(9, abs=0.1)


def test_a_talker() -> None:
    told = heard(Talker(4800, ("RMC", "VTG")))
    assert (told.baud, told.looks_like, told.advice) == (4800, "GNSS receiver", ())
    assert {*told.sentences} == {"GPRMC", "GPVTG"}
    assert told.as_json()["sentences"]["GPRMC"] == pytest.approx(1, abs=0.05)


def test_what_to_do_about_the_line() -> None:
    assert "exchange the two wires" in heard(Talker(4800, ("RMC", "VTG"), inverted=True)).advice[0]
    assert "binary" in heard(Talker(9600, (), make=binary)).advice[0]
    two = Talker(4800, ("RMC", "GGA"), 0.7), Talker(4800, ("MWV", "VHW"), 0.6)
    assert "two instruments may talk on one line" in heard(*two).advice[0]


@pytest.mark.parametrize("baud", BAUD_RATES)
def test_a_profile_can_name_what_the_survey_finds(baud: int) -> None:
    assert baud in PROFILE_RATES
    if baud < 4800:
        told = heard(Talker(baud, ("HDG", "ROT")))
        assert (told.baud, told.advice) == (baud, ())


def test_sentences_that_are_longer_than_the_standard_has_them() -> None:
    line = frame("$PXYZ1," + ",".join(["1234567"] * 10))
    assert len(line) > 82
    told = heard(Talker(9600, (), 0.5, make=lambda _: line))
    assert (told.baud, told.long) == (9600, True)
    assert told.advice[0].endswith("give its link long: true")
    assert not heard(Talker(4800, ("RMC", "VTG"))).long


def test_noise_and_silence() -> None:
    told = heard()
    assert (told.baud, told.noise, told.state) == (None, True, "noise")
    silent = report(PORT, Search(0.0))
    assert (silent.baud, silent.noise, silent.state) == (None, False, "silent")
    assert "is the instrument on" in silent.advice[0]


def test_lines_without_a_checksum_give_no_baud_rate_and_a_hint() -> None:
    line = frame("$HEHDT,010.0,T")[:-5] + b"\r\n"
    told = heard(Talker(9600, (), 0.5, make=lambda _: line))
    assert (told.baud, told.noise, told.state) == (None, False, "not certain")
    assert told.advice[0].startswith("at 9600 baud it sends lines without a valid checksum")


def test_the_table_shows_no_control_codes() -> None:
    odd = Adapter("/dev/ttyUSB0", "\x1b[31m", "1-1.2", 0, product_name="[bold]x")
    text = io.StringIO()
    Console(file=text, width=200).print(result_table([failed(odd, "no permission")]))
    assert "\x1b" not in text.getvalue()
    assert "[bold]x" in text.getvalue()
    assert "hub, second socket" in text.getvalue()


def test_too_few_sentences_are_not_certain_and_no_noise() -> None:
    search = Search(0.0)
    search.hear(frame("$HEHDT,010.0,T"), 1.0)
    told = report(PORT, search)
    assert (told.baud, told.noise, told.state) == (None, False, "not certain")
    assert told.advice == ("too little came at 4800 baud to be certain: survey again",)
    search.evidence[38400] = search.evidence[4800]
    told = report(PORT, search)
    assert told.advice == (
        "sentences came at 4800 and 38400 baud: two instruments talk on one line",
    )
