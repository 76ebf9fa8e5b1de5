# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat without a clock chip needs a date: RMC or ZDA (IEC 61162-1) of a serial link."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.errors import UserError
from tests.unit.checks.small_boat import findings, found, inputs, links, read

NO_DATE = ("talks: [RMC]", "talks: [GGA]")
CHIP = ("bcm2711-rpi-4-b", "x86-64")


@pytest.mark.parametrize("formatter", ["RMC", "ZDA"])
def test_a_link_with_a_date_is_enough(tmp_path: Path, formatter: str) -> None:
    assert found(tmp_path, ("talks: [RMC]", f"talks: [{formatter}]")) == []


def test_no_date_and_no_clock_chip(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, NO_DATE)
    assert (finding.level, finding.check) == ("warning", "no-date")
    assert finding.location.key == "links"
    for meaning in ("clock chip", "voyage log", "certificates"):
        assert meaning in finding.message
    assert "RMC or ZDA" in finding.hint


def test_a_clock_chip_helps(tmp_path: Path) -> None:
    assert found(tmp_path, NO_DATE, CHIP) == []


def test_a_date_that_is_not_taken_is_none(tmp_path: Path) -> None:
    dropped = ("talks: [RMC]", "talks: [RMC, GGA], takes: {but: [RMC]}")
    assert found(tmp_path, dropped) == [("warning", "no-date")]
    # Of other talkers it still comes.
    some = ("talks: [RMC]", "talks: [RMC], takes: {but: [{talker: GL, formatter: RMC}]}")
    assert found(tmp_path, some) == []


def test_a_date_from_a_network_sets_no_clock(tmp_path: Path) -> None:
    backbone = links("backbone: {can: can0, talks: [time]}")
    (finding,) = findings(tmp_path, NO_DATE, backbone)
    assert finding.check == "no-date"
    assert "the date of backbone sets no clock" in finding.message
    net = inputs("net: {udp: 10111, talks: [ZDA]}")
    assert "the date of net sets no clock" in findings(tmp_path, NO_DATE, net)[0].message


def test_a_way_ashore_sets_the_clock_only_there(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, NO_DATE, ("wired: boat", "wired: shore"))
    assert "until it reaches the internet" in finding.message


def test_a_clock_source_whose_date_is_not_taken(tmp_path: Path) -> None:
    dropped = ("talks: [RMC]", "talks: [RMC, GGA], takes: {but: [RMC]}")
    named = ("feed: {}", "clock: {from: [gnss]}")
    told = findings(tmp_path, dropped, named)
    assert [finding.check for finding in told] == ["clock-source.gnss", "no-date"]
    assert told[0].location.key == "clock.from[0]"
    assert "links.gnss.takes" in told[0].hint


def test_a_clock_source_that_talks_no_date_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="gnss does not tell the date"):
        found(tmp_path, NO_DATE, ("feed: {}", "clock: {from: [gnss]}"))


def test_the_sources_are_counted(tmp_path: Path) -> None:
    def count(*replacements: tuple[str, str]) -> list[tuple[float | None, float | None, str]]:
        figures = checks.calculate([read(tmp_path, *replacements)])
        return [(f.value, f.limit, f.verdict) for f in figures if f.subject == "no-date"]

    assert count() == [(1, 1, "fine")]
    assert count(links("more: {adapter: {serial: A2}, talks: [ZDA]}")) == [(2, 1, "fine")]
    assert count(NO_DATE) == [(0, 1, "warning")]
    assert count(NO_DATE, CHIP) == [(0, 0, "fine")]
