# SPDX-License-Identifier: GPL-3.0-or-later
"""A link is drafted from one report: name, adapter, baud rate and sentences."""

from __future__ import annotations

import doctest
from dataclasses import replace

import pytest
import yaml

from provision.profile.schema.links import LinkConfig
from provision.survey import likely
from provision.survey.draft import hubs, naming, rates
from provision.survey.draft.identity import identify
from provision.survey.draft.link import DraftLink, comment_lines, draft
from provision.survey.draft.naming import link_name
from provision.survey.draft.rates import fit, rates_of
from provision.survey.report import PortReport, Rate
from tests.unit.survey.draft.made import adapter, heard, silent

ONE = adapter("KW-01")


def drafted(report: PortReport, *others: PortReport) -> DraftLink:
    link = draft(report, [one.adapter for one in (report, *others)])
    assert link is not None
    return link


def test_the_examples() -> None:
    assert doctest.testmod(naming).failed == doctest.testmod(rates).failed == 0
    assert doctest.testmod(hubs).failed == 0


def test_every_instrument_has_a_name() -> None:
    instruments = {*likely.INSTRUMENTS.values(), *likely.SENDERS.values(), likely.PLOTTER}
    assert {likely.BINARY, likely.MANY_INSTRUMENTS, *instruments} == {*naming.NAMES}


def test_names_are_short_and_unique() -> None:
    assert link_name("echo sounder and log and wind instrument") == "instruments"
    assert link_name("an instrument of sentences that no standard explains") == "instrument"
    assert link_name("GNSS receiver and binary GNSS protocol") == "gnss"
    assert link_name("GNSS receiver", {"gnss", "gnss-2"}) == "gnss-3"


@pytest.mark.parametrize(
    ("sentences", "written"),
    [
        ("GPRMC GPGGA=0.98 GPVTG=1.04", "talks: [RMC, GGA, VTG]"),
        ("WIMWV=9.7", "talks: {MWV: 10}"),
        ("GPRMC GPGSV=3.1", "talks: {RMC: 1, GSV: 3}"),
        ("SDDPT=0.52 PXYZ1=0.33", "talks: {DPT: 0.5, PXYZ1: 0.33}"),
        # Of two systems of satellites.
        ("GPRMC GPGSV GLGSV", "talks: {RMC: 1, GSV: 2}"),
        ("GPRMC TITXT=once", "talks: {RMC: 1, TXT: 0.1}"),
    ],
)
def test_sentences_with_their_rates(sentences: str, written: str) -> None:
    link = drafted(heard(ONE, sentences))
    assert link.heard
    assert f"adapter: {{serial: KW-01}}, baud: 4800, {written}}}" in link.lines[-1]
    LinkConfig.model_validate(yaml.safe_load(link.lines[-1])[link.name])
    assert ("the rate 0.1 is guessed" in " ".join(link.comment)) == ("once" in sentences)


def test_an_address_that_no_profile_can_name() -> None:
    assert rates_of({"GPRMC": Rate(1, 1, 1), "P1": Rate(1, 1, 1), "GPR2C": None}) == {"RMC": 1.0}
    link = drafted(heard(ONE, "GPR2C"))
    assert not link.heard


def test_long_sentences_are_allowed() -> None:
    link = drafted(replace(heard(ONE, "PXYZ1"), long=True))
    assert link.lines[-1].endswith("talks: [PXYZ1], long: true}")


def test_rates_that_the_sums_have_no_room_for() -> None:
    """Twelve short sentences of a maker's own a second, which count as 82 characters each."""
    lowered, changed = fit({"PXYZ1": 12.0}, 4800)
    assert (lowered, changed) == ({"PXYZ1": 5.8}, True)
    assert fit({"PXYZ1": 5.8}, 4800) == ({"PXYZ1": 5.8}, False)
    link = drafted(heard(ONE, "PXYZ1=12"))
    assert "its rates are lowered" in " ".join(link.comment).lower()


def test_the_serial_number_or_the_socket() -> None:
    two = adapter("0007", "1-1.2")
    assert identify(ONE, [ONE, two]) == {"serial": "KW-01"}
    twin = adapter("0007", "1-1.3")
    assert identify(two, [two, twin]) == {"port": "1-1.2"}
    assert identify(adapter(""), [ONE]) == {"port": "1-1.1"}
    assert identify(adapter("KW 01/$"), [ONE]) == {"port": "1-1.1"}
    ports = [adapter("KW-04", "1-1.4", interface) for interface in (0, 1)]
    assert [identify(one, ports)["interface"] for one in ports] == [0, 1]
    nameless = [adapter("", "1-1.4", interface) for interface in (0, 1)]
    assert identify(nameless[1], nameless) == {"port": "1-1.4", "interface": 1}


def test_a_port_that_is_no_adapter() -> None:
    assert draft(heard(adapter(port=""), "GPRMC"), []) is None


@pytest.mark.parametrize(
    "report",
    [
        silent(ONE),
        PortReport(ONE, noise=True),
        PortReport(ONE, uncertain=True),
        PortReport(ONE, error="no permission"),
        PortReport(ONE, 9600, looks_like=likely.BINARY),
    ],
)
def test_what_is_not_known_is_a_comment(report: PortReport) -> None:
    link = drafted(report)
    assert all(line.startswith("# ") for line in link.lines)
    said = " ".join(link.comment)
    assert "?." not in said
    assert "Survey again with --into" in said
    assert all(one[:8] in said.lower() for one in report.advice)
    # Without its # it is a link.
    value = yaml.safe_load(link.lines[-1].removeprefix("# "))
    LinkConfig.model_validate(value[link.name])


def test_a_comment_holds_nothing_but_text() -> None:
    lines = comment_lines(["a\x1b[31m\nb\r\u2028c\x85\ufffe", "x" * 1000])
    assert all(line.isprintable() and len(line) <= 96 for line in lines)
    assert yaml.safe_load("".join(f"# {line}\n" for line in lines)) is None
    assert lines[0].startswith("A?[31m?b??c?? X")
