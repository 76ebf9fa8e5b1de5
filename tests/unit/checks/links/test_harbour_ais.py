# SPDX-License-Identifier: GPL-3.0-or-later
"""Reports of a busy harbour, just inside and just outside what links can carry.

ITU-R M.1371: two channels of 2250 slots a minute, 168 bits of a position report in one slot. IEC
61162-1: six bits a character, 480 characters a second at 4800 baud; IEC 61162-2: 3840 at 38400.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.checks.links import harbour_ais
from provision.checks.links.sentence_lengths import typical_length
from tests.unit.checks.small_boat import findings, found, inputs, links, read


def ais(talks: str, baud: int = 38400) -> str:
    return f"ais: {{adapter: {{serial: A2}}, baud: {baud}, talks: {talks}}}"


def plotter(listens: str, baud: int = 38400, more: str = "") -> str:
    return f"plotter: {{adapter: {{serial: A3}}, baud: {baud}, listens: {listens}{more}}}"


def test_the_worst_case_of_both_channels() -> None:
    """75 reports of 28 characters in a sentence of 49."""
    assert harbour_ais.REPORTS_A_SECOND == 75
    assert typical_length("VDM") == len("!AIVDM,1,1,,B,,0*5C\r\n") + 168 // 6 == 49
    assert harbour_ais.harbour_characters({"VDM": 1.0}) == 3675
    assert harbour_ais.harbour_characters({"VDM": 80.0}) == 80 * 49
    assert harbour_ais.harbour_characters({"VDO": 1.0}) == 48


@pytest.mark.parametrize(
    ("talks", "baud", "expected"),
    [
        ("[VDM, VDO]", 38400, []),
        # 3675 of 3840: three of VDO fit beside them, four do not.
        ("{VDM: 1, VDO: 3}", 38400, []),
        ("{VDM: 1, VDO: 4}", 38400, [("warning", "ais-harbour.ais")]),
        ("{VDM: 1, VDO: 4}", 57600, []),
        ("[VDM]", 19200, [("warning", "ais-harbour.ais")]),
        ("[VDM]", 4800, [("warning", "ais-harbour.ais")]),
        ("[VDO]", 4800, []),
        # Too full at any time.
        ("{VDM: 12}", 4800, [("error", "link-load.ais")]),
    ],
)
def test_a_receivers_link(
    tmp_path: Path, talks: str, baud: int, expected: list[tuple[str, str]]
) -> None:
    entry = links(ais(talks, baud))
    assert found(tmp_path, entry) == expected
    judged = [
        ("warning", figure.subject)
        for figure in checks.calculate([read(tmp_path, entry)])
        if figure.subject.startswith("ais") and figure.verdict != "fine"
    ]
    assert judged == [one for one in expected if one[0] == "warning"]


def test_what_helps_a_receiver(tmp_path: Path) -> None:
    (slow,) = findings(tmp_path, links(ais("[VDM]", 4800)))
    assert "75 reports a second" in slow.message and "766%" in slow.message
    assert "38400 baud" in slow.hint
    assert slow.location.key == "links.ais.baud"
    (fast,) = findings(tmp_path, links(ais("{VDM: 1, VDO: 4}")))
    assert "nothing else" in fast.hint


@pytest.mark.parametrize(
    ("listens", "baud", "enough"),
    [
        # 80 % of 3840 characters are 62 sentences of 49.
        ("{VDM: 62}", 38400, True),
        ("{VDM: 61}", 38400, False),
        ("[VDM]", 38400, False),
        # Ten headings of 25 characters take the room of six.
        ("{HDG: 10, VDM: 57}", 38400, True),
        ("{HDG: 10, VDM: 50}", 38400, False),
        ("{VDM: 75}", 115200, True),
        ("{VDM: 74}", 115200, False),
        ("{VDM: 7}", 4800, False),
    ],
)
def test_a_listeners_link(tmp_path: Path, listens: str, baud: int, enough: bool) -> None:
    entries = links(ais("[VDM]"), plotter(listens, baud))
    assert found(tmp_path, entries) == ([] if enough else [("warning", "ais-listener.plotter")])


def test_what_helps_a_listener(tmp_path: Path) -> None:
    (slow,) = findings(tmp_path, links(ais("[VDM]"), plotter("[VDM]", 4800)))
    assert "38400 baud" in slow.hint and "VDM: 62" in slow.hint
    assert slow.location.key == "links.plotter.listens"
    (few,) = findings(tmp_path, links(ais("[VDM]"), plotter("[VDM]")))
    assert few.hint == "write under its listens VDM: 62, which 38400 baud can carry"


def test_a_listener_without_a_source_of_reports(tmp_path: Path) -> None:
    assert found(tmp_path, links(plotter("[VDM]"))) == []
    filtered = links(ais("[VDM]"), plotter("[VDM, RMC]", more=", gives: {only: [RMC]}"))
    assert found(tmp_path, filtered) == []
    net = inputs("net: {udp: 10111, talks: [VDM]}")
    assert found(tmp_path, net, of="ais") == []


def test_reports_of_a_network(tmp_path: Path) -> None:
    """Five frames of 160 bits each (from memory) at 250 kbit/s (NMEA 2000)."""
    backbone = "backbone: {can: can0, talks: [ais]}"
    assert found(tmp_path, links(backbone)) == []
    assert found(tmp_path, links(backbone, plotter("[VDM]"))) == [
        ("warning", "ais-listener.plotter")
    ]
    figures = checks.calculate([read(tmp_path, links(backbone))])
    (bus,) = [figure for figure in figures if figure.subject == "ais-harbour.backbone"]
    assert (bus.value, bus.limit, bus.verdict) == (60, 250, "fine")


def test_what_comes_to_each_client(tmp_path: Path) -> None:
    two = links(ais("[VDM]"), "backbone: {can: can0, talks: [ais]}")
    (client,) = [
        figure
        for figure in checks.calculate([read(tmp_path, two)])
        if figure.subject == "ais-harbour"
    ]
    # The network also brings VDO once a second.
    assert client.value == 2 * 3675 + 48
