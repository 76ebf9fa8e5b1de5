# SPDX-License-Identifier: GPL-3.0-or-later
"""Two sources of one kind want an order, which names sources of that kind."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.unit.checks.pilot_boat import NETWORK, SECOND, findings, found, prefer


def test_two_sources_want_an_order(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, SECOND)
    assert (finding.level, finding.check) == ("warning", "no-preference.position")
    assert "gnss and second all tell position" in finding.message
    assert "{position: [gnss, second]}" in finding.hint
    assert found(tmp_path, SECOND, prefer("position: [gnss, second]")) == []
    assert found(tmp_path, SECOND, prefer("position: [second]")) == []


@pytest.mark.parametrize(
    ("takes", "wanted"),
    [
        ("but: [GGA]", False),
        ("only: [GSV]", False),
        ("only: [{talker: GP}]", True),
        # Of the other talkers the sentence still comes.
        ("but: [{talker: GP, formatter: GGA}]", True),
        ("but: [{talker: GP}]", True),
        ("only: [GGA], but: [GSV]", True),
    ],
)
def test_what_is_not_taken_is_no_source(tmp_path: Path, takes: str, wanted: bool) -> None:
    second = (SECOND[0], SECOND[1].replace("[GGA]", f"[GGA], takes: {{{takes}}}"))
    expected = [("warning", "no-preference.position")] if wanted else []
    assert found(tmp_path, second) == expected


def test_kinds_of_an_nmea_2000_network_and_of_inputs_count(tmp_path: Path) -> None:
    ais = ("inputs: {}", 'inputs: {ais: {tcp: "10.47.9.60:10110", talks: [VDM, RMC]}}')
    assert found(tmp_path, NETWORK) == [("warning", "no-preference.position")]
    assert found(tmp_path, ais) == [
        ("warning", "no-preference.position"),
        ("warning", "loop.ais"),
    ]
    order = prefer("position: [gnss, backbone], silence: 20 s")
    assert found(tmp_path, NETWORK, order) == []
    only = (NETWORK[0], NETWORK[1].replace("wind: 1}", "wind: 1}, takes: {only: [MWV]}"))
    assert found(tmp_path, only) == []


def test_a_source_without_that_kind_of_data(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, SECOND, prefer("position: [gnss, pilot]"))
    assert (finding.level, finding.check) == ("error", "prefer.position.pilot")
    assert str(finding.location).endswith("tern.yml:11:34: feed.prefer.position[1]")
    assert "RMC" in finding.hint


@pytest.mark.parametrize(
    ("kind", "goes_with", "tells"),
    [
        ("heading", "ROT", "THS"),
        ("speed", "VLW", "VHW"),
        ("position", "VTG", "GLL"),
        ("position", "GSV", "GNS"),
    ],
)
def test_accompanying_sentences_do_not_count_for_a_kind(
    tmp_path: Path, kind: str, goes_with: str, tells: str
) -> None:
    """A rate of turn is no heading: the feed never believes its source for one."""
    links = "  {}: {{adapter: {{serial: {}}}, talks: {{{}: {}}}}}\n"
    first, second = links.format("a", "A3", tells, 1), links.format("b", "A4", goes_with, 1)
    both = ("  gnss: {adapter: {serial: A1}, talks: {RMC: 1, GGA: 1}}\n", first + second)
    quiet, chip = ("{HDG: 10}", "{MTW: 1}"), ("bcm2711-rpi-4-b", "x86-64")
    assert found(tmp_path, both, quiet, chip) == []
    finding, alone = findings(tmp_path, both, quiet, chip, prefer(f"{kind}: [a, b]"))
    assert alone.check == f"prefer-alone.{kind}"
    assert (finding.level, finding.check) == ("error", f"prefer.{kind}.b")
    assert goes_with not in finding.hint and tells in finding.hint


def test_silence_counts_decisive_sentences_only(tmp_path: Path) -> None:
    """A rate of turn ten times a second does not make a heading every 10 s often."""
    slow = ("{HDG: 10}", "{HDG: 0.1, ROT: 10}")
    second = ("  pilot:", "  gyro: {adapter: {serial: A3}, talks: {HDT: 1}}\n  pilot:")
    order = prefer("heading: [pilot, gyro], silence: 5 s")
    assert found(tmp_path, slow, second, order) == [("warning", "prefer-silence.heading.pilot")]


def test_an_order_of_one_alone(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, prefer("position: [gnss]"))
    assert (finding.level, finding.check) == ("warning", "prefer-alone.position")
    # What an input sends that says nothing of itself cannot be known.
    anything = ("inputs: {}", "inputs: {guests: {udp: 10111}}")
    assert found(tmp_path, anything, prefer("position: [gnss]")) == []
    assert found(tmp_path, anything, prefer("position: [gnss, guests]")) == []


@pytest.mark.parametrize(("silence", "wanted"), [("9 s", True), ("10 s", False)])
def test_a_silence_shorter_than_two_sentences(tmp_path: Path, silence: str, wanted: bool) -> None:
    """Once in 5 s; the others come once a second."""
    order = prefer(f"position: [gnss, backbone], silence: {silence}")
    expected = [("warning", "prefer-silence.position.backbone")] if wanted else []
    assert found(tmp_path, NETWORK, order) == expected
