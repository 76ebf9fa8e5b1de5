# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups of an NMEA 2000 network are counted by their source, fast packets once."""

from __future__ import annotations

import io
import struct
from pathlib import Path

from rich.console import Console

from provision.onboard.feed.nmea2000.frame import ERROR, EXTENDED, FRAME, REMOTE
from provision.onboard.feed.nmea2000.pgn import GROUPS
from provision.survey.can import find_networks
from provision.survey.console import network_table
from provision.survey.findings import Findings, choose_here
from provision.survey.groups import MAX_GROUPS, GroupReport, Groups, NetworkReport, is_fast
from tests.support.feed.can_groups import DEPTH, FIX, HEADING, fast, reference


def framed(number: int, source: int, data: bytes) -> bytes:
    return FRAME.pack(2 << 26 | number << 8 | source | EXTENDED, len(data), data)


def test_which_groups_are_fast_packets_as_the_reference_library_has_it() -> None:
    reference()
    from nmea2000 import backend  # noqa: PLC0415

    # Above 18 bits the library numbers what is no group. Two may come either way.
    known = {
        info.pgn: info.packet_type == "Fast"
        for info in backend.DATABASE.pgns()
        if info.pgn < 2**18 and info.packet_type in ("Fast", "Single")
    }
    assert len(known) > 300
    assert [number for number, theirs in known.items() if is_fast(number) != theirs] == []


def test_those_that_the_feed_reads_are_so_as_well() -> None:
    assert [n for n, group in GROUPS.items() if is_fast(n) != group.is_fast] == []


def test_rates_by_group_and_source() -> None:
    groups = Groups()
    for tick in range(51):
        groups.take(framed(127250, 3, HEADING), tick * 0.1)
        groups.take(framed(127250, 36, HEADING), tick * 0.1)
        if tick % 10 == 0:
            groups.take(framed(128267, 3, DEPTH), tick * 0.1)
            # Seven frames are one position.
            for frame in fast(FIX, tick // 10 % 8):
                groups.take(framed(129029, 3, frame), tick * 0.1)
    groups.take(framed(60928, 3, bytes(8)), 0.3)
    assert groups.reports() == (
        GroupReport(60928, 3, None, False),
        GroupReport(127250, 3, 10.0, True),
        GroupReport(127250, 36, 10.0, True),
        GroupReport(128267, 3, 1.0, True),
        GroupReport(129029, 3, 1.0, True),
    )


def test_a_group_that_the_profile_does_not_ask_for_is_not_translated() -> None:
    groups = Groups(frozenset({"DPT"}))
    groups.take(framed(127250, 3, HEADING), 0.0)
    groups.take(framed(128267, 3, DEPTH), 0.0)
    assert [(group.pgn, group.translated) for group in groups.reports()] == [
        (127250, False),
        (128267, True),
    ]


def test_what_is_no_group_is_passed_over() -> None:
    groups = Groups()
    whole = framed(128267, 3, DEPTH)
    (identifier,) = struct.unpack_from("=I", whole)
    for frame in (
        whole[:-1],
        FRAME.pack(identifier & ~EXTENDED, 8, DEPTH),
        FRAME.pack(identifier | REMOTE, 8, DEPTH),
        FRAME.pack(identifier | ERROR, 8, DEPTH),
        # The rest of a fast packet whose beginning was not heard.
        framed(129029, 3, fast(FIX)[1]),
    ):
        groups.take(frame, 0.0)
    assert groups.reports() == ()


def test_a_flood_of_groups_fills_no_memory() -> None:
    groups = Groups()
    for number in range(2 * MAX_GROUPS):
        groups.take(framed(0xF000 + number // 200, number % 200, bytes(8)), 0.0)
    assert len(groups.reports()) == MAX_GROUPS


def interface(sys: Path, name: str, kind: int) -> None:
    (sys / "class/net" / name).mkdir(parents=True)
    (sys / "class/net" / name / "type").write_text(f"{kind}\n")


def test_can_interfaces_are_found_and_named(tmp_path: Path) -> None:
    (tmp_path / "class/tty").mkdir(parents=True)
    for name, kind in (("eth0", 1), ("can1", 280), ("can0", 280)):
        interface(tmp_path, name, kind)
    assert find_networks(tmp_path) == ["can0", "can1"]
    # A laptop without adapters may have a CAN interface.
    assert choose_here([], tmp_path) == ([], ["can0", "can1"])
    assert choose_here(["can1"], tmp_path) == ([], ["can1"])


def test_json_and_table() -> None:
    network = NetworkReport(
        "can0", (GroupReport(127250, 3, 10.0, True), GroupReport(60928, 3, None, False))
    )
    assert Findings([], [network, NetworkReport("can1")]).as_json() == {
        "ports": [],
        "networks": [
            {
                "device": "can0",
                "groups": [
                    {"pgn": 127250, "source": 3, "rate": 10.0, "translated": True},
                    {"pgn": 60928, "source": 3, "rate": None, "translated": False},
                ],
                "error": None,
            },
            {"device": "can1", "groups": [], "error": None},
        ],
    }
    text = io.StringIO()
    Console(file=text, width=120).print(network_table([network, NetworkReport("can1")]))
    assert "127250" in text.getvalue() and "10/s" in text.getvalue() and "HDG" in text.getvalue()
    assert "once" in text.getvalue() and "silent" in text.getvalue()
